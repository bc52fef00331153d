"""Lost coolant and weaker magnets where heat is modelled: energy balances and ratios, derived here."""

import numpy as np
import pytest
from faulty import run

NODES = {
    "winding_J_per_K": 5.0, "iron_J_per_K": 20.0, "magnet_J_per_K": 3.0, "winding_to_iron_K_per_W": 0.01,
    "iron_to_coolant_K_per_W": 0.01, "magnet_to_iron_K_per_W": 0.05, "coolant_degC": 25.0,
}  # fmt: skip
LOADED = {"commands": {"iq_A": 100.0}, "initial": {"iq_A": 100.0}, "run": {"duration_s": 0.3}}


def mean(recording, signal, from_s, to_s):
    return recording.measure(signal, "mean", from_s=from_s, to_s=to_s)


def test_without_coolant_all_copper_loss_stays_in_the_machine(verified):
    """Heat stored in winding, iron and magnets between 0.1 and 0.3 s equals the loss; before, part of it left."""
    fault = {"kind": "coolant_lost", "part": "machine", "at_s": 0.1}
    recording = run([fault], machine={"heat": {**NODES, "ticks_per_step": 1}}, **LOADED)
    heat = sum(NODES[f"{node}_J_per_K"] * recording[f"{node}_degC"] for node in ("winding", "iron", "magnet"))
    first = 2000
    lost = np.sum(recording["loss_copper_W"][first:-1] * recording.row_s)
    what = "heat kept by a machine without coolant for 0.2 s"
    verified(what, "energy balance", lost, heat[-1] - heat[first], 2e-3 * lost, "J")
    kept = heat[first] - heat[0]
    assert kept < 0.95 * np.sum(recording["loss_copper_W"][:first] * recording.row_s)


def test_without_coolant_the_sink_takes_all_losses(verified):
    """One stage of 40 J/K; the networks of the devices have settled 50 ms after the loss."""
    heat = {"coolant_degC": 40.0, "switch": {"foster": [[0.02, 0.001]]}, "sink": {"cauer": [[40.0, 0.02]]}}
    fault = {"kind": "coolant_lost", "part": "inverter", "at_s": 0.1}
    recording = run([fault], inverter={"devices": {"kind": "mosfet", "on_resistance_ohm": 5e-3}, "heat": heat}, **LOADED)
    rise = recording["sink_degC"][-1] - recording["sink_degC"][3000]
    expected = np.sum(recording["loss_conduction_W"][3000:-1] * recording.row_s) / 40.0
    verified("rise of a sink of 40 J/K without coolant within 0.15 s", "energy balance", expected, rise, 2e-2 * expected, "K")


def test_half_the_coolant_means_half_the_heat_flow():
    """Right after the loss iron is as warm as before: what it gives away is halved."""
    fault = {"kind": "coolant_lost", "part": "machine", "left_percent": 50.0, "at_s": 0.2}
    nodes = {**NODES, "iron_J_per_K": 2.0, "ticks_per_step": 1}
    recording = run([fault], machine={"heat": nodes, "winding_temperature_degC": 60.0}, **LOADED)
    heat = sum(nodes[f"{node}_J_per_K"] * recording[f"{node}_degC"] for node in ("winding", "iron", "magnet"))
    given = recording["loss_copper_W"][:-1] - np.diff(heat) / recording.row_s
    assert given[4000] / given[3999] == pytest.approx(0.5, rel=1e-3)


def test_a_weaker_magnet_stays_weaker_while_its_temperature_moves(verified):
    """The torque of 88 % of the flux, at magnets that go on warming up; energies add up."""
    machine = {
        "heat": NODES, "stator_resistance_ohm": 0.1, "inductance_q_H": 0.2e-3, "magnet_temperature_coefficient_per_K": -1e-3,
    }  # fmt: skip
    fault = {"kind": "magnet_demagnetised", "lost_percent": 12.0, "at_s": 0.15}
    healthy, broken = (run(faults, machine=machine, **LOADED) for faults in ([], [fault]))
    assert np.array_equal(healthy["torque_Nm"][:3000], broken["torque_Nm"][:3000])
    assert broken["magnet_degC"][-1] - broken["magnet_degC"][3000] > 2.0
    ratio = mean(broken, "torque_Nm", 0.28, 0.3) / mean(healthy, "torque_Nm", 0.28, 0.3)
    verified("torque over torque with 12 % of the flux lost, magnets warming up", "T = 1.5 p psi iq", 0.88, ratio, 2e-4)
    assert abs(broken.audit["residual_relative"]) < 1e-6


def test_emf_harmonics_weaken_with_the_magnets():
    """An order of 5 in the EMF drives iq of order 6, in proportion; recorded torque times speed is the loop's own power."""
    fault = {"kind": "magnet_demagnetised", "lost_percent": 20.0, "at_s": 0.1}
    harmonic = {"emf_harmonics": [{"order": 5, "amplitude_percent": 2.0}]}
    recording = run(
        [fault],
        machine={**harmonic, "inductance_q_H": 0.2e-3, "stator_resistance_ohm": 0.1},
        load={"kind": "rig", "speed_rpm": 3000.0},
        controller={"tuning": {"current_bandwidth_Hz": 100}},
        **LOADED,
    )
    before, after = (recording.measure("iq_A", "harmonic_amplitude", order=6, from_s=t, to_s=t + 0.03) for t in (0.06, 0.26))
    assert before > 0.3 and after / before == pytest.approx(0.8, rel=1e-3)
    torque = recording["torque_Nm"]
    # The mean of a tick by its ends; the magnets' loss jumps at row 2000.
    error = 0.5 * (torque[1:] + torque[:-1]) - recording["power_shaft_W"][:-1] / (3000.0 * np.pi / 30.0)
    assert np.max(np.abs(np.delete(error[1000:], 999))) < 0.06
