"""Leg laws shared by averaged and switched legs: device drops and the dead-time error of a leg.

Sign convention: a leg current is positive out of the leg into the machine.  Dead-time mean error per leg Vdc Td fs sign(i):
S.-G. Jeong, M.-H. Park, IEEE Trans. Ind. Electron. 38(2), 1991 (from memory).  Checked: tests/reference/test_dead_time.py.
"""

from simcore.kernel import kernel
from simcore.rotation import INV_SQRT3


@kernel
def set_leg(inverter, drive, leg, u, dead_error, diode_share):
    """(duty or state u in 0..1, dead-time error, share of the interval in a diode) => the leg's law in `drive`.

    With drop = switch or diode by current direction: current out of the leg flows in the upper switch for the share u and in
    the lower diode else.  f = 1/2 + (u - 1/2) sigma is the share in a switch, hence the skew terms.
    """
    drive.u[leg] = u
    drive.dead_error[leg] = dead_error
    drive.diode_sign[leg] = 0
    if drive.own_devices:
        _set_own_devices(inverter, drive, leg, u, diode_share)
        return
    vt, rt = inverter.switch_threshold_V, inverter.switch_slope_ohm
    vd, rd = inverter.diode_threshold_V, inverter.diode_slope_ohm
    if inverter.is_mosfet:
        # The channel carries both directions; only the dead time leaves the body diode.
        drive.threshold_V[leg] = diode_share * vd
        drive.threshold_skew_V[leg] = 0.0
        drive.slope_ohm[leg] = (1.0 - diode_share) * rt + diode_share * rd
        drive.slope_skew_ohm[leg] = 0.0
    else:
        drive.threshold_V[leg] = 0.5 * (vt + vd)
        drive.threshold_skew_V[leg] = (u - 0.5) * (vt - vd)
        drive.slope_ohm[leg] = 0.5 * (rt + rd)
        drive.slope_skew_ohm[leg] = (u - 0.5) * (rt - rd)


@kernel
def _set_own_devices(inverter, drive, leg, u, diode_share):
    """(duty, share of the interval in a diode) => the leg's law from the drops of its four devices.

    Current out of the leg flows in the upper switch for the share u, else in the lower diode (or a MOSFET's lower channel);
    current into it in the lower switch, else in the upper diode.  Half the sum of both laws, and half their difference.
    """
    up, low = 2 * leg, 2 * leg + 1
    if inverter.is_mosfet:
        channel_ohm = drive.switch_ohm[low] + u * (drive.switch_ohm[up] - drive.switch_ohm[low])
        channel_ohm *= 1.0 - diode_share
        out_V, out_ohm = diode_share * drive.diode_V[low], channel_ohm + diode_share * drive.diode_ohm[low]
        in_V, in_ohm = diode_share * drive.diode_V[up], channel_ohm + diode_share * drive.diode_ohm[up]
    else:
        out_V = drive.diode_V[low] + u * (drive.switch_V[up] - drive.diode_V[low])
        out_ohm = drive.diode_ohm[low] + u * (drive.switch_ohm[up] - drive.diode_ohm[low])
        in_V = drive.switch_V[low] + u * (drive.diode_V[up] - drive.switch_V[low])
        in_ohm = drive.switch_ohm[low] + u * (drive.diode_ohm[up] - drive.switch_ohm[low])
    drive.threshold_V[leg], drive.threshold_skew_V[leg] = 0.5 * (out_V + in_V), 0.5 * (out_V - in_V)
    drive.slope_ohm[leg], drive.slope_skew_ohm[leg] = 0.5 * (out_ohm + in_ohm), 0.5 * (out_ohm - in_ohm)


@kernel
def set_ideal_vector(drive):
    """(leg duties in `drive`) => their stator-frame vector per volt of link voltage."""
    drive.u_alpha = (2.0 * drive.u[0] - drive.u[1] - drive.u[2]) * (1.0 / 3.0)
    drive.u_beta = (drive.u[1] - drive.u[2]) * INV_SQRT3


@kernel
def drop_short_pulse(inverter, duty):
    """(duty) => duty with pulses or gaps shorter than the minimum pulse dropped; a pulse spans two ticks, centred."""
    shortest = 0.5 * inverter.minimum_pulse_s
    if duty * inverter.tick_s < shortest:
        return 0.0
    if (1.0 - duty) * inverter.tick_s < shortest:
        return 1.0
    return duty
