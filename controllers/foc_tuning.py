"""[controller.tuning] of the field-oriented controller: read, checked, turned into gains."""

import math

from controllers.braking import braking_fields
from controllers.contract import TuningError
from controllers.derating import derating_fields
from controllers.foc_records import MODES, MOST_RIPPLES, OPEN_LOOP, SPEED
from controllers.tuning_keys import FEED_FORWARD, known_values
from simcore.inverter.modulation import MODULATIONS

BAND_SHARE = 0.1 / 7.0179  # i / sqrt(i^2 + band^2) reaches 0.99 at 7.0179 bands, put at 10 % of max_current_A
CURRENT_GAINS = ("kp_d_V_per_A", "kp_q_V_per_A", "ki_d_V_per_As", "ki_q_V_per_As")
SPEED_GAINS = ("speed_kp_Nm_s", "speed_ki_Nm")


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


def _ramp_down(values, setup):
    seconds = values["ramp_down_s"]
    if seconds is None:
        # What a shaft or a turning field has to follow goes slower.
        seconds = 1.0 if MODES[setup.mode] in (SPEED, OPEN_LOOP) else 0.1
    return {
        "ramp_share": setup.update_s / max(seconds, setup.update_s),
        "full_frequency_Hz": setup.machine.max_speed_rpm / 60.0 * setup.machine.pole_pairs,
    }


def _dead_time(values, setup):
    dead_s, band_A, ahead = (values[k] for k in ("dead_time_s", "compensation_band_A", "compensation_delay_updates"))
    dead_s = setup.inverter.dead_time_s if dead_s is None else dead_s
    ahead = setup.delay_updates + 0.5 if ahead is None else ahead
    return {
        "compensation": values["dead_time_compensation"],
        "compensation_duty": dead_s * setup.inverter.switching_frequency_Hz,
        "compensation_band_A": BAND_SHARE * setup.machine.max_current_A if band_A is None else band_A,
        "compensation_ahead_s": ahead * setup.update_s,
    }


def _torque_extras(values, setup):
    entries = values[FEED_FORWARD]
    orders, torques, phases = zip(*entries, *[(1.0, 0.0, 0.0)] * (MOST_RIPPLES - len(entries)), strict=True)
    return {
        "damping_Nm_s": values["torsion_damping_Nm_s"],
        "highpass_share": -math.expm1(-2.0 * math.pi * values["torsion_highpass_Hz"] * setup.update_s),
        "ripples": len(entries),
        "ripple_order": orders,
        "ripple_Nm": torques,
        "ripple_phase_rad": [math.radians(phase) for phase in phases],
    }


def read_tuning(setup):
    """(set-up) => fields of FOC_PARAMETERS that follow from mode and tuning.  Raises TuningError with every problem."""
    problems = []
    if setup.mode not in MODES:
        raise TuningError(
            f'controller.mode = "{setup.mode}": the field-oriented controller knows {", ".join(MODES)}. Choose one of them.'
        )
    values = known_values(setup.tuning, problems)
    if problems:
        raise TuningError(*problems)
    current_given = _all_or_none(setup.tuning, CURRENT_GAINS, "current_bandwidth_Hz", problems)
    speed_given = _all_or_none(setup.tuning, SPEED_GAINS, "speed_bandwidth_Hz", problems)
    if values["active_resistance"] and current_given:
        problems.append(
            f"controller.tuning: active_resistance and {CURRENT_GAINS[0]} contradict, its gains follow from the bandwidth. "
            "Give current_bandwidth_Hz instead of the gains."
        )
    speed_kp = speed_ki = 0.0
    if MODES[setup.mode] == SPEED and not problems:
        speed_kp, speed_ki = _speed_gains(values, setup, speed_given, problems)
    if problems:
        raise TuningError(*problems)
    w = 2.0 * math.pi * values["current_bandwidth_Hz"]
    acting_s = (setup.delay_updates + 0.5) * setup.update_s
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
        "acting_s": acting_s,
        "advance_s": acting_s if values["delay_compensation"] else 0.0,
        "active_resistance": values["active_resistance"],
    }
    fields |= _ramp_down(values, setup) | _dead_time(values, setup) | _torque_extras(values, setup)
    fields |= derating_fields(values, setup) | braking_fields(values, setup)
    if current_given:
        fields |= {name: values[key] for name, key in zip(("kp_d", "kp_q", "ki_d", "ki_q"), CURRENT_GAINS, strict=True)}
    return fields
