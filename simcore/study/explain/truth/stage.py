"""A steady window's true and measured signals, and what a small change of current or angle does to the torque."""

from functools import cached_property

import numpy as np

from simcore.plant.temperature import resistance_ohm
from simcore.study.explain.balance import PHASES, flux_law

_MOST_ROWS = 8_000
_USUAL_BANDWIDTH_Hz = 300.0


class Stage:
    """Arrays over rows at which the controller sampled, and `every`: all rows of the window (for what holds over a tick)."""

    def __init__(self, recording, window):
        scenario = recording.scenario
        updates = 1 if scenario.inverter.update == "double" else 2
        self.stride = updates if scenario.record_every == 1 else 1
        first = window.first + window.first % self.stride
        stop = min(window.stop, first + self.stride * _MOST_ROWS)
        self.recording, self.scenario = recording, scenario
        self.rows, self.every = slice(first, stop, self.stride), slice(first, stop)
        self.angle = window.angle_rad[first - window.first : stop - window.first : self.stride]
        self.every_angle = window.angle_rad[first - window.first : stop - window.first]
        self.error = np.unwrap(np.deg2rad(self.of("angle_error_deg")))
        turned = np.exp(1j * self.angle)
        self.rotor = self.of("id_A") + 1j * self.of("iq_A")
        self.current = self.rotor * turned
        self.measured = (self.of("id_measured_A") + 1j * self.of("iq_measured_A")) * turned * np.exp(1j * self.error)
        self.scale_A = max(rms(self.current), 0.02 * scenario.machine.max_current_A)
        self.omega_e = float(self.every_angle[-1] - self.every_angle[0]) / (recording.row_s * (len(self.every_angle) - 1))

    def of(self, name, every=False):
        """Signal on the sampled rows, or on all."""
        return np.asarray(self.recording[name][self.every if every else self.rows], dtype=np.float64)

    @cached_property
    def flux(self):
        """The true machine's flux law."""
        return flux_law(self.scenario.machine)

    def torque(self, rotor):
        """(currents d + jq (n,) [A]) => torque of flux linkages and currents [Nm]."""
        return 1.5 * self.scenario.machine.pole_pairs * (self.flux(rotor).conj() * rotor).imag

    @property
    def bandwidth_Hz(self):
        """Bandwidth of the current loop, a usual one where the controller has no such key."""
        told = self.scenario.controller.tuning.get("current_bandwidth_Hz")
        return float(told) if isinstance(told, (int, float)) and told > 0.0 else _USUAL_BANDWIDTH_Hz

    @cached_property
    def least_ripple_Nm(self):
        """What is no ripple to speak of."""
        return 1e-5 * max(float(np.max(np.abs(self.torque(np.array([1j * self.scale_A]))))), 1e-9)

    def ripple_of_current(self, error):
        """(error of the measured current, stator frame (n,)) => torque ripple [Nm rms] of a loop that holds what it sees."""
        held = self.rotor - error * np.exp(-1j * self.angle)
        return float(np.std(self.torque(held) - self.torque(self.rotor)))

    def ripple_of_angle(self, error):
        """(error of the measured angle [rad] (n,)) => torque ripple [Nm rms] of a loop that holds what it measures."""
        return float(np.std(self.torque(self.rotor * np.exp(1j * error)) - self.torque(self.rotor)))

    def ripple_of_voltage(self, error):
        """(lost voltage, stator frame, on all rows) => torque ripple [Nm rms], about: through winding and current loop."""
        rotor = error * np.exp(-1j * self.every_angle)
        spectrum = np.fft.fft(rotor - np.mean(rotor)) / len(rotor)
        omega = 2.0 * np.pi * np.abs(np.fft.fftfreq(len(rotor), self.recording.row_s))
        middle, step = np.mean(self.rotor), 1e-3 * self.scenario.machine.max_current_A
        at = np.array([middle, middle + step, middle + 1j * step])
        flux, torque = self.flux(at), self.torque(at)
        inductance = 0.5 * (abs(flux[1] - flux[0]) + abs(flux[2] - flux[0])) / step
        slope = float(np.hypot(torque[1] - torque[0], torque[2] - torque[0])) / step
        impedance = np.hypot(omega, 2.0 * np.pi * self.bandwidth_Hz) * inductance + resistance_ohm(self.scenario.machine)
        return slope * float(np.sqrt(np.sum(np.abs(spectrum / impedance) ** 2) / 2.0))


def rms(values):
    """Root of the mean square."""
    return float(np.sqrt(np.mean(np.abs(values) ** 2))) if len(values) else 0.0


def vector(phases):
    """(phases (n, 3)) => space vector (n,), amplitude-invariant."""
    return 2.0 / 3.0 * (phases @ PHASES)
