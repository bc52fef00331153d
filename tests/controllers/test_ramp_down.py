"""Controlled ramp-down in every mode: full scale in ramp_down_s, zero held, and back at the same rate.

Expected numbers follow from the definition (common practice, no published source): rate = full scale / ramp_down_s, where full
scale is the greatest torque, max_speed_rpm, max_current_A or the voltage ceiling with the highest speed's frequency.
"""

import copy
import math

import numpy as np
import pytest

from simcore import Bench
from simcore.scenario.reader import scenario_from

CURRENT, RAMP_DOWN, TICK, VDC = 1, 8, 50e-6, 400.0
BASE = {
    "machine": {
        "kind": "constants", "pole_pairs": 4, "stator_resistance_ohm": 0.01, "inductance_d_H": 0.25e-3,
        "inductance_q_H": 0.25e-3, "magnet_flux_Wb": 0.06, "max_current_A": 300, "max_speed_rpm": 6000,
    },
    "inverter": {"switching_frequency_Hz": 10000},
    "supply": {"kind": "source", "voltage_V": VDC},
    "load": {"kind": "rig", "speed_rpm": 1000},
    "run": {"duration_s": 0.1, "record_every": 1},
}  # fmt: skip
GREATEST_NM = 1.5 * 4 * 0.06 * 300  # isotropic: 1.5 p psi iq


def run(mode, commands, duration_s=0.1, ramp_down_s=0.05, in_python=False, weight=0.5, **tables):
    document = copy.deepcopy(BASE) | tables
    tuning = {"current_bandwidth_Hz": 1000, "speed_setpoint_weight": weight}
    if ramp_down_s is not None:
        tuning["ramp_down_s"] = ramp_down_s
    document["controller"] = {"mode": mode, "tuning": tuning}
    document["commands"], document["run"]["duration_s"] = commands, duration_s
    return Bench(scenario_from(document, path="ramp.toml")).run(in_python=in_python)


def trapezium(time_s, value, full, ramp_s, stop_s, go_s):
    """Down from `value` at full/ramp_s from stop_s on, up again from go_s on; at the updates, with the first step at once."""
    rate = full / ramp_s
    down = np.maximum(value - rate * (time_s - stop_s + TICK), 0.0)
    up = np.minimum(rate * (time_s - go_s + TICK), value)
    return np.where(time_s < stop_s - 1e-9, value, np.where(time_s < go_s - 1e-9, down, up))


REQUEST = [[0.0, 1], [0.02, 0], [0.06, 1]]


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_torque_goes_down_at_full_scale_in_ramp_down_s_and_comes_back(sign):
    recording = run("torque", {"torque_Nm": sign * 54.0, "run_request": REQUEST})
    expected = trapezium(recording.time_s, 54.0, GREATEST_NM, 0.05, 0.02, 0.06)
    assert sign * recording["torque_reference_Nm"] == pytest.approx(expected, abs=1e-6)
    assert recording["iq_reference_A"] == pytest.approx(sign * expected / 0.36, rel=2e-3, abs=1e-3)
    assert np.mean(np.abs(recording["torque_Nm"])[1050:1190]) < 0.02
    assert sign * recording["torque_Nm"][-1] == pytest.approx(54.0, rel=1e-3)
    # Half the greatest torque takes half the time: from 0.02 s on, and again from 0.06 s to 0.085 s.
    acting = np.flatnonzero(recording["binding_limit"] == RAMP_DOWN)
    assert acting[0] == 400 and acting[-1] == pytest.approx(1698, abs=1) and len(acting) == acting[-1] - 399


def test_currents_go_down_on_a_straight_line():
    recording = run("current", {"id_A": -90.0, "iq_A": 120.0, "run_request": REQUEST})
    expected = trapezium(recording.time_s, 150.0, 300.0, 0.05, 0.02, 0.06) / 150.0
    assert recording["id_reference_A"] == pytest.approx(-90.0 * expected, abs=1e-9)
    assert recording["iq_reference_A"] == pytest.approx(120.0 * expected, abs=1e-9)
    assert np.max(np.abs(recording["iq_A"][1000:1190])) < 0.1


def test_a_command_beyond_the_limit_comes_down_from_the_limit():
    recording = run("current", {"iq_A": 900.0, "run_request": REQUEST})
    assert recording["iq_reference_A"][400:402] == pytest.approx([300.0 - 0.3, 300.0 - 0.6], abs=1e-9)
    recording = run("torque", {"torque_Nm": 900.0, "run_request": REQUEST}, duration_s=0.12)
    assert recording["torque_reference_Nm"][400] == pytest.approx(GREATEST_NM * (1.0 - TICK / 0.05), rel=1e-6)
    # Back at the limit, after the 40 ms it went down, the ramp has nothing more to do.
    assert recording["binding_limit"][1990] == RAMP_DOWN and set(recording["binding_limit"][2005:]) == {CURRENT}


def test_voltages_go_down_with_the_ceiling_as_full_scale():
    recording = run("voltage", {"vd_V": 30.0, "vq_V": 40.0, "run_request": REQUEST}, load={"kind": "locked"})
    expected = trapezium(recording.time_s, 50.0, VDC / math.sqrt(3.0), 0.05, 0.02, 0.06) / 50.0
    assert recording["vd_V"][1:] == pytest.approx(30.0 * expected[:-1], abs=1e-9)
    assert recording["vq_V"][1:] == pytest.approx(40.0 * expected[:-1], abs=1e-9)
    assert set(recording["binding_limit"][500:1190]) == {RAMP_DOWN}


@pytest.mark.parametrize("volts, hertz", [(120.0, 100.0), (20.0, 300.0)])
def test_open_loop_voltage_and_frequency_keep_their_ratio(volts, hertz):
    """Highest frequency: 6000 rpm x 4 pole pairs = 400 Hz; whichever of the two is nearer to its full scale sets the pace."""
    load = {"kind": "locked"}
    commands = {"voltage_V": volts, "frequency_Hz": hertz, "run_request": REQUEST}
    recording = run("open_loop", commands, load=load)
    share = max(volts / (VDC / math.sqrt(3.0)), hertz / 400.0)
    expected = trapezium(recording.time_s, share, 1.0, 0.05, 0.02, 0.06) / share
    a, b, c = (recording[f"v{leg}_V"] for leg in "abc")
    vector = (2.0 * a - b - c) / 3.0 + 1j * (b - c) / math.sqrt(3.0)
    assert np.abs(vector)[1:] == pytest.approx(volts * expected[:-1], abs=1e-9)
    # Angle by the straight line between updates, advanced by one and a half of them.
    frequency = hertz * expected
    turned = math.pi * TICK * (frequency[1:] + frequency[:-1]) + 3.0 * math.pi * TICK * np.diff(frequency)
    alive = np.flatnonzero((expected[:-2] > 1e-6) & (expected[1:-1] > 1e-6))
    assert np.angle(vector[2:] * np.conj(vector[1:-1]))[alive] == pytest.approx(turned[:-1][alive], abs=1e-9)


def test_an_absent_request_runs_and_a_request_of_one_changes_no_bit():
    absent = run("torque", {"torque_Nm": [[0.0, 10.0], [0.01, -200.0]]}, duration_s=0.02)
    asked = run("torque", {"torque_Nm": [[0.0, 10.0], [0.01, -200.0]], "run_request": 1}, duration_s=0.02)
    assert RAMP_DOWN not in absent["binding_limit"]
    for name in absent.signals:
        assert np.array_equal(absent[name], asked[name], equal_nan=True), name


def test_a_request_that_begins_at_zero_holds_zero_and_starts_on_the_ramp():
    recording = run("torque", {"torque_Nm": 54.0, "run_request": [[0.0, 0], [0.02, 1]]}, duration_s=0.06)
    assert np.all(recording["torque_reference_Nm"][:400] == 0.0)
    assert recording["torque_reference_Nm"][400:402] == pytest.approx(GREATEST_NM * TICK / 0.05 * np.array([1, 2]), rel=1e-6)


@pytest.mark.parametrize("mode, seconds", [("torque", 0.1), ("current", 0.1), ("voltage", 0.1), ("open_loop", 1.0)])
def test_without_ramp_down_s_full_scale_takes_a_tenth_of_a_second_and_a_turning_field_a_second(mode, seconds):
    commands = {
        "torque": {"torque_Nm": GREATEST_NM}, "current": {"iq_A": 300.0}, "voltage": {"vd_V": VDC / math.sqrt(3.0)},
        "open_loop": {"voltage_V": VDC / math.sqrt(3.0)},
    }[mode]  # fmt: skip
    recording = run(mode, {**commands, "run_request": [[0.0, 1], [0.001, 0]]}, duration_s=0.002, ramp_down_s=None,
                    load={"kind": "locked"})  # fmt: skip
    if mode in ("torque", "current"):
        left = recording["iq_reference_A"][-1] / 300.0
    else:
        left = math.hypot(recording["vd_V"][-1], recording["vq_V"][-1]) / (VDC / math.sqrt(3.0))
    steps = 20 if mode in ("torque", "current") else 19  # a voltage acts one update later
    assert left == pytest.approx(1.0 - steps * TICK / seconds, rel=1e-3)


FREE = {"kind": "free", "inertia_kg_m2": 0.02, "viscous_Nm_s": 1e-3, "torque_Nm": [[0.0, 0.0], [0.5, 4.0], [0.55, 0.0]]}


@pytest.fixture(scope="module")
def stopped():
    """Speed mode: 3000 rpm, down to standstill from 0.1 s on (6000 rpm in 0.4 s), pushed at 0.5 s, back from 0.6 s on."""
    commands = {"speed_rpm": 3000.0, "run_request": [[0.0, 1], [0.1, 0], [0.6, 1]]}
    return run("speed", commands, duration_s=1.0, ramp_down_s=0.4, load=FREE, initial={"speed_rpm": 3000.0})


def test_speed_ramps_to_standstill_then_no_torque_is_made(stopped):
    time_s, speed = stopped.time_s, stopped["speed_rpm"]
    middle = (time_s > 0.2) & (time_s < 0.28)
    slope = np.polyfit(time_s[middle], speed[middle], 1)[0]
    assert slope == pytest.approx(-6000.0 / 0.4, rel=2e-2)
    # Below 0.2 % of 6000 rpm it counts as standstill: 200 ms for half the highest speed, and the speed loop's lag.
    rest = int(np.argmax(np.abs(speed) < 12.0))
    assert 0.3 <= time_s[rest] < 0.36
    still = (time_s > time_s[rest] + 2e-3) & (time_s < 0.6)
    assert np.max(np.abs(stopped["torque_reference_Nm"][still])) == 0.0
    assert np.max(np.abs(stopped["iq_A"][still])) < 0.05
    # Nobody holds the shaft: 4 Nm for 50 ms leave -10 rad/s on 0.02 kg m2.
    pushed = speed[int(0.56 / TICK)] - speed[int(0.5 / TICK)]
    assert pushed == pytest.approx(-10.0 * 30.0 / math.pi, rel=2e-2)
    assert set(stopped["binding_limit"][2010:11990]) == {RAMP_DOWN}


def test_speed_comes_back_from_where_the_shaft_is_without_a_jolt(stopped):
    time_s, speed = stopped.time_s, stopped["speed_rpm"]
    start = int(0.6 / TICK)
    assert np.max(np.abs(stopped["torque_reference_Nm"][start : start + 20])) < 3.0
    middle = (time_s > 0.68) & (time_s < 0.78)
    assert np.polyfit(time_s[middle], speed[middle], 1)[0] == pytest.approx(6000.0 / 0.4, rel=2e-2)
    assert speed[-1] == pytest.approx(3000.0, rel=1e-3)
    assert stopped["binding_limit"][-1] == 0


@pytest.mark.parametrize("weight", [0.0, 0.3, 1.0])
def test_at_rest_the_shaft_turns_freely_whatever_the_weight(weight):
    """A load of -2 Nm on 0.02 kg m2 drives it: 100 rad/s2 less friction; the torque asked for is exactly none."""
    load = {**FREE, "viscous_Nm_s": 0.0, "torque_Nm": -2.0}
    recording = run("speed", {"speed_rpm": 3000.0, "run_request": 0}, duration_s=0.1, weight=weight, load=load)
    assert np.all(recording["torque_reference_Nm"] == 0.0)
    assert recording["speed_rpm"][-1] == pytest.approx(10.0 * 30.0 / math.pi, rel=2e-3)


def test_the_way_down_begins_at_the_measured_speed():
    """The shaft is at 1000 rpm on its way to 5000: it does not go up first."""
    commands = {"speed_rpm": 5000.0, "run_request": [[0.0, 1], [0.05, 0]]}
    recording = run("speed", commands, duration_s=0.3, ramp_down_s=0.4, load=FREE)
    at_stop = recording["speed_rpm"][1000]
    assert 500.0 < at_stop < 4000.0
    assert np.max(recording["speed_rpm"][1000:]) < at_stop + 400.0


@pytest.mark.parametrize("mode", ["torque", "speed", "open_loop"])
def test_compiled_and_python_steps_give_equal_bits(mode):
    source = {"voltage_V": 9.0, "frequency_Hz": 9}
    commands = {"torque": {"torque_Nm": 80.0}, "speed": {"speed_rpm": 300.0}, "open_loop": source}
    tables = {"load": FREE if mode == "speed" else {"kind": "locked"}, "ramp_down_s": 0.02, "duration_s": 0.02}
    request = {"run_request": [[0.0, 1], [0.005, 0], [0.015, 1]]}
    compiled, python = (run(mode, commands[mode] | request, in_python=way, **tables) for way in (False, True))
    assert RAMP_DOWN in compiled["binding_limit"]
    for name in compiled.signals:
        assert np.array_equal(compiled[name], python[name], equal_nan=True), name
