"""Temperatures in a closed-loop run against closed forms: step response of a network, fixed point of loss and temperature.

T. Schuetze, Thermal equivalent circuit models, AN2008-03, 2008 (from memory); network and Zth computed with 50 digits.
Copper: R rises by 0.00393 a kelvin at 19.45 degC, by (235 + t)/(235 + t0) of IEC 60034-1 (from memory).
"""

import math

import numpy as np
import pytest
from shared_benches import BASE, MACHINE_D, merge

from simcore import Bench
from simcore.loop.ensemble import run_ensemble
from simcore.scenario.reader import scenario_from

AN2008 = "Schuetze, AN2008-03, 2008 [M]"
COPPER = "IEC 60034-1 [M]"
FOSTER = [[0.010, 0.001], [0.035, 0.012], [0.045, 0.08], [0.020, 0.6]]
ZTH = {1e-3: 0.009711956, 1e-2: 0.035406819, 0.1: 0.080169237, 1.0: 0.106222320}
MOSFET = {"kind": "mosfet", "on_resistance_ohm": 5e-3}


def bench(*changes):
    document = merge(BASE, {"machine": MACHINE_D})
    if any("torque_Nm" in change.get("commands", {}) for change in changes):
        document["commands"] = {}
    for change in changes:
        if "kind" in change.get("load", {}):
            document["load"] = document["commands"] = {}
            document["controller"] = {}
        document = merge(document, change)
    return Bench(scenario_from(document, path="heat.toml"))


def standing(network, duration_s=1.0001, **more):
    """200 A along phase a of a locked machine: (R + R_on) I = 3 V hold it from the first tick on."""
    return bench({
        "inverter": {"devices": MOSFET, "heat": {"coolant_degC": 40.0, "switch": network, **more}},
        "load": {"kind": "locked"}, "commands": {"vd_V": 3.0, "vq_V": 0.0}, "initial": {"id_A": 200.0},
        "controller": {"mode": "voltage", "delay_updates": 0, "tuning": {}}, "run": {"duration_s": duration_s},
    })  # fmt: skip


@pytest.fixture(scope="module")
def stalled():
    return standing({"foster": FOSTER}).run()


@pytest.mark.parametrize("at_s", ZTH)
def test_step_response_at_standstill(verified, stalled, at_s):
    """The upper switch of phase a has the loss R I^2 for the share of its duty; the rise is Zth times that."""
    row = round(at_s / stalled.row_s)
    loss_W = 5e-3 * np.mean(stalled["ia_A"][2:] ** 2) * np.mean(stalled["duty_a"][2:])
    rise = stalled["junction_switch_upper_a_degC"][row] - 40.0
    verified(f"Zth of a four-stage network at {at_s:g} s, in a run at standstill", AN2008, ZTH[at_s], rise / loss_W,
             2e-4 * ZTH[at_s] + 2e-6, "K/W")  # fmt: skip


def test_one_phase_is_hot_at_standstill(stalled):
    """b and c carry half the current each, a quarter of the loss."""
    rise = {leg: stalled[f"junction_switch_lower_{leg}_degC"][-1] - 40.0 for leg in "abc"}
    assert rise["b"] == pytest.approx(rise["c"], rel=1e-3)
    assert rise["b"] == pytest.approx(rise["a"] / 4.0, rel=0.06)
    assert stalled["junction_degC"][-1] == max(stalled[f"junction_switch_{side}_a_degC"][-1] for side in ("upper", "lower"))


def test_a_cauer_ladder_tells_the_same(stalled):
    ladder = [[0.07400555042, 0.01781318247], [0.2563231332, 0.04251652726], [2.016023904, 0.03544380507],
              [39.44004969, 0.01422648520]]  # fmt: skip
    other = standing({"cauer": ladder}, duration_s=0.1).run()
    rows = len(other)
    same = stalled["junction_switch_upper_a_degC"][:rows]
    assert other["junction_switch_upper_a_degC"] == pytest.approx(same, abs=2e-5)


def test_slower_steps_of_the_heat_tell_the_same_in_the_end(stalled):
    slow = standing({"foster": FOSTER}, duration_s=0.5, ticks_per_step=10).run()
    at = slice(10, len(slow), 10)
    fast = stalled["junction_switch_upper_a_degC"][: len(slow)][at]
    assert slow["junction_switch_upper_a_degC"][at] == pytest.approx(fast, abs=0.05)


def test_the_shared_path_carries_all_losses():
    """A sink of 0.02 K/W and 2.5 J/K under six chips of 0.04 J/K: R times the sum of the losses, slower by all capacities."""
    sink = {"cauer": [[2.5, 0.02]]}
    recording = standing({"foster": [[0.05, 0.002]]}, duration_s=0.5, sink=sink).run()
    total_W = recording["loss_conduction_W"][-1]
    rise = recording["sink_degC"] - 40.0
    assert rise[-1] == pytest.approx(0.02 * total_W, rel=1e-3)
    row = round(0.05 / recording.row_s)
    slower_s = 0.02 * (2.5 + 6 * 0.04)
    assert rise[row] / rise[-1] == pytest.approx(1.0 - math.exp(-(0.05 - 0.002) / slower_s), abs=0.003)


def test_flow_moves_the_sinks_resistance():
    sink = {"cauer": [[0.5, 0.02]]}
    flow = {"flow_l_per_min": 5.0, "reference_flow_l_per_min": 10.0, "exponent": 1.0}
    half = standing({"foster": [[0.05, 0.002]]}, duration_s=0.3, sink=sink, sink_flow=flow).run()
    whole = standing({"foster": [[0.05, 0.002]]}, duration_s=0.3, sink=sink).run()
    assert half["sink_degC"][-1] - 40.0 == pytest.approx(2.0 * (whole["sink_degC"][-1] - 40.0), rel=1e-3)


def test_the_junction_follows_the_current_at_low_frequency():
    """At 5 Hz the junction's rise swings with the phase current's square; at 200 Hz four times less."""
    def swing(speed_rpm):
        recording = bench({
            "inverter": {"devices": MOSFET, "heat": {"coolant_degC": 40.0, "switch": {"foster": FOSTER}, "initial": "steady"}},
            "load": {"speed_rpm": speed_rpm}, "commands": {"iq_A": 200.0}, "initial": {"iq_A": 200.0},
            "run": {"duration_s": 0.4},
        }).run()  # fmt: skip
        late = recording.slice(0.2, 0.4)["junction_switch_upper_a_degC"]
        return np.ptp(late), np.mean(late) - 40.0

    slow, fast = swing(75.0), swing(3000.0)
    assert slow[0] > 4.0 * fast[0]
    # R I^2/4 on average through the whole resistance of 0.11 K/W.
    assert fast[1] == pytest.approx(0.11 * 5e-3 * 200.0**2 / 4.0, rel=0.02)


def test_copper_loss_and_temperature_meet(verified):
    """600 W at the coolant's temperature, 0.05 K/W: P0 R/(1 - a P0 R) = 34.009749 K."""
    reference = 1.0 / 0.00393 - 235.0
    current = math.sqrt(600.0 / (1.5 * 0.010))
    heat = {"winding_J_per_K": 1000.0, "iron_J_per_K": 1000.0, "magnet_J_per_K": 1000.0, "winding_to_iron_K_per_W": 0.04,
            "iron_to_coolant_K_per_W": 0.01, "magnet_to_iron_K_per_W": 1.0, "coolant_degC": reference,
            "initial": "steady"}  # fmt: skip
    recording = bench({
        "machine": {"heat": heat, "reference_temperature_degC": reference, "winding_temperature_degC": reference,
                    "magnet_temperature_degC": reference},
        "load": {"speed_rpm": 1000.0}, "commands": {"iq_A": current}, "initial": {"iq_A": current},
        "run": {"duration_s": 0.3},
    }).run()  # fmt: skip
    rise = recording["winding_degC"][-1] - reference
    verified("winding's rise where copper loss and temperature meet: 600 W, 0.05 K/W", COPPER, 34.009749, rise, 0.05, "K")
    warm = 600.0 / (1.0 - 0.00393 * 600.0 * 0.05)
    assert np.mean(recording["loss_copper_W"][3000:]) == pytest.approx(warm, rel=2e-3)
    assert recording["iron_degC"][-1] - reference == pytest.approx(0.01 * warm, rel=5e-3)
    assert recording["magnet_degC"][-1] == pytest.approx(recording["iron_degC"][-1], abs=0.01)


def test_the_machine_warms_up_by_its_own_time_constant():
    """All nodes but the winding at the coolant: T = P R (1 - exp(-t/(R C)))."""
    heat = {"winding_J_per_K": 2.0, "iron_J_per_K": 1e6, "magnet_J_per_K": 1e6, "winding_to_iron_K_per_W": 0.05,
            "iron_to_coolant_K_per_W": 0.001, "magnet_to_iron_K_per_W": 1.0, "coolant_degC": 25.0, "ticks_per_step": 2}
    recording = bench({
        "machine": {"heat": heat}, "load": {"speed_rpm": 1000.0}, "commands": {"iq_A": 20.0}, "initial": {"iq_A": 20.0},
        "run": {"duration_s": 0.2},
    }).run()  # fmt: skip
    rise = recording["winding_degC"] - 25.0
    for at_s in (0.05, 0.1, 0.19):
        row = round(at_s / recording.row_s)
        # The loss as it was, by the response of R parallel C.
        past = np.exp(-(at_s - recording.time_s[:row] - 0.5 * recording.row_s) / 0.1) / 2.0
        expected = np.sum(recording["loss_copper_W"][:row] * past) * recording.row_s
        assert rise[row] == pytest.approx(expected, rel=1e-3)
        assert rise[row] == pytest.approx(6.0 * 0.05 * (1.0 - math.exp(-at_s / 0.1)), rel=0.02)
    assert abs(recording.audit["residual_relative"]) < 1e-6


def test_the_machine_keeps_what_it_loses():
    """Next to nothing reaches the coolant: sum of capacity x rise = copper and iron energy, whichever node it went to."""
    heat = {"winding_J_per_K": 1.0, "iron_J_per_K": 2.0, "magnet_J_per_K": 0.5, "winding_to_iron_K_per_W": 0.05,
            "iron_to_coolant_K_per_W": 1e4, "magnet_to_iron_K_per_W": 0.1, "coolant_degC": 25.0, "magnet_share": 0.3,
            "ticks_per_step": 1, "max_winding_degC": 400.0, "max_magnet_degC": 400.0}  # fmt: skip
    recording = bench({
        "machine": {"heat": heat, "iron_loss": {"frequency_Hz": 200.0, "hysteresis_W": 100.0, "eddy_W": 100.0}},
        "load": {"speed_rpm": 3000.0}, "commands": {"iq_A": 30.0}, "initial": {"iq_A": 30.0}, "run": {"duration_s": 0.3},
    }).run()  # fmt: skip
    lost_J = np.sum(recording["loss_machine_W"][:-1]) * recording.row_s
    rises = (recording[f"{node}_degC"][-1] - 25.0 for node in ("winding", "iron", "magnet"))
    kept_J = sum(capacity * rise for capacity, rise in zip((1.0, 2.0, 0.5), rises, strict=True))
    assert kept_J == pytest.approx(lost_J, rel=1e-3)


def test_a_warm_magnet_loses_torque_and_the_audit_stays_whole():
    """Flux falls by 0.1 % a kelvin; eddy loss heats the magnets."""
    heat = {"winding_J_per_K": 1e4, "iron_J_per_K": 1e4, "magnet_J_per_K": 0.5, "winding_to_iron_K_per_W": 0.05,
            "iron_to_coolant_K_per_W": 0.01, "magnet_to_iron_K_per_W": 0.2, "coolant_degC": 25.0, "magnet_share": 1.0}
    recording = bench({
        "machine": {"heat": heat, "magnet_temperature_coefficient_per_K": -1e-3,
                    "iron_loss": {"frequency_Hz": 200.0, "hysteresis_W": 100.0, "eddy_W": 100.0}},
        "load": {"speed_rpm": 3000.0}, "commands": {"iq_A": 100.0, "id_A": -50.0},
        "initial": {"iq_A": 100.0, "id_A": -50.0}, "run": {"duration_s": 0.3},
    }).run()  # fmt: skip
    magnet = recording["magnet_degC"]
    assert magnet[-1] > 40.0
    torque = recording["torque_Nm"]
    expected = (1.0 - 1e-3 * (magnet[-1] - 25.0)) / (1.0 - 1e-3 * (magnet[3000] - 25.0))
    assert torque[-1] / torque[3000] == pytest.approx(expected, rel=2e-3)
    assert abs(recording.audit["residual_relative"]) < 1e-6
    assert abs(recording.audit["stored_changes_J"]["magnet_temperature"]) > 1e-3


def test_an_ensemble_and_python_give_the_same_bits(stalled):
    one, two = standing({"foster": FOSTER}, duration_s=0.02), standing({"foster": FOSTER}, duration_s=0.02)
    results = run_ensemble([one.scenario, two.scenario], take=lambda recording: recording["junction_degC"])
    slow = two.run(in_python=True)["junction_degC"]
    assert np.array_equal(results[0].value, stalled["junction_degC"][: len(slow)])
    assert np.array_equal(results[1].value, slow)


def test_a_controller_in_python_begins_at_the_same_steady_state():
    from controllers import Controller
    from controllers.foc import FieldOrientedController

    class Wrapped(Controller):
        def reset(self, setup):
            self.inner = FieldOrientedController()
            self.inner.reset(setup)

        def step(self, measured):
            return self.inner.step(measured)

    change = {
        "inverter": {"devices": MOSFET, "heat": {"coolant_degC": 40.0, "switch": {"foster": FOSTER}, "initial": "steady"}},
        "commands": {"iq_A": 100.0}, "run": {"duration_s": 0.001},
    }  # fmt: skip
    compiled = bench(change)
    python = Bench(compiled.scenario, Wrapped())
    assert np.array_equal(compiled.run()["junction_degC"], python.run()["junction_degC"])


def test_a_derated_drive_finds_its_steady_start():
    """The run begins at the junction that the torque left can hold, and the machine's given temperature stays."""
    heat = {"coolant_degC": 60.0, "switch": {"foster": [[0.3, 0.02], [0.5, 0.1]]}, "derate_from_degC": 100.0}
    heat["initial"] = "steady"
    nodes = {"winding_J_per_K": 1e5, "iron_J_per_K": 1e5, "magnet_J_per_K": 1e5, "winding_to_iron_K_per_W": 0.05,
             "iron_to_coolant_K_per_W": 0.02, "magnet_to_iron_K_per_W": 1.0, "coolant_degC": 25.0}  # fmt: skip
    recording = bench({
        "inverter": {"devices": MOSFET | {"max_junction_degC": 120.0}, "heat": heat}, "controller": {"mode": "torque"},
        "machine": {"heat": nodes, "winding_temperature_degC": 70.0}, "run": {"duration_s": 1.0},
    }, {"commands": {"torque_Nm": 100.0}}).run()  # fmt: skip
    mean = [float(np.mean(recording.slice(at, at + 0.1)["junction_degC"])) for at in (0.1, 0.9)]
    assert mean[0] == pytest.approx(mean[1], abs=0.5) and 100.0 < mean[1] < 120.0
    assert recording["winding_degC"][0] == 70.0
    assert not [finding for finding in recording.findings if "steady" in finding]
