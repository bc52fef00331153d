"""Terminal voltages while something is broken: any leg tied by its law or open, resistances between the terminals.

Kirchhoff at the three terminals: what flows out of a leg goes into its phase and through the resistances (between_S).  A leg's
law v + drop(i) = u Vdc is monotone in its current, so that Newton's steps, halved where they overshoot, find the one solution.
A terminal without leg and resistance floats at the voltage that keeps its current zero (open_terminals.py).
Checked: tests/inverter/test_broken_legs.py, test_terminal_shorts.py.
"""

import math

from simcore.kernel import kernel
from simcore.plant.detail import terminal_currents
from simcore.plant.open_terminals import open_leg_voltage, open_terminal_voltage
from simcore.plant.records import FAULTY
from simcore.rotation import HALF_SQRT3, INV_SQRT3

SOFT2_A2 = 0.25  # square of the band within which a threshold's sign turns over while terminals are shorted


@kernel
def conductance(drive, leg):
    """(leg) => conductance from its terminal to both others [S]."""
    return drive.between_S[leg] + drive.between_S[2 if leg == 0 else leg - 1]


@kernel
def shorted_currents(drive, va, vb, vc):
    """(terminal voltages) => currents out of the terminals a, b, c through the resistances between them [A]."""
    ab = drive.between_S[0] * (va - vb)
    bc = drive.between_S[1] * (vb - vc)
    ca = drive.between_S[2] * (vc - va)
    return ab - ca, bc - ab, ca - bc


@kernel
def shorted_power(drive, va, vb, vc):
    """(terminal voltages) => power lost in the resistances between them [W]."""
    ab, bc, ca = va - vb, vb - vc, vc - va
    return drive.between_S[0] * ab * ab + drive.between_S[1] * bc * bc + drive.between_S[2] * ca * ca


@kernel
def shorted(drive):
    """(what lies between the terminals) => True where anything does."""
    return drive.between_S[0] + drive.between_S[1] + drive.between_S[2] > 0.0


@kernel
def _drop(drive, leg, current_A):
    """(leg, its current) => voltage drop [V] and its slope [ohm].  A diode's law goes on as a straight line in reverse."""
    sigma, turn = drive.diode_sign[leg] * 1.0, 0.0
    if drive.diode_sign[leg] == 0:
        band2 = SOFT2_A2 if conductance(drive, leg) > 0.0 else drive.sign_band2_A2
        size = math.sqrt(current_A * current_A + band2)
        sigma, turn = current_A / size, band2 / (size * size * size)
    drop = (drive.threshold_V[leg] + drive.threshold_skew_V[leg] * sigma) * sigma
    drop += (drive.slope_ohm[leg] + drive.slope_skew_ohm[leg] * sigma) * current_A
    slope = (drive.threshold_V[leg] + 2.0 * drive.threshold_skew_V[leg] * sigma) * turn
    slope += drive.slope_ohm[leg] + drive.slope_skew_ohm[leg] * (sigma + turn * current_A)
    return drop, slope


@kernel
def _solve3(a, b, c, d, e, f, g, h, i, x, y, z):
    """(matrix by rows, right side) => solution of three linear equations by Cramer's rule."""
    p, q, r = e * i - f * h, f * g - d * i, d * h - e * g
    scale = 1.0 / (a * p + b * q + c * r)
    return (
        scale * (x * p + y * (c * h - b * i) + z * (b * f - c * e)),
        scale * (x * q + y * (a * i - c * g) + z * (c * d - a * f)),
        scale * (x * r + y * (b * g - a * h) + z * (a * e - b * d)),
    )


@kernel
def _row(drive, kind, leg, current_A, own_V, link_V):
    """(kind of terminal, its current at the trial voltages, its voltage) => residual, and its slope by that current and by its
    voltage.  Kinds: 2 tied by its leg, 1 open with a resistance, 0 held at zero for now."""
    if kind == 2:
        drop, slope = _drop(drive, leg, current_A)
        return own_V + drop - drive.u[leg] * link_V, slope, 1.0
    if kind == 1:
        return current_A, 1.0, 0.0
    return own_V, 0.0, 1.0


@kernel
def _settle(drive, ka, kb, kc, ia, ib, ic, link_V):
    """(kind of each terminal, phase currents) => terminal voltages and leg currents by Newton's method."""
    ab, bc, ca = drive.between_S[0], drive.between_S[1], drive.between_S[2]
    va, vb, vc = drive.u[0] * link_V, drive.u[1] * link_V, drive.u[2] * link_V
    if ka < 2:
        va = 0.0
    if kb < 2:
        vb = 0.0
    if kc < 2:
        vc = 0.0
    da, db, dc, last = 0.0, 0.0, 0.0, 1e300
    ja, jb, jc = ia, ib, ic
    for _ in range(60):
        sa, sb, sc = shorted_currents(drive, va + da, vb + db, vc + dc)
        ja, jb, jc = ia + sa, ib + sb, ic + sc
        fa, ra, oa = _row(drive, ka, 0, ja, va + da, link_V)
        fb, rb, ob = _row(drive, kb, 1, jb, vb + db, link_V)
        fc, rc, oc = _row(drive, kc, 2, jc, vc + dc, link_V)
        size = fa * fa + fb * fb + fc * fc
        if size > last:
            da, db, dc = 0.5 * da, 0.5 * db, 0.5 * dc
            continue
        va, vb, vc, last = va + da, vb + db, vc + dc, size
        if size < 1e-20:
            break
        da, db, dc = _solve3(
            oa + ra * (ab + ca), -ra * ab, -ra * ca, -rb * ab, ob + rb * (ab + bc), -rb * bc, -rc * ca, -rc * bc,
            oc + rc * (bc + ca), -fa, -fb, -fc,
        )  # fmt: skip
        if abs(da) + abs(db) + abs(dc) < 1e-13 * (1.0 + abs(link_V)):
            break
    return va, vb, vc, ja, jb, jc


@kernel
def _kind(drive, leg, tied, reference):
    """(terminal, number of tied ones, terminal that stands for all that float together) => its kind (see _row)."""
    if tied >= 2 and drive.tied[leg]:
        return 2
    return 1 if leg != reference and conductance(drive, leg) > 0.0 else 0


@kernel
def _floats_alone(drive, leg, tied):
    """(terminal, number of tied ones) => True where neither leg nor resistance holds it."""
    return conductance(drive, leg) == 0.0 and (tied < 2 or drive.tied[leg] == 0)


@kernel
def faulty_terminals(machine, table, drive, psi_d, psi_q, omega, theta, sine, cosine, i_alpha, i_beta, link_V):
    """(plant's state, phase currents in the stator frame) => terminal voltages a, b, c to the negative rail, v_alpha, v_beta
    of the machine, link current.

    With fewer than two tied legs none carries a current; one that is tied then only says where the terminals lie.
    """
    ia, ib, ic = i_alpha, -0.5 * i_alpha + HALF_SQRT3 * i_beta, -0.5 * i_alpha - HALF_SQRT3 * i_beta
    tied = drive.tied[0] + drive.tied[1] + drive.tied[2]
    reference = -1
    if tied < 2:
        for leg in range(3):
            if conductance(drive, leg) > 0.0:
                reference = leg
    ka, kb, kc = _kind(drive, 0, tied, reference), _kind(drive, 1, tied, reference), _kind(drive, 2, tied, reference)
    va, vb, vc, ja, jb, jc = _settle(drive, ka, kb, kc, ia, ib, ic, link_V)
    v_alpha, v_beta = (2.0 * va - vb - vc) * (1.0 / 3.0), (vb - vc) * INV_SQRT3
    alone, known = -1, -1
    for leg in range(3):
        if _floats_alone(drive, leg, tied):
            alone = leg
        else:
            known = leg
    if tied < 2 and reference < 0:
        vd, vq = open_terminal_voltage(machine, table, psi_d, psi_q, omega, theta)
        v_alpha, v_beta = cosine * vd - sine * vq, sine * vd + cosine * vq
        va, vb, vc = v_alpha, -0.5 * v_alpha + HALF_SQRT3 * v_beta, -0.5 * v_alpha - HALF_SQRT3 * v_beta
    elif alone >= 0:
        v_alpha, v_beta = open_leg_voltage(machine, table, alone, psi_d, psi_q, omega, theta, sine, cosine, v_alpha, v_beta)
        held = va if known == 0 else (vb if known == 1 else vc)
        va, vb, vc = v_alpha, -0.5 * v_alpha + HALF_SQRT3 * v_beta, -0.5 * v_alpha - HALF_SQRT3 * v_beta
        shift = held - (va if known == 0 else (vb if known == 1 else vc))
        va, vb, vc = va + shift, vb + shift, vc + shift
    link_A = drive.through_S * link_V
    if tied >= 2:
        link_A += drive.u[0] * ja * drive.tied[0] + drive.u[1] * jb * drive.tied[1] + drive.u[2] * jc * drive.tied[2]
    else:
        shift = 0.5 * (link_V - max(va, max(vb, vc)) - min(va, min(vb, vc)))
        for leg in range(3):
            if drive.tied[leg]:
                shift = drive.u[leg] * link_V - (va if leg == 0 else (vb if leg == 1 else vc))
        va, vb, vc = va + shift, vb + shift, vc + shift
    return va, vb, vc, v_alpha, v_beta, link_A


@kernel
def faulty_state(machine, table, drive, psi_d, psi_q, omega, theta, link_V):
    """(plant's state) => terminal voltages a, b, c to the negative rail, currents out of the legs a, b, c; v_alpha, v_beta."""
    angle = machine.pole_pairs * theta
    sine, cosine = math.sin(angle), math.cos(angle)
    id_A, iq_A = terminal_currents(machine, table, psi_d, psi_q, omega, theta)
    i_alpha, i_beta = cosine * id_A - sine * iq_A, sine * id_A + cosine * iq_A
    va, vb, vc, v_alpha, v_beta, _ = faulty_terminals(
        machine, table, drive, psi_d, psi_q, omega, theta, sine, cosine, i_alpha, i_beta, link_V
    )
    sa, sb, sc = shorted_currents(drive, va, vb, vc)
    ib, ic = -0.5 * i_alpha + HALF_SQRT3 * i_beta, -0.5 * i_alpha - HALF_SQRT3 * i_beta
    return va, vb, vc, i_alpha + sa, ib + sb, ic + sc, v_alpha, v_beta


@kernel
def line_currents(machine, table, drive, plant):
    """(plant) => id, iq of the currents out of the legs: the machine's, and what flows between its terminals [A]."""
    id_A, iq_A = terminal_currents(machine, table, plant.psi_d, plant.psi_q, plant.omega, plant.theta)
    if drive.open_leg != FAULTY or not shorted(drive):
        return id_A, iq_A
    va, vb, vc, _, _, _, _, _ = faulty_state(
        machine, table, drive, plant.psi_d, plant.psi_q, plant.omega, plant.theta, plant.link_V
    )
    alpha, sb, sc = shorted_currents(drive, va, vb, vc)
    beta = (sb - sc) * INV_SQRT3
    angle = machine.pole_pairs * plant.theta
    sine, cosine = math.sin(angle), math.cos(angle)
    return id_A + cosine * alpha + sine * beta, iq_A - sine * alpha + cosine * beta
