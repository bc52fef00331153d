"""Thermal networks between a heat source and its base: Foster and Cauer form, responses, and the modal two-port.

Foster: stages (K/W, s), parallel pairs in series, a fit to a measured curve without inner temperatures.  Cauer: stages (J/K,
K/W) from the junction, heat capacities against a common reference with resistances between them; only this form may be cut or
put before another network.  Source: T. Schuetze, Thermal equivalent circuit models, AN2008-03, 2008 (from memory).
Checked: tests/reference/test_thermal_networks.py.
"""

from fractions import Fraction
from functools import lru_cache
from typing import NamedTuple

import numpy as np


class TwoPort(NamedTuple):
    """Modes of a ladder between its losses P and its base: v_i' = -v_i / tau_i + from_power_i P + from_base_i T_base.

    T_junction = sum(to_junction v), heat into the base [W] = sum(to_flow v) - T_base / last_K_per_W.  Arrays of n stages.
    """

    tau_s: np.ndarray
    from_power: np.ndarray
    from_base: np.ndarray
    to_junction: np.ndarray
    to_flow: np.ndarray
    last_K_per_W: float


@lru_cache(maxsize=512)
def foster_to_cauer(foster):
    """((K/W, s), ...) => ((J/K, K/W), ...) from the junction: Z(s) as a continued fraction, in exact rational numbers.

    Removes s C from the admittance and R from the impedance in turn.  Time constants must differ (ZeroDivisionError).
    """
    numerator, denominator = [], [Fraction(1)]
    for resistance, tau in foster:
        stage = [Fraction(1), Fraction(tau)]
        numerator = _add(_times(numerator, stage), [Fraction(resistance) * c for c in denominator])
        denominator = _times(denominator, stage)
    ladder = []
    while len(denominator) > 1:
        capacity = denominator[-1] / numerator[-1]
        denominator = _add(denominator, [0, *(-capacity * c for c in numerator)])[: len(numerator)]
        resistance = numerator[-1] / denominator[-1]
        numerator = _add(numerator, [-resistance * c for c in denominator])[:-1]
        ladder.append((float(capacity), float(resistance)))
    return tuple(ladder)


def _times(one, other):
    product = [Fraction(0)] * (len(one) + len(other) - 1)
    for i, a in enumerate(one):
        for k, b in enumerate(other):
            product[i + k] += a * b
    return product


def _add(one, other):
    longer, shorter = (one, other) if len(one) >= len(other) else (other, one)
    return [a + (shorter[k] if k < len(shorter) else 0) for k, a in enumerate(longer)]


@lru_cache(maxsize=512)
def cauer_to_foster(cauer):
    """((J/K, K/W), ...) => ((K/W, s), ...), shortest time constant first."""
    port = two_port(cauer)
    stages = zip(port.from_power * port.to_junction * port.tau_s, port.tau_s, strict=True)
    return tuple((float(resistance), float(tau)) for resistance, tau in stages)


def two_port(cauer) -> TwoPort:
    """((J/K, K/W), ...) => its modes, shortest time constant first; temperatures may be absolute or over any reference.

    The ladder's matrix made symmetric is M M^T with M bidiagonal, whose singular values keep small ones as exact as large ones.
    """
    capacity, resistance = np.array(cauer, dtype=float).T
    heavy = np.sqrt(capacity)
    light = np.sqrt(1.0 / resistance)
    factor = np.diag(light / heavy)
    if len(heavy) > 1:
        factor -= np.diag(light[:-1] / heavy[1:], -1)
    modes, singular, _ = np.linalg.svd(factor)
    to_junction = modes[0] / heavy[0]
    to_flow = modes[-1] / (heavy[-1] * resistance[-1])
    return TwoPort(singular**-2.0, to_junction, to_flow, to_junction, to_flow, float(resistance[-1]))


def resistance_K_per_W(stages, form):
    """(stages, "foster" or "cauer") => sum of the resistances, the rise a watt in the end."""
    return float(sum(stage[0 if form == "foster" else 1] for stage in stages))


def zth(foster, time_s):
    """(Foster stages, times [s]) => transient thermal impedance [K/W]: the rise a watt after a step of losses."""
    time_s = np.asarray(time_s, dtype=float)
    return sum(-resistance * np.expm1(-time_s / tau) for resistance, tau in foster)


def impedance(foster, frequency_Hz):
    """(Foster stages, frequencies [Hz]) => complex thermal impedance [K/W] to losses that swing so."""
    s = 2j * np.pi * np.asarray(frequency_Hz, dtype=float)
    return sum(resistance / (1.0 + s * tau) for resistance, tau in foster)


def pulsed_rise(foster, power_W, period_s, duty):
    """(stages, losses while on [W], period [s], share of it) => highest, lowest and mean rise [K] once it repeats itself.

    Each stage swings between P R (1 - a)/(1 - a b) and b times that, a and b its decay while on and while off.
    """
    highest = lowest = 0.0
    for resistance, tau in foster:
        on, whole = np.expm1(-duty * period_s / tau), np.expm1(-period_s / tau)
        top = power_W * resistance * on / whole
        highest += top
        lowest += top * np.exp(-(1.0 - duty) * period_s / tau)
    return float(highest), float(lowest), float(duty * power_W * sum(stage[0] for stage in foster))


def rise_with_feedback(power_W, resistance_K_per_W, per_K):
    """(losses at the reference temperature, K/W, their growth a kelvin) => rise in the end [K]; inf where it runs away.

    P = P0 (1 + a dT) and dT = R P: dT = P0 R / (1 - a P0 R).
    """
    cold = power_W * resistance_K_per_W
    return cold / (1.0 - per_K * cold) if per_K * cold < 1.0 else float("inf")
