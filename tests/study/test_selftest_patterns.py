"""Patterns of wrong transforms, made here with the matrices of Clarke and Park, are told apart and measured."""

import math

import numpy as np
import pytest

from simcore.study.selftest.patterns import fit_axes, fit_pair, wrapped_deg
from simcore.study.selftest.probing import ANGLES_DEG

ANGLES = np.radians([(angle + 180.0) % 360.0 - 180.0 for angle in ANGLES_DEG])
# Amplitude-invariant Clarke transform and its inverse (E. Clarke 1943, any text on drives).
CLARKE = 2.0 / 3.0 * np.array([[1.0, -0.5, -0.5], [0.0, math.sqrt(0.75), -math.sqrt(0.75)]])
INVERSE = np.array([[1.0, 0.0], [-0.5, math.sqrt(0.75)], [-0.5, -math.sqrt(0.75)]])


def park(angle):
    return np.array([[math.cos(angle), math.sin(angle)], [-math.sin(angle), math.cos(angle)]])


def settled(asked, *, order=(0, 1, 2), factor=1.0, its_angle=lambda a: a, axes=((1.0, 0.0), (0.0, 1.0))):
    """The true dq current (n,) where a controller's own picture of it, with such transforms, has become what was asked."""
    found = []
    for angle in ANGLES:
        # What it sees: axes^-1 . Park(its angle) . factor Clarke . order . phases(true dq).
        phases = INVERSE @ park(angle).T
        seen = np.linalg.inv(axes) @ park(its_angle(angle)) @ (factor * CLARKE) @ np.eye(3)[list(order)] @ phases
        found.append(complex(*np.linalg.solve(seen, asked)))
    return np.array(found)


def pattern(**wrong):
    return fit_axes(ANGLES, settled([1.0, 0.0], **wrong), settled([0.0, 1.0], **wrong), pole_pairs=4)


def test_what_is_right_stands_still_at_zero():
    right = pattern()
    assert right.with_rotor and right.regular
    assert (right.gain, right.angle_deg) == (pytest.approx(1.0), pytest.approx(0.0, abs=1e-9))


@pytest.mark.parametrize("offset_deg", [-170.0, -90.0, -10.0, 0.3, 45.0, 120.0, 180.0])
def test_an_angle_zero_is_found_to_the_degree(offset_deg):
    found = pattern(its_angle=lambda angle: angle + math.radians(offset_deg))
    assert found.with_rotor and found.gain == pytest.approx(1.0)
    assert wrapped_deg(found.angle_deg - offset_deg) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("factor", [math.sqrt(1.5), 1.5, math.sqrt(0.5)])
def test_a_scaling_is_found(factor):
    assert pattern(factor=factor).gain == pytest.approx(1.0 / factor)


@pytest.mark.parametrize(("order", "angle_deg"), [((0, 2, 1), 0.0), ((1, 0, 2), 120.0), ((2, 1, 0), -120.0)])
def test_two_swapped_phases_turn_against_the_rotor_and_mirror(order, angle_deg):
    found = pattern(order=order)
    assert found.mirrored and found.turns == -2.0
    assert wrapped_deg(found.angle_deg - angle_deg) == pytest.approx(0.0, abs=1e-9)


def test_an_angle_of_the_wrong_sign_turns_against_the_rotor_without_mirroring():
    found = pattern(its_angle=lambda angle: -angle)
    assert (found.mirrored, found.turns) == (False, -2.0)


@pytest.mark.parametrize(("its_angle", "turns"), [(lambda a: 0.0, -1.0), (lambda a: 4.0 * a, 3.0), (lambda a: a / 4.0, -0.75)])
def test_no_angle_and_wrong_pole_pairs_have_their_own_turn_rates(its_angle, turns):
    assert pattern(its_angle=its_angle).turns == turns


@pytest.mark.parametrize(
    ("axes", "angle_deg"), [([[1, 0], [0, -1]], 0.0), ([[-1, 0], [0, 1]], 180.0), ([[0, 1], [1, 0]], 90.0)]
)
def test_reversed_and_exchanged_axes_mirror_and_stand(axes, angle_deg):
    found = pattern(axes=axes)
    assert found.mirrored and found.turns == 0.0
    assert abs(wrapped_deg(found.angle_deg - angle_deg)) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("offset_deg", [-135.0, -90.0, -10.0, 0.0, 10.0, 89.0, 170.0, 180.0])
@pytest.mark.parametrize("current", [(0.0, 1.0), (-0.6, 0.8)])
def test_opposite_torques_show_the_angle_zero_whatever_current_they_take(offset_deg, current):
    wrong = {"its_angle": lambda angle: angle + math.radians(offset_deg)}
    id_A, iq_A = current
    found = fit_pair(ANGLES, settled([id_A, iq_A], **wrong), settled([id_A, -iq_A], **wrong))
    assert found.with_rotor and found.gain == pytest.approx(1.0)
    assert wrapped_deg(found.angle_deg - offset_deg) == pytest.approx(0.0, abs=1e-9)


def test_the_spread_is_the_largest_deviation():
    ripple = np.array([0.0, 2.0, -2.0, 1.0, -1.0, 0.0])
    answers = 1j * np.exp(1j * np.radians(ripple))
    found = fit_axes(ANGLES, answers / 1j, answers)
    assert found.with_rotor and found.spread_deg == pytest.approx(2.0, abs=0.01)


def test_answers_without_a_rule_are_told():
    rng = np.random.default_rng(1)
    noise = np.exp(2j * np.pi * rng.random(len(ANGLES)))
    assert not fit_axes(ANGLES, noise, 1j * noise).regular
