"""The machine's voltage equation over a sampling interval, from what a real drive can measure and command only.

Integrated over an interval the stator equation says u T = change of flux linkage + R i T, with u the commanded voltage
(duties x measured link voltage) and flux linkages of the measured currents in the measured angle, by the machine that the
controller believes in. What is left over is the work of an imperfection. It holds at any speed, loaded or in transients,
for any controller and any flux map. No true signal enters.
"""

from dataclasses import dataclass, replace

import numpy as np

from simcore.plant.bicubic import evaluate, spline_cells
from simcore.plant.temperature import magnet_flux_Wb, resistance_ohm

MOST_INTERVALS = 4_000
_ROTATE = np.exp(2j * np.pi / 3.0)
PHASES = np.array([1.0, _ROTATE, _ROTATE**2])


@dataclass(frozen=True)
class Balance:
    """One steady window. Complex arrays in the stator frame; n intervals between n + 1 samples.

    u_V (n,) commanded, duties (n, 3), link_V (n,), i_A (n+1,) measured, angle_rad (n+1,) measured electrical, unwrapped.
    """

    u_V: np.ndarray
    duties: np.ndarray
    link_V: np.ndarray
    i_A: np.ndarray
    angle_rad: np.ndarray
    speed_rpm: np.ndarray
    interval_s: float
    tick_s: float
    resistance_ohm: float
    flux: object
    pole_pairs: int
    max_current_A: float
    position: object
    carrier_Hz: float

    @property
    def middle_rad(self):
        """Measured angle in the middle of each interval (n,)."""
        return 0.5 * (self.angle_rad[1:] + self.angle_rad[:-1])

    @property
    def omega_e(self):
        """Mean electrical speed [rad/s]."""
        return float(self.angle_rad[-1] - self.angle_rad[0]) / (self.interval_s * (len(self.angle_rad) - 1))

    def residual(self, **changed):
        """=> what is left of the voltage equation (n,) [V], turned into the measured rotor frame.

        changed: u_V, i_A, angle_rad or resistance_ohm as a hypothesis corrects them.
        """
        here = replace(self, **changed) if changed else self
        turned = np.exp(1j * here.angle_rad)
        flux_Wb = turned * self.flux(here.i_A / turned)
        left = here.u_V - np.diff(flux_Wb) / self.interval_s
        left = left - here.resistance_ohm * 0.5 * (here.i_A[1:] + here.i_A[:-1])
        return left * np.exp(-1j * self.middle_rad)


def measured_balance(recording, window):
    """(recording, SteadyWindow) => Balance, None where rows are farther apart than control updates."""
    scenario = recording.scenario
    if scenario.record_every != 1:
        return None
    stride = 1 if scenario.inverter.update == "double" else 2
    first = window.first + window.first % stride
    count = min((window.stop - first) // stride, MOST_INTERVALS + 1)
    stop = first + count * stride
    if count < 3:
        return None
    samples, ticks = slice(first, stop, stride), slice(first, stop - stride)
    true = window.angle_rad[first - window.first : stop - window.first : stride]
    error = np.unwrap(np.deg2rad(np.asarray(recording["angle_error_deg"][samples])))
    angle = true + error
    if scenario.sensors.position.kind == "encoder":
        # A count says that the shaft is somewhere in the next one: its middle is the best guess.
        lines = scenario.sensors.position.believed_lines or scenario.sensors.position.lines
        measured, angle = angle, angle + 0.25 * np.pi * scenario.machine.pole_pairs / lines
    else:
        measured = angle
    current = np.asarray(recording["id_measured_A"][samples]) + 1j * np.asarray(recording["iq_measured_A"][samples])
    duties = np.column_stack([recording[f"duty_{phase}"][ticks] for phase in "abc"])
    link = np.asarray(recording["link_voltage_measured_V"][ticks])
    duties = duties.reshape(count - 1, stride, 3).mean(axis=1)
    link = link.reshape(count - 1, stride).mean(axis=1)
    machine = scenario.controller_machine
    speed = np.asarray(recording["speed_measured_rpm"][samples], dtype=np.float64)
    return Balance(
        u_V=2.0 / 3.0 * link * (duties @ PHASES),
        duties=duties,
        link_V=link,
        i_A=current * np.exp(1j * measured),
        angle_rad=angle,
        speed_rpm=speed,
        interval_s=stride * scenario.tick_s,
        tick_s=scenario.tick_s,
        resistance_ohm=resistance_ohm(machine),
        flux=flux_law(machine),
        pole_pairs=scenario.machine.pole_pairs,
        max_current_A=scenario.machine.max_current_A,
        position=scenario.sensors.position,
        carrier_Hz=scenario.inverter.switching_frequency_Hz,
    )


def flux_law(machine):
    """(machine of a scenario) => function of currents d + jq (n,) [A] that gives flux linkages d + jq [Wb]."""
    if machine.kind == "constants":
        along_d, along_q, magnets = machine.inductance_d_H, machine.inductance_q_H, magnet_flux_Wb(machine)
        return lambda i: along_d * i.real + magnets + 1j * along_q * i.imag
    data = machine.map_data
    cells = spline_cells(data.id_A, data.iq_A, data.psi_d_Wb, data.psi_q_Wb)

    def flux(i):
        jets = evaluate(data.id_A, data.iq_A, cells, i.real, i.imag)
        return jets[0, 0] + 1j * jets[1, 0]

    return flux


def phases_of(vector):
    """(complex (n,)) => the three phases (n, 3), without zero sequence."""
    return (vector[:, None] * PHASES.conj()).real
