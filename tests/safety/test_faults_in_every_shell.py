"""Every kind of fault: acts at its tick and not before, ends at its end, and is the same in every shell of the loop.

At which row a fault shows follows from the loop's order: a sample of row k shows it there, a command one update later, an
integrated state one tick later, a mean of row k there.  No source: the scenario language's own definitions.
"""

import numpy as np
import pytest
from faulty import TICK_S, differs_from, equal, faulty_scenario, run

ON, OFF, END = 60, 100, 140  # ticks

CURRENT = {"commands": {"id_A": -20.0, "iq_A": 60.0}, "sensors": {"current": {"range_A": 600.0}}}
SPEEDING = {"load": {"kind": "rig", "speed_rpm": {"points": [[0.0, 500.0], [0.02, 2500.0]], "shape": "linear"}}}
RESOLVER = {**SPEEDING, "sensors": {"position": {"kind": "resolver", "pole_pairs": 2}}}
ENCODER = {**SPEEDING, "sensors": {"position": {"kind": "encoder", "lines": 512, "index": False}}}
SOFT = {
    "inverter": {"link_capacitance_F": 600e-6},
    "supply": {"kind": "source", "voltage_V": 400, "resistance_ohm": 0.2},
    "commands": {"iq_A": [[0.0, 0.0], [0.002, 100.0]]},
}
CHOKE = {**SOFT, "supply": {**SOFT["supply"], "inductance_H": 1e-3}}
CHOPPER = {**SOFT, "supply": {**SOFT["supply"], "chopper": {"resistance_ohm": 5.0, "on_above_V": 420.0, "off_below_V": 410.0}}}
MAINS = {**SOFT, "supply": {"kind": "rectifier", "line_voltage_V": 300.0, "resistance_ohm": 0.2}}
BATTERY = {
    **SOFT,
    "supply": {
        "kind": "battery", "open_circuit_voltage_V": [[0.0, 380.0], [1.0, 420.0]], "resistance_ohm": 0.1, "capacity_Ah": 10.0,
    },
}  # fmt: skip
STEP = {"commands": {"iq_A": [[0.0, 0.0], [0.001, 60.0], [ON * TICK_S, 80.0]]}}
FREE = {"load": {"kind": "free", "inertia_kg_m2": 0.01}, "initial": {"speed_rpm": 1000.0}, "commands": {"iq_A": 60.0}}
SHAFT = {
    "load": {
        "kind": "two_mass", "inertia_kg_m2": 0.01, "load_inertia_kg_m2": 0.05, "stiffness_Nm_per_rad": 2e3, "damping_Nm_s": 0.5,
    },
    "initial": {"speed_rpm": 1000.0},
    "commands": {"iq_A": 60.0},
}  # fmt: skip
NOISY = {"commands": {"iq_A": 60.0}, "sensors": {"current": {"noise_rms_A": 0.5, "adc_bits": 12, "range_A": 600.0}}}
HEAT = {
    "machine": {
        "winding_temperature_degC": 90.0,
        "magnet_temperature_degC": 80.0,
        "heat": {
            "winding_J_per_K": 200.0, "iron_J_per_K": 500.0, "magnet_J_per_K": 100.0, "winding_to_iron_K_per_W": 0.05,
            "iron_to_coolant_K_per_W": 0.01, "magnet_to_iron_K_per_W": 0.5, "coolant_degC": 25.0, "ticks_per_step": 1,
        },
    },
    "inverter": {
        "devices": {"kind": "mosfet", "on_resistance_ohm": 5e-3},
        "heat": {
            "coolant_degC": 40.0, "switch": {"foster": [[0.02, 0.002], [0.03, 0.02]]}, "sink": {"cauer": [[20.0, 0.05]]},
            "initial": 60.0,
        },
    },
    "commands": {"iq_A": 100.0},
}  # fmt: skip
SWITCHED = {**CURRENT, "inverter": {"model": "switched", "dead_time_s": 1e-6}}
TEMPERATURE = {"kind": "temperature_sensor_lost"}
# name: (fault without times, tables, signal that shows it, rows after the onset)
CASES = {
    "offset": ({"kind": "current_sensor_offset", "phase": "b", "value_A": 5.0}, CURRENT, "iq_measured_A", 0),
    "gain": ({"kind": "current_sensor_gain", "phase": "c", "factor": 1.1}, CURRENT, "iq_measured_A", 0),
    "stuck": ({"kind": "current_sensor_stuck", "phase": "a"}, CURRENT, "iq_measured_A", 0),
    "burst": ({"kind": "current_sensor_noise_burst", "phase": "a", "rms_A": 3.0}, NOISY, "iq_measured_A", 0),
    "saturated": ({"kind": "current_sensor_saturated", "phase": "b", "value_A": 10.0}, CURRENT, "iq_measured_A", 0),
    "lost": ({"kind": "current_sensor_lost", "phase": "a"}, CURRENT, "iq_measured_A", 0),
    "at the rail": ({"kind": "current_sensor_lost", "phase": "c", "reads": "low"}, NOISY, "iq_measured_A", 0),
    "sine lost": ({"kind": "resolver_channel_lost", "channel": "sine"}, RESOLVER, "angle_error_deg", 1),
    "cosine lost": ({"kind": "resolver_channel_lost", "channel": "cosine"}, RESOLVER, "angle_error_deg", 1),
    "amplitude": ({"kind": "resolver_amplitude_step", "amplitude_imbalance": 0.05}, RESOLVER, "angle_error_deg", 1),
    "quadrature": ({"kind": "resolver_quadrature_step", "quadrature_error_deg": 3.0}, RESOLVER, "angle_error_deg", 1),
    "excitation": ({"kind": "resolver_excitation_lost"}, RESOLVER, "angle_error_deg", 1),
    "slip": ({"kind": "position_mounting_slip", "value_deg": 20.0}, RESOLVER, "angle_error_deg", 0),
    "slip of an encoder": ({"kind": "position_mounting_slip", "value_deg": 20.0}, ENCODER, "angle_error_deg", 0),
    "latency": ({"kind": "position_latency", "latency_s": 1e-4}, ENCODER, "angle_error_deg", 0),
    "latency of an ideal one": ({"kind": "position_latency", "latency_s": 1e-4}, SPEEDING, "angle_error_deg", 0),
    "link gain": ({"kind": "link_voltage_sensor_gain", "factor": 1.1}, SOFT, "link_voltage_measured_V", 0),
    "link offset": ({"kind": "link_voltage_sensor_offset", "value_V": -20.0}, SOFT, "link_voltage_measured_V", 0),
    "link stuck": ({"kind": "link_voltage_sensor_stuck"}, SOFT, "link_voltage_measured_V", 0),
    "link lost": ({"kind": "link_voltage_sensor_lost"}, SOFT, "link_voltage_measured_V", 0),
    "winding": ({**TEMPERATURE, "sensor": "winding"}, {}, "winding_measured_degC", 0),
    "junction": ({**TEMPERATURE, "sensor": "junction", "value_degC": 200.0}, {}, "junction_measured_degC", 0),
    "late": ({"kind": "controller_late", "updates": 2}, CURRENT, "duty_a", 1),
    "frozen": ({"kind": "controller_frozen"}, CURRENT, "duty_a", 1),
    "command held": ({"kind": "command_lost", "command": "iq_A"}, STEP, "iq_reference_A", 0),
    "command zero": ({"kind": "command_lost", "command": "iq_A", "reads": "zero"}, CURRENT, "iq_reference_A", 0),
    "command wrong": ({"kind": "command_implausible", "command": "iq_A", "value": -90.0}, STEP, "iq_reference_A", 0),
    "dip, stiff link": ({"kind": "supply_dip", "factor": 0.8}, CURRENT, "link_voltage_V", 0),
    "dip": ({"kind": "supply_dip", "factor": 0.8}, SOFT, "supply_current_A", 0),
    "dip of the mains": ({"kind": "supply_dip", "factor": 0.8}, MAINS, "supply_current_A", 0),
    "contactor": ({"kind": "contactor_open"}, SOFT, "supply_current_A", 0),
    "contactor and choke": ({"kind": "contactor_open"}, CHOKE, "supply_current_A", 0),
    "contactor of mains": ({"kind": "contactor_open"}, MAINS, "supply_current_A", 0),
    "contactor of a battery": ({"kind": "contactor_open"}, BATTERY, "supply_current_A", 0),
    "short": ({"kind": "link_short", "resistance_ohm": 2.0}, SOFT, "supply_current_A", 0),
    "short beside a chopper": ({"kind": "link_short", "resistance_ohm": 2.0}, CHOPPER, "supply_current_A", 0),
    "coolant of the machine": ({"kind": "coolant_lost", "part": "machine"}, HEAT, "iron_degC", 1),
    "coolant of the inverter": ({"kind": "coolant_lost", "part": "inverter", "left_percent": 20.0}, HEAT, "sink_degC", 1),
    "jam": ({"kind": "shaft_locked"}, FREE, "speed_rpm", 0),
    "jam of the load": ({"kind": "shaft_locked"}, SHAFT, "speed_load_rpm", 0),
    "switch open": ({"kind": "switch_stuck_open", "leg": "a", "side": "upper"}, CURRENT, "vd_V", 0),
    "switch closed": ({"kind": "switch_stuck_closed", "leg": "b", "side": "lower"}, SOFT, "vd_V", 0),
    "driver lost": ({"kind": "gate_driver_lost", "leg": "c"}, CURRENT, "vd_V", 0),
    "driver slow": ({"kind": "gate_driver_slow", "leg": "a", "turn_on_delay_s": 2e-6}, SWITCHED, "vd_V", 0),
    "shoot-through": ({"kind": "shoot_through", "leg": "a", "resistance_ohm": 2.0}, SOFT, "link_current_A", 0),
    "phase open": ({"kind": "phase_open", "phase": "b"}, SWITCHED, "vd_V", None),  # as its current ends
    "two terminals": ({"kind": "phase_phase_short", "phases": "ca", "resistance_ohm": 0.5}, SWITCHED, "link_current_A", 0),
    "three terminals": ({"kind": "three_phase_short", "resistance_ohm": 0.5}, SWITCHED, "link_current_A", 0),
    "shock": ({"kind": "load_torque_shock", "value_Nm": 15.0}, FREE, "speed_rpm", 1),
}  # fmt: skip
FOR_GOOD = {
    "counts": ({"kind": "encoder_counts_lost", "counts": 30}, ENCODER, "angle_error_deg", 0),
    "magnets": ({"kind": "magnet_demagnetised", "lost_percent": 10.0}, CURRENT, "id_A", 0),
    "warm magnets": ({"kind": "magnet_demagnetised", "lost_percent": 10.0}, HEAT, "id_A", 0),
    "broken": ({"kind": "shaft_broken"}, SHAFT, "shaft_torque_Nm", 0),
}  # fmt: skip
RUN = {"run": {"duration_s": END * TICK_S, "record_every": 1}}


def _case(name):
    fault, tables, signal, late = (CASES | FOR_GOOD)[name]
    times = {"at_s": ON * TICK_S} | ({"until_s": OFF * TICK_S} if name in CASES else {})
    return fault | times, tables | RUN, signal, late


@pytest.mark.parametrize("name", CASES | FOR_GOOD)
def test_it_acts_at_its_tick_and_not_before(name):
    fault, tables, signal, late = _case(name)
    healthy, broken = run([], **tables), run([fault], **tables)
    shows = differs_from(broken, healthy, signal)
    assert ON <= shows < OFF if late is None else shows == ON + late
    first = [differs_from(broken, healthy, other) for other in healthy.signals if other != "fault"]
    assert min(row for row in first if row is not None) >= ON
    count = broken["fault"]
    assert np.array_equal(np.flatnonzero(count), np.arange(ON, {"counts": ON + 1}.get(name, OFF if name in CASES else END)))
    assert abs(broken.audit["residual_relative"]) < 1e-4
    assert any(fault["kind"] in told for told in broken.findings)


@pytest.mark.parametrize("name", CASES | FOR_GOOD)
def test_it_is_the_same_in_every_shell(name):
    from simcore import Bench, run_ensemble

    fault, tables, _, _ = _case(name)
    scenario = faulty_scenario([fault], **tables)
    compiled, python = Bench(scenario).run(), Bench(scenario).run(in_python=True)
    assert equal(compiled, python)
    assert compiled.params[0] == Bench(faulty_scenario([], **tables)).run().params[0] or "heat" in tables.get("machine", {})
    (member,) = run_ensemble([scenario], lambda recording: recording)
    assert member.error is None and equal(compiled, member.value)
    assert compiled.audit == member.value.audit and compiled.closing == python.closing


@pytest.mark.parametrize("name", CASES)
def test_parameters_are_healthy_again_after_its_end(name):
    from simcore import Bench

    fault, tables, _, _ = _case(name)
    member, step = Bench(faulty_scenario([fault], **tables)).member()
    healthy = member.params.copy()
    member.run_compiled(step)
    assert member.states["tick"][0] == END
    # Heat moves what follows temperature; its own parameters do not.
    rooms = [room for room in healthy.dtype.names if tables.get("machine", {}).get("heat") is None or room == "power"]
    assert all(member.params[0][room] == healthy[0][room] for room in rooms if healthy.dtype[room].names)


def test_every_kind_of_the_language_is_among_the_cases():
    from simcore.safety.fault_effects import EFFECTS
    from simcore.scenario.fault_kinds import FAULTS
    from simcore.scenario.index import kind_of

    assert {fault["kind"] for fault, *_ in (CASES | FOR_GOOD).values()} == {kind_of(model) for model in FAULTS} == set(EFFECTS)
    assert all(model.caution for model in FAULTS)
