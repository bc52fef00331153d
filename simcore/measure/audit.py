"""The energy audit's aim: how small the residual should be, and what would make it so."""

import math

import numpy as np

AIM_AVERAGED = 1e-6
AIM_SWITCHED = 1e-5
# The aim of the averaged model holds while the rotor turns at most this electrical angle in a solver step.
ANGLE_PER_STEP_RAD = 0.06


def audit_verdict(recording):
    """recording => dict residual_relative, aim, met (bool), angle_per_step_rad (or nan), step_too_long (bool) and
    substeps_that_would_do.

    `substeps_that_would_do` is None where the step is short enough for the aim or nothing is known of it: from the angle a step
    where that is too long, else (a dead time's corner near zero current) from the solver's fourth order.
    """
    residual = recording.audit.get("residual_relative", math.nan)
    residual = math.nan if residual is None else float(residual)
    scenario = getattr(recording, "scenario", None)
    switched = getattr(getattr(scenario, "inverter", None), "model", "averaged") == "switched"
    aim = AIM_SWITCHED if switched else AIM_AVERAGED
    angle, substeps = _angle_per_step(recording, scenario)
    too_long = math.isfinite(angle) and angle > ANGLE_PER_STEP_RAD
    return {
        "residual_relative": residual,
        "aim": aim,
        "met": bool(abs(residual) <= aim),
        "angle_per_step_rad": angle,
        "step_too_long": too_long,
        "substeps_that_would_do": _substeps(angle, substeps, abs(residual) / aim) if too_long or abs(residual) > aim else None,
    }


def _substeps(angle, substeps, excess):
    """(angle a step, substeps of the run, residual over aim) => substeps that would do, None where nothing is known."""
    if not substeps:
        return None
    by_angle = angle * substeps / ANGLE_PER_STEP_RAD if math.isfinite(angle) else 0.0
    by_order = substeps * excess**0.25 if math.isfinite(excess) and excess > 1.0 and not by_angle > substeps else 0.0
    return max(math.ceil(max(by_angle, by_order) - 1e-9), substeps + 1)


def _angle_per_step(recording, scenario):
    """Largest electrical angle that the rotor turned in a solver step [rad], and the substeps of the run."""
    pole_pairs = getattr(getattr(scenario, "machine", None), "pole_pairs", None)
    substeps = getattr(getattr(scenario, "run", None), "substeps", None)
    tick_s = getattr(scenario, "tick_s", None)
    if not (pole_pairs and substeps and tick_s and "speed_rpm" in recording.signals):
        return math.nan, 0
    speed = np.abs(np.asarray(recording["speed_rpm"], dtype=np.float64))
    speed = speed[np.isfinite(speed)]
    if len(speed) == 0:
        return math.nan, 0
    omega_e = pole_pairs * 2.0 * math.pi / 60.0 * float(np.max(speed))
    return omega_e * tick_s / substeps, int(substeps)
