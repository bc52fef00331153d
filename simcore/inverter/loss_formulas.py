"""Losses of a two-level inverter in steady state without running it: means over one electrical turn, by quadrature.

A cross-check of the loop, and fast.  A leg's voltage is M cos(theta) Vdc/2 and its current I cos(theta - phi), positive out of
the leg; ripple of current and link is neglected.  Sources: J. W. Kolar, H. Ertl, F. C. Zach, IEEE TIA 27(6), 1991, 1063-1075
(from memory) for conduction and switching, J. W. Kolar, S. D. Round, IEE Proc. EPA 153(4), 2006 (volume and pages from memory)
for the capacitor.  Checked: tests/reference/test_loss_formulas.py.
"""

import math
from typing import NamedTuple

import numpy as np

MODULATORS = ("sine", "third_harmonic", "svpwm", "dpwm1", "dpwm3", "dpwm_min", "dpwm_max")
POINTS = 3600  # a multiple of 360: where clamping begins and ends lies between two points


class Turn(NamedTuple):
    """One leg over an electrical turn, one entry a point: what its duty, current and edges are."""

    duty: np.ndarray  # share of the carrier period at the positive rail
    switching: np.ndarray  # False where the leg is clamped
    current_A: np.ndarray
    falling_A: np.ndarray  # current at the falling edge, which comes duty/2 of a carrier period after the point
    rising_A: np.ndarray  # current at the rising edge, as long before it


class Devices(NamedTuple):
    """A figure for each device of a leg."""

    switch_upper: float
    switch_lower: float
    diode_upper: float
    diode_lower: float


def leg_turn(modulation, depth, amplitude_A, phase_rad, periods_per_turn=math.inf, points=POINTS) -> Turn:
    """(modulator, M, peak current [A], angle by which the current lags, carrier periods an electrical turn) => Turn.

    dpwm3 clamps the leg whose voltage is the middle one in size.  Beyond the linear range duties are clipped.  ValueError
    for an unknown modulator.
    """
    theta = (np.arange(points) + 0.5) * 2.0 * math.pi / points
    legs = depth * np.cos(theta - np.array([[0.0], [2.0], [4.0]]) * math.pi / 3.0)
    duty = np.clip(0.5 + 0.5 * (legs[0] + _zero_sequence(modulation, depth, theta, legs)), 0.0, 1.0)
    half = math.pi / periods_per_turn * duty

    def current(angle):
        return amplitude_A * np.cos(angle - phase_rad)

    switching = (duty > 1e-12) & (duty < 1.0 - 1e-12)
    return Turn(duty, switching, current(theta), current(theta + half), current(theta - half))


def _zero_sequence(modulation, depth, theta, legs):
    """(modulator, M, angle, the three legs' voltages over Vdc/2) => what is added to all three."""
    highest, lowest = legs.max(axis=0), legs.min(axis=0)
    if modulation == "sine":
        return 0.0
    if modulation == "third_harmonic":
        return -depth / 6.0 * np.cos(3.0 * theta)
    if modulation == "svpwm":
        return -0.5 * (highest + lowest)
    if modulation == "dpwm_min":
        return -1.0 - lowest
    if modulation == "dpwm_max":
        return 1.0 - highest
    if modulation == "dpwm1":
        return np.where(highest >= -lowest, 1.0 - highest, -1.0 - lowest)
    if modulation == "dpwm3":
        # Of the two outer legs the smaller one in size.
        return np.where(highest < -lowest, 1.0 - highest, -1.0 - lowest)
    raise ValueError(f"unknown modulator {modulation!r}; known are {', '.join(MODULATORS)}")


def conduction(turn, switch_W, diode_W, *, synchronous, dead_share=0.0) -> Devices:
    """(turn, power at a current [A] => [W] of switch and diode) => mean conduction loss of each device [W].

    synchronous: a MOSFET, whose channel conducts both ways, so that its diode carries the dead time only.  dead_share: both
    dead times over the carrier period, 2 Td fs; the duty is that of the terminals.
    """
    out = turn.current_A > 0.0
    high, low = turn.duty, 1.0 - turn.duty
    dead = np.where(turn.switching, dead_share, 0.0)
    in_diode = (np.minimum(dead, high), np.minimum(dead, low)) if synchronous else (high, low)
    shares = Devices(
        np.where(out, high, high - in_diode[0]), np.where(out, low - in_diode[1], low),
        np.where(out, 0.0, in_diode[0]), np.where(out, in_diode[1], 0.0),
    )  # fmt: skip
    size = np.abs(turn.current_A)
    laws = (switch_W(size), switch_W(size), diode_W(size), diode_W(size))
    return Devices(*(float(np.mean(share * law)) for share, law in zip(shares, laws, strict=True)))


def switching(turn, carrier_Hz, on_J, off_J, recovery_J) -> Devices:
    """(turn, carrier [Hz], energies at a current [A] => [J]) => mean switching loss of each device [W].

    A falling edge turns the upper switch off, or the lower one on against the upper diode, by the current's sign; a rising
    edge the other way round.  The opposite transitions are soft and cost nothing.
    """
    hard = turn.switching * carrier_Hz

    def mean(current, energy):
        return float(np.mean(hard * np.where(current > 0.0, energy(np.maximum(current, 0.0)), 0.0)))

    return Devices(
        mean(turn.falling_A, off_J) + mean(turn.rising_A, on_J),
        mean(-turn.rising_A, off_J) + mean(-turn.falling_A, on_J),
        mean(-turn.falling_A, recovery_J),
        mean(turn.rising_A, recovery_J),
    )


def energy_at(points, current_A):
    """([[A, J], ...], currents [A]) => energies [J], linear between the points; the last slope goes on beyond the last."""
    current_A = np.asarray(current_A, dtype=float)
    if not len(points):
        return np.zeros_like(current_A)
    x, y = np.array(points, dtype=float).T
    if len(x) == 1:
        return np.full_like(current_A, y[0])
    slope = (y[-1] - y[-2]) / (x[-1] - x[-2])
    return np.where(current_A <= x[-1], np.interp(current_A, x, y), y[-1] + slope * (current_A - x[-1]))


def switching_factor(modulation, phase_rad) -> float:
    """(modulator, angle of the current) => switching loss over that without clamping, energies linear in current."""
    turn = leg_turn(modulation, 0.5, 1.0, phase_rad)
    return float(np.mean(turn.switching * np.abs(turn.current_A)) / np.mean(np.abs(turn.current_A)))


def capacitor_current_A(amplitude_A, depth, phase_rad) -> float:
    """(peak phase current [A], M, angle of the current) => rms current of the link capacitor [A], any zero sequence.

    I_C = I sqrt(2 M (sqrt3/(4 pi) + cos^2(phi) (sqrt3/pi - 9 M/16))), I the rms phase current.
    """
    cosine2 = math.cos(phase_rad) ** 2
    inner = math.sqrt(3.0) / (4.0 * math.pi) + cosine2 * (math.sqrt(3.0) / math.pi - 9.0 * depth / 16.0)
    return amplitude_A / math.sqrt(2.0) * math.sqrt(max(0.0, 2.0 * depth * inner))


def link_current_A(amplitude_A, depth, phase_rad) -> float:
    """(peak phase current [A], M, angle of the current) => mean current drawn from the link [A]."""
    return 0.75 * depth * amplitude_A * math.cos(phase_rad)
