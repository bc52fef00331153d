"""Checks of a rotor that turns, one function each: what was seen at standstill, runs => Finding."""

import math

import numpy as np

from simcore.report.wording import number
from simcore.study.selftest import causes
from simcore.study.selftest.checks_at_rest import ANGLE_FIRST, NO_TORQUE, NOTHING, vector_of
from simcore.study.selftest.findings import Check
from simcore.study.selftest.patterns import fit_pair, wrapped_deg

SENSED_SWING = 0.15  # of the vector's length: what sensor errors may make of a vector whose mean stands
SPEED_TOLERANCE = 0.01


def stands_while_turning(probing, rest, slow):
    """The same vector while the rotor turns slowly, in both directions?"""
    check = Check("vector at low speed", f"as at standstill, at +-{probing.slow_rpm:.3g} rpm")
    if rest.missing:
        return check.not_judged(rest.missing)
    if not all(one.still or _nearly(one) for two in slow for one in two):
        return check.wrong("does not settle", "turning", "it settles at standstill only: look at the sign of the speed.")
    angles = [fit_pair(np.zeros(1), *(vector_of(probing, [one]) for one in two)).angle_deg for two in slow]
    off = max(abs(float(wrapped_deg(angle - _pair_angle(probing, rest)))) for angle in angles)
    found = " and ".join(f"{causes.signed(angle)} deg" for angle in angles)
    if off <= causes.ANGLE_TOLERANCE_DEG + rest.pattern.spread_deg:
        return check.right(found, off)
    return check.wrong(found, "turning", "it stands elsewhere while turning: look at what it adds to the angle.", off)


def drives_forwards(probing, rest, slow):
    """Does a positive torque give power forwards and take it backwards?"""
    check = Check("positive torque drives forwards", "power out forwards, in backwards")
    if rest.missing:
        return check.not_judged(rest.missing)
    could = probing.machine.greatest_torque(probing.size_A)
    if could < 1e-9:
        return check.not_judged(NO_TORQUE)
    forwards, backwards = (two[0].power_W for two in slow)
    found = f"{number(forwards, 'W', 4)} forwards, {number(backwards, 'W', 4)} backwards"
    if max(abs(forwards), abs(backwards)) < NOTHING * could * probing.slow_rpm * math.pi / 30.0:
        return check.wrong("none", "no_torque", "current without torque.")
    if forwards > 0.0 > backwards:
        return check.right(found)
    if forwards < 0.0 < backwards:
        return check.wrong(found, "torque_sign", "it brakes where it should drive.")
    return check.wrong(found, "torque_changes", "its torque changes sign with the direction.")


def _nearly(one):
    """True where the vector swings with the rotor's angle while its mean stands, as sensor errors make it."""
    return one.swing < SENSED_SWING and one.drift < SENSED_SWING / 5.0 and not one.sentence


def _pair_angle(probing, rest):
    """The angle at standstill of what a question on q leads to [deg], whatever the questions were."""
    if not rest.on_axes:
        return rest.pattern.angle_deg
    return math.degrees(np.angle(complex(np.mean(vector_of(probing, rest.plus))) / 1j))


def reaches_speed(probing, rest, sign):
    """Speed mode: is the speed reached in this direction (1 or -1), with load on the shaft?"""
    load = sign * 0.5 * probing.machine.greatest_torque(probing.size_A)
    asked = sign * probing.slow_rpm
    check = Check(f"speed {'forwards' if sign > 0.0 else 'backwards'}", f"{asked:.4g} rpm against {load:.3g} Nm")
    if rest.missing or rest.far_off:
        return check.not_judged(rest.missing or ANGLE_FIRST)
    one = probing.driving(asked, load)
    found = f"{one.speed_rpm:.4g} rpm"
    if not one.sentence and one.swing < SENSED_SWING and abs(one.speed_rpm / asked - 1.0) <= SPEED_TOLERANCE:
        return check.right(found, one.speed_rpm)
    if one.speed_rpm * asked < 0.0:
        return check.wrong(found, "torque_sign", "it turns the wrong way.", one.speed_rpm)
    return check.wrong(found, "speed", "look at the speed loop: gains, integral part, limits.", one.speed_rpm)


def compensates_delay(probing, rest):
    """At high speed: is a change of voltage put where the rotor will be when it acts?"""
    way = probing.way_to_voltage()
    tolerance = max(causes.ANGLE_TOLERANCE_DEG, 0.1 * way.degrees_per_update)
    if rest.settled:
        tolerance += rest.pattern.spread_deg
    check = Check("delay compensated", f"0 deg +- {tolerance:.2g} at {probing.fast_rpm:.4g} rpm")
    if rest.missing or rest.far_off:
        return check.not_judged(rest.missing or ANGLE_FIRST)
    voltages = probing.first_at_speed((1j, -1j))
    if min(abs(volts) for volts in voltages) < 1e-9 * probing.link_V:
        return check.not_judged("the voltages do not change with the commands at this speed", "no answer")
    angle = fit_pair(np.zeros(1), voltages[:1], voltages[1:]).angle_deg
    lag = float(wrapped_deg(angle - _pair_angle(probing, rest)))
    found = f"{causes.signed(lag)} deg, of {way.whole_deg:.3g} from sample to voltage"
    if way.whole_deg < 2.0 * tolerance:
        return check.not_judged("the delay is too short to matter on this machine", found, lag)
    if abs(lag) <= tolerance:
        return check.right(found, lag)
    return check.wrong(found, *causes.lag_cause(lag, way), lag)


def keeps_duties(probing, rest):
    """Do the duties stay in 0 to 1, also where more is asked for than the link can give?"""
    check = Check("duties", "0 to 1, also at the voltage limit")
    if rest.settled:
        probing.beyond_the_limit()
    broken = [sentence for sentence in probing.benches.broken if "duty" in sentence]
    if broken:
        return check.wrong("left 0 to 1, or no number", "duties", broken[0])
    return check.right("0 to 1") if rest.settled else check.right("0 to 1 in these runs")
