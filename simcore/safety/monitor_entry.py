"""The way into an active short circuit: the monitor first leads the stator flux to zero, which is id = -psi/Ld, iq = 0.

There the terminals need no voltage but R i, so that the short begins without the swing that a sudden one makes (to twice
psi/Ld from no load).  Proportional flux control with the EMF fed forward, v = R i + j omega psi - alpha psi, by its own model.
Checked: tests/safety/test_monitor_entry.py.
"""

import math

from simcore.inverter.modulation import SVPWM, leg_duties, linear_limit
from simcore.kernel import kernel
from simcore.plant.machine import fluxes
from simcore.rotation import INV_SQRT3
from simcore.safety.monitor_records import SHORT_ENTRY

RAD_S = math.pi / 30.0
DONE_SHARE = 0.05  # of the magnets' flux, below which the short follows


@kernel
def lead_current(safety, monitor, m, table):
    """(measurement) => the monitor's own duties while it leads the current; leading is 0 once it is there."""
    if monitor.state != SHORT_ENTRY:
        return
    machine = safety.machine
    sine, cosine = math.sin(m.angle_electrical_rad), math.cos(m.angle_electrical_rad)
    i_alpha, i_beta = (2.0 * m.ia_A - m.ib_A - m.ic_A) * (1.0 / 3.0), (m.ib_A - m.ic_A) * INV_SQRT3
    id_A, iq_A = cosine * i_alpha + sine * i_beta, -sine * i_alpha + cosine * i_beta
    psi_d, psi_q = fluxes(machine, table, id_A, iq_A)
    size = math.sqrt(psi_d * psi_d + psi_q * psi_q)
    magnets_Wb, _ = fluxes(machine, table, 0.0, 0.0)
    monitor.leading -= 1
    if size < DONE_SHARE * magnets_Wb:
        monitor.leading = 0
    omega_e = machine.pole_pairs * m.speed_rpm * RAD_S
    vd = machine.resistance_ohm * id_A - omega_e * psi_q - safety.lead_rad_s * psi_d
    vq = machine.resistance_ohm * iq_A + omega_e * psi_d - safety.lead_rad_s * psi_q
    limit_V = linear_limit(SVPWM, m.link_voltage_V)
    share = min(1.0, limit_V / max(math.sqrt(vd * vd + vq * vq), 1e-9))
    # The duties act in the middle of the update after the next instant.
    angle = m.angle_electrical_rad + (0.5 + (1.0 if safety.delay_updates > 0 else 0.0)) * safety.update_s * omega_e
    sine, cosine = math.sin(angle), math.cos(angle)
    duty_a, duty_b, duty_c = leg_duties(
        SVPWM, share * (cosine * vd - sine * vq), share * (sine * vd + cosine * vq), m.link_voltage_V
    )
    monitor.duties[0], monitor.duties[1], monitor.duties[2] = duty_a, duty_b, duty_c
