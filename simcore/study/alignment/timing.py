"""How long the routine takes: by the swing of the rotor about the vector, and by what brings it to rest."""

import math
from dataclasses import dataclass

import numpy as np

SWINGS_TO_MOVE, FEWEST_SWINGS, MOST_SWINGS = 3.0, 6.0, 60.0
DECAY = 6.5  # time constants from 90 deg to less than 0.2 deg


@dataclass(frozen=True)
class Timing:
    """Time to raise the current or to lead it to the next angle, and time it stands there before the angle is read [s]."""

    move_s: float
    hold_s: float


def usual_timing(resting, current_A, bandwidth_Hz):
    """(Resting, length of the vector [A], bandwidth of its current loop) => Timing.

    A swing dies out by dry friction, which takes 2 T_friction off its torque every half turn, or by what damps it linearly.
    """
    swing_Hz = resting.swing_Hz(current_A)
    most_Nm = max(resting.turning_Nm(angle, current_A) for angle in range(0, 181, 5))
    dry_s = math.inf
    if resting.coulomb_Nm > 0.0:
        dry_s = 0.25 * math.pi * most_Nm / (2.0 * resting.coulomb_Nm) / swing_Hz
    damped_s = DECAY / max(decay_rate(resting, current_A, bandwidth_Hz), 1e-9)
    swings = min(max(swing_Hz * min(damped_s, dry_s), FEWEST_SWINGS), MOST_SWINGS)
    return Timing(SWINGS_TO_MOVE / swing_Hz, swings / swing_Hz)


def decay_rate(resting, current_A, bandwidth_Hz):
    """=> rate at which a small swing about the vector dies out without dry friction [1/s].

    The EMF of the swing drives a current against the loop (kp = a L, ki = a R), which brakes the rotor: slowest root of
    (J s^2 + b s + p dT/d angle) (s + a) (s + R/L) L + 1.5 (p psi)^2 s^2 = 0.  Derived here.
    """
    machine = resting.machine
    bandwidth, inductance = 2.0 * math.pi * bandwidth_Hz, machine.least_inductance_H()
    stiffness = resting.inertia_kg_m2 * (2.0 * math.pi * resting.swing_Hz(current_A)) ** 2
    shaft = [resting.inertia_kg_m2, resting.viscous_Nm_s, stiffness]
    loop = inductance * np.polymul([1.0, bandwidth], [1.0, machine.resistance_ohm / inductance])
    braking = 1.5 * (machine.pole_pairs * abs(machine.flux(0j))) ** 2
    return float(-np.roots(np.polyadd(np.polymul(shaft, loop), [braking, 0.0, 0.0])).real.max())
