"""What a flux map must fulfil to be inverted, and what a good one fulfils besides."""

import numpy as np

from simcore.scenario.errors import FileProblem

# Below these shares of the largest flux (or of an inductance) a fault is not told.
_TOLD_SHARE = 2e-3
_TOLD_RECIPROCITY = 2e-2


def incremental(id_A, iq_A, psi_d, psi_q):
    """Incremental inductances [H] in the middle of each cell: (n-1, m-1) arrays L_dd, L_dq, L_qd, L_qq."""
    did, diq = np.diff(id_A)[:, None], np.diff(iq_A)[None, :]

    def along_d(psi):
        slope = np.diff(psi, axis=0) / did
        return 0.5 * (slope[:, :-1] + slope[:, 1:])

    def along_q(psi):
        slope = np.diff(psi, axis=1) / diq
        return 0.5 * (slope[:-1, :] + slope[1:, :])

    return along_d(psi_d), along_q(psi_d), along_d(psi_q), along_q(psi_q)


def refuse_not_invertible(id_A, iq_A, psi_d, psi_q):
    """FileProblem with the place where the map is not monotone: there a flux belongs to two currents."""
    remedy = "Mend or smooth the points there; check that columns and signs are not exchanged"
    falling = np.argwhere(np.diff(psi_d, axis=0) <= 0.0)
    if len(falling):
        r, c = falling[0]
        place = f"from id = {id_A[r]:g} to {id_A[r + 1]:g} A at iq = {iq_A[c]:g} A"
        raise FileProblem(f"psi_d does not grow with id ({place}; {len(falling)} such places): no inverse", remedy)
    falling = np.argwhere(np.diff(psi_q, axis=1) <= 0.0)
    if len(falling):
        r, c = falling[0]
        place = f"from iq = {iq_A[c]:g} to {iq_A[c + 1]:g} A at id = {id_A[r]:g} A"
        raise FileProblem(f"psi_q does not grow with iq ({place}; {len(falling)} such places): no inverse", remedy)
    l_dd, l_dq, l_qd, l_qq = incremental(id_A, iq_A, psi_d, psi_q)
    singular = np.argwhere(l_dd * l_qq - l_dq * l_qd <= 0.0)
    if len(singular):
        r, c = singular[0]
        place = f"id = {id_A[r]:g} to {id_A[r + 1]:g} A, iq = {iq_A[c]:g} to {iq_A[c + 1]:g} A"
        where = f"({place}; {len(singular)} such cells)"
        rule = f"the incremental inductances have no positive determinant {where}: no inverse"
        raise FileProblem(rule, remedy)


def findings(id_A, iq_A, psi_d, psi_q) -> list[str]:
    """Sentences about frame angle, symmetry and reciprocity."""
    return [
        *_frame_angle(id_A, iq_A, psi_d, psi_q),
        *_asymmetry(id_A, iq_A, psi_d, psi_q),
        *_reciprocity(id_A, iq_A, psi_d, psi_q),
    ]


def _frame_angle(id_A, iq_A, psi_d, psi_q):
    if not iq_A[0] <= 0.0 <= iq_A[-1]:
        return ["no point at iq = 0: the frame's angle cannot be checked"]
    at_zero = [[np.interp(0.0, iq_A, row) for row in psi] for psi in (psi_d, psi_q)]
    nearest = min(max(0.0, id_A[0]), id_A[-1])
    on_d, on_q = (float(np.interp(nearest, id_A, line)) for line in at_zero)
    largest = max(np.abs(psi_d).max(), np.abs(psi_q).max())
    if abs(on_q) <= _TOLD_SHARE * largest:
        return []
    turned = f": the frame is turned by about {np.degrees(np.arctan2(on_q, on_d)):.1f} deg" if on_d > 0.0 else ""
    return [f"psi_q is {on_q * 1e3:.3g} mWb at id = {nearest:g} A, iq = 0{turned}; used as it is"]


def _asymmetry(id_A, iq_A, psi_d, psi_q):
    span = iq_A[-1] - iq_A[0]
    partner = np.array([np.argmin(np.abs(iq_A + v)) for v in iq_A])
    paired = np.abs(iq_A + iq_A[partner]) < 1e-6 * span
    if paired.sum() < 2:
        return ["no pairs of plus and minus iq: symmetry cannot be checked"]
    told = []
    largest = max(np.abs(psi_d).max(), np.abs(psi_q).max())
    for name, difference in (("psi_d even", psi_d - psi_d[:, partner]), ("psi_q odd", psi_q + psi_q[:, partner])):
        distance = np.abs(difference) * paired[None, :]
        r, c = np.unravel_index(np.argmax(distance), distance.shape)
        if distance[r, c] > _TOLD_SHARE * largest:
            place = f"id = {id_A[r]:g} A, iq = {abs(iq_A[c]):g} A"
            told.append(f"{name} in iq only to {distance[r, c] * 1e3:.3g} mWb (at {place}); used as it is")
    return told


def _reciprocity(id_A, iq_A, psi_d, psi_q):
    """d psi_d / d iq must equal d psi_q / d id where a co-energy exists."""
    l_dd, _, _, l_qq = incremental(id_A, iq_A, psi_d, psi_q)
    difference = np.abs(np.gradient(psi_d, iq_A, axis=1) - np.gradient(psi_q, id_A, axis=0))
    r, c = np.unravel_index(np.argmax(difference), difference.shape)
    if difference[r, c] <= _TOLD_RECIPROCITY * min(np.median(l_dd), np.median(l_qq)):
        return []
    slopes = "d psi_d/d iq against d psi_q/d id"
    place = f"at id = {id_A[r]:g} A, iq = {iq_A[c]:g} A"
    worst = f"{difference[r, c] * 1e6:.3g} uH"
    return [f"reciprocity is broken by up to {worst} ({slopes}, {place}): not conservative; used as it is"]
