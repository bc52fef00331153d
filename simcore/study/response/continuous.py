"""The continuous part of the linear drive: its states and their rates, in the rotor's frame.

Held voltages are states that turn backwards in that frame, so that salient machines need no special case.
"""

import numpy as np

from simcore.study.response.linear_drive import TURN, rotation


class Places:
    """Slices of the state by quantity: continuous ones first, then what the controller and its sensors keep."""

    def __init__(self, drive):
        free, sensing, speed = drive.shaft is not None, drive.sensing, drive.speed
        self.queue = ["held", *(f"pending_{k}" for k in range(drive.timing.delay_updates))]
        continuous = {
            "flux": 2,
            "filtered": 2 if sensing.bandwidth_rad_s > 0.0 else 0,
            "speed": int(free),
            "load": 2 if free and drive.shaft.load is not None else 0,  # its speed, the twist
            "tracking": 2 if free and sensing.tracking is not None else 0,  # angle error, speed
            "turned": int(free and sensing.counting is not None),  # since the last sample
        } | dict.fromkeys(self.queue, 2)
        kept = {
            "integral": 2,
            "speed_integral": int(speed is not None),
            "slow": int(speed is not None and speed.damping_Nm_s > 0.0),
            "counted": int(free and sensing.counting is not None),
        }
        self.continuous, at = sum(continuous.values()), 0
        for name, size in (continuous | kept).items():
            setattr(self, name, slice(at, at + size))
            at += size
        self.size = at


def flow_of(drive, at):
    """(LinearDrive, Places) => matrix (n + 1, n + 1): d/dt of the continuous states and, last, of a constant load torque."""
    w, omega_e, filter_rad_s = drive.winding, drive.omega_e, drive.sensing.bandwidth_rad_s
    flow = np.zeros((at.continuous + 1, at.continuous + 1))
    flow[at.flux, at.flux] = -w.resistance_ohm @ w.to_current - omega_e * TURN
    flow[at.flux, at.held] = np.eye(2)
    if filter_rad_s > 0.0:
        flow[at.filtered, at.flux] = filter_rad_s * w.to_current
        flow[at.filtered, at.filtered] = -filter_rad_s * np.eye(2) - omega_e * TURN
    for name in at.queue:
        place = getattr(at, name)
        flow[place, place] = -omega_e * TURN
    if drive.shaft is not None:
        _add_shaft(drive.shaft, w, at, flow)
        _add_what_turns(drive, at, flow)
    return flow


def _add_shaft(shaft, winding, at, flow):
    """Rates of speed, and of a second mass with the twist between both."""
    flow[at.speed, at.flux] = shaft.torque_share * winding.torque_per_flux / shaft.inertia_kg_m2
    flow[at.speed, at.speed] = -shaft.viscous_Nm_s / shaft.inertia_kg_m2
    load = shaft.load
    if load is None:
        flow[at.speed, -1] = -1.0 / shaft.inertia_kg_m2
        return
    second, twist, rotor = at.load.start, at.load.start + 1, at.speed.start
    for place, inertia, sign in ((rotor, shaft.inertia_kg_m2, -1.0), (second, load.inertia_kg_m2, 1.0)):
        flow[place, rotor] += sign * load.damping_Nm_s / inertia
        flow[place, second] -= sign * load.damping_Nm_s / inertia
        flow[place, twist] += sign * load.stiffness_Nm_per_rad / inertia
    flow[second, second] -= load.viscous_Nm_s / load.inertia_kg_m2
    flow[second, -1] = -1.0 / load.inertia_kg_m2
    flow[twist, rotor], flow[twist, second] = 1.0, -1.0


def _add_what_turns(drive, at, flow):
    """A change of speed, as everything sees it that turns with the rotor or is held in the stator."""
    w, p = drive.winding, drive.winding.pole_pairs
    flow[at.flux, at.speed] = -p * (TURN @ w.flux_Wb)[:, None]
    if drive.sensing.bandwidth_rad_s > 0.0:
        flow[at.filtered, at.speed] = -p * (TURN @ drive.filtered_A)[:, None]
    for number, name in enumerate(at.queue):
        # A vector that acts later stands further ahead now; inside its period its mean is taken.
        ahead = rotation(drive.omega_e * number * drive.timing.update_s) @ drive.stator_voltage_V
        flow[getattr(at, name), at.speed] = -p * (TURN @ ahead)[:, None]
    track = drive.sensing.tracking
    if track is not None:
        angle, rate = at.tracking.start, at.tracking.start + 1
        flow[angle, angle], flow[angle, rate] = -2.0 * track.damping * track.natural_rad_s, 1.0
        flow[angle, at.speed] = -track.pole_pairs
        flow[rate, angle] = -(track.natural_rad_s**2)
    if drive.sensing.counting is not None:
        flow[at.turned, at.speed] = 1.0
