"""What faults of controller, supply, machine and shaft do, against closed forms; delayed and held commands counted by hand."""

import math

import numpy as np
import pytest
from faulty import TICK_S, faulty_scenario, run

from controllers import Command, Controller


class Counter(Controller):
    """The duty of phase a says at which update it was computed: 0.4 + 0.001 x update."""

    signals = ("updates",)

    def reset(self, setup):
        self.update = -1

    def step(self, measured):
        self.update += 1
        return Command(0.4 + 0.001 * self.update, 0.5, 0.5, extra=(self.update,))


def counted(faults, **tables):
    """=> (recording, update at which the duty in force at each row was computed; -1: before the first command)."""
    from simcore import Bench

    tables = {"run": {"duration_s": 0.001}, "machine": {"magnet_flux_Wb": 1e-6}} | tables
    recording = Bench(faulty_scenario(faults, **tables), Counter()).run()
    computed = np.round((recording["duty_a"] - 0.4) * 1e3).astype(int)
    return recording, np.where(computed == 100, -1, computed).tolist()


def test_a_late_controller_holds_its_last_command_first_and_skips_at_the_end():
    """One update of delay, two more from update 5 to 12: 4 acts at 5 and is held until 5 acts at 8; at 12 still 9, then 12."""
    fault = {"kind": "controller_late", "updates": 2, "at_s": 5 * TICK_S, "until_s": 12 * TICK_S}
    _, acts = counted([fault])
    assert acts == [-1, 0, 1, 2, 3, 4, 4, 4, 5, 6, 7, 8, 9, 12, 13, 14, 15, 16, 17, 18]


def test_two_late_faults_add():
    """Two updates from 4 on: 4 acts at 6; three from 6: 6 acts at 9; two again from 10: 10 acts at 12; one from 14."""
    faults = [
        {"kind": "controller_late", "updates": 1, "at_s": 4 * TICK_S, "until_s": 10 * TICK_S},
        {"kind": "controller_late", "updates": 1, "at_s": 6 * TICK_S, "until_s": 14 * TICK_S},
    ]
    _, acts = counted(faults)
    assert acts == [-1, 0, 1, 2, 3, 3, 4, 5, 5, 6, 7, 8, 10, 11, 12, 14, 15, 16, 17, 18]


def test_late_without_a_delay_of_its_own():
    """delay_updates = 0: 3 acts at 3; two late from update 4."""
    fault = {"kind": "controller_late", "updates": 2, "at_s": 4 * TICK_S}
    _, acts = counted([fault], controller={"delay_updates": 0})
    assert acts[:10] == [0, 1, 2, 3, 3, 3, 4, 5, 6, 7]


def test_a_frozen_controller_is_not_run_and_its_duties_hold():
    """Not called at updates 5 to 9; the command of update 4 acts from 5 to 10."""
    fault = {"kind": "controller_frozen", "at_s": 5 * TICK_S, "until_s": 10 * TICK_S}
    recording, acts = counted([fault])
    assert acts == [-1, 0, 1, 2, 3, 4, 4, 4, 4, 4, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13]
    assert recording["controller_updates"].tolist() == [0, 1, 2, 3, 4, 4, 4, 4, 4, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14]


def test_a_held_voltage_vector_does_not_turn_with_the_rotor():
    """The compiled controller: duties constant, and no update of its state (bit-equal in Python is checked elsewhere)."""
    fault = {"kind": "controller_frozen", "at_s": 0.02, "until_s": 0.03}
    recording = run([fault], commands={"iq_A": 50.0})
    for name in ("duty_a", "duty_b", "duty_c"):
        assert np.ptp(recording[name][401:601]) == 0.0 and np.ptp(recording[name][380:401]) > 0.0
    assert recording["iq_A"][-1] == pytest.approx(50.0, abs=2.0)


def test_a_lost_command_holds_what_was_received_last_and_zero_is_zero():
    """Steps at ticks 20, 60 and 120; lost from 60, when the new value no longer arrives, to 100."""
    steps = [[0.0, 0.0], [20 * TICK_S, 60.0], [60 * TICK_S, 80.0], [120 * TICK_S, 30.0]]
    times = {"at_s": 60 * TICK_S, "until_s": 100 * TICK_S}
    for reads, meanwhile in (("held", 60.0), ("zero", 0.0)):
        fault = {"kind": "command_lost", "command": "iq_A", "reads": reads, **times}
        seen = run([fault], commands={"iq_A": steps}, run={"duration_s": 0.008})["iq_reference_A"]
        expected = np.repeat([0.0, 60.0, meanwhile, 80.0, 30.0], [20, 40, 40, 20, 40])
        assert seen == pytest.approx(expected, abs=1e-12)


def test_a_ramp_is_held_where_it_was_each_time_anew():
    """80 A within 100 ticks, lost from 20 to 30 and from 50 to 60: held at the values of 19 and 49."""
    ramp = {"points": [[0.0, 0.0], [100 * TICK_S, 80.0]], "shape": "linear"}
    fault = {"kind": "command_lost", "command": "iq_A", "at_s": 0.001, "until_s": 0.003, "on_s": 0.0005, "off_s": 0.001}
    seen = run([fault], commands={"iq_A": ramp}, run={"duration_s": 0.005})["iq_reference_A"]
    expected = 0.8 * np.arange(100.0)
    expected[20:30], expected[50:60] = 0.8 * 19, 0.8 * 49
    assert seen == pytest.approx(expected, abs=1e-9)


def test_an_implausible_command_is_what_the_controller_goes_by_and_its_limit_holds():
    fault = {"kind": "command_implausible", "command": "iq_A", "value": 5000.0, "at_s": 0.02}
    seen = run([fault], commands={"iq_A": 60.0})["iq_reference_A"]
    assert seen[:400] == pytest.approx(60.0) and seen[400:] == pytest.approx(400.0)  # machine.max_current_A


def test_a_lost_run_request_ramps_down():
    fault = {"kind": "command_lost", "command": "run_request", "reads": "zero", "at_s": 0.01}
    recording = run([fault], commands={"iq_A": 60.0, "run_request": 1.0}, run={"duration_s": 0.13})
    assert recording["binding_limit"][200] == 8 and recording["binding_limit"][199] != 8
    assert abs(recording["iq_A"][-1]) < 0.5


# Links of 600 uF and 0.5 ohm: 0.3 ms.
LINK_F, SOURCE_OHM = 600e-6, 0.5
SOFT = {
    "machine": {"magnet_flux_Wb": 1e-9},
    "inverter": {"link_capacitance_F": LINK_F},
    "supply": {"kind": "source", "voltage_V": 400.0, "resistance_ohm": SOURCE_OHM},
    "run": {"duration_s": 0.004},
}


def idle(faults, **supply):
    """A link with nothing to feed."""
    return run(faults, **{**SOFT, "supply": {**SOFT["supply"], **supply}})


def check_link(verified, what, recording, expected, begin, rows):
    for row in rows:
        source = "RC circuit, closed form"
        at_ms = (row - begin) * TICK_S * 1e3
        verified(f"link {at_ms:g} ms after {what}", source, expected(1e-3 * at_ms), recording["link_voltage_V"][row], 2e-3, "V")


def test_a_dip_of_the_source_discharges_the_link_through_its_resistance(verified):
    recording = idle([{"kind": "supply_dip", "factor": 0.6, "at_s": 0.001, "until_s": 0.002}])
    tau = LINK_F * SOURCE_OHM
    assert recording["link_voltage_V"][:21] == pytest.approx(400.0, abs=1e-9)
    check_link(verified, "a dip to 60 %", recording, lambda t: 240.0 + 160.0 * math.exp(-t / tau), 20, (26, 40))
    low = 240.0 + 160.0 * math.exp(-1e-3 / tau)
    check_link(verified, "the end of a dip", recording, lambda t: 400.0 - (400.0 - low) * math.exp(-t / tau), 40, (46, 60))


def test_two_dips_multiply():
    recording = idle([{"kind": "supply_dip", "factor": 0.5, "at_s": 0.0}, {"kind": "supply_dip", "factor": 0.8, "at_s": 0.0}])
    assert recording["link_voltage_V"][-1] == pytest.approx(160.0, abs=0.01)


def test_a_short_behind_the_source_is_a_divider(verified):
    ohm = 2.0
    recording = idle([{"kind": "link_short", "resistance_ohm": ohm, "at_s": 0.001}])
    end, tau = 400.0 * ohm / (ohm + SOURCE_OHM), LINK_F * ohm * SOURCE_OHM / (ohm + SOURCE_OHM)
    check_link(verified, "a short of 2 ohm", recording, lambda t: end + (400.0 - end) * math.exp(-t / tau), 20, (24, 30, 70))
    assert abs(recording.audit["residual_relative"]) < 1e-6


def test_a_short_with_the_contactor_open_is_the_capacitor_s_discharge(verified):
    ohm = 2.0
    faults = [
        {"kind": "contactor_open", "at_s": 0.001},
        {"kind": "link_short", "resistance_ohm": ohm, "at_s": 0.001, "until_s": 0.002},
    ]
    recording = idle(faults)
    what = "contactor open and a short of 2 ohm"
    check_link(verified, what, recording, lambda t: 400.0 * math.exp(-t / (LINK_F * ohm)), 20, (30, 40))
    held = 400.0 * math.exp(-1e-3 / (LINK_F * ohm))
    assert recording["link_voltage_V"][40:] == pytest.approx(held, abs=2e-3)
    lost = 0.5 * LINK_F * (400.0**2 - held**2)
    verified("energy in the short", "half C (V0^2 - V^2)", lost, recording.audit["losses_J"]["link_short"], 1e-4 * lost, "J")
    assert recording["supply_current_A"][20:] == pytest.approx(0.0, abs=1e-12)


def test_a_short_beside_a_chopper_that_is_on(verified):
    """The source 20 % up, 480 V behind 0.5 ohm: chopper of 5 ohm and short of 10 ohm together, between off and on voltage."""
    faults = [
        {"kind": "supply_dip", "factor": 1.2, "at_s": 0.0},
        {"kind": "link_short", "resistance_ohm": 10.0, "at_s": 0.004, "until_s": 0.008},
    ]
    chopper = {"resistance_ohm": 5.0, "on_above_V": 420.0, "off_below_V": 410.0}
    recording = run(faults, **{**SOFT, "supply": {**SOFT["supply"], "chopper": chopper}, "run": {"duration_s": 0.012}})
    for row, conductance in ((79, 0.2), (159, 0.3), (239, 0.2)):
        expected, found = 480.0 / (1.0 + 0.5 * conductance), recording["link_voltage_V"][row]
        verified(f"480 V behind 0.5 ohm with {conductance:g} S across the link", "divider", expected, found, 1e-3, "V")
    assert abs(recording.audit["residual_relative"]) < 1e-6


def test_an_open_contactor_leaves_the_auxiliaries_to_the_capacitor(verified):
    """Constant power P: half C V^2 falls by P t."""
    recording = idle([{"kind": "contactor_open", "at_s": 0.001}], auxiliary_W=2000.0)
    before = recording["link_voltage_V"][20]
    expected = math.sqrt(before**2 - 2.0 * 2000.0 * 0.002 / LINK_F)
    found = recording["link_voltage_V"][60]
    verified("link 2 ms after the contactor opened on 2 kW", "energy of the capacitor", expected, found, 1e-3, "V")


def test_a_contactor_cuts_a_choke_s_current_and_the_arc_is_told():
    recording = run(
        [{"kind": "contactor_open", "at_s": 0.02}],
        inverter={"link_capacitance_F": LINK_F},
        supply={"kind": "source", "voltage_V": 400.0, "resistance_ohm": 0.1, "inductance_H": 1e-3},
        load={"kind": "rig", "speed_rpm": 3000.0},
        commands={"iq_A": 100.0},
        run={"duration_s": 0.021},
    )
    current = recording["supply_current_A"]
    assert np.all(current[400:] == 0.0) and abs(current[399]) > 15.0
    # Half L i^2 is gone, with the current at the instant from the means of the last two ticks.
    before = current[399] + 0.5 * (current[399] - current[398])
    assert recording.audit["fault_J"] == pytest.approx(-0.5 * 1e-3 * before**2, rel=0.01)
    assert abs(recording.audit["residual_relative"]) < 1e-6


def test_the_mains_bridge_conducts_again_when_the_contactor_closes():
    recording = run(
        [{"kind": "contactor_open", "at_s": 0.01, "until_s": 0.02}],
        inverter={"link_capacitance_F": LINK_F},
        supply={"kind": "rectifier", "line_voltage_V": 290.0, "resistance_ohm": 0.2, "auxiliary_W": 2000.0},
    )
    current = recording["supply_current_A"]
    assert np.all(current[200:400] == 0.0)
    # What flows brings 2 kW again.
    assert recording.measure("power_supply_W", "mean", from_s=0.03, to_s=0.05) == pytest.approx(2000.0, rel=0.05)
    assert np.all(current > -1e-9)


CONSTANTS = {"id_A": 0.0, "iq_A": 100.0}


def test_a_weaker_magnet_makes_less_torque_and_the_current_steps(verified):
    """Id = 0: torque over torque is the flux that is left; at the instant flux linkage holds: psi lost / Ld in d."""
    fault = {"kind": "magnet_demagnetised", "lost_percent": 12.0, "at_s": 0.02}
    # 0.1 ohm: what is left of a step dies out within milliseconds.  Equal inductances: no torque by id.
    machine = {"stator_resistance_ohm": 0.1, "inductance_q_H": 0.2e-3}
    recording = run([fault], machine=machine, commands=CONSTANTS, run={"duration_s": 0.05})
    before, after = (recording.measure("torque_Nm", "mean", from_s=t - 0.01, to_s=t) for t in (0.02, 0.05))
    source = "T = 1.5 p psi iq at id = 0"
    verified("torque over torque before 12 % of the flux was lost", source, 0.88, after / before, 1e-4)
    step = recording["id_A"][400] - recording["id_A"][399]
    verified("step of id as 12 % of 70 mWb are lost, Ld = 0.2 mH", "flux linkage holds", 0.12 * 0.07 / 0.2e-3, step, 0.1, "A")
    assert recording["psi_d_Wb"][400] == pytest.approx(recording["psi_d_Wb"][399], abs=2e-5)
    assert abs(recording.audit["residual_relative"]) < 1e-6


def test_two_losses_of_flux_multiply_and_a_map_is_shifted_by_its_own_flux():
    """The shipped tractor motor's map: at the same currents psi_d is lower by the share of its no-load flux."""
    faults = [{"kind": "magnet_demagnetised", "lost_percent": 10.0, "at_s": 0.02}]
    tables = {
        "machine": {"part": "motors/yard_tractor", "stator_resistance_ohm": 0.1},
        "supply": {"kind": "source", "voltage_V": 700.0},
        "commands": {"id_A": -50.0, "iq_A": 100.0},
        "run": {"duration_s": 0.06},
    }
    document = faulty_scenario([], **{**tables, "machine": {}}).resolved
    document["machine"], document["controller"] = tables["machine"], {"mode": "current"}
    from simcore import Bench
    from simcore.scenario.reader import scenario_from

    healthy, broken = (Bench(scenario_from({**document, "fault": given}, path="map.toml")).run() for given in ([], faults))
    assert broken["iq_A"][-1] == pytest.approx(healthy["iq_A"][-1], abs=0.3)
    machine = broken.scenario.machine
    if machine.kind == "constants":
        no_load = machine.magnet_flux_Wb
    else:
        data = machine.map_data
        no_load = data.psi_d_Wb[np.abs(data.id_A).argmin(), np.abs(data.iq_A).argmin()]
    assert broken["psi_d_Wb"][-1] - healthy["psi_d_Wb"][-1] == pytest.approx(-0.1 * no_load, rel=0.02)


def test_currents_and_fluxes_of_a_map_stay_each_other_s_inverse_without_part_of_the_magnets():
    from simcore import Bench, load_scenario
    from simcore.loop.shims import machine_currents, machine_fluxes
    from simcore.scenario.parts import library

    member, _ = Bench(load_scenario(library().parent / "torque_steps.toml")).member()
    healthy = machine_fluxes(member.params, member.table, -80.0, 120.0)
    member.params[0]["machine"]["magnet_flux_Wb"] = -0.01
    psi_d, psi_q = machine_fluxes(member.params, member.table, -80.0, 120.0)
    assert (psi_d, psi_q) == pytest.approx((healthy[0] - 0.01, healthy[1]), abs=1e-12)
    assert machine_currents(member.params, member.table, psi_d, psi_q) == pytest.approx((-80.0, 120.0), abs=0.05)


FREE = {
    "load": {"kind": "free", "inertia_kg_m2": 0.02},
    "initial": {"speed_rpm": 600.0},
    "commands": {"iq_A": 0.0},
    "run": {"duration_s": 0.04},
}


def test_a_jammed_shaft_stands_and_its_kinetic_energy_is_told(verified):
    fault = {"kind": "shaft_locked", "at_s": 0.01, "until_s": 0.03}
    recording = run([fault], **{**FREE, "commands": {"iq_A": 100.0}})
    speed = recording["speed_rpm"]
    assert np.all(speed[200:601] == 0.0) and speed[199] > 600.0 and np.ptp(recording["angle_deg"][200:601]) == 0.0
    omega = speed[199] * math.pi / 30.0
    assert recording.audit["fault_J"] == pytest.approx(-0.5 * 0.02 * omega**2, rel=0.01)
    # Set free: T/J.
    torque = 1.5 * 4 * 0.07 * 100.0
    gained = (speed[799] - speed[600]) * math.pi / 30.0
    verified("speed 9.95 ms after a jam at 42 Nm", "T t / J", torque * 199 * TICK_S / 0.02, gained, 0.02, "rad/s")
    assert abs(recording.audit["residual_relative"]) < 1e-6


def test_more_load_torque_slows_the_shaft_by_torque_over_inertia(verified):
    fault = {"kind": "load_torque_shock", "value_Nm": 30.0, "at_s": 0.01, "until_s": 0.02}
    speed = run([fault], machine={"magnet_flux_Wb": 1e-9}, **FREE)["speed_rpm"] * math.pi / 30.0
    lost = speed[200] - speed[400]
    verified("speed lost to 30 Nm within 10 ms, 0.02 kg m2", "T t / J", 30.0 * 0.01 / 0.02, lost, 1e-6, "rad/s")
    assert np.ptp(speed[:201]) < 1e-9 and np.ptp(speed[400:]) < 1e-9


ELASTIC = {
    "load": {"kind": "two_mass", "inertia_kg_m2": 0.02, "load_inertia_kg_m2": 0.08, "stiffness_Nm_per_rad": 5000.0},
    "initial": {"speed_rpm": 600.0},
    "run": {"duration_s": 0.06, "substeps": 8},
}


def test_a_broken_shaft_lets_the_rotor_race_and_the_load_coast(verified):
    fault = {"kind": "shaft_broken", "at_s": 0.04}
    recording = run([fault], commands={"iq_A": 100.0}, **ELASTIC)
    speed, load = (recording[name] * math.pi / 30.0 for name in ("speed_rpm", "speed_load_rpm"))
    torque = 1.5 * 4 * 0.07 * 100.0
    gained = speed[1199] - speed[800]
    expected = torque * 399 * TICK_S / 0.02
    verified("rotor's speed gained 19.95 ms after its shaft broke", "T t / J", expected, gained, 0.05, "rad/s")
    assert np.ptp(load[800:]) < 1e-9
    assert np.all(recording["shaft_torque_Nm"][800:] == 0.0) and abs(recording["shaft_torque_Nm"][799]) > 1.0
    # The twist's energy is gone with the shaft.
    twist = recording["shaft_torque_Nm"][799] / 5000.0
    assert recording.audit["fault_J"] == pytest.approx(-0.5 * 5000.0 * twist**2, rel=0.1)
    assert abs(recording.audit["residual_relative"]) < 1e-6


def test_a_jammed_load_lets_the_rotor_swing_on_the_shaft(verified):
    """Rotor on the spring: sqrt(k/J1)/2 pi."""
    fault = {"kind": "shaft_locked", "at_s": 0.01}
    recording = run([fault], commands={"iq_A": 0.0}, **{**ELASTIC, "run": {"duration_s": 0.2, "substeps": 8}})
    assert np.all(recording["speed_load_rpm"][200:] == 0.0)
    speed = recording["speed_rpm"][200:]
    crossings = np.flatnonzero((speed[:-1] > 0.0) & (speed[1:] <= 0.0))
    times = crossings + speed[crossings] / (speed[crossings] - speed[crossings + 1])
    found = 1.0 / (np.mean(np.diff(times)) * TICK_S)
    expected = math.sqrt(5000.0 / 0.02) / (2.0 * math.pi)
    verified("rotor swinging against a jammed load", "sqrt(k/J)/2 pi", expected, found, 2e-3 * expected, "Hz")


def test_a_dip_of_the_mains_lowers_the_crest_that_charges_the_link(verified):
    """400 V line-line at 50 Hz, 2 kW drawn from 1 mF: the link is charged to the crest, sqrt2 400 V, and to 0.8 of it."""
    recording = run(
        [{"kind": "supply_dip", "factor": 0.8, "at_s": 0.1}],
        supply={"kind": "rectifier", "line_voltage_V": 400, "frequency_Hz": 50, "resistance_ohm": 0.05, "auxiliary_W": 2e3},
        inverter={"link_capacitance_F": 1e-3}, load={"kind": "locked"}, run={"duration_s": 0.2},
    )  # fmt: skip
    for share, begin in ((1.0, 0.06), (0.8, 0.16)):
        window = (recording.time_s > begin) & (recording.time_s < begin + 0.03)
        crest = float(np.max(recording["link_voltage_V"][window]))
        what = f"crest of the link on mains at {share:g} of their voltage"
        verified(what, "crest of the line-line voltage", share * math.sqrt(2.0) * 400.0, crest, 4.0, "V", row=False)
