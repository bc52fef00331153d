"""From what is seen to what is wrong: names and hints for patterns, scalings and lags."""

import math

# True over asked: what such a factor usually is.  Common practice, no source.
SCALES = (
    (math.sqrt(2.0 / 3.0), "sqrt(2/3)", "currents measured in power-invariant scaling while the questions are peak values"),
    (math.sqrt(1.5), "sqrt(3/2)", "questions taken as power-invariant while the currents are measured as peak values"),
    (2.0 / 3.0, "2/3", "a Clarke transform without its factor 2/3, or a factor 3/2 too much on the torque"),
    (1.5, "3/2", "the factor 2/3 of the Clarke transform twice, or the factor 3/2 of the torque left out"),
    (math.sqrt(2.0), "sqrt(2)", "an rms value where the peak is meant"),
    (math.sqrt(0.5), "1/sqrt(2)", "a peak value where the rms is meant"),
    (math.sqrt(3.0), "sqrt(3)", "a line-to-line value where the phase is meant"),
    (math.sqrt(1.0 / 3.0), "1/sqrt(3)", "a phase value where line to line is meant"),
    (2.0, "2", "a peak-to-peak value, or half the link where all of it is meant"),
    (0.5, "1/2", "an amplitude where peak to peak is meant, or all of the link where half of it is meant"),
)
ANGLE_TOLERANCE_DEG, GAIN_TOLERANCE = 1.0, 0.01
_NAMED_GAIN, _NAMED_DEG = 0.015, 2.0

FEEDBACK_REVERSED = "the voltage drives the current on instead of opposing it: sign of the currents or of the error reversed."
NO_FEEDBACK = "the voltages do not react to the measured currents: there is no current loop, or its inputs are not connected."


def signed(angle_deg):
    """angle [deg] => text with sign and one digit, without a negative zero."""
    return f"{round(angle_deg, 1) + 0.0:+.1f}"


def scale_cause(gain):
    """(true over asked) => cause, hint."""
    for factor, name, words in SCALES:
        if abs(gain / factor - 1.0) < _NAMED_GAIN:
            return "scaling", f"a factor {name}: usually {words}."
    return "", "no usual mix-up: look at sensor gains, the machine it believes in, a missing integral part."


def _near(angle_deg, value):
    return abs((angle_deg - value + 180.0) % 360.0 - 180.0) < _NAMED_DEG


def off_by_words(angle_deg):
    """(angle error [deg]) => what it costs."""
    error = math.radians(angle_deg)
    return f"{100.0 * (1.0 - math.cos(error)):.2g} % of the torque and {100.0 * abs(math.sin(error)):.2g} % stray id"


def standing_cause(pattern, on_axes):
    """(Pattern of a vector that stands still in the rotor's frame, d and q asked for one by one?) => cause, hint."""
    angle = pattern.angle_deg
    if pattern.mirrored:
        if _near(angle, 0.0):
            return "iq_sign", "the sign of iq is reversed, that of id is right."
        if _near(angle, 180.0):
            return "id_sign", "the sign of id is reversed, that of iq is right."
        if _near(angle, 90.0) or _near(angle, -90.0):
            return "axes_exchanged", "d and q are taken for each other."
        return "axes_exchanged", f"one axis is reversed, and the angle zero is {0.5 * angle:+.1f} deg off."
    if abs(angle) <= ANGLE_TOLERANCE_DEG:
        return "", ""
    if _near(angle, 180.0):
        if on_axes:
            return "half_turn", "both axes are reversed: the angle zero is half a turn off, or the currents' sign both ways."
        return "torque_sign", "the torque has the wrong sign: iq or the torque reversed, or the angle zero half a turn off."
    if _near(angle, 120.0) or _near(angle, -120.0):
        return "phases_rotated", "a third of a turn: phases a, b, c taken one place on, in currents and duties alike."
    if _near(angle, 90.0) or _near(angle, -90.0):
        stands = "on d" if angle < 0.0 else "on -d"
        words = f"a quarter of a turn, iq stands {stands}: d and q taken for each other, or zeroed on the q axis."
        return "angle_zero", words
    if _near(angle, 30.0) or _near(angle, -30.0):
        return "angle_zero", f"30 deg: zeroed on a line-to-line EMF instead of a phase's. It costs {off_by_words(angle)}."
    ahead = "ahead of" if angle > 0.0 else "behind"
    return "angle_zero", f"its d axis lies {abs(angle):.1f} deg {ahead} the magnet: it costs {off_by_words(angle)}."


def swapped_phases(angle_deg):
    """(angle of a mirrored vector [deg]) => which two phases are swapped, or none of the three pairs."""
    for value, pair in ((0.0, "b and c"), (120.0, "a and b"), (-120.0, "a and c")):
        if _near(angle_deg, value):
            return pair
    return ""


def turning_cause(pattern, on_axes):
    """(Pattern of a vector that does not stand in the rotor's frame, d and q asked one by one?) => cause, hint."""
    angle, mirrored = pattern.angle_deg, pattern.mirrored
    if pattern.turns == -1.0:
        return "no_angle", "the vector stands still in the stator: the measured angle is not used."
    if pattern.turns == -2.0:
        if not on_axes and not _near(angle, 0.0):
            # A torque asks for q: mirrored is what stands half a turn round.
            angle, mirrored = angle + 180.0, bool(swapped_phases(angle + 180.0))
        if mirrored:
            pair = swapped_phases(angle) or "two"
            return "phases_swapped", f"against the rotor: phases {pair} are swapped, in currents and duties alike."
        more = "" if _near(angle, 0.0) else f"; its zero is {angle:+.0f} deg off besides (90: sine and cosine exchanged)"
        return "angle_sign", f"against the rotor: the sign of the angle is reversed{more}."
    if pattern.regular:
        times = f"{pattern.turns + 1.0:g} turns a turn of the rotor"
        return "angle_scale", f"the vector makes {times}: a wrong number of pole pairs, or the mechanical angle."
    return "", "its direction over the rotor's angle follows no rule that is known here."


def loop_cause(feedback, forward, gain_limit):
    """(Pattern of voltage against current, Pattern of voltage for a question, stable gain [V/A]) => cause, hint."""
    path = "duties" if not forward.with_rotor else "measured currents"
    if feedback.mirrored:
        if feedback.turns == 0.0:
            axis = "iq" if abs(feedback.angle_deg) < 90.0 else "id"
            return f"{axis}_sign", f"{axis} is fed back with the wrong sign."
        return "phases_swapped", f"two phases are swapped in the {path} only: one direction of the current feeds itself."
    if feedback.turns in (2.0, -2.0):
        where = "inverse Park transform" if feedback.turns < 0.0 else "Park transform"
        return "angle_sign", f"the {where} alone turns against the rotor: its angle has the wrong sign."
    if not feedback.regular or feedback.turns != 0.0:
        return "no_angle", "current and voltage are turned by different angles: one transform does not follow the rotor."
    if abs(feedback.angle_deg) > 135.0:
        return "feedback_sign", FEEDBACK_REVERSED
    if abs(feedback.angle_deg) > 30.0:
        return "angle_zero", f"the voltage stands {feedback.angle_deg:+.0f} deg off the current it answers: two angle zeros."
    if feedback.gain > 0.5 * gain_limit:
        return "gain", (
            f"the loop opposes the current by {feedback.gain:.3g} V/A; one update of delay bears at most {gain_limit:.3g} V/A."
        )
    return "", "the voltage opposes the current as it should; look at integral parts and limits."


def lag_cause(lag_deg, way):
    """(angle of the voltage against where it should be [deg], WayToVoltage) => cause, hint."""
    updates = lag_deg / way.degrees_per_update
    cost = f"{100.0 * abs(math.sin(math.radians(lag_deg))):.2g} % of a q voltage lands on d"
    if abs(updates + way.updates) < 0.15:
        return "delay", f"{way.updates:g} update periods from sample to voltage are not compensated: {cost}."
    if abs(updates + 2.0 * way.updates) < 0.15:
        return "delay_sign", f"the angle is turned back instead of ahead by {way.updates:g} update periods: {cost}."
    if abs(updates + 0.5) < 0.1:
        return "delay", f"the advance lacks the half period that a voltage is held: {cost}."
    where = "late" if updates < 0.0 else "early"
    return "delay", f"the voltage comes {abs(updates):.2g} update periods {where}: {cost}."
