"""Numbers and limits as a person reads them, alike in terminal and picture. Plain ASCII."""

import math

CAUTION = (
    "Simulation only; it certifies nothing. Real drives work with lethal voltages and moving machinery: follow your local "
    "codes, your functional-safety process and licensed practice before hardware is energised."
)
NOT_REPORTED = "not reported by this controller"
# A margin below zero for less of the time than this says what a single step did, not what the drive lacks.
TRANSIENT_SHARE = 0.01

_UNITS = (
    ("_kg_m2", "kg m2"),
    ("_kmh", "km/h"),
    ("_electrical_deg", "deg"),
    ("_percent", "%"),
    ("_degC", "degC"),
    ("_rpm", "rpm"),
    ("_deg", "deg"),
    ("_ohm", "ohm"),
    ("_Nm", "Nm"),
    ("_Hz", "Hz"),
    ("_Wb", "Wb"),
    ("_V", "V"),
    ("_A", "A"),
    ("_W", "W"),
    ("_J", "J"),
    ("_K", "K"),
    ("_s", "s"),
)

_PERCENT, _SECONDS = ("overshoot_percent", "thd_percent"), ("rise_time_s", "settling_time_s")


def unit_of(signal):
    """signal => the unit its name ends in, "" where it has none."""
    return next((unit for ending, unit in _UNITS if signal.endswith(ending)), "")


def measured_unit(signal, measure):
    """(signal, measure) => unit of the measure's value."""
    if measure in _PERCENT:
        return "%"
    if measure in _SECONDS:
        return "s"
    unit = unit_of(signal)
    if measure == "integral":
        return {"W": "J", "": "s"}.get(unit, f"{unit} s")
    return unit


def verdict_unit(verdict):
    """verdict => unit of its value and limit."""
    return measured_unit(verdict["signal"], verdict["measure"])


def number(value, unit="", digits=5):
    """(value, unit) => "1.234 ms" style text: short times in ms or us, everything else with plain digits."""
    if value is None or not math.isfinite(value):
        return "none"
    if unit == "s" and value != 0.0 and abs(value) < 1.0:
        scale, unit = (1e3, "ms") if abs(value) >= 1e-3 else (1e6, "us")
        value *= scale
    size = abs(value)
    if size >= 1e6:
        text = f"{value:.{digits}g}"
    elif size >= 10 ** (digits - 1):
        text = f"{value:.0f}"
    elif size != 0.0 and size < 1e-3:
        text = f"{value:.2e}"
    else:
        text = f"{value:.{digits}g}"
    return f"{text} {unit}".rstrip()


def limit_text(limit, unit=""):
    """(limit object, unit) => text such as "at most 4 ms", "2 to 3 V", "5 +- 0.1 V", "exactly 4"."""
    parts = []
    if "equal" in limit:
        wanted, tolerance = number(limit["equal"], unit), limit.get("tolerance", 0.0)
        parts.append(_pair(wanted, "+-", number(tolerance, unit)) if tolerance else f"exactly {wanted}")
    if "min" in limit and "max" in limit:
        parts.append(_pair(number(limit["min"], unit), "to", number(limit["max"], unit)))
    elif "min" in limit:
        parts.append(f"at least {number(limit['min'], unit)}")
    elif "max" in limit:
        parts.append(f"at most {number(limit['max'], unit)}")
    return ", ".join(parts) or "none given"


def _pair(first, between, second):
    """Two numbers with their units; a unit that both share is written once."""
    value, _, unit = first.partition(" ")
    return f"{value if second.endswith(f' {unit}') else first} {between} {second}"


def value_text(verdict, names=None, digits=5):
    """(verdict, {code: name} of a signal of codes) => the measured value with its unit, or with the code's name."""
    value = verdict["value"]
    text = number(value, verdict_unit(verdict), digits)
    name = (names or {}).get(value) if value is not None and math.isfinite(value) else None
    return f"{text} ({code_text(name)})" if name else text


def margin_text(margin, at_s, negative_share, digits=5):
    """(least voltage margin [V], its instant [s], share of time below zero) => words; "" where none was recorded."""
    if not math.isfinite(margin):
        return ""
    text = f"least voltage margin {number(margin, 'V', digits)} at {number(at_s, 's')}"
    if margin >= 0.0:
        return text
    where = ", in a transient: negative" if negative_share < TRANSIENT_SHARE else ", negative"
    return f"{text}{where} {share_text(negative_share)} of the time"


def measure_text(verdict):
    """verdict => measure and signal in words of the scenario: "settling_time_s of torque_Nm"."""
    order = verdict.get("order")
    told = f"{verdict['measure']}" + (f" {order:g}" if order is not None else "")
    return f"{told} of {verdict['signal']}"


def window_text(verdict):
    """verdict => "step at 50 ms", "0.1 s to 0.2 s" or "whole run"."""
    parts = []
    if verdict.get("step_at_s") is not None:
        parts.append(f"step at {number(verdict['step_at_s'], 's')}")
    begin, end = verdict.get("from_s"), verdict.get("to_s")
    if begin is not None and end is not None:
        parts.append(f"{number(begin, 's')} to {number(end, 's')}")
    elif begin is not None:
        parts.append(f"from {number(begin, 's')}")
    elif end is not None:
        parts.append(f"to {number(end, 's')}")
    if verdict.get("band_percent") is not None:
        parts.append(f"band {verdict['band_percent']:g} %")
    return ", ".join(parts) or "whole run"


def code_text(name):
    """Name of a limit or state as in metrics.json => words."""
    return name.replace("_and_", " + ").replace("_", " ")


def share_text(share):
    """share 0 ... 1 => percent; what occurs is never shown as 0 %, what does not fill everything never as 100 %."""
    if 0.0 < share < 0.001:
        return "below 0.1 %"
    if 0.999 < share < 1.0:
        return "above 99.9 %"
    return f"{100.0 * share:.1f} %"
