"""[controller.tuning] of the field-oriented controller: read, checked, turned into gains."""

import difflib
import math

from controllers.contract import TuningError
from controllers.foc_records import MODES, SPEED
from simcore.inverter.modulation import MODULATIONS

# key: (default, lowest, highest, unit); None as default means: absent.
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
}
SWITCHES = {"decoupling": True, "delay_compensation": True}
CURRENT_GAINS = ("kp_d_V_per_A", "kp_q_V_per_A", "ki_d_V_per_As", "ki_q_V_per_As")
SPEED_GAINS = ("speed_kp_Nm_s", "speed_ki_Nm")


def _known(tuning, problems):
    """Every key known, every value a number in its range: values with defaults filled in."""
    values = {name: default for name, (default, *_) in KEYS.items()} | dict(SWITCHES)
    for name, value in tuning.items():
        if name not in values:
            near = difflib.get_close_matches(name, values, 1, 0.5)
            hint = f'Did you mean "{near[0]}"?' if near else f"Known are {', '.join(values)}."
            problems.append(f"controller.tuning.{name}: the field-oriented controller has no such key. {hint}")
        elif name in SWITCHES:
            if not isinstance(value, bool):
                problems.append(f"controller.tuning.{name} = {value!r}: must be true or false. Write it without quotes.")
            values[name] = value
        else:
            _, low, high, unit = KEYS[name]
            number = isinstance(value, (int, float)) and not isinstance(value, bool)
            if not number or not math.isfinite(value) or not low <= value <= high:
                of = f" ({unit})" if unit else ""
                problems.append(
                    f"controller.tuning.{name} = {value!r}: must be a number from {low:g} to {high:g}{of}. Change it."
                )
            else:
                values[name] = float(value)
    return values


def _all_or_none(tuning, names, instead, problems):
    given = [name for name in names if name in tuning]
    if given and len(given) < len(names):
        missing = ", ".join(name for name in names if name not in tuning)
        problems.append(f"controller.tuning: {', '.join(given)} given without {missing}. Give all of them, or {instead}.")
    if given and instead in tuning:
        problems.append(f"controller.tuning: {instead} and {given[0]} contradict. Give the gains or the bandwidth, not both.")
    return bool(given)


def _speed_gains(values, setup, given, problems):
    if given:
        return values["speed_kp_Nm_s"], values["speed_ki_Nm"]
    inertia = values["inertia_kg_m2"] if values["inertia_kg_m2"] is not None else setup.inertia_kg_m2
    if inertia is None:
        problems.append("controller.tuning.inertia_kg_m2: missing; speed mode must know the inertia it turns (kg m2). Give it.")
        return 0.0, 0.0
    w = 2.0 * math.pi * values["speed_bandwidth_Hz"]
    return w * inertia, w * w * inertia / 4.0


def read_tuning(setup):
    """(set-up) => fields of FOC_PARAMETERS that follow from mode and tuning.  Raises TuningError with every problem."""
    problems = []
    if setup.mode not in MODES:
        raise TuningError(
            f'controller.mode = "{setup.mode}": the field-oriented controller knows {", ".join(MODES)}. Choose one of them.'
        )
    values = _known(setup.tuning, problems)
    if problems:
        raise TuningError(*problems)
    current_given = _all_or_none(setup.tuning, CURRENT_GAINS, "current_bandwidth_Hz", problems)
    speed_given = _all_or_none(setup.tuning, SPEED_GAINS, "speed_bandwidth_Hz", problems)
    speed_kp = speed_ki = 0.0
    if MODES[setup.mode] == SPEED and not problems:
        speed_kp, speed_ki = _speed_gains(values, setup, speed_given, problems)
    if problems:
        raise TuningError(*problems)
    w = 2.0 * math.pi * values["current_bandwidth_Hz"]
    fields = {
        "mode": MODES[setup.mode],
        "modulation": MODULATIONS[setup.inverter.modulation],
        "gains_given": current_given,
        "decoupling": values["decoupling"],
        "voltage_use": values["voltage_use"],
        "current_bandwidth_rad_s": w,
        "speed_kp": speed_kp,
        "speed_ki": speed_ki,
        "speed_weight": values["speed_setpoint_weight"],
        "torque_step_Nm": values["torque_slew_Nm_per_s"] * setup.update_s,
        "advance_s": (setup.delay_updates + 0.5) * setup.update_s if values["delay_compensation"] else 0.0,
    }
    if current_given:
        fields |= {name: values[key] for name, key in zip(("kp_d", "kp_q", "ki_d", "ki_q"), CURRENT_GAINS, strict=True)}
    return fields
