"""The power stage and its link voltage sensor, and the machine's EMF: what the commanded voltage did not become."""

import math

import numpy as np

from simcore.report.wording import number
from simcore.study.explain.balance import PHASES, phases_of
from simcore.study.explain.correction import Correction, percent

# Their volts depend on the currents, so the sensors are put right before them.
POWER_STAGE = ("dead_time", "device_drop", "device_resistance")
_SIGN_BAND = 0.01425  # of the greatest current: a drop does not jump at zero current


def drop_vector(b, switching_only):
    """Space vector (n,) of one volt lost in each leg against its current; of legs that switch in the interval only."""
    currents = phases_of(0.5 * (b.i_A[1:] + b.i_A[:-1]))
    signs = currents / np.hypot(currents, _SIGN_BAND * b.max_current_A)
    if switching_only:
        signs = signs * ((b.duties > 0.0) & (b.duties < 1.0))
    return 2.0 / 3.0 * (signs @ PHASES)


def _drop(b, p):
    return {"u_V": b.u_V - p[0] * drop_vector(b, False)}


def _dead_time(b, p):
    return {"u_V": b.u_V - p[0] * drop_vector(b, True)}


def _resistance(b, p):
    return {"resistance_ohm": b.resistance_ohm + p[0]}


def _link(b, p):
    return {"u_V": b.u_V * (1.0 + p[0])}


def _emf(b, p):
    """Numbers are flux linkages [Wb], so that windows of unlike speed share them."""
    once = np.exp(1j * b.middle_rad)
    six = once**6
    lost = 0.0
    for k, turning in enumerate((six, six * six)):
        lost = lost + complex(p[4 * k], p[4 * k + 1]) * turning + complex(p[4 * k + 2], p[4 * k + 3]) * turning.conj()
    return {"u_V": b.u_V - b.omega_e * lost * once}


def _emf_share(b, p):
    magnets = abs(b.flux(np.zeros(1, complex))[0])
    return percent(max(math.hypot(*pair) for pair in np.reshape(p, (-1, 2))) / magnets) + " of its fundamental"


def _short_pulses(threshold_s):
    """Pulses and gaps shorter than this did not happen."""

    def apply(b, _):
        pulse_s = 2.0 * b.duties * b.tick_s
        duties = np.where(pulse_s < threshold_s, 0.0, np.where(2.0 * b.tick_s - pulse_s < threshold_s, 1.0, b.duties))
        return {"u_V": 2.0 / 3.0 * b.link_V * (duties @ PHASES)}

    return apply


def _thresholds(b):
    """Lengths of the shortest pulses and gaps that were asked for, as far as there are any [s]."""
    shortest = 2.0 * b.tick_s * np.minimum(b.duties, 1.0 - b.duties).ravel()
    shortest = np.sort(shortest[(shortest > 0.0) & (shortest < 0.3 * b.tick_s)])
    return np.unique(shortest[np.linspace(0, len(shortest) - 1, 12).astype(int)] * 1.001) if len(shortest) else ()


def _volts_a_second(b):
    """Volts that a second of dead time costs a leg."""
    return float(np.mean(b.link_V)) * b.carrier_Hz


ALWAYS = (
    Correction("dead_time", 1, lambda b: (1e-2,), _dead_time,
               lambda b, p: f"{number(p[0], 'V', 2)} a leg, as of {number(p[0] / _volts_a_second(b), 's', 2)} of dead time",
               lambda p: p[0] > 0.0),
    Correction("device_drop", 1, lambda b: (1e-2,), _drop, lambda b, p: f"{number(p[0], 'V', 2)} a leg", lambda p: p[0] > 0.0),
    Correction("device_resistance", 1, lambda b: (1e-2 * b.resistance_ohm + 1e-6,), _resistance,
               lambda b, p: number(p[0], "ohm", 2), lambda p: p[0] > 0.0),
    # The voltages are put right by the opposite of what the sensor reads too much.
    Correction("link_voltage", 1, lambda b: (1e-3,), _link, lambda b, p: f"{100.0 * (1.0 / (1.0 + p[0]) - 1.0):+.2g} %",
               lambda p: abs(p[0]) < 0.2),
    Correction("emf_harmonics", 8, lambda b: (1e-5,) * 8, _emf, _emf_share),
)  # fmt: skip


def short_pulses(b):
    """Balance => hypotheses of lengths below which pulses were dropped."""
    return [
        Correction("minimum_pulse", 0, lambda b: (), _short_pulses(threshold_s),
                   lambda b, p, t=threshold_s: f"shorter than {number(t, 's', 2)}")
        for threshold_s in _thresholds(b)
    ]  # fmt: skip
