"""The shaft: speed imposed by a rig, one mass with friction (also a vehicle's), two masses with an elastic shaft, or locked.

Dry friction follows the stick-slip form of D. Karnopp, J. Dyn. Sys. Meas. Control 107(1), 1985 (from memory): at standstill
the friction balances the applied torque up to the breakaway torque, in motion it is the Coulomb level against the motion.
With two masses friction and load torque act on the load; the shaft between is a spring with damping behind a dead zone, and
it only pushes: a tooth that leaves does not pull (form of M. Nordin, J. Galic, P.-O. Gutman, Int. J. Adapt. Control 11, 1997,
from memory, without its memory of the tooth's relaxation).
A gear's loss is friction in proportion to the torque it carries: (1 - eta) of it while the machine drives, 1/eta - 1 while the
load does.  Checked: tests/plant/test_shaft.py, test_two_mass.py, test_vehicle.py.
"""

from simcore.kernel import inlined, kernel
from simcore.plant.records import FREE, RIG, TWO_MASS


@kernel
def shaft_torque(shaft, twist, slip):
    """(rotor angle and speed less the load's [rad, rad/s]) => torque handed on and its elastic part [Nm]."""
    half = shaft.half_backlash_rad
    if half == 0.0:
        elastic = shaft.stiffness_Nm_per_rad * twist
        return elastic + shaft.damping_Nm_s * slip, elastic
    if twist > half:
        elastic = shaft.stiffness_Nm_per_rad * (twist - half)
        return max(elastic + shaft.damping_Nm_s * slip, 0.0), elastic
    if twist < -half:
        elastic = shaft.stiffness_Nm_per_rad * (twist + half)
        return min(elastic + shaft.damping_Nm_s * slip, 0.0), elastic
    return 0.0, 0.0


@kernel
def two_mass_rates(shaft, drive, stuck, omega, omega_load, twist, torque_Nm):
    """(torque [Nm], speeds [rad/s], twist [rad]) => d/dt of rotor speed, load speed; damping and viscous power [W]."""
    slip = omega - omega_load
    handed, elastic = shaft_torque(shaft, twist, slip)
    load_rate = 0.0
    if not stuck:
        resisting = shaft.viscous_Nm_s * omega_load + drive.friction_Nm + drive.load_torque_Nm
        load_rate = (handed - resisting) / shaft.load_inertia_kg_m2
    lost = (handed - elastic) * slip
    return (torque_Nm - handed) / shaft.inertia_kg_m2, load_rate, lost, shaft.viscous_Nm_s * omega_load * omega_load


@kernel
def rough_resistance(shaft, omega, torque_Nm):
    """(speed, torque) => resisting torque of drag and gear [Nm], power lost in the gear [W]."""
    share = shaft.gear_loss if torque_Nm * omega > 0.0 else shaft.gear_loss_back
    gear = share * abs(torque_Nm)
    gear = gear if omega > 0.0 else (-gear if omega < 0.0 else 0.0)
    return shaft.drag_Nm_s2 * omega * abs(omega) + gear, gear * omega


@inlined
def shaft_rates(shaft, drive, stuck, omega, omega_load, twist, torque_Nm):
    """(torque on the rotor [Nm], speeds, twist) => d omega/dt, d omega_load/dt [rad/s2], power lost in gear or elastic shaft
    and in viscous friction and drag [W].  The load torque opposes positive rotation."""
    if shaft.kind == FREE:
        viscous = shaft.viscous_Nm_s * omega
        viscous_W = viscous * omega
        if stuck:
            return 0.0, 0.0, 0.0, viscous_W
        resisting = viscous + drive.friction_Nm + drive.load_torque_Nm
        lost = 0.0
        if shaft.rough:
            more, lost = rough_resistance(shaft, omega, torque_Nm)
            resisting += more
            viscous_W += shaft.drag_Nm_s2 * omega * omega * abs(omega)
        return (torque_Nm - resisting) / shaft.inertia_kg_m2, 0.0, lost, viscous_W
    if shaft.kind == RIG:
        return drive.acceleration, 0.0, 0.0, 0.0
    if shaft.kind == TWO_MASS:
        return two_mass_rates(shaft, drive, stuck, omega, omega_load, twist, torque_Nm)
    return 0.0, 0.0, 0.0, 0.0


@kernel
def settle_friction(shaft, drive, plant, torque_Nm):
    """(speed, torque) => stuck or not, and the signed dry friction [Nm] that holds during the next step."""
    if shaft.kind == FREE:
        omega = plant.omega
    elif shaft.kind == TWO_MASS:
        omega = plant.omega_load
    else:
        return
    if omega > 0.0:
        plant.stuck = 0
        drive.friction_Nm = shaft.coulomb_Nm
    elif omega < 0.0:
        plant.stuck = 0
        drive.friction_Nm = -shaft.coulomb_Nm
    else:
        applied = torque_Nm - drive.load_torque_Nm
        if shaft.kind == TWO_MASS:
            handed, _ = shaft_torque(shaft, plant.twist, plant.omega)
            applied = handed - drive.load_torque_Nm
        breakaway = shaft.stiction_Nm
        if abs(applied) <= breakaway and breakaway > 0.0:
            plant.stuck = 1
            drive.friction_Nm = 0.0
        else:
            plant.stuck = 0
            drive.friction_Nm = shaft.coulomb_Nm if applied > 0.0 else -shaft.coulomb_Nm
