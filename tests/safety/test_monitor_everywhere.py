"""The same monitor beside any controller: compiled, in Python, a class, an ensemble; and none where none is asked for."""

import numpy as np
import pytest
from safety_cases import run, scenario

from controllers import Controller
from controllers.foc import FieldOrientedController
from simcore import Bench, load_recording
from simcore.loop.ensemble import run_ensemble
from simcore.loop.records import BENCH, STATE

# Trips over-current with noisy sensors, shorts, comes back at standstill, is asked for torque again.
DRIVE = {
    "supply": {"voltage_V": 400, "resistance_ohm": 0.02, "inductance_H": 2e-6},
    "inverter": {"link_capacitance_F": 600e-6},
    "sensors": {"current": {"noise_rms_A": 1.0, "adc_bits": 12, "range_A": 600},
                "position": {"kind": "resolver", "pole_pairs": 4, "noise_rms": 0.001}},
    "load": {"replace": True, "kind": "free", "inertia_kg_m2": 0.02, "coulomb_Nm": 20.0},
    "controller": {"replace": True, "mode": "torque", "tuning": {"current_bandwidth_Hz": 500}},
    "commands": {"replace": True, "torque_Nm": [[0.0, 40.0], [0.02, 200.0], [0.03, 30.0]]},
    "initial": {"speed_rpm": 1500.0},
    "run": {"duration_s": 0.4},
    "safety": {
        "overcurrent_fast": {"threshold_A": 220.0}, "overcurrent": {"threshold_A": 230.0}, "overspeed": {},
        "link_overvoltage": {}, "link_undervoltage": {},
        "safe_state": {"active_short_above_rpm": 1000.0, "gates_off_below_rpm": 800.0},
        "restart": {"rule": "at_standstill", "after_s": 0.02, "below_rpm": 30.0},
    },
}  # fmt: skip
SIGNALS = ("id_A", "iq_A", "speed_rpm", "link_voltage_V", "state", "tripped_by", "duty_b", "torque_reference_Nm")


class Wrapped(Controller):
    """A controller in Python around the built-in one."""

    def __init__(self):
        self.inner = FieldOrientedController()

    def reset(self, setup):
        self.inner.reset(setup)

    def step(self, measured):
        return self.inner.step(measured)


@pytest.fixture(scope="module")
def compiled():
    return run(**DRIVE)


def assert_equal(ours, theirs):
    for signal in SIGNALS:
        assert np.array_equal(ours[signal], theirs[signal], equal_nan=True), signal
    assert str(ours.monitor) == str(theirs.monitor)


def test_the_drive_trips_and_comes_back(compiled):
    states = [state["state"] for state in compiled.monitor["states"]]
    assert states == ["active_short_low", "gates_off", "running"]
    assert {trip["check"] for trip in compiled.monitor["trips"]} >= {"overcurrent_fast"}


def test_it_comes_back_without_a_kick(compiled):
    """The controller forgets what it integrated while the monitor held the legs: the current follows its slow reference."""
    back = compiled.time_s >= compiled.monitor["states"][-1]["at_s"]
    for axis in ("id", "iq"):
        assert np.abs(compiled[f"{axis}_A"] - compiled[f"{axis}_reference_A"])[back].max() < 5.0
    assert compiled["torque_Nm"][-1] == pytest.approx(30.0, abs=1.0)


@pytest.mark.parametrize("way", ["in_python", "python_class"])
def test_beside_a_controller_in_python_it_does_the_same(compiled, way):
    other = run(**DRIVE, in_python=True) if way == "in_python" else run(Wrapped(), **DRIVE)
    assert_equal(compiled, other)


def test_in_an_ensemble_it_does_the_same(compiled):
    results = run_ensemble([scenario(**DRIVE)] * 3, lambda recording: recording)
    for result in results:
        assert_equal(compiled, result.value)


def test_what_it_noted_is_kept_with_the_recording(compiled, tmp_path):
    kept = load_recording(compiled.save(tmp_path / "kept.npz"))
    assert str(kept.monitor) == str(compiled.monitor)
    assert np.array_equal(kept["tripped_by"], compiled["tripped_by"])
    assert kept.tripped_names == compiled.tripped_names and kept.state_names == compiled.state_names


def test_without_safety_nothing_is_watched(make_scenario):
    bench = Bench(make_scenario())
    member, step = bench.member()
    before = member.states["monitor"].copy()
    member.run_compiled(step)
    assert member.params["safety"]["active"][0] == 0 and np.array_equal(before, member.states["monitor"])
    assert member.close().monitor is None
    assert "safety" in BENCH.names and "monitor" in STATE.names
