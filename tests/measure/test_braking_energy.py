"""Energy that comes back into a link which takes it nowhere: the balance, and the capacitor and chopper that it sizes.

Closed forms derived here: C (V2^2 - V1^2)/2 = energy after losses; a chopper holds the voltage while V^2/R exceeds the power.
"""

import numpy as np
import pytest
from shared_benches import BASE, MACHINE_D, merge

from simcore import Bench
from simcore.measure.braking import braking
from simcore.report.braking_lines import braking_lines
from simcore.scenario.reader import scenario_from

AT_s, C_F = 0.02, 4e-3
# Machine D braking with 80 Nm from 3000 rpm on a heavy shaft; 400 V that take it until the contactor opens.
STOP = {
    "machine": MACHINE_D,
    "inverter": {"link_capacitance_F": C_F},
    "supply": {"kind": "source", "voltage_V": 400, "resistance_ohm": 0.05},
    "load": {"kind": "free", "inertia_kg_m2": 0.2},
    "controller": {"mode": "torque", "tuning": {"current_bandwidth_Hz": 500}},
    "commands": {"torque_Nm": -80.0},
    "initial": {"speed_rpm": 3000.0},
    "run": {"duration_s": 0.06},
    "fault": [{"kind": "contactor_open", "at_s": AT_s}],
}  # fmt: skip


def stop(**tables):
    document = {name: value for name, value in BASE.items() if name not in ("load", "commands", "controller", "supply")}
    return Bench(scenario_from(merge(merge(document, STOP), tables), path="stop.toml")).run()


@pytest.fixture(scope="module")
def opened():
    return stop()


def test_the_link_rises_by_the_energy_after_losses(opened, verified):
    """The contactor opens at full braking: what the shaft gives less the copper loss stays in the capacitor."""
    begin = int(np.searchsorted(opened.time_s, AT_s + 1e-9))
    link = opened["link_voltage_V"]
    rise_J = 0.5 * C_F * (link[-1] ** 2 - link[begin] ** 2)
    gone_J = -np.sum(opened["power_shaft_W"][begin:-1] + opened["loss_copper_W"][begin:-1]) * opened.row_s
    what = "rise of the link's energy after the contactor opened at full braking"
    verified(what, "energy after losses, derived", gone_J, rise_J, 0.003 * gone_J, "J")
    assert link[-1] > 700.0


def test_the_energy_that_is_told_is_the_capacitor_s(opened):
    """What the supply took back before the contactor opened is not counted."""
    found = braking(opened)
    link, after = opened["link_voltage_V"], opened.time_s > AT_s - 1e-9
    rise_J = 0.5 * C_F * (opened["link_voltage_V"][-1] ** 2 - link[after][0] ** 2)
    assert found["energy_J"] == pytest.approx(rise_J, rel=0.003)
    assert found["from_s"] == pytest.approx(AT_s, abs=1e-4) and found["link_from_V"] == pytest.approx(link[after][0], abs=0.5)
    assert found["power_max_W"] == pytest.approx(-opened["power_link_W"][after].min(), rel=1e-12)


def test_a_contactor_that_comes_back_passes_on_what_follows():
    """Open for 10 ms only: the energy of those is told and no more."""
    fault = [{"kind": "contactor_open", "at_s": AT_s, "until_s": AT_s + 0.01}]
    recording = stop(fault=fault)
    open_ = (recording.time_s > AT_s - 1e-9) & (recording.time_s < AT_s + 0.01 - 1e-9)
    expected = -float(np.sum(recording["power_link_W"][open_] * recording.row_length_s[open_]))
    assert braking(recording)["energy_J"] == pytest.approx(expected, rel=1e-9)


def test_a_capacitor_of_the_told_size_keeps_the_limit():
    """Sized for 400 V to 600 V by the run with the contactor open from the start."""
    early = {"fault": [{"kind": "contactor_open", "at_s": 0.0}],
             "safety": {"link_overvoltage": {"threshold_V": 600.0, "reaction": "report"}}}  # fmt: skip
    found = braking(stop(**early))
    again = stop(**early, inverter={"link_capacitance_F": found["capacitor_F"]})
    assert again["link_voltage_V"].max() == pytest.approx(600.0, rel=0.01)


@pytest.mark.parametrize("share, holds", [(0.97, True), (1.3, False)])
def test_a_chopper_of_the_told_size_holds_the_link(opened, share, holds):
    found = braking(opened)
    chopper = {"resistance_ohm": share * 500.0**2 / found["power_max_W"], "on_above_V": 500.0, "off_below_V": 495.0}
    again = stop(supply={"chopper": chopper})
    assert (again["link_voltage_V"].max() < 502.0) == holds
    told = braking(again)
    assert told["chopper_on_V"] == 500.0 and told["chopper_ohm"] == pytest.approx(500.0**2 / told["power_max_W"])


def test_lines_tell_both_sizes_and_nothing_where_the_supply_takes_it_back(opened):
    text = "\n".join(braking_lines(braking(opened)))
    assert "2 E/(V2^2 - V1^2)" not in text  # neither a rated voltage nor a monitor says how far it may rise
    limited = stop(safety={"link_overvoltage": {"threshold_V": 600.0, "reaction": "report"}})
    text = "\n".join(braking_lines(braking(limited)))
    assert "2 E/(V2^2 - V1^2)" in text and "V^2/P" in text and "to 600 V" in text
    assert braking(stop(fault=[])) is None and braking_lines(None) == []
