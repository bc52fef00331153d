"""How an answer stands against a question, as the rotor's angle goes round: turned, mirrored, scaled.

In the rotor's frame an answer is p r + q conj(r) to a question r (complex, d + jq).  A transform that is right gives p = 1,
q = 0 at every rotor angle theta.  One that is wrong gives g exp(j (m theta + delta)) in p, or in q where it mirrors:
angle zero off by delta; angle sign reversed: m = -2; two phases swapped: m = -2 and mirrored; angle not used: m = -1.
Derived here from the transforms.  Checked: tests/study/test_selftest_patterns.py.
"""

import math
from dataclasses import dataclass

import numpy as np

STRAIGHT = 0.98  # share of the answers' length that adds up when a turn rate is the right one


@dataclass(frozen=True)
class Pattern:
    """An answer over the rotor's angle: gain, angle [deg], turns a turn of the rotor, mirrored or not; deviations from it."""

    gain: float
    angle_deg: float
    turns: float
    mirrored: bool
    spread_deg: float  # largest deviation of one answer's direction from the rest
    regular: bool  # False where no turn rate fits

    @property
    def with_rotor(self):
        """True where the answer stands still in the rotor's frame and is not mirrored."""
        return self.regular and self.turns == 0.0 and not self.mirrored


def wrapped_deg(angle_deg):
    """angle [deg] => the same in (-180, 180]."""
    return -((180.0 - np.asarray(angle_deg)) % 360.0 - 180.0)


def split(to_d, to_q):
    """(answers to 1 and to j (n,), complex) => p, q (n,) of answer = p r + q conj(r)."""
    return 0.5 * (to_d - 1j * to_q), 0.5 * (to_d + 1j * to_q)


def fit_axes(angles_rad, to_d, to_q, pole_pairs=1):
    """(rotor angles (n,), answers to a question on d and to one on q (n,)) => Pattern."""
    straight, mirror = split(np.asarray(to_d), np.asarray(to_q))
    mirrored = bool(np.mean(np.abs(mirror)) > np.mean(np.abs(straight)))
    return _fit(angles_rad, mirror if mirrored else straight, mirrored, pole_pairs)


def fit_pair(angles_rad, to_plus, to_minus, pole_pairs=1):
    """(rotor angles (n,), answers to a torque and to its opposite (n,)) => Pattern with the mean length as gain.

    The current for a torque is not known from outside, but for the opposite torque it is the same with the other sign of iq:
    the product of both answers has twice the angle error as its direction.  Which half turn is meant, iq > 0 tells.
    """
    to_plus, to_minus = np.asarray(to_plus), np.asarray(to_minus)
    product = to_plus * to_minus
    turns, share = _turns(angles_rad, product, pole_pairs, 2.0)
    straight = product * np.exp(-2j * turns * angles_rad)
    half = 0.5 * np.angle(np.sum(straight))
    back = np.exp(-1j * (turns * angles_rad + half))
    if np.mean(np.imag(to_plus * back) - np.imag(to_minus * back)) < 0.0:
        half += math.pi
    gain = float(np.mean(np.sqrt(np.abs(product))))
    spread = 0.5 * np.max(np.abs(np.angle(straight * np.exp(-2j * half)))) if share > 0.0 else 0.0
    return Pattern(gain, float(wrapped_deg(math.degrees(half))), turns, False, math.degrees(spread), share > STRAIGHT)


def _fit(angles_rad, answers, mirrored, pole_pairs):
    turns, share = _turns(angles_rad, answers, pole_pairs, 1.0)
    straight = answers * np.exp(-1j * turns * angles_rad)
    mean = np.mean(straight)
    spread = np.max(np.abs(np.angle(straight * np.conj(mean)))) if abs(mean) > 0.0 else 0.0
    angle = float(wrapped_deg(math.degrees(np.angle(mean))))
    return Pattern(float(abs(mean)), angle, turns, mirrored, math.degrees(spread), share > STRAIGHT)


def _turns(angles_rad, answers, pole_pairs, factor):
    """=> the likeliest turn rate, and the share of the answers' length that adds up under it."""
    length = np.sum(np.abs(answers))
    if not length > 0.0:
        return 0.0, 0.0
    likely = [0.0, -2.0, -1.0, 1.0, 2.0, -3.0, pole_pairs - 1.0, 1.0 / pole_pairs - 1.0]
    shares = [float(abs(np.sum(answers * np.exp(-1j * factor * m * angles_rad))) / length) for m in likely]
    best = int(np.argmax(np.array(shares) > 0.999)) if max(shares) > 0.999 else int(np.argmax(shares))
    return likely[best], shares[best]
