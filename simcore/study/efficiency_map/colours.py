"""Colours of the maps: from paper to a dark plum, evenly darker, so that they read in print and with any colour vision.

Dark means strain: loss, heat, little voltage in hand.  Checked: tests/study/test_efficiency_map_figures.py (lightness falls).
"""

# Even steps of CIE lightness, from 97 down to 22.
_PAPER_TO_PLUM = ("#FBF5EC", "#F7DEC5", "#EFC29B", "#E4A27B", "#D48268", "#BC6463", "#9C4B63", "#773762", "#4F2756")
INK_ON_DARK, INK_ON_LIGHT = "white", "#1A1A1A"
# Line and dash of a limit: told apart without colour too.
LIMITS = {
    "current": ("#1A1A1A", "-"), "voltage_and_current": ("#0072B2", (0, (6, 1.5))), "mtpv": ("#D55E00", (0, (1.5, 1.2))),
    "voltage": ("#009E73", (0, (4, 1.2, 1, 1.2))), "temperature": ("#AA4499", (0, (3, 1))),
}  # fmt: skip
OTHER_LIMIT = ("#6E6E6E", (0, (5, 2, 1, 2)))


def strain(reverse=False):
    """=> matplotlib colour map; reverse: dark is low, as for efficiencies."""
    from matplotlib.colors import LinearSegmentedColormap

    colours = _PAPER_TO_PLUM[::-1] if reverse else _PAPER_TO_PLUM
    return LinearSegmentedColormap.from_list("strain", colours, 256)


def lightness(rgb):
    """(r, g, b from 0 to 1) => CIE 1976 lightness L*, 0 to 100 (sRGB, IEC 61966-2-1, from memory)."""
    linear = [v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in rgb[:3]]
    y = 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
    return 116.0 * y ** (1.0 / 3.0) - 16.0 if y > 0.008856 else 903.3 * y
