"""Gate settings chosen while running, and what a setting does to overshoot and slope."""

import numpy as np
import pytest
from shared_benches import BASE, merge

from controllers import Command, Controller
from simcore import Bench
from simcore.scenario.reader import scenario_from

DEVICES = {"kind": "mosfet", "on_resistance_ohm": 3e-3, "stray_inductance_H": 12e-9, "rated_voltage_V": 750.0}
SETTINGS = {
    "brisk": {"reference_voltage_V": 400.0, "energy_on_J": [[0, 0.0], [400, 8e-3]], "di_dt_A_per_s": [[0, 2e9], [400, 8e9]],
              "dv_dt_V_per_s": 20e9},
    "calm": {"reference_voltage_V": 400.0, "energy_on_J": [[0, 0.0], [400, 16e-3]], "di_dt_A_per_s": 2e9, "dv_dt_V_per_s": 8e9},
}  # fmt: skip


def run(plan=None, model="averaged", iq_A=((0.0, 50.0), (0.02, 250.0), (0.04, 185.0), (0.06, 50.0)), controller=None, **change):
    document = merge(BASE, {
        "inverter": {"model": model, "devices": DEVICES, "gate_settings": SETTINGS},
        "commands": {"iq_A": [list(pair) for pair in iq_A]}, "run": {"duration_s": 0.08},
    })  # fmt: skip
    if plan is not None:
        document["inverter"]["gate_plan"] = plan
    return Bench(scenario_from(merge(document, change), path="plan.toml"), controller).run()


PLAN = {"default": "brisk", "rules": [{"use": "calm", "above_current_A": 200.0, "hysteresis_A": 20.0}]}


def late(recording, signal, begin):
    return recording.slice(begin + 0.01, begin + 0.02)[signal]


@pytest.mark.parametrize("model", ["averaged", "switched"])
def test_the_plan_changes_over_with_hysteresis(model):
    """Above 200 A calm; at 185 A still calm, since the rule gives way by 20 A; at 50 A brisk again."""
    recording = run(PLAN, model)
    seen = [float(np.unique(late(recording, "gate_setting", begin))[0]) for begin in (0.0, 0.02, 0.04, 0.06)]
    assert seen == [0.0, 1.0, 1.0, 0.0]
    direct = run(PLAN, model, iq_A=((0.0, 185.0),))
    assert set(direct["gate_setting"][100:]) == {0.0}


@pytest.mark.parametrize("model", ["averaged", "switched"])
def test_the_setting_decides_loss_overshoot_and_slope(model):
    brisk = run(None, model, iq_A=((0.0, 250.0),))
    calm = run(None, model, iq_A=((0.0, 250.0),), inverter={"gate_setting": "calm"})
    assert np.mean(calm["loss_switching_W"][200:]) == pytest.approx(2.0 * np.mean(brisk["loss_switching_W"][200:]), rel=2e-3)
    # 400 V + 12 nH x di/dt at the current turned off: 250 A peak and a little ripple.
    assert np.max(brisk["peak_voltage_V"][200:]) == pytest.approx(400.0 + 12e-9 * (2e9 + 6e9 * 250.0 / 400.0), abs=2.5)
    assert np.max(calm["peak_voltage_V"][200:]) == pytest.approx(424.0, abs=1e-6)
    assert np.max(brisk["dv_dt_V_per_s"]) == 20e9 and np.max(calm["dv_dt_V_per_s"]) == 8e9


def test_each_leg_by_its_own_current():
    """Per leg the instantaneous current counts: within a period each leg is calm only near its crest."""
    recording = run({**PLAN, "per_leg": True}, iq_A=((0.0, 250.0),))
    current, setting = np.abs(recording["ia_A"][400:]), recording["gate_setting"][400:]
    assert np.all(setting[current > 201.0] == 1.0) and np.all(setting[current < 179.0] == 0.0)
    assert 0.2 < np.mean(setting) < 0.6
    turn = recording.slice(0.02, 0.08)  # four electrical turns of 15 ms
    legs = [np.mean(turn[f"loss_leg_{leg}_W"]) for leg in "abc"]
    assert legs[1:] == pytest.approx([legs[0]] * 2, rel=0.02)


def test_rules_by_voltage_and_temperature_and_their_order():
    rules = [{"use": "calm", "above_link_V": 390.0, "below_junction_degC": 50.0}, {"use": "brisk", "above_link_V": 390.0}]
    assert run({"default": "brisk", "rules": rules}, iq_A=((0.0, 50.0),))["gate_setting"][-1] == 1.0
    warm = run({"default": "calm", "rules": rules}, iq_A=((0.0, 50.0),), inverter={"devices": {"junction_degC": 80.0}})
    assert warm["gate_setting"][-1] == 0.0
    low = run({"default": "calm", "rules": rules}, iq_A=((0.0, 50.0),), supply={"voltage_V": 300.0})
    assert low["gate_setting"][-1] == 1.0


class Choosing(Controller):
    """Half duty; from the 20th update on the second setting."""

    def reset(self, setup):
        self.updates = 0

    def step(self, measured):
        self.updates += 1
        return Command(0.5, 0.5, 0.5, gate_setting=1 if self.updates > 20 else -1)


def test_the_controller_chooses():
    recording = run(PLAN, controller=Choosing(), iq_A=((0.0, 0.0),))
    # Update 21 (tick 20) acts one update later.
    assert list(np.flatnonzero(recording["gate_setting"])[:1]) == [21]


def test_beyond_a_table_is_told():
    small = {"brisk": {"energy_on_J": [[0, 0.0], [100, 2e-3]]}}
    recording = run(None, iq_A=((0.0, 250.0),), inverter={"gate_settings": small})
    assert any("beyond" in finding and "A" in finding for finding in recording.findings)
