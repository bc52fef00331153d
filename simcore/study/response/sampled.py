"""The drive from sample to sample, linear and exact: voltage held in the stator frame, machine in the turning one.

Zero-order hold by matrix exponential: C. F. Van Loan, IEEE Trans. Autom. Control 23(3), 1978 (from memory). Exact where the
speed is held; with a free shaft the operating point is taken as constant inside a period.
Checked: tests/study/response/test_sampled_loop.py.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.linalg import expm

from simcore.study.response.continuous import Places, flow_of
from simcore.study.response.linear_drive import TURN, rotation

# Where the loop may be cut open, and how many signals are cut there.
CUTS = {None: 0, "error": 2, "output": 2, "torque": 1}
REFERENCES = ("id", "iq", "speed", "load")
OUTPUTS = (
    "id_measured", "iq_measured", "id", "iq", "speed_measured", "speed", "torque", "torque_reference", "vd", "vq",
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class SampledSystem:
    """x[k+1] = A x[k] + B u[k], y[k] = C x[k] + D u[k], with names of inputs and outputs and the period [s]."""

    A: np.ndarray
    B: np.ndarray
    C: np.ndarray
    D: np.ndarray
    inputs: tuple
    outputs: tuple
    update_s: float

    @cached_property
    def poles(self):
        """Eigenvalues of A."""
        return np.linalg.eigvals(self.A)

    @property
    def stable(self):
        """True where every pole lies inside the unit circle."""
        return bool(np.max(np.abs(self.poles)) < 1.0)

    def response(self, frequency_Hz, outputs, inputs):
        """Frequencies (n,), names (p,), (m,) => complex response (n, p, m) at z = exp(j 2 pi f T)."""
        rows, columns = [self.outputs.index(name) for name in outputs], [self.inputs.index(name) for name in inputs]
        z = np.exp(2j * np.pi * np.atleast_1d(frequency_Hz) * self.update_s)
        states = np.linalg.solve(z[:, None, None] * np.eye(len(self.A)) - self.A, self.B[:, columns])
        return self.C[rows] @ states + self.D[np.ix_(rows, columns)]


def sampled_system(drive, cut=None):
    """(LinearDrive, where its loop is cut: None, "error", "output" or "torque") => SampledSystem.

    Inputs: references id, iq [A] and speed [rad/s], load torque [Nm] (held from sample to sample), and cut_0, cut_1: what
    enters behind the cut. Outputs: OUTPUTS; vd, vq are the controller's voltage in the rotor's frame where it acts.
    """
    at = Places(drive)
    inputs = (*REFERENCES, *(f"cut_{k}" for k in range(CUTS[cut])))
    unit = np.eye(at.size + len(inputs))
    u = {name: unit[at.size + k] for k, name in enumerate(inputs)}
    new, out = _one_update(drive, at, unit[: at.size], u, cut)
    rows = np.stack([out[name] for name in OUTPUTS])
    return SampledSystem(
        new[:, : at.size], new[:, at.size :], rows[:, : at.size], rows[:, at.size :], inputs, OUTPUTS,
        drive.timing.update_s,
    )  # fmt: skip


def _one_update(drive, at, x, u, cut):
    """(state (n, k), inputs by name, where it is cut) => next state and outputs by name. Reads like the loop itself."""
    new, true = np.zeros_like(x), drive.winding.to_current @ x[at.flux]
    measured, speed, angle_error = _sense(drive, at, x, new)
    out = {"id_measured": measured[0], "iq_measured": measured[1], "id": true[0], "iq": true[1], "speed_measured": speed}
    out["speed"] = x[at.speed][0] if drive.shaft is not None else 0.0 * speed
    out["torque"] = drive.winding.torque_per_flux @ x[at.flux]
    reference = np.stack([u["id"], u["iq"]])
    out["torque_reference"] = 0.0 * speed
    if drive.speed is not None:
        request = out["torque_reference"] = _torque_request(drive, at, x, u["speed"], speed, new)
        if cut == "torque":
            request = u["cut_0"]
        reference = reference + np.outer(drive.speed.current_per_torque, request)
        reference = reference + np.outer(drive.speed.current_per_speed, speed)
    error = np.stack([u["cut_0"], u["cut_1"]]) if cut == "error" else reference - measured
    voltage = _current_control(drive, at, x, error, measured, reference, speed, new)
    applied = _applied(drive, voltage, speed, angle_error)
    # Voltages are told in the rotor's frame, as the controller believes it, in the middle of the period in which they act.
    later = rotation(-drive.omega_e * drive.timing.dead_s - drive.sensing.angle_error_rad)
    out["vd"], out["vq"] = later @ applied
    if cut == "output":
        applied = later.T @ np.stack([u["cut_0"], u["cut_1"]])
    _advance(drive, at, x, new, applied, u["load"])
    return new, out


def _sense(drive, at, x, new):
    """State => measured currents in the controller's frame (2, k), speed (k,), electrical angle error (k,)."""
    sensing = drive.sensing
    current = x[at.filtered] if sensing.bandwidth_rad_s > 0.0 else drive.winding.to_current @ x[at.flux]
    speed = error = np.zeros(x.shape[1])
    if drive.shaft is not None:
        speed = x[at.speed][0]
        if sensing.tracking is not None:
            error = sensing.tracking.electrical_ratio * x[at.tracking.start]
            speed = x[at.tracking.start + 1] / sensing.tracking.pole_pairs
        if sensing.counting is not None:
            counted = sensing.counting.gain * x[at.turned][0] / drive.timing.update_s
            speed = x[at.counted][0] + sensing.counting.share * (counted - x[at.counted][0])
            new[at.counted] = speed
    seen = sensing.gain @ rotation(-sensing.angle_error_rad)
    at_rest = seen @ drive.filtered_A
    return seen @ current - np.outer(TURN @ at_rest, error), speed, error


def _torque_request(drive, at, x, reference, speed, new):
    """(speed reference and measured speed (k,)) => torque request (k,); integral and slow speed move on."""
    control = drive.speed
    request = control.kp * (control.weight * reference - speed) + x[at.speed_integral][0]
    if control.ki != 0.0:
        new[at.speed_integral] = x[at.speed_integral] + control.ki * drive.current.update_s * (reference - speed)
    if control.damping_Nm_s > 0.0:
        fast = speed - x[at.slow][0]
        new[at.slow] = x[at.slow] + control.highpass_share * fast
        request = request - control.damping_Nm_s * fast
    return request


def _current_control(drive, at, x, error, measured, reference, speed, new):
    """(errors, measured currents, references (2, k), speed (k,)) => voltage asked for (2, k); the integrals move on."""
    control = drive.current
    voltage = control.kp[:, None] * error + x[at.integral]
    # An integrator without gain moves nothing and is no pole.
    integrates = (control.ki != 0.0)[:, None]
    new[at.integral] = np.where(integrates, x[at.integral] + control.ki[:, None] * control.update_s * error, 0.0)
    voltage = voltage - control.active_ohm[:, None] * measured + control.feed_forward_ohm @ reference
    if control.decoupling:
        voltage = voltage + drive.omega_e * TURN @ control.inductance_H @ measured
        voltage = voltage + np.outer(drive.winding.pole_pairs * TURN @ control.flux_Wb, speed)
    return voltage


def _applied(drive, voltage, speed, angle_error):
    """(voltage asked for, measured speed, angle error) => vector in the rotor's frame at the sampling instant."""
    control = drive.current
    ahead_rad = drive.sensing.angle_error_rad + control.advance_s * drive.omega_e
    at_rest = rotation(-drive.sensing.angle_error_rad) @ drive.stator_voltage_V
    turned = angle_error + control.advance_s * drive.winding.pole_pairs * speed
    return rotation(ahead_rad) @ (control.voltage_gain * voltage + np.outer(TURN @ at_rest, turned))


def _advance(drive, at, x, new, applied, load):
    """(state at the sample, vector that joins the queue, load torque) => `new`: continuous states at the next sample."""
    timing, flow = drive.timing, flow_of(drive, at)
    now = np.vstack([x[: at.continuous], load])
    now[at.turned] = 0.0
    now[getattr(at, at.queue[-1])] = applied
    now = expm(flow * (timing.update_s - timing.shift_s)) @ now
    for first, second in zip(at.queue, at.queue[1:], strict=False):
        now[getattr(at, first)] = now[getattr(at, second)]
    if timing.shift_s > 0.0:
        now = expm(flow * timing.shift_s) @ now
    new[: at.continuous] = now[:-1]
