"""The permanent-magnet synchronous machine in the rotor frame (amplitude-invariant, motor convention, d on the magnet).

Sources: R. H. Park, 'Two-reaction theory of synchronous machines', AIEE Trans. 48, 1929 (from memory); the torque factor
1.5 belongs to the amplitude-invariant scaling. Checked: tests/reference/test_machine_step.py, test_operating_points.py.
"""

from simcore.kernel import inlined, kernel
from simcore.plant.fluxmap import map_currents, map_fluxes, map_inductances


@inlined
def currents(machine, table, psi_d, psi_q):
    """(flux linkages [Wb]) => id, iq [A]."""
    if machine.use_map:
        return map_currents(table, machine.map_offset, psi_d - machine.magnet_flux_Wb, psi_q)
    return (psi_d - machine.magnet_flux_Wb) / machine.inductance_d_H, psi_q / machine.inductance_q_H


@kernel
def fluxes(machine, table, id_A, iq_A):
    """(id, iq [A]) => flux linkages psi_d, psi_q [Wb]."""
    if machine.use_map:
        psi_d, psi_q = map_fluxes(table, machine.map_offset, id_A, iq_A)
        return psi_d + machine.magnet_flux_Wb, psi_q
    return machine.inductance_d_H * id_A + machine.magnet_flux_Wb, machine.inductance_q_H * iq_A


@kernel
def incremental_inductances(machine, table, id_A, iq_A):
    """(id, iq [A]) => l_dd, l_dq, l_qd, l_qq [H], the derivatives of the flux linkages."""
    if machine.use_map:
        return map_inductances(table, machine.map_offset, id_A, iq_A)
    return machine.inductance_d_H, 0.0, 0.0, machine.inductance_q_H


@inlined
def torque(machine, psi_d, psi_q, id_A, iq_A):
    """(flux linkages, currents) => air-gap torque [Nm].  T = 1.5 p (psi_d iq - psi_q id)."""
    return 1.5 * machine.pole_pairs * (psi_d * iq_A - psi_q * id_A)


@inlined
def flux_rates(machine, psi_d, psi_q, id_A, iq_A, vd, vq, omega_e):
    """(flux, current, terminal voltage, electrical speed [rad/s]) => d psi/dt [V].

    d psi_d/dt = vd - R id + omega_e psi_q;  d psi_q/dt = vq - R iq - omega_e psi_d.
    """
    resistance = machine.resistance_ohm
    return vd - resistance * id_A + omega_e * psi_q, vq - resistance * iq_A - omega_e * psi_d
