"""The keys of [controller.tuning] that the field-oriented controller knows: defaults, ranges, sentences."""

import difflib
import math

from controllers.foc_records import MOST_RIPPLES

# key: (default, lowest, highest, unit); None as default means: absent, or told where the key is read.
KEYS = {
    "current_bandwidth_Hz": (500.0, 0.0, 1e6, "Hz"),
    "kp_d_V_per_A": (None, 0.0, 1e6, "V/A"),
    "kp_q_V_per_A": (None, 0.0, 1e6, "V/A"),
    "ki_d_V_per_As": (None, 0.0, 1e9, "V/(A s)"),
    "ki_q_V_per_As": (None, 0.0, 1e9, "V/(A s)"),
    "speed_bandwidth_Hz": (20.0, 0.0, 1e5, "Hz"),
    "speed_kp_Nm_s": (None, 0.0, 1e9, "Nm s/rad"),
    "speed_ki_Nm": (None, 0.0, 1e9, "Nm/rad"),
    "speed_setpoint_weight": (0.5, 0.0, 1.0, ""),
    "inertia_kg_m2": (None, 0.0, 1e6, "kg m2"),
    "torque_slew_Nm_per_s": (0.0, 0.0, 1e12, "Nm/s"),
    "voltage_use": (0.95, 0.1, 1.2, ""),
    "ramp_down_s": (None, 0.0, 1e4, "s"),
    "link_voltage_limit_V": (0.0, 0.0, 1e5, "V"),
    "link_bandwidth_Hz": (None, 0.0, 1e5, "Hz"),
    "dead_time_s": (None, 0.0, 1e-3, "s"),
    "compensation_band_A": (None, 0.0, 1e5, "A"),
    "compensation_delay_updates": (None, -20.0, 20.0, ""),
    "derating_filter_s": (0.05, 0.0, 1e3, "s"),
    "torsion_damping_Nm_s": (0.0, 0.0, 1e6, "Nm s/rad"),
    "torsion_highpass_Hz": (1.0, 1e-3, 1e5, "Hz"),
}
SWITCHES = {
    "decoupling": True,
    "delay_compensation": True,
    "active_resistance": False,
    "dead_time_compensation": False,
}
FEED_FORWARD = "torque_feed_forward"
# key of an entry: (default, lowest, highest, unit)
RIPPLE_KEYS = {
    "order": (None, 1, 200, ""),
    "torque_Nm": (None, -1e6, 1e6, "Nm"),
    "phase_deg": (0.0, -360.0, 360.0, "deg"),
}


def _unknown(at, name, known, holder):
    near = difflib.get_close_matches(name, known, 1, 0.5)
    hint = f'Did you mean "{near[0]}"?' if near else f"Known are {', '.join(known)}."
    return f"{at}.{name}: {holder} has no such key. {hint}"


def _number(at, value, low, high, unit, problems):
    """A number in its range as float; None and a sentence otherwise."""
    number = isinstance(value, (int, float)) and not isinstance(value, bool)
    if number and math.isfinite(value) and low <= value <= high:
        return float(value)
    of = f" ({unit})" if unit else ""
    problems.append(f"{at} = {value!r}: must be a number from {low:g} to {high:g}{of}. Change it.")
    return None


def _ripple(at, entry, problems):
    """One entry of the feed-forward => (order, torque, phase), or None with what is wrong with it."""
    if not isinstance(entry, dict):
        problems.append(f"{at} = {entry!r}: must be a table. Write {{ order = 6, torque_Nm = 1.5, phase_deg = 0.0 }}.")
        return None
    before = len(problems)
    values = {name: default for name, (default, *_) in RIPPLE_KEYS.items()}
    for name, value in entry.items():
        if name not in RIPPLE_KEYS:
            problems.append(_unknown(at, name, RIPPLE_KEYS, "an entry"))
        elif name == "order" and (isinstance(value, bool) or not isinstance(value, int)):
            problems.append(f"{at}.order = {value!r}: must be a whole number, of the electrical angle. Write 6 or 12.")
        else:
            values[name] = _number(f"{at}.{name}", value, *RIPPLE_KEYS[name][1:], problems)
    for name in ("order", "torque_Nm"):
        if name not in entry:
            problems.append(f"{at}.{name}: is missing. Write {{ order = 6, torque_Nm = 1.5, phase_deg = 0.0 }}.")
    return tuple(values.values()) if len(problems) == before else None


def _ripples(value, problems):
    at = f"controller.tuning.{FEED_FORWARD}"
    if not isinstance(value, (list, tuple)) or len(value) > MOST_RIPPLES:
        what = f"must be a list of at most {MOST_RIPPLES} tables"
        problems.append(f"{at}: {what}. Write [{{ order = 6, torque_Nm = 1.5, phase_deg = 0.0 }}].")
        return ()
    return tuple(_ripple(f"{at}[{k}]", entry, problems) for k, entry in enumerate(value))


def known_values(tuning, problems):
    """(tuning, list of sentences to add to) => every known key with its value, defaults filled in."""
    values = {name: default for name, (default, *_) in KEYS.items()} | SWITCHES | {FEED_FORWARD: ()}
    for name, value in tuning.items():
        at = f"controller.tuning.{name}"
        if name not in values:
            problems.append(_unknown("controller.tuning", name, values, "the field-oriented controller"))
        elif name in SWITCHES:
            if not isinstance(value, bool):
                problems.append(f"{at} = {value!r}: must be true or false. Write it without quotes.")
            values[name] = value
        elif name == FEED_FORWARD:
            values[name] = _ripples(value, problems)
        else:
            values[name] = _number(at, value, *KEYS[name][1:], problems)
    return values
