"""The places at which a loop is cut open: each an open response as a function of frequency, with its words."""

import numpy as np

from simcore.study.response.margins import frequencies
from simcore.study.response.sampled import sampled_system

WHERE = {
    "d": "at the current error of d, q closed",
    "q": "at the current error of q, d closed",
    "vector": "at the current error of both axes, as a complex vector",
    "both": "at the current errors of both axes at once (characteristic loci)",
    "d_output": "at the controller's d voltage, q closed",
    "q_output": "at the controller's q voltage, d closed",
    "speed": "at the speed controller's torque request",
    "shaft": "at the shaft, air-gap torque against the rest",
    "torque": "not cut: the closed answer of the torque",
}


def open_axes(drive, cut="error"):
    """(LinearDrive, "error" or "output") => function of frequency [Hz] (n,): open response (n, 2, 2) of both axes, with the
    sign for which the closed loop is L/(1 + L)."""
    system = sampled_system(drive, cut)
    outputs, sign = (("id_measured", "iq_measured"), 1.0) if cut == "error" else (("vd", "vq"), -1.0)
    return lambda f: sign * system.response(f, outputs, ("cut_0", "cut_1"))


def one_axis(matrix, axis):
    """(open responses (n, 2, 2), 0 or 1) => that axis's loop (n,) while the other one is closed."""
    other = 1 - axis
    through = matrix[:, axis, other] * matrix[:, other, axis] / (1.0 + matrix[:, other, other])
    return matrix[:, axis, axis] - through


class Loci:
    """Characteristic loci of both axes: what one gain or dead time that both share moves towards -1.

    A. G. J. MacFarlane, I. Postlethwaite, Int. J. Control 25, 1977 (from memory). Of alike axes [[a, -b], [b, a]] they are
    a + jb and a - jb: the loop of the complex vector d + jq at the frequency and at its negative.
    """

    def __init__(self, axes, update_s):
        self.axes, self.f = axes, frequencies(update_s)
        self.tracked = np.linalg.eigvals(axes(self.f))
        for k in range(1, len(self.f)):
            before, here = self.tracked[k - 1], self.tracked[k]
            if abs(here[0] - before[0]) + abs(here[1] - before[1]) > abs(here[1] - before[0]) + abs(here[0] - before[1]):
                self.tracked[k] = here[::-1]

    def branch(self, number):
        """0 or 1 => that locus as a function of frequency (n,)."""

        def locus(f):
            near = np.interp(f, self.f, self.tracked[:, number].real) + 1j * np.interp(f, self.f, self.tracked[:, number].imag)
            found = np.linalg.eigvals(self.axes(f))
            return np.where(np.abs(found[:, 0] - near) <= np.abs(found[:, 1] - near), found[:, 0], found[:, 1])

        return locus


def isotropic(drive):
    """True where both axes are alike, so that the loop of a complex vector says everything."""
    control = drive.current
    alike = all(abs(a - b) <= 1e-9 * max(abs(a), abs(b)) for a, b in (control.kp, control.ki))
    return alike and _round(drive.winding.inductance_H) and (not control.decoupling or _round(control.inductance_H))


def _round(matrix):
    scale = 1e-9 * abs(matrix[0, 0])
    return abs(matrix[0, 0] - matrix[1, 1]) <= scale and abs(matrix[0, 1] + matrix[1, 0]) <= scale


def speed_cut(drive):
    """(LinearDrive with a speed loop) => function of frequency => open response at the torque request."""
    system = sampled_system(drive, "torque")
    return lambda f: -system.response(f, ("torque_reference",), ("cut_0",))[:, 0, 0]


def both_axes_peak(matrix):
    """(open responses (n, 2, 2)) => largest singular value of 1/(1 + L) (n,): sensitivity of both axes at once."""
    return 1.0 / np.linalg.svd(np.eye(2) + matrix, compute_uv=False)[:, -1]
