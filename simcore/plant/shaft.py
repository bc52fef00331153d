"""The shaft: speed imposed by a rig, free with friction, or locked.

Dry friction follows the stick-slip form of D. Karnopp, J. Dyn. Sys. Meas. Control 107(1), 1985 (from memory): at standstill
the friction balances the applied torque up to the breakaway torque, in motion it is the Coulomb level against the motion.
Checked: tests/plant/test_shaft.py.
"""

from simcore.kernel import inlined, kernel
from simcore.plant.records import FREE, RIG


@inlined
def shaft_rate(shaft, drive, stuck, omega, torque_Nm):
    """(air-gap torque [Nm], speed [rad/s]) => d omega/dt [rad/s2].  The load torque opposes positive rotation."""
    if shaft.kind == FREE:
        if stuck:
            return 0.0
        resisting = shaft.viscous_Nm_s * omega + drive.friction_Nm + drive.load_torque_Nm
        return (torque_Nm - resisting) / shaft.inertia_kg_m2
    if shaft.kind == RIG:
        return drive.acceleration
    return 0.0


@kernel
def settle_friction(shaft, drive, plant, torque_Nm):
    """(speed, torque) => stuck or not, and the signed dry friction [Nm] that holds during the next step."""
    if shaft.kind != FREE:
        return
    if plant.omega > 0.0:
        plant.stuck = 0
        drive.friction_Nm = shaft.coulomb_Nm
    elif plant.omega < 0.0:
        plant.stuck = 0
        drive.friction_Nm = -shaft.coulomb_Nm
    else:
        applied = torque_Nm - drive.load_torque_Nm
        breakaway = shaft.stiction_Nm
        if abs(applied) <= breakaway and breakaway > 0.0:
            plant.stuck = 1
            drive.friction_Nm = 0.0
        else:
            plant.stuck = 0
            drive.friction_Nm = shaft.coulomb_Nm if applied > 0.0 else -shaft.coulomb_Nm
