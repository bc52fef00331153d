"""The C twin as an oracle: a second program, in another language, gives the compiled run's rows and final state bit for bit.

Equal bits are possible because both do the same operations in the same order, neither contracts a * b + c nor reorders, and
both call the C library's sin, cos, log and exp.  The twin's reach is told at its head (twin.c).
"""

import math

import numpy as np
import pytest
from c_twin import LAYOUTS, compile_twin, make_header, make_loop, run_drybench, run_twin
from loops import NOISY, changed

from simcore.loop.records import OK, ROW_CHANNELS

SHORT = {"duration_s": 0.2, "record_every": 3}
DROPS = {
    "kind": "igbt", "threshold_V": 0.9, "slope_ohm": 2e-3, "diode": {"threshold_V": 1.1, "slope_ohm": 1.5e-3},
}  # fmt: skip
CHANNEL = {"kind": "mosfet", "on_resistance_ohm": 4e-3, "diode": {"threshold_V": 3.0, "slope_ohm": 2e-3}}
FREE = {"replace": True, "kind": "free", "inertia_kg_m2": 0.05, "viscous_Nm_s": 0.01, "torque_Nm": [[0.0, 0.0], [0.1, 20.0]]}

# What each adds to the noisy loop: every branch of the twin is run by one of them.
VARIANTS = {
    "ideal_legs_stiff_supply": {"inverter": {"dead_time_s": 0.0}, "supply": {"resistance_ohm": 0.0, "inductance_H": 0.0}},
    "ideal_sensors": {"sensors": {"replace": True}},
    "supply_without_choke": {"supply": {"inductance_H": 0.0, "resistance_ohm": 0.1}},
    "igbt_drops": {"inverter": {"devices": DROPS}},
    "mosfet_drops_minimum_pulse": {"inverter": {"devices": CHANNEL, "minimum_pulse_s": 3e-6}},
    "two_sensors_with_bandwidth": {"sensors": {"current": {"phases": "ab", "bandwidth_Hz": 20000}}},
    "slow_resolver_of_one_pole_pair": {"sensors": {"position": {"pole_pairs": 1, "tracking_natural_frequency_Hz": 50}}},
    "single_update": {"inverter": {"update": "single"}},
    "shifted_sampling": {"sensors": {"current": {"sample_shift_s": 4e-6}}},
    "no_delay": {"controller": {"delay_updates": 0}},
    "three_updates_of_delay": {"controller": {"delay_updates": 3}},
    "sine": {"inverter": {"modulation": "sine"}},
    "third_harmonic": {"inverter": {"modulation": "third_harmonic"}},
    "field_weakening_and_regeneration": {
        "load": {"speed_rpm": [[0.0, 2000], [0.1, 14000], [0.2, -14000]]},
        "commands": {"torque_Nm": [[0.0, 400.0], [0.1, -400.0]]},
    },
    "ramped_speed": {"load": {"speed_rpm": {"shape": "linear", "points": [[0.0, 0.0], [0.2, 9000.0]]}}},
    "slewed_torque": {"controller": {"tuning": {"torque_slew_Nm_per_s": 2000.0}}},
    "given_gains_without_compensation": {
        "controller": {"replace": True, "mode": "torque", "tuning": {
            "kp_d_V_per_A": 0.4, "kp_q_V_per_A": 1.2, "ki_d_V_per_As": 20.0, "ki_q_V_per_As": 20.0,
            "decoupling": False, "delay_compensation": False}},
    },
    "free_shaft": {"load": FREE},
    "free_shaft_with_friction": {
        "load": {**FREE, "coulomb_Nm": 2.0, "stiction_Nm": 5.0}, "commands": {"torque_Nm": [[0.0, 60.0], [0.1, 150.0]]},
    },
    "locked_shaft": {"load": {"replace": True, "kind": "locked"}},
    "coarse_solver": {"run": {"substeps": 1}, "supply": {"inductance_H": 1e-5}},
}  # fmt: skip


@pytest.fixture(scope="module")
def twin(tmp_path_factory):
    """twin_run without contraction; skipped aloud where there is no gcc."""
    run = compile_twin(tmp_path_factory.mktemp("twin"))
    if run is None:
        pytest.skip("no gcc here: the C twin cannot be compiled, its comparison is left out")
    return run


def assert_equal_bits(name, ours, theirs):
    """Two arrays with the same bits; NaN equals NaN."""
    different = ~((ours == theirs) | (np.isnan(ours) & np.isnan(theirs)))
    at = tuple(np.argwhere(different)[0]) if different.any() else None
    assert at is None, f"{name}: first difference at {at}: {ours[at]!r}, {theirs[at]!r}"


def flat(record):
    """(record) => {dotted field: array} of all its numbers."""
    found = {}
    for name in record.dtype.names:
        kind = record.dtype[name].base
        nested = {f"{name}.{k}": v for k, v in flat(record[name]).items()} if kind.names else {name: record[name]}
        found |= nested
    return found


def compare(twin, scenario):
    """Runs both on equal arrays and compares rows, bench state and controller state.  Returns the rows by channel."""
    ours, theirs = make_loop(scenario), make_loop(scenario)
    run_drybench(ours)
    assert run_twin(twin, theirs) == OK
    assert ours.state["tick"][0] == scenario.ticks
    for i, channel in enumerate(ROW_CHANNELS):
        assert_equal_bits(channel, ours.rows[:, i], theirs.rows[:, i])
    there = flat(theirs.state)
    for name, value in flat(ours.state).items():
        assert_equal_bits(f"state.{name}", value, there[name])
    assert_equal_bits("controller state", ours.foc.state.view(np.int64), theirs.foc.state.view(np.int64))
    return dict(zip(ROW_CHANNELS, ours.rows.T, strict=True))


def test_twin_equals_compiled_run_over_20_000_noisy_periods(twin, make_scenario):
    rows = compare(twin, make_scenario(**NOISY))
    # The loop did what it was told, so that equal bits are not equal nonsense: T = 1.5 p (psi_d iq - psi_q id).
    torque = 6.0 * (rows["psi_d_Wb"] * rows["iq_A"] - rows["psi_q_Wb"] * rows["id_A"])
    assert abs(np.mean(torque[1800:2000]) - 150.0) < 3.0
    assert abs(np.mean(torque[-500:]) + 100.0) < 3.0
    assert np.std(rows["iq_measured_A"][-500:]) > 0.3


@pytest.mark.parametrize("variant", VARIANTS)
def test_twin_equals_compiled_run(twin, make_scenario, variant):
    compare(twin, make_scenario(**changed(NOISY, {"run": SHORT}, VARIANTS[variant])))


def test_field_weakening_variant_meets_its_limits_and_regenerates(make_scenario):
    loop = make_loop(make_scenario(**changed(NOISY, {"run": SHORT}, VARIANTS["field_weakening_and_regeneration"])))
    run_drybench(loop)
    bindings = set(loop.rows[:, ROW_CHANNELS.index("binding_limit")])
    assert {1.0, 2.0} <= bindings or {1.0, 3.0} <= bindings
    assert loop.state["audit"]["supply_out_J"][0] > 0.0


def test_header_gives_c_the_offsets_of_the_records():
    header = make_header(LAYOUTS)
    for name in LAYOUTS:
        assert f"}} {name};" in header
    record = np.dtype([("flag", "i4"), ("value", "f8"), ("legs", "f4", (3,))], align=True)
    text = make_header({"Small": record})
    assert "int32_t flag;" in text and "float legs[3];" in text
    assert "offsetof(Small, value) == 8" in text and "sizeof(Small) == 32" in text
    assert math.isclose(record.itemsize, 32)
