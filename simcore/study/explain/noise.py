"""What no order holds: which sensor's noise or steps it looks like."""

import numpy as np

from simcore.report.wording import number
from simcore.study.explain.balance import phases_of

_SEEN = 1e-5  # of the voltage
_ALONG, _NOT_DIFFERENCED = 0.95, -0.25
_SPEED_SHARE = 0.05
_MOST_STEPS = 3e4


def noise_guess(leftover, parts):
    """(Leftover, its broad part in each window (n,)) => (cause key, size in words), None where there is next to none."""
    if leftover.share_of_voltage(parts) < _SEEN:
        return None
    balance, broad = leftover.balances[-1], parts[-1]
    if balance.position.kind == "encoder":
        lines = balance.position.believed_lines or balance.position.lines
        return "encoder_lines", f"a count is {90.0 * balance.pole_pairs / lines:.2g} deg electrical"
    if _in_speed(balance, broad):
        return "position_noise", f"{number(float(np.std(np.diff(balance.speed_rpm))), 'rpm', 2)} rms from sample to sample"
    if _along_voltage(balance, broad):
        volts = float(np.std(broad)) / max(float(np.mean(np.abs(balance.u_V))), 1e-12) * float(np.mean(balance.link_V))
        return "link_noise", f"{number(volts, 'V', 2)} rms"
    step = step_of(balance.i_A, balance.max_current_A)
    if step and _in_current(balance, broad) < step:
        return "current_steps", f"{number(step, 'A', 2)} a step of the phase currents"
    return "current_noise", f"{number(_in_current(balance, broad) / np.sqrt(2.0), 'A', 2)} rms of the measured currents"


def _in_current(balance, broad):
    """=> noise of the measured current that would leave as much over [A], rms of the vector: its flux in two samples."""
    middle, step = np.mean(balance.i_A * np.exp(-1j * balance.angle_rad)), 1e-3 * balance.max_current_A
    flux = balance.flux(np.array([middle, middle + step, middle + 1j * step]))
    inductance = np.sqrt(0.5 * (abs(flux[1] - flux[0]) ** 2 + abs(flux[2] - flux[0]) ** 2)) / step
    return float(np.std(broad)) * balance.interval_s / (np.sqrt(2.0) * float(inductance))


def _along_voltage(balance, broad):
    """True where the leftover lies along the voltage and is no difference of neighbours, as a sampled noise would be."""
    along = broad * np.exp(-1j * np.angle(balance.u_V * np.exp(-1j * balance.middle_rad)))
    part = float(np.sum(along.real**2) / max(np.sum(np.abs(along) ** 2), 1e-300))
    x = along.real - np.mean(along.real)
    neighbours = float(np.sum(x[1:] * x[:-1]) / max(np.sum(x * x), 1e-300))
    return part > _ALONG and neighbours > _NOT_DIFFERENCED


def _in_speed(balance, broad):
    """True where the measured speed jumps from sample to sample by as much as the flux needs to explain the leftover."""
    omega_e = balance.speed_rpm * np.pi / 30.0 * balance.pole_pairs
    jumps = float(np.std(np.diff(omega_e))) / np.sqrt(2.0)
    flux_Wb = float(np.mean(np.abs(balance.flux(balance.i_A * np.exp(-1j * balance.angle_rad)))))
    return flux_Wb * jumps > _SPEED_SHARE * float(np.std(broad))


def step_of(current, scale_A):
    """(measured current, stator frame (n,), its size) => step of a converter that its phases lie on [A], 0.0 for none."""
    # Without zero sequence a phase lies on thirds of the step.
    values = np.unique(np.round(phases_of(current).ravel(), 9))
    apart = np.diff(values)
    apart = apart[apart > 1e-7 * scale_A]
    if len(apart) < 3:
        return 0.0
    counts = values / np.min(apart)
    off = np.abs(counts - np.round(counts))
    return 3.0 * float(np.min(apart)) if np.mean(off < 0.02) > 0.99 and np.max(np.abs(counts)) < _MOST_STEPS else 0.0
