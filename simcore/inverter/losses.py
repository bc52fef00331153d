"""Losses of the devices: where conduction arises, what each edge costs, gate drivers, the ripple in the link capacitor.

Devices are counted 2 leg + side (inverter/records.py); a leg current is positive out of the leg.  Hard and soft transitions of
a leg with inductive current: N. Mohan, T. M. Undeland, W. P. Robbins, Power Electronics, ch. 2 and 8 (from memory).  Checked:
tests/inverter/test_gate_plan.py, tests/reference/test_inverter_losses.py.
"""

import math

from simcore.inverter.records import LOWER, UPPER
from simcore.kernel import inlined, kernel
from simcore.rotation import HALF_SQRT3, INV_SQRT3


@kernel
def curve_at(curve, x):
    """(curve of the record, place) => its value, linear between the points and held outside."""
    last = curve.count - 1
    if last <= 0 or x <= curve.x[0]:
        return curve.y[0]
    for k in range(last):
        if x <= curve.x[k + 1]:
            return curve.y[k] + (curve.y[k + 1] - curve.y[k]) * (x - curve.x[k]) / (curve.x[k + 1] - curve.x[k])
    return curve.y[last]


@kernel
def table_at(table, first, count, x):
    """(flat table, place of pairs, their number, x) => value; past the last point its last slope goes on."""
    if count < 2:
        return table[first + 1] if count == 1 else 0.0
    at, last = first, first + 2 * (count - 2)
    while at < last and x > table[at + 2]:
        at += 2
    slope = (table[at + 3] - table[at + 1]) / (table[at + 2] - table[at])
    return max(table[at + 1] + slope * (x - table[at]), 0.0)


@kernel
def _energy(power, ps, table, place, current_A, link_V, reference_V, exponent, per_K, warmer_K):
    """(table of a gate setting, switched current, link voltage) => energy of one transition [J].

    E(I) (V / V_ref)^exponent (1 + k (Tj - T_ref)): the usual scaling of data-sheet energies (common practice, no source).
    """
    if place[1] == 0 or link_V <= 0.0:
        return 0.0
    ps.beyond_A = max(ps.beyond_A, current_A - table[place[0] + 2 * (place[1] - 1)])
    scale = 1.0 if link_V == reference_V else math.exp(exponent * math.log(link_V / reference_V))
    return table_at(table, place[0], place[1], current_A) * scale * max(1.0 + per_K * warmer_K, 0.0)


@kernel
def turn_off(power, ps, table, leg, side, current_A, link_V):
    """(a switch that turns its forward current off) => its energy counted, overshoot and slope at the terminals noted.

    Peak voltage V + L di/dt over the switch: the stray inductance of the commutation loop (common practice, no source).
    """
    gate = power.gates[3 * ps.setting[leg] + leg]
    device = 2 * leg + side
    energy = _energy(power, ps, table, gate.off, current_A, link_V, gate.reference_V, gate.exponent, gate.per_K,
                     ps.switch_degC[device] - gate.reference_degC)  # fmt: skip
    ps.switch_J[device] += energy
    ps.switching_J += energy
    ps.leg_J[leg] += energy
    peak_V = link_V + power.devices[leg].stray_H * table_at(table, gate.di_dt[0], gate.di_dt[1], current_A)
    slope = table_at(table, gate.dv_dt[0], gate.dv_dt[1], current_A)
    ps.row_peak_V, ps.row_dv_dt = max(ps.row_peak_V, peak_V), max(ps.row_dv_dt, slope)
    ps.peak_V, ps.peak_dv_dt = max(ps.peak_V, peak_V), max(ps.peak_dv_dt, slope)


@kernel
def turn_on(power, ps, table, leg, side, current_A, link_V):
    """(a switch that takes a current over from the opposite diode) => turn-on and recovery energy counted."""
    gate = power.gates[3 * ps.setting[leg] + leg]
    device, opposite = 2 * leg + side, 2 * leg + 1 - side
    energy = _energy(power, ps, table, gate.on, current_A, link_V, gate.reference_V, gate.exponent, gate.per_K,
                     ps.switch_degC[device] - gate.reference_degC)  # fmt: skip
    recovery = _energy(power, ps, table, gate.recovery, current_A, link_V, gate.reference_V, gate.diode_exponent,
                       gate.diode_per_K, ps.diode_degC[opposite] - gate.reference_degC)  # fmt: skip
    ps.switch_J[device] += energy
    ps.diode_J[opposite] += recovery
    ps.switching_J += energy + recovery
    ps.leg_J[leg] += energy + recovery


@kernel
def count_drivers(power, ps, leg):
    """(a leg that switches once) => the energy its two gate drivers spend: half a period's share of both."""
    ps.driver_J += power.gates[3 * ps.setting[leg] + leg].driver_J


@kernel
def averaged_edge(power, ps, table, leg, odd, current_A, link_V):
    """(the edge of a leg in a tick, current then) => its energies: off at the ideal edge, or on against the diode, by sign."""
    incoming = UPPER if odd else LOWER
    toward_incoming = current_A if odd else -current_A  # positive: the incoming switch takes the current from a diode
    if toward_incoming > 0.0 or (odd and toward_incoming == 0.0):  # no current: as the smallest one out of the leg
        turn_on(power, ps, table, leg, incoming, toward_incoming, link_V)
    else:
        turn_off(power, ps, table, leg, 1 - incoming, -toward_incoming, link_V)
    count_drivers(power, ps, leg)


@kernel
def ripple_volt_seconds(duties, share, odd, link_V, tick_s):
    """(duties of a tick, place in it 0..1) => alpha, beta volt seconds by which the switched voltage leads its mean [Vs]."""
    ahead_a = _lead(duties[0], share, odd)
    ahead_b = _lead(duties[1], share, odd)
    ahead_c = _lead(duties[2], share, odd)
    scale = link_V * tick_s
    return scale * (2.0 * ahead_a - ahead_b - ahead_c) * (1.0 / 3.0), scale * (ahead_b - ahead_c) * INV_SQRT3


@kernel
def _lead(duty, share, odd):
    """(duty, place in the tick) => on-time so far less its mean, in ticks."""
    on = max(share - (1.0 - duty), 0.0) if odd else min(share, duty)
    return on - duty * share


@kernel
def capacitor_energy(resistance_ohm, duties, ia, ib, ic, supply_A, tick_s):
    """(duties, phase currents, supply current of a tick) => energy lost in the link capacitor's resistance [J].

    The link takes the current of every leg whose upper switch is on, one after the other in the order of the duties.
    """
    high_d, high_A, middle_d, middle_A, low_d, low_A = duties[0], ia, duties[1], ib, duties[2], ic
    if high_d < middle_d:
        high_d, high_A, middle_d, middle_A = middle_d, middle_A, high_d, high_A
    if middle_d < low_d:
        middle_d, middle_A, low_d, low_A = low_d, low_A, middle_d, middle_A
    if high_d < middle_d:
        high_d, high_A, middle_d, middle_A = middle_d, middle_A, high_d, high_A
    one, two = high_A - supply_A, -low_A - supply_A
    mean_square = (1.0 - high_d + low_d) * supply_A * supply_A
    mean_square += (high_d - middle_d) * one * one + (middle_d - low_d) * two * two
    return resistance_ohm * mean_square * tick_s


@kernel
def share_conduction(inverter, drive, leg, upper_share, diode_share, current_A, square_A2):
    """(share of the interval with the upper side on, in a dead time; mean current and its mean square) => energy a second [W]
    that the laws give to the leg's devices: upper switch, lower switch, upper diode, lower diode."""
    up, low = 2 * leg, 2 * leg + 1
    size = abs(current_A)
    on_up = max(upper_share - 0.5 * diode_share, 0.0)
    on_low = max(1.0 - upper_share - 0.5 * diode_share, 0.0)
    if inverter.is_mosfet:
        switch_up, switch_low = on_up * drive.switch_ohm[up] * square_A2, on_low * drive.switch_ohm[low] * square_A2
        in_up, in_low = (0.0, diode_share) if current_A > 0.0 else (diode_share, 0.0)
    elif current_A > 0.0:
        switch_up, switch_low = on_up * (drive.switch_V[up] * size + drive.switch_ohm[up] * square_A2), 0.0
        in_up, in_low = 0.0, 1.0 - on_up
    else:
        switch_up, switch_low = 0.0, on_low * (drive.switch_V[low] * size + drive.switch_ohm[low] * square_A2)
        in_up, in_low = 1.0 - on_low, 0.0
    diode_up = in_up * (drive.diode_V[up] * size + drive.diode_ohm[up] * square_A2)
    diode_low = in_low * (drive.diode_V[low] * size + drive.diode_ohm[low] * square_A2)
    return switch_up, switch_low, diode_up, diode_low


@inlined
def square(from_A, to_A):
    """(current at both ends of a straight stretch) => its mean square [A2]."""
    return (from_A * from_A + from_A * to_A + to_A * to_A) * (1.0 / 3.0)


@kernel
def carried(drive, ps, leg, odd, early_A2s, late_A2s):
    """(integral of a MOSFET leg's squared current before and after its edge) => conduction energy, at its channels [J]."""
    before, after = 2 * leg + (LOWER if odd else UPPER), 2 * leg + (UPPER if odd else LOWER)
    early, late = drive.switch_ohm[before] * early_A2s, drive.switch_ohm[after] * late_A2s
    ps.switch_J[before] += early
    ps.switch_J[after] += late
    ps.leg_J[leg] += early + late
    return early + late


@kernel
def shared(drive, ps, leg, lower, seconds, from_A, to_A):
    """(which side is on for how long, current at both ends) => conduction energy of switch and diode of a leg [J].

    Positive in the switch's own direction a current flows in the switch, else in the diode beside it.
    """
    if seconds <= 0.0:
        return 0.0
    device, ahead = 2 * leg + (LOWER if lower else UPPER), -1.0 if lower else 1.0
    mean, squared, in_switch, squared_in_switch = 0.5 * ahead * (from_A + to_A), square(from_A, to_A), 0.0, 0.0
    low, high = min(ahead * from_A, ahead * to_A), max(ahead * from_A, ahead * to_A)
    if low >= 0.0:
        in_switch, squared_in_switch = mean, squared
    elif high > 0.0:
        share = high / (high - low)
        in_switch, squared_in_switch = 0.5 * high * share, high * high * share * (1.0 / 3.0)
    switch = (drive.switch_V[device] * in_switch + drive.switch_ohm[device] * squared_in_switch) * seconds
    diode = (drive.diode_V[device] * (in_switch - mean) + drive.diode_ohm[device] * (squared - squared_in_switch)) * seconds
    ps.switch_J[device] += switch
    ps.diode_J[device] += diode
    ps.leg_J[leg] += switch + diode
    return switch + diode


@kernel
def in_the_dead_time(inverter, drive, ps, leg, rising, current_A):
    """(an edge of a leg and the current there) => energy by which the dead time changes conduction, counted at devices [J].

    The incoming switch is late.  A MOSFET's channel is missed in both directions; of others only a current that it takes over.
    """
    incoming = 2 * leg + (UPPER if rising else LOWER)
    if not inverter.is_mosfet and (current_A > 0.0) != (rising != 0):
        return 0.0
    seconds = min(inverter.dead_time_s, inverter.tick_s)
    size = abs(current_A)
    diode = 2 * leg + (LOWER if current_A > 0.0 else UPPER)
    missed = (drive.switch_V[incoming] * size + drive.switch_ohm[incoming] * size * size) * seconds
    instead = (drive.diode_V[diode] * size + drive.diode_ohm[diode] * size * size) * seconds
    ps.switch_J[incoming] -= missed
    ps.diode_J[diode] += instead
    ps.leg_J[leg] += instead - missed
    return instead - missed


@kernel
def give(ps, leg, scale_s, law):
    """(seconds by which the laws' powers are taken, powers of a leg's devices [W]) => counted at the four devices."""
    ps.switch_J[2 * leg] += scale_s * law[0]
    ps.switch_J[2 * leg + 1] += scale_s * law[1]
    ps.diode_J[2 * leg] += scale_s * law[2]
    ps.diode_J[2 * leg + 1] += scale_s * law[3]
    ps.leg_J[leg] += scale_s * (law[0] + law[1] + law[2] + law[3])


@kernel
def phases(id_A, iq_A, sine, cosine):
    """(dq currents, sine and cosine of the angle) => ia, ib, ic [A]."""
    i_alpha = cosine * id_A - sine * iq_A
    i_beta = sine * id_A + cosine * iq_A
    return i_alpha, -0.5 * i_alpha + HALF_SQRT3 * i_beta, -0.5 * i_alpha - HALF_SQRT3 * i_beta
