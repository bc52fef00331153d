"""Tolerance studies: draws follow their distributions, yields and drivers what closed forms say, the worst draw returns."""

import math
from statistics import NormalDist

import numpy as np
import pytest

from simcore import Bench, ScenarioError
from simcore.measure import judge
from simcore.scenario.reader import scenario_from
from simcore.study.points.point import Point
from simcore.study.tolerance.draws import unit_points
from simcore.study.tolerance.study import ToleranceStudy, run_tolerance

# T = 1.5 p psi iq of an isotropic machine whose current is held: torque scatters as the magnet flux and the sensors' gain do.
FLUX_WB, CURRENT_A, DRAWS = 0.06, 100.0, 512
TORQUE_NM = 1.5 * 4 * FLUX_WB * CURRENT_A
LIMIT = 1.02


@pytest.fixture(scope="module")
def held_current():
    return {
        "machine": {
            "kind": "constants", "pole_pairs": 4, "stator_resistance_ohm": 0.01, "inductance_d_H": 0.25e-3,
            "inductance_q_H": 0.25e-3, "magnet_flux_Wb": FLUX_WB, "max_current_A": 300, "max_speed_rpm": 20000,
        },
        "inverter": {"switching_frequency_Hz": 10000},
        "supply": {"kind": "source", "voltage_V": 400},
        "load": {"kind": "rig", "speed_rpm": 1500},
        # An integrator ten times as fast as the winding: the EMF's error is gone after some milliseconds.
        "controller": {"mode": "current", "tuning": {
            "kp_d_V_per_A": 0.785, "kp_q_V_per_A": 0.785, "ki_d_V_per_As": 490.0, "ki_q_V_per_As": 490.0,
        }},
        "commands": {"iq_A": CURRENT_A},
        "initial": {"iq_A": CURRENT_A},
        "run": {"duration_s": 0.05},
        "tolerance": {
            "machine": {"magnet_flux_Wb": {"normal_percent": 2}, "stator_resistance_ohm": {"uniform_percent": 5}},
            "sensors": {"current": {"gain": {k: {"list": [0.99, 1.01]} for k in "0"}}},
        },
        "expect": [
            {"signal": "torque_Nm", "measure": "mean", "from_s": 0.03, "max": LIMIT * TORQUE_NM},
            {"signal": "id_measured_A", "measure": "mean", "from_s": 0.04, "equal": 0.0, "tolerance": 1.0},
        ],
    }  # fmt: skip


@pytest.fixture(scope="module")
def scenario(held_current):
    return scenario_from(held_current, "held.toml")


@pytest.fixture(scope="module")
def study(scenario):
    return run_tolerance(scenario, DRAWS)


def test_draws_follow_their_distributions(study):
    flux, resistance, gain = (np.array(column) for column in zip(*(point.values for point in study.points), strict=True))
    expected = [FLUX_WB * (1.0 + 0.02 * NormalDist().inv_cdf((k + 0.5) / DRAWS)) for k in range(DRAWS)]
    assert np.sort(flux)[5:-5] == pytest.approx(expected[5:-5], rel=0.004)
    assert np.sort(flux) == pytest.approx(expected, rel=0.02)
    assert resistance.min() >= 0.0095 and resistance.max() <= 0.0105
    assert np.sort(resistance) == pytest.approx(np.linspace(0.0095, 0.0105, DRAWS), abs=1e-5)
    assert sorted(set(gain)) == [0.99, 1.01] and np.mean(gain == 0.99) == pytest.approx(0.5, abs=0.01)
    # Neither parameter goes with another.
    assert np.corrcoef([flux, resistance, gain]) == pytest.approx(np.eye(3), abs=0.05)


def test_yield_is_what_the_normal_law_and_the_gains_give(study, verified):
    # The measured current is right, so the true mean is 3/(2 + gain) of it (field average of three sensors), times the flux.
    reach = [(LIMIT * (2.0 + gain) / 3.0 - 1.0) / 0.02 for gain in (0.99, 1.01)]
    expected = 0.5 * sum(NormalDist().cdf(z) for z in reach)
    share, low, high = study.yield_of(0)
    source = "Phi((limit - mean)/sigma), closed form"
    verified("yield of a torque limit, flux normal by 2 %, one gain by 1 %, 512 Sobol draws", source, expected, share, 0.01)
    assert low < expected < high and study.yield_of(1)[0] == 1.0
    assert study.yield_of()[0] == share


def test_all_together_is_the_share_that_meets_every_expectation(scenario):
    held = [(True, True), (True, False), (False, True), (True, True)]
    points = tuple(Point(k, (), (0.0, 0.0), passed) for k, passed in enumerate(held))
    found = ToleranceStudy(scenario, points, points[0], "random", 1)
    assert [found.yield_of(k)[0] for k in (0, 1, None)] == [0.75, 0.75, 0.5]


def test_drivers_are_the_shares_of_variance(study, verified):
    # T goes as flux x 3/(2 + gain): variances 0.02^2 and (0.01/3)^2.
    of_flux, of_gain = 0.02**2, (0.01 / 3.0) ** 2
    found = {one["key"]: one for one in study.drivers_of(0)}
    flux, gain = found["machine.magnet_flux_Wb"], found["sensors.current.gain.0"]
    what = "first-order index of the magnet flux on torque, 512 draws"
    verified(what, "shares of variance, closed form", of_flux / (of_flux + of_gain), flux["first_order_index"], 0.02)
    assert gain["first_order_index"] == pytest.approx(of_gain / (of_flux + of_gain), abs=0.02)
    assert flux["rank_correlation"] > 0.97 and gain["rank_correlation"] < -0.1
    assert flux["clear"] and gain["clear"] and not found["machine.stator_resistance_ohm"]["clear"]
    assert study.drivers_of(0)[0] is not None and study.drivers_of(0)[0]["key"] == "machine.magnet_flux_Wb"


def test_the_controller_goes_on_believing_the_nominal_machine(study):
    worst = study.scenario_at(study.worst)
    assert worst.machine.magnet_flux_Wb != FLUX_WB == worst.controller_machine.magnet_flux_Wb
    assert Bench(worst).setup().machine.magnet_flux_Wb == FLUX_WB


def test_the_nominal_point_is_the_scenario_itself(study, scenario):
    assert study.nominal.measured == tuple(verdict["value"] for verdict in judge(Bench(scenario).run(), scenario.expect))


def test_the_worst_draw_is_a_scenario_that_gives_the_same_bits_alone(study, tmp_path):
    from simcore import load_scenario
    from simcore.scenario.toml_text import write_toml

    assert study.worst.measured[0] == max(point.measured[0] for point in study.points)
    file = tmp_path / "worst.toml"
    file.write_text(write_toml(study.scenario_at(study.worst).resolved))
    alone = load_scenario(file)
    verdicts = judge(Bench(alone).run(), alone.expect)
    assert study.worst.measured == tuple(verdict["value"] for verdict in verdicts)
    assert alone.tolerances == ()


def test_every_draw_has_noise_of_its_own_and_returns(held_current):
    noisy = {**held_current, "sensors": {"current": {"noise_rms_A": 1.0}}}
    noisy["tolerance"] = {"machine": {"stator_resistance_ohm": {"list": [0.01]}}}
    noisy["expect"] = [{"signal": "torque_Nm", "measure": "max", "max": 1e3}]
    study = run_tolerance(scenario_from(noisy, "noisy.toml"), 4, method="random")
    found = [point.measured[0] for point in study.points]
    assert len(set(found)) == 4
    for point in study.points:
        alone = study.scenario_at(point)
        assert alone.run.seed == 1 + point.index
        assert judge(Bench(alone).run(), alone.expect)[0]["value"] == point.measured[0]


def test_a_seed_that_is_drawn_itself_is_kept(held_current):
    drawn = {**held_current, "tolerance": {"run": {"seed": {"list": [7, 8]}}}}
    study = run_tolerance(scenario_from(drawn, "drawn.toml"), 4)
    assert {study.scenario_at(point).run.seed for point in study.points} == {7, 8}


@pytest.mark.parametrize("method", ["sobol", "random"])
def test_the_first_draws_are_the_same_for_any_number_of_draws(method):
    few, many = unit_points(method, 5, 100, 3), unit_points(method, 5, 1000, 3)
    assert np.array_equal(few, many[:100]) and few.min() >= 0.0 and many.max() < 1.0
    assert not np.array_equal(few, unit_points(method, 5, 100, 4))


def test_sobol_draws_are_balanced():
    # A digital net: every one of 256 equal slices holds one of 256 points in each dimension (Sobol 1967).
    points = unit_points("sobol", 6, 256, 1)
    assert all(np.array_equal(np.sort((points[:, k] * 256).astype(int)), np.arange(256)) for k in range(6))


def test_more_draws_go_on_from_fewer(scenario, study, tmp_path, monkeypatch):
    kept = tmp_path / "tolerance.partial"
    run_tolerance(scenario, 64, kept=kept)
    ran = []
    started = Bench.member
    monkeypatch.setattr(Bench, "member", lambda self, **how: ran.append(self) or started(self, **how))
    assert run_tolerance(scenario, 100, kept=kept).points == study.points[:100]
    assert len(ran) == 36


def test_draws_whose_values_contradict_each_other_are_told_and_count_nowhere(held_current):
    # Coulomb friction above what breaks away is refused; each alone is right against the nominal other.
    free = {**held_current, "load": {"kind": "free", "inertia_kg_m2": 1.0, "coulomb_Nm": 1.0, "stiction_Nm": 1.5}}
    free["tolerance"] = {"load": {"coulomb_Nm": {"uniform": [0.5, 1.5]}, "stiction_Nm": {"uniform": [1.0, 2.0]}}}
    free["expect"] = [{"signal": "torque_Nm", "measure": "mean", "max": 1e3}]
    study = run_tolerance(scenario_from(free, "free.toml"), 64)
    # coulomb > stiction on a triangle of an eighth of the square.
    assert len(study.refused) == pytest.approx(8, abs=2) and all("at least coulomb_Nm" in p.error for p in study.refused)
    assert len(study.counted) + len(study.refused) == 64 and study.yield_of(0)[0] == 1.0
    assert study.worst in study.counted


def test_draws_that_break_off_fail_every_expectation(held_current):
    # Half of 100 kV across the standing machine: the flux linkage passes a thousand times what belongs to it.
    wild = {name: table for name, table in held_current.items() if name != "initial"} | {
        "supply": {"kind": "source", "voltage_V": 1e5}, "load": {"kind": "locked"}, "controller": {"mode": "voltage"},
        "commands": {"vd_V": 1.0}, "tolerance": {"commands": {"vd_V": {"list": [1.0, 5e4]}}},
    }  # fmt: skip
    study = run_tolerance(scenario_from(wild, "wild.toml"), 8)
    failed = [point for point in study.points if point.values[0] == 5e4]
    assert len(failed) == 4 and all("diverged" in point.error and not any(point.passed) for point in failed)
    assert study.unfinished == tuple(failed) and study.worst in failed and study.yield_of()[0] <= 0.5


def test_what_is_missing_or_out_of_range_is_told_at_once(scenario, held_current):
    bare = scenario_from({name: table for name, table in held_current.items() if name != "tolerance"}, "bare.toml")
    with pytest.raises(ScenarioError, match="tolerance: is missing") as refused:
        run_tolerance(bare, 0, method="grid", seed=-1)
    assert len(refused.value.problems) == 4
    with pytest.raises(ScenarioError, match="expect: is missing"):
        run_tolerance(scenario_from({**held_current, "expect": []}, "none.toml"), 10)
    tuned = {"mode": "current", "tuning": {"current_bandwidth_Hz": 500}}
    spread = {"controller": {"tuning": {"current_bandwidth_Hz": {"normal": 400}}}}
    loose = {**held_current, "controller": tuned, "tolerance": spread}
    with pytest.raises(ScenarioError, match=r"must be a number from 0.*\[tolerance\]"):
        run_tolerance(scenario_from(loose, "loose.toml"), 10)


def test_measures_without_a_value_carry_the_reason(held_current):
    never = {**held_current, "expect": [{"signal": "iq_A", "measure": "rise_time_s", "step_at_s": 0.01, "max": 1.0}]}
    study = run_tolerance(scenario_from(never, "never.toml"), 3)
    assert all(math.isnan(point.measured[0]) and "does not change" in point.reasons[0] for point in study.points)
    assert study.yield_of(0)[0] == 0.0
