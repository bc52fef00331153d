"""An incremental encoder that loses counts.  Case from practice, figures recomputed."""

import math

import numpy as np
import pytest
from field_case import run_case

from controllers import Controller
from controllers.foc import FieldOrientedController

LINES, POLE_PAIRS = 4096, 15
A_TURN_DEG = 360.0 * POLE_PAIRS / (4 * LINES)  # 0.33 deg electrical
FLUX, RPM = 0.02, 600.0
EMF_V = POLE_PAIRS * RPM * math.pi / 30.0 * FLUX


class Watched(Controller):
    """The built-in controller, and the d voltage it asks for in its own frame."""

    signals = ("vd_V",)

    def reset(self, setup):
        self.inner, self.late_s = FieldOrientedController(), (setup.delay_updates + 0.5) * setup.update_s
        self.inner.reset(setup)

    def step(self, measured):
        answer = self.inner.step(measured)
        a, b, c = answer[:3]
        alpha, beta = (2.0 * a - b - c) / 3.0, (b - c) / math.sqrt(3.0)
        angle = measured.angle_electrical_rad + self.late_s * POLE_PAIRS * measured.speed_rpm * math.pi / 30.0
        asked = measured.link_voltage_V * (alpha * math.cos(angle) + beta * math.sin(angle))
        return answer._replace(extra=(asked,))


def turning(index, lost, duration_s=2.0, **position):
    return run_case(
        Watched(),
        machine={"pole_pairs": POLE_PAIRS, "magnet_flux_Wb": FLUX},
        inverter={"switching_frequency_Hz": 4000},
        supply={"voltage_V": 100},
        sensors={"position": {"kind": "encoder", "lines": LINES, "index": index, "lost_counts_per_turn": lost, **position}},
        load={"kind": "rig", "speed_rpm": RPM},
        controller={"tuning": {"current_bandwidth_Hz": 200}},
        run={"duration_s": duration_s},
    )


def test_one_lost_count_a_turn_accumulates(verified):
    """4096 lines, p = 15, no index: 0.33 deg electrical a turn; the controller's vd drifts as -E sin(error)."""
    recording = turning(index=False, lost=1)
    turns = RPM / 60.0 * recording.time_s
    error = recording["angle_error_deg"]
    passed = np.floor(turns + 0.5)  # the dirty place lies half a turn on
    # The count shown is the last one passed: up to one of them behind.
    assert np.all(error <= -passed * A_TURN_DEG + 1e-6) and np.all(error >= -(passed + 1.0) * A_TURN_DEG - 1e-6)
    slope = np.polyfit(turns, error, 1)[0]
    what = "drift of the electrical angle by one lost count a turn, 4096 lines, 15 pole pairs"
    verified(what, "360 p/(4 x lines), case from practice", -A_TURN_DEG, slope, 3e-3, "deg/turn")
    late = slice(4000, None)  # from the fifth turn on, turn by turn
    # Half a count of the quantised angle is in the error as well; it averages out of the voltage.
    windows = recording["controller_vd_V"][late].reshape(-1, 800), np.radians(error[late]).reshape(-1, 800)
    found, expected = windows[0].mean(axis=1), EMF_V * np.sin(windows[1].mean(axis=1))
    assert found == pytest.approx(expected, abs=0.02 * EMF_V * math.sin(math.radians(6.6)))
    assert np.all(np.diff(found) < 0.0) and found[-1] < -0.1 * EMF_V
    # The speed told is a count a turn short as well: 600 rpm x (1 - 1/16384).
    told = np.mean(recording["speed_measured_rpm"][-8000:])
    assert told == pytest.approx(RPM * (1.0 - 1.0 / (4 * LINES)), abs=0.006)


def test_an_index_pulse_sets_it_right_once_a_turn():
    """The same defect with an index: never more than the count lost in the turn and the one not yet passed."""
    recording = turning(index=True, lost=1, duration_s=1.0)
    assert recording["angle_error_deg"].min() >= -2.0 * A_TURN_DEG - 1e-6
    assert recording["angle_error_deg"].max() <= 1e-6
    assert abs(recording["controller_vd_V"][-2000:].mean()) < 0.02 * EMF_V


def test_without_lost_counts_the_error_stays_within_a_count():
    recording = turning(index=False, lost=0, duration_s=0.5)
    assert recording["angle_error_deg"].min() >= -A_TURN_DEG - 1e-6 and recording["angle_error_deg"].max() <= 1e-6
