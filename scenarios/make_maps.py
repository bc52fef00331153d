"""The yard tractor's flux map, computed from a co-energy of our own.  Run `python -m scenarios.make_maps` to write it anew.

Both flux linkages are slopes of one function, psi_d = dW/did and psi_q = dW/diq, so that the map is reciprocal
(dpsi_d/diq = dpsi_q/did) and takes up the same energy on every path; 1.5 W is the co-energy of the three phases.

    W(id, iq) = Ls (id^2 + iq^2) / 2  +  F(L_teeth, I_teeth; iq)  +  F(L_yoke, I_yoke; hypot(k (id + I_m), iq))
    F(L, I; s) = L I^2 (sqrt(1 + (s/I)^2) - 1)

Leakage does not saturate; the teeth across the magnet axis saturate with iq alone; magnet, id and iq share the yoke, which
gives cross-saturation. I_m stands for the magnet: the current that would make its flux. Every term is convex and the first
strictly so, hence the incremental inductances are positive definite everywhere and the map has one inverse. The form is
derived here and no published model; its figures are invented. Checked: tests/scenario/test_demo.py.
"""

from pathlib import Path

import numpy as np

LEAKAGE_H = 70e-6
TEETH_H, TEETH_A = 330e-6, 120.0
YOKE_H, YOKE_A = 225e-6, 740.0
YOKE_SHARE_D = 1.04
MAGNET_A = 370.0

# The drive asks for 450 A at most; transients and wrong controllers need room beyond.
ID_A = np.arange(-600.0, 161.0, 20.0)
IQ_A = np.arange(-600.0, 601.0, 15.0)
FILE = Path(__file__).resolve().parent / "parts" / "motors" / "yard_tractor_map.csv"
HEADER = """\
# Flux linkages of the yard tractor's motor, invented: computed by scenarios/make_maps.py from a co-energy function.
# Phase peak values, d on the magnet. 160 kW class, 4 pole pairs; saturation and cross-saturation, no iron loss.
"""


def coenergy(id_A, iq_A):
    """(currents (...)) => W (...) [Wb A]; two thirds of the machine's co-energy."""

    def path(inductance_H, knee_A, s_A):
        return inductance_H * knee_A**2 * (np.sqrt(1.0 + (s_A / knee_A) ** 2) - 1.0)

    shared = np.hypot(YOKE_SHARE_D * (id_A + MAGNET_A), iq_A)
    leakage = 0.5 * LEAKAGE_H * (id_A**2 + iq_A**2)
    return leakage + path(TEETH_H, TEETH_A, iq_A) + path(YOKE_H, YOKE_A, shared)


def fluxes(id_A, iq_A):
    """(currents (...)) => psi_d, psi_q (...) [Wb]: the slopes of `coenergy`."""
    teeth = np.sqrt(1.0 + (iq_A / TEETH_A) ** 2)
    magnet_and_id = YOKE_SHARE_D * (id_A + MAGNET_A)
    yoke = np.sqrt(1.0 + (magnet_and_id**2 + iq_A**2) / YOKE_A**2)
    psi_d = LEAKAGE_H * id_A + YOKE_H * YOKE_SHARE_D * magnet_and_id / yoke
    psi_q = (LEAKAGE_H + TEETH_H / teeth + YOKE_H / yoke) * iq_A
    return psi_d, psi_q


def table_text():
    """=> text of the CSV file: a row a point, flux linkages to the nanoweber."""
    psi_d, psi_q = fluxes(ID_A[:, None], IQ_A[None, :])
    rows = [
        f"{d:.0f},{q:.0f},{psi_d[i, j]:.9f},{psi_q[i, j] + 0.0:.9f}" for i, d in enumerate(ID_A) for j, q in enumerate(IQ_A)
    ]
    return HEADER + "id_A,iq_A,psi_d_Wb,psi_q_Wb\n" + "\n".join(rows) + "\n"


if __name__ == "__main__":
    FILE.write_text(table_text(), encoding="utf-8", newline="\n")
    magnet_Wb, _ = fluxes(0.0, 0.0)
    characteristic_A = -min(np.linspace(-600.0, 0.0, 6001), key=lambda i: abs(fluxes(i, 0.0)[0]))
    print(f"{FILE.name}: {ID_A.size} x {IQ_A.size} points, magnet flux {1e3 * magnet_Wb:.2f} mWb,")
    print(f"characteristic current {characteristic_A:.0f} A")
