"""Each check trips at its threshold after its debounce, and not below it.

The instants are closed forms: a shaft that a constant torque accelerates, a current that rises into R and L.
"""

import math

import numpy as np
import pytest
from safety_cases import run, trip

from simcore.safety.monitor_judge import judge
from simcore.safety.monitor_records import CHECK, MEMORY

RPM = 30.0 / math.pi
LIMIT_rpm = 1003.0
# 20 Nm on 0.02 kg m2: 1000 rad/s each second; no current flows, nothing rubs.
ACCELERATED = {
    "machine": {"max_speed_rpm": 1000, "magnet_flux_Wb": 0.0},
    "load": {"replace": True, "kind": "free", "inertia_kg_m2": 0.02, "torque_Nm": [[0.0, -20.0]]},
    "initial": {"speed_rpm": 990.0},
    "run": {"duration_s": 0.01},
}
CROSSED_s = (LIMIT_rpm - 990.0) / RPM / 1000.0  # 1.3614 ms


def over_speed(debounce_s=0.0, update="double", threshold_rpm=LIMIT_rpm, **more):
    check = {"threshold_rpm": threshold_rpm, "debounce_s": debounce_s, "reaction": "report", **more}
    return run(**ACCELERATED, inverter={"update": update}, safety={"overspeed": check})


@pytest.mark.parametrize("update, update_s", [("double", 50e-6), ("single", 100e-6)])
@pytest.mark.parametrize("debounce_s", [0.0, 1e-3, 1.23e-3])
def test_over_speed_trips_a_debounce_after_its_threshold(update, update_s, debounce_s):
    """Seen at the first sample behind the crossing, tripped at the first sample debounce_s later."""
    seen = math.ceil(CROSSED_s / update_s) * update_s
    expected = seen + math.ceil(debounce_s / update_s - 1e-9) * update_s
    found = trip(over_speed(debounce_s, update), "overspeed")
    assert found["at_s"] == pytest.approx(expected, abs=1e-9)
    assert found["value"] == pytest.approx(990.0 + 1000.0 * expected * RPM, rel=1e-9)
    assert found["count"] == 1 and found["limit"] == LIMIT_rpm


def test_over_speed_does_not_trip_below_its_threshold():
    reached = 990.0 + 1000.0 * RPM * (0.01 - 50e-6)  # at the last sample
    assert trip(over_speed(threshold_rpm=reached + 0.01), "overspeed") is None
    assert trip(over_speed(threshold_rpm=reached - 0.01), "overspeed") is not None


# 40 V on two phases in a row of R and L at standstill: i = V/R (1 - exp(-t R/L)), and phase a carries all of it.
VOLTS, OHM, HENRY, LIMIT_A = 40.0, 0.5, 2e-3, 50.0
RISING = {
    "machine": {"stator_resistance_ohm": OHM, "inductance_d_H": HENRY, "inductance_q_H": HENRY, "magnet_flux_Wb": 0.0},
    "load": {"replace": True, "kind": "locked"},
    "controller": {"replace": True, "mode": "voltage"},
    "commands": {"replace": True, "vd_V": VOLTS, "vq_V": 0.0},
    "run": {"duration_s": 0.02},
}


@pytest.mark.parametrize("check, step_s", [("overcurrent", 100e-6), ("overcurrent_fast", 50e-6)])
@pytest.mark.parametrize("debounce_s", [0.0, 0.42e-3])
def test_over_current_trips_a_debounce_after_its_threshold(check, step_s, debounce_s):
    """V/R (1 - exp(-t R/L)) reaches 50 A after L/R ln(80/30); the comparator looks every tick, the software every update."""
    begun = 100e-6  # the command of the first sample acts one update later
    crossed = begun - HENRY / OHM * math.log(1.0 - LIMIT_A * OHM / VOLTS)
    seen = math.ceil(crossed / step_s) * step_s
    expected = seen + math.ceil(debounce_s / step_s - 1e-9) * step_s
    limit = {"threshold_A": LIMIT_A, "debounce_s": debounce_s, "reaction": "report" if check == "overcurrent" else "gates_off"}
    found = trip(run(**RISING, inverter={"update": "single"}, safety={check: limit}), check)
    assert found["at_s"] == pytest.approx(expected, abs=1e-9)
    assert found["value"] == pytest.approx(VOLTS / OHM * (1.0 - math.exp(-(expected - begun) * OHM / HENRY)), rel=1e-4)


def test_over_current_does_not_trip_below_its_threshold():
    reached = VOLTS / OHM * (1.0 - math.exp(-(0.02 - 150e-6) * OHM / HENRY))
    for check in ("overcurrent", "overcurrent_fast"):
        for limit, expected in ((reached + 0.05, None), (reached - 0.5, check)):
            limited = {"threshold_A": limit, "debounce_s": 0.0, "reaction": "gates_off"}
            found = trip(run(**RISING, safety={check: limited}), check)
            assert (found and found["check"]) == expected


@pytest.mark.parametrize("phase", [0, 1, 2])
@pytest.mark.parametrize("sign", [1, -1])
def test_each_phase_and_direction_trips_over_current(phase, sign):
    """The voltage along phase a, b, c or against it: the limit is met by that phase alone."""
    angle = phase * 120.0 + (0.0 if sign > 0 else 180.0)
    found = run(
        **RISING, initial={"angle_electrical_deg": angle},
        safety={"overcurrent": {"threshold_A": 70.0, "debounce_s": 0.0, "reaction": "report"},
                "overcurrent_fast": {"threshold_A": 70.0, "reaction": "gates_off"}},
    )  # fmt: skip
    assert {one["check"] for one in found.monitor["trips"]} == {"overcurrent", "overcurrent_fast"}
    largest = max(range(3), key=lambda k: abs(found[("ia_A", "ib_A", "ic_A")[k]]).max())
    assert largest == phase


def test_a_comparator_sees_the_signal_in_front_of_the_converter():
    """Clipped at 40 A the samples never show 50 A; the comparator does.  A sensor's offset of 20 A trips it earlier."""
    clipped = {"current": {"adc_bits": 12, "range_A": 40.0}}
    fast = {"overcurrent_fast": {"threshold_A": LIMIT_A, "reaction": "gates_off"}}
    plain = trip(run(**RISING, sensors=clipped, safety=fast), "overcurrent_fast")
    assert plain["value"] > LIMIT_A
    moved = trip(run(**RISING, sensors={"current": {"offset_A": [20.0, 0.0, 0.0]}}, safety=fast), "overcurrent_fast")
    assert moved["at_s"] < plain["at_s"]
    assert moved["value"] == pytest.approx(LIMIT_A, abs=1.0)


def record(dtype, **fields):
    """One record as plain Python code sees it."""
    made = np.zeros(1, dtype).view(np.recarray)[0]
    for name, value in fields.items():
        made[name] = value
    return made


def judged(values, samples=3, latching=1):
    """=> (tick of the first trip or -1, still tripped, trips) after these values against a limit of 1."""
    check, memory = record(CHECK, samples=samples, latching=latching), record(MEMORY, tick=-1)
    for tick, value in enumerate(values):
        judge.py_func(check, memory, value, value > 1.0, tick)
    return int(memory["tick"]), int(memory["tripped"]), int(memory["trips"])


def test_a_value_beyond_its_limit_half_of_the_time_does_not_trip():
    assert judged([2.0, 0.0] * 50)[0] == -1
    assert judged([2.0, 2.0, 0.0] * 50)[0] == 4  # counts 1 2 1 2 3


def test_a_check_lets_go_only_where_it_does_not_latch():
    values = [2.0] * 3 + [0.0] * 3
    assert judged(values) == (2, 1, 1)
    assert judged(values, latching=0) == (2, 0, 1)
    assert judged(values[:-1], latching=0) == (2, 1, 1)  # right for less than the debounce
    assert judged(values + values, latching=0) == (2, 0, 2)


def test_a_value_at_its_limit_is_not_beyond():
    assert judged([1.0] * 10)[0] == -1
