"""What the figures of a loop mean, in the words of somebody who tunes drives (common practice, no source)."""

# (least phase margin [deg], least gain margin [dB], words), the first that is met counts.
_CLASSES = (
    (60.0, 8.0, "well damped"),
    (45.0, 6.0, "sound: a small overshoot, room for a change of parameters"),
    (30.0, 4.0, "lively: it rings after a step and has little room"),
    (0.0, 0.0, "near the edge: it rings for long; a small change of parameters makes it swing"),
)
UNSTABLE = "UNSTABLE: it swings by itself"


def verdict(stable, phase_margin_deg, gain_margin_dB):
    """(closed loop stable or None: not known, margins or None) => words."""
    if stable is False:
        return UNSTABLE
    if phase_margin_deg is None:
        return "no crossover: the loop gain stays below 1" if gain_margin_dB is None or gain_margin_dB > 0.0 else UNSTABLE
    for phase, gain, words in _CLASSES:
        if phase_margin_deg >= phase and (gain_margin_dB is None or gain_margin_dB >= gain):
            return words
    return UNSTABLE


def agreement(curves):
    """(Curves) => words on how far measured and predicted are apart up to the crossover, or "" where nothing is to compare."""
    closed, opened = curves.apart("closed"), curves.apart("open")
    if closed is None:
        return ""
    word = "agree" if curves.agrees else "DIFFER"
    text = f"{word}: closed response at most {closed[0]:.2g} dB and {closed[1]:.2g} deg apart"
    return f"{text}, open {opened[0]:.2g} dB and {opened[1]:.2g} deg" if opened is not None else text
