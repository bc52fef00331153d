"""Numbers of parts as a person reads them: four digits, with the prefix that fits. Plain ASCII."""

import math

_SMALL = ((1.0, ""), (1e-3, "m"), (1e-6, "u"), (1e-9, "n"))
_LARGE = ((1e6, "M"), (1e3, "k"), (1.0, ""))
_PREFIXES = {**dict.fromkeys(("ohm", "H", "F", "Wb", "s", "J"), _SMALL), **dict.fromkeys(("W", "Hz"), _LARGE)}
BASIS_WORDS = {
    "line_line_peak": "line-line peak",
    "line_line_rms": "line-line rms",
    "phase_peak": "phase peak",
    "phase_rms": "phase rms",
}


def amount(value, unit="", digits=4, none="none"):
    """(value, unit) => '60 mohm', '2870 rpm', '0.42 Nm/A'; nothing known or infinite: the word given."""
    if value is None or not math.isfinite(value):
        return none
    scale, prefix = _scale(abs(value), unit)
    return f"{plain(value / scale, digits)} {prefix}{unit}".rstrip()


def _scale(size, unit):
    if unit == "H" and 1e-5 <= size < 1.0:
        # Both axes of a winding in one unit.
        return 1e-3, "m"
    prefixes = _PREFIXES.get(unit, ((1.0, ""),))
    # What prints as 1000 has the next prefix.
    return next(((scale, prefix) for scale, prefix in prefixes if size >= 0.99995 * scale), prefixes[-1])


def plain(value, digits=4):
    """A number with so many digits, whole ones kept whole up to a million."""
    # What rounding leaves of zero.
    if abs(value) < 1e-12:
        return "0"
    text = f"{value:.{digits}g}"
    return f"{value:.0f}" if "e+" in text and abs(value) < 1e7 else text
