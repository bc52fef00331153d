"""Diodes alone on a capacitor and on a saturating machine: against the circuit solved by scipy.  No source but Kirchhoff."""

import math

import numpy as np
import pytest
from diode_machine import DiodeMachine
from duty_source import run_duties

from simcore import Bench
from simcore.loop.open_legs import between_rails, decide_open_legs, note_backward, slacks
from simcore.loop.power_findings import diode_findings

TICK_S, OMEGA_E, START_RAD = 50e-6, 4.0 * 10000.0 * math.pi / 30.0, 0.4
PSI, L_D, L_Q, OHM = 0.07, 0.2e-3, 0.6e-3, 0.01
EMF_V = math.sqrt(3.0) * OMEGA_E * PSI
CIRCUIT = "ideal diodes by Kirchhoff's laws, scipy solve_ivp"
PHASES = ("ia_A", "ib_A", "ic_A")


def coast(ticks, machine, omega_e=OMEGA_E, substeps=4, **tables):
    return run_duties(
        lambda update: None,
        machine={"stator_resistance_ohm": OHM, **machine},
        controller={"delay_updates": 0},
        load={"kind": "rig", "speed_rpm": omega_e * 30.0 / math.pi},
        initial={"angle_electrical_deg": math.degrees(START_RAD)},
        run={"duration_s": ticks * TICK_S, "substeps": substeps},
        **tables,
    )  # fmt: skip


def saturating(id_A, iq_A):
    """Slopes of W = 0.06 d + 0.04e-3 d^2 + 0.06e-3 q^2 + 14 size (invented): psi_d, psi_q."""
    size = np.sqrt(1.0 + (id_A / 260.0) ** 2 + (iq_A / 190.0) ** 2)
    return 0.06 + 0.08e-3 * id_A + 14.0 * id_A / 260.0**2 / size, 0.12e-3 * iq_A + 14.0 * iq_A / 190.0**2 / size


def saturating_slopes(id_A, iq_A):
    size = math.sqrt(1.0 + (id_A / 260.0) ** 2 + (iq_A / 190.0) ** 2)
    along_d, along_q = id_A / 260.0**2, iq_A / 190.0**2
    cross = -14.0 * along_d * along_q / size**3
    l_dd = 0.08e-3 + 14.0 * (1.0 / 260.0**2 / size - along_d**2 / size**3)
    return np.array([[l_dd, cross], [cross, 0.12e-3 + 14.0 * (1.0 / 190.0**2 / size - along_q**2 / size**3)]])


@pytest.fixture(scope="module")
def flux_map(tmp_path_factory):
    path = tmp_path_factory.mktemp("map") / "saturating.csv"
    lines = ["id_A,iq_A,psi_d_Wb,psi_q_Wb"]
    for d in range(-400, 201, 10):
        lines += [f"{d},{q},{','.join(repr(float(v)) for v in saturating(d, q))}" for q in range(-300, 301, 10)]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def constants(ticks, link_V, farad, ohm, **more):
    machine = {"inductance_d_H": L_D, "inductance_q_H": L_Q, "magnet_flux_Wb": PSI}
    return coast(ticks, machine, inverter={"link_capacitance_F": farad},
                 supply={"voltage_V": link_V, "resistance_ohm": ohm}, **more)  # fmt: skip


@pytest.mark.parametrize("farad", [2e-6, 5e-6, 20e-6])
@pytest.mark.parametrize("below_V", [0.5, 100.0])
def test_a_small_capacitor_is_charged_as_in_the_circuit(verified, farad, below_V):
    """A source 0.5 or 100 V below the peak of the EMF, behind 20 ohm: pulses of a milliampere, or some 10 A without a gap."""
    ticks = 100
    recording = constants(ticks, EMF_V - below_V, farad, 20.0)
    both = np.diag([L_D, L_Q])
    circuit = DiodeMachine(OHM, lambda d, q: (PSI + L_D * d, L_Q * q), lambda d, q: both, OMEGA_E, START_RAD, EMF_V - below_V,
                           20.0, farad)  # fmt: skip
    currents, link_V = circuit.run(np.arange(ticks) * TICK_S)
    assert np.abs(currents).max() > 1e-3
    found = np.column_stack([recording[name] for name in PHASES])
    what = "farthest {}, diodes charge a link of 2 to 20 uF"
    verified(what.format("phase current"), CIRCUIT, 0.0, np.max(np.abs(found - currents)), 3e-6, "A")
    verified(what.format("link voltage"), CIRCUIT, 0.0, np.max(np.abs(recording["link_voltage_V"] - link_V)), 3e-5, "V")
    assert abs(recording.audit["residual_relative"]) < 1e-5
    assert not recording.findings


@pytest.mark.parametrize("share", [1.03, 1.2, 1.6])
def test_a_saturating_machine_on_diodes_does_what_its_equations_do(verified, flux_map, share):
    """share: EMF over the link; currents in pulses, then without a gap, up to where both axes lose half their inductance."""
    ticks = 160
    omega_e = share * 400.0 / math.sqrt(3.0) / 0.06
    machine = {"kind": "flux_map", "flux_map": {"file": str(flux_map)}, "pole_pairs": 1, "max_current_A": 300,
               "max_speed_rpm": 100000}  # fmt: skip
    recording = coast(ticks, machine, omega_e=omega_e, inverter={"link_capacitance_F": 1e-3})
    circuit = DiodeMachine(OHM, saturating, saturating_slopes, omega_e, START_RAD, 400.0)
    currents, _ = circuit.run(np.arange(ticks) * TICK_S)
    found = np.column_stack([recording[name] for name in PHASES])
    assert np.abs(currents).max() > (0.5 if share < 1.1 else 50.0)
    what = "farthest phase current, saturating machine on diodes (of 1 to 190 A)"
    verified(what, CIRCUIT, 0.0, np.max(np.abs(found - currents)), 1e-4, "A")
    assert abs(recording.audit["residual_relative"]) < 1e-6
    assert not recording.findings


OPEN = [{"kind": "contactor_open", "at_s": 0.0}]
BEGUN = ((20.0, 0.86), (20.0, -0.05), (8.0, 120.0))
CASES = [(farad, ohm, below_V) for farad in (2e-6, 10e-6, 100e-6) for ohm, below_V in BEGUN]


@pytest.mark.parametrize("farad, ohm, below_V", CASES)
def test_without_a_source_a_small_link_stays_where_its_energy_says(farad, ohm, below_V):
    """The contactor opens at once; begun a little below the EMF, above it and far below; a finer solver gives the same."""
    recording, fine = (constants(600, EMF_V - below_V, farad, ohm, fault=OPEN, substeps=n) for n in (4, 16))
    link_V = recording["link_voltage_V"]
    assert link_V == pytest.approx(fine["link_voltage_V"], abs=2e-4)
    assert np.all(np.diff(link_V) > -1e-9)
    if below_V < 1.0:  # light pulses end before the windings can carry the link past the EMF
        assert link_V.max() < max(EMF_V, EMF_V - below_V) + 1e-6
    audit = recording.audit
    stored_J = 0.5 * farad * (recording.closing["link_voltage_V"] ** 2 - (EMF_V - below_V) ** 2)
    assert stored_J <= audit["energy_in_J"] - audit["energy_out_J"] + 1e-8
    assert abs(audit["residual_relative"]) < 1e-5
    assert not any("direction" in finding for finding in recording.findings)


def test_a_diode_that_cannot_begin_yet_does_not_conduct_backwards():
    """Spun up from rest with a switch of 0.9 V stuck closed: its threshold stands against the other legs' diodes, which its
    law at no current hides, so that they are turned on too early."""
    devices = {"kind": "igbt", "threshold_V": 0.9, "slope_ohm": 2e-3, "diode": {"threshold_V": 1.0, "slope_ohm": 2e-3}}
    recording = run_duties(
        lambda update: None,
        machine={"pole_pairs": 4, "stator_resistance_ohm": 0.2, "inductance_d_H": L_D, "inductance_q_H": 0.3e-3,
                 "magnet_flux_Wb": PSI, "max_current_A": 400, "max_speed_rpm": 20000},
        inverter={"model": "averaged", "link_capacitance_F": 3e-6, "devices": devices},
        supply={"resistance_ohm": 20.0},
        controller={"delay_updates": 0},
        load={"kind": "free", "inertia_kg_m2": 0.005, "torque_Nm": -60.0, "coulomb_Nm": 1.0},
        fault=[{"kind": "switch_stuck_closed", "leg": "b", "side": "lower", "at_s": 0.002}],
        run={"duration_s": 0.012, "substeps": 4},
    )  # fmt: skip
    assert np.max(np.abs(recording["ia_A"])) > 1.0
    assert not any("direction" in finding for finding in recording.findings)


def test_a_diode_that_carries_a_current_backwards_is_told(make_scenario):
    """By hand: 3 A into leg a while its lower diode is said to conduct, which takes current out of the leg only."""
    member, _ = Bench(make_scenario(initial={"id_A": -3.0, "angle_electrical_deg": 0.0})).member()
    legs, drive = member.states[0]["legs"], member.states[0]["drive"]
    legs["gate"], legs["diode"], drive["open_leg"] = (0, 1, 1), (-1, 0, 0), -1
    note_backward(member.params[0], member.states[0], member.table)
    assert legs["backward_A"] == pytest.approx(3.0, rel=1e-9)
    (sentence,) = diode_findings(legs)
    assert "3 A against its direction" in sentence
    legs["backward_A"], legs["diode"] = 0.0, (1, 0, 0)
    note_backward(member.params[0], member.states[0], member.table)
    assert legs["backward_A"] == 0.0 and not diode_findings(legs)


def test_an_open_leg_waits_for_the_threshold_of_its_own_warm_diodes(make_scenario):
    """Where each device has a drop of its own: 0.7 V for leg b's upper diode, 0.9 V for its lower one, at 400 V."""
    member, _ = Bench(make_scenario()).member()
    drive = member.states[0]["drive"]
    drive["own_devices"], drive["diode_V"] = 1, (5.0, 5.0, 0.7, 0.9, 5.0, 5.0)
    lacks = [between_rails(member.params[0]["inverter"], drive, 1, voltage, 400.0) for voltage in (-0.8, 200.0, 400.6)]
    assert lacks == pytest.approx([0.1, 200.7, 0.1])


def leg_beyond_a_rail(make_scenario, volts):
    """Leg a at the upper rail by its gate, b and c without current; at 60 deg the EMF puts b beyond that rail, by so much."""
    scenario = make_scenario(initial={"angle_electrical_deg": 60.0})
    member, _ = Bench(scenario).member()
    state, machine = member.states[0], scenario.machine
    state["legs"]["gate"], state["legs"]["diode"] = (1, 0, 0), (0, 0, 0)
    state["plant"]["omega"] = 0.0
    decide_open_legs(member.params[0], state, member.table)  # at rest all three lie at the rail
    assert tuple(state["legs"]["diode"]) == (0, 0, 0)
    state["plant"]["omega"] = volts / math.sqrt(3.0) / machine.magnet_flux_Wb / machine.pole_pairs
    return member.params[0], state, member.table


@pytest.mark.parametrize("volts, diodes", [(0.5e-6, (0, 0)), (5e-6, (1, 0))])
def test_a_leg_at_a_rail_stays_open_and_one_beyond_turns_its_diode_on(make_scenario, volts, diodes):
    """Once b conducts, c lies at the rail itself, as half the sum of their EMFs says."""
    params, state, table = leg_beyond_a_rail(make_scenario, volts)
    decide_open_legs(params, state, table)
    assert tuple(state["legs"]["diode"][1:]) == diodes


@pytest.mark.parametrize("volts", np.arange(0.25e-6, 4e-6, 0.5e-6))
def test_whatever_has_changed_over_is_not_decided_back(make_scenario, volts):
    """What the search for the next change takes for beyond a rail, the decision must take for beyond, or time would stand."""
    params, state, table = leg_beyond_a_rail(make_scenario, volts)
    plant = state["plant"]
    x = [float(plant[name]) for name in ("psi_d", "psi_q", "omega", "theta", "link_V", "supply_A")]
    beyond = slacks(params, state, table, *x)[1] < 0.0
    decide_open_legs(params, state, table)
    assert not beyond or state["legs"]["diode"][1] == 1
    assert beyond or volts < 2.1e-6
