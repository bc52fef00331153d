"""How long studies take on all cores: 1,000 draws of 0.3 s of a noisy drive, a map of 1,000 points.  Shown, not asserted."""

from pathlib import Path

import pytest
from loops import NOISY, changed

from simcore import load_scenario
from simcore.study.efficiency_map.study import run_map
from simcore.study.tolerance.study import run_tolerance

STUDY = {
    "run": {"duration_s": 0.3, "record_every": 1},
    "commands": {"replace": True, "torque_Nm": [[0.0, 0.0], [0.05, 150.0], [0.2, -100.0]]},
    "expect": [
        {"signal": "torque_Nm", "measure": "settling_time_s", "step_at_s": 0.05, "band_percent": 5, "max": 0.003},
        {"signal": "torque_Nm", "measure": "overshoot_percent", "step_at_s": 0.05, "max": 5.0},
        {"signal": "torque_Nm", "measure": "mean", "from_s": 0.1, "to_s": 0.2, "equal": 150.0, "tolerance": 8.0},
        {"signal": "torque_Nm", "measure": "peak_to_peak", "from_s": 0.1, "to_s": 0.2, "max": 12.0},
        {"signal": "voltage_margin_V", "measure": "min", "from_s": 0.1, "to_s": 0.2, "min": 0.0},
    ],
    "tolerance": {
        "machine": {
            "magnet_flux_Wb": {"normal_percent": 2}, "stator_resistance_ohm": {"uniform_percent": 10},
            "inductance_q_H": {"normal_percent": 3},
        },
        "sensors": {"current": {"offset_A": {"0": {"normal": 0.5}, "1": {"normal": 0.5}}, "gain": {"0": {"normal": 0.005}}}},
        "inverter": {"dead_time_s": {"uniform_percent": 20}},
        "supply": {"voltage_V": {"uniform": [360.0, 440.0]}},
    },
}  # fmt: skip


@pytest.mark.benchmark(group="Tolerance study of 0.3 s, all cores")
def test_thousand_draws(benchmark, make_scenario):
    scenario = make_scenario(**changed(NOISY, STUDY))
    draws = 1000 if benchmark.enabled else 8
    study = benchmark.pedantic(run_tolerance, (scenario, draws), rounds=3 if benchmark.enabled else 1, warmup_rounds=1)
    assert len(study.counted) == draws and not study.unfinished


@pytest.mark.benchmark(group="Efficiency map, all cores")
def test_thousand_points(benchmark):
    """25 torques by 40 speeds of the yard tractor with its sensors' noise, mean voltages, envelope included."""
    scenario = load_scenario(Path(__file__).resolve().parents[2] / "scenarios" / "torque_steps.toml")
    grid = ("300:12000:40", "-240:240:25") if benchmark.enabled else ("3000:6000:2", "-100:100:2")
    found = benchmark.pedantic(run_map, (scenario, *grid), rounds=3 if benchmark.enabled else 1, warmup_rounds=1)
    assert not found.of_status("failed", "unsteady")
