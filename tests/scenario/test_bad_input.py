"""Wrong scenarios get one sentence each, with file, key, rule and remedy."""

import pytest
from scenario_texts import FREE, REMOVE, problems_of, spoiled, write

INF = float("inf")
# what is changed; then words that the sentence must hold: the key with its value, the rule, the remedy
BAD = {
    "text for a number": (
        {"machine__magnet_flux_Wb": "0.07"},
        ['machine.magnet_flux_Wb = "0.07": must be a number (Wb), not text', "without quotes"],
    ),
    "a word for a number": (
        {"machine__magnet_flux_Wb": "strong"},
        ['machine.magnet_flux_Wb = "strong": must be a number (Wb), not text', "Give a number"],
    ),
    "true for a number": (
        {"machine__max_current_A": True},
        ["machine.max_current_A = true: must be a number (A)", "Give a number"],
    ),
    "true for a whole number": (
        {"run__seed": True},
        ["run.seed = true: must be a whole number", "Give a whole number"],
    ),
    "half a pole pair": ({"machine__pole_pairs": 4.5}, ["machine.pole_pairs = 4.5: must be a whole number", "Write 4"]),
    "float for a count": (
        {"machine__pole_pairs": 4.0},
        ["machine.pole_pairs = 4.0: must be a whole number", "Write 4."],
    ),
    "nan": ({"supply__voltage_V": float("nan")}, ["supply.voltage_V = nan: must be finite (V)", "Give a number"]),
    "inf": ({"supply__voltage_V": INF}, ["supply.voltage_V = inf: must be", "(V)", "Give a number"]),
    "negative inductance": (
        {"machine__inductance_d_H": -1e-3},
        ["machine.inductance_d_H = -0.001: must be above 0 (H)", "give a number above 0"],
    ),
    "no duration": ({"run__duration_s": 0.0}, ["run.duration_s = 0.0: must be above 0 (s)", "give a number above 0"]),
    "negative duration": ({"run__duration_s": -1}, ["run.duration_s = -1: must be above 0 (s)"]),
    "less than a tick": (
        {"run__duration_s": 1e-5, "expect": [], "scope": []},
        ["run.duration_s = 1e-05: is less than one tick of 5e-05 (s)", "Make the run longer"],
    ),
    "an eternity": (
        {"run__duration_s": 1e6},
        ["run.duration_s = 1000000.0: is 20000000000 ticks", "Stay below 107374 s"],
    ),
    "no row": ({"run__record_every": 0}, ["run.record_every = 0: must be at least 1", "give a number at least 1"]),
    "too many rows": (
        {"run__record_every": 1, "run__duration_s": 2000.0},
        ["run.record_every = 1: would record 40000000 rows", "Set record_every = 2 or more"],
    ),
    "missing table": ({"supply": REMOVE}, ["bench.toml: supply: is missing", "Add [supply]"]),
    "missing key": (
        {"machine__pole_pairs": REMOVE},
        ["machine.pole_pairs: is missing", "Add pole_pairs = ... to [machine]"],
    ),
    "missing kind": (
        {"machine__kind": REMOVE},
        ["machine: has no kind", 'Add kind = "constants" or "flux_map" to [machine]'],
    ),
    "unknown kind": ({"load__kind": "free_"}, ["load", 'kind = "free_" is not known', 'Did you mean "free"']),
    "key of another kind": (
        {"load__inertia_kg_m2": 0.1},
        ['load.inertia_kg_m2 = 0.1: belongs to kind = "free" or "two_mass", not "rig"', "Remove it"],
    ),
    "misspelt key": (
        {"inverter__dead_tme_s": 1e-6},
        ["inverter.dead_tme_s = 1e-06: unknown key in [inverter]", 'Did you mean "dead_time_s"?'],
    ),
    "key of another table": (
        {"run__dead_time_s": 1e-6},
        ["run.dead_time_s = 1e-06: unknown key in [run]", 'Did you mean "inverter.dead_time_s"?'],
    ),
    "key before all tables": (
        {"dead_time_s": 1e-6},
        ["bench.toml: dead_time_s", 'Did you mean "inverter.dead_time_s"?'],
    ),
    "key in microseconds": (
        {"inverter__dead_time_us": 2},
        ["inverter.dead_time_us = 2: unknown key", 'Did you mean "dead_time_s = 2e-06" (in s)?'],
    ),
    "key in millihenry": (
        {"machine__inductance_d_mH": 0.2},
        ["machine.inductance_d_mH = 0.2: unknown key", 'Did you mean "inductance_d_H = 0.0002" (in H)?'],
    ),
    "key without unit": (
        {"machine__max_speed": 9000},
        ["machine.max_speed = 9000: unknown key", 'Did you mean "max_speed_rpm"'],
    ),
    "speed in rad/s": (
        {"machine__max_speed_rad_s": 100},
        ["machine.max_speed_rad_s = 100: unknown key", 'Did you mean "max_speed_rpm = 954.93" (in rpm)?'],
    ),
    "unknown table": ({"invertr": {"x": 1}}, ["bench.toml: invertr: unknown table or key", 'Did you mean "inverter"?']),
    "nothing like it": ({"run__zzz": 1}, ["run.zzz = 1: unknown key in [run]", "Known keys are duration_s"]),
    "value for a table": ({"machine": 3}, ["machine = 3: must be a table", "Write [machine]"]),
    "list for a table": ({"run": [1]}, ["run = [1]: must be a table", "Write [run]"]),
    "table for a list": ({"expect": {"signal": "x"}}, ["expect: must be a list", "header [[expect]]"]),
    "wrong word": (
        {"inverter__model": "avaraged"},
        ['inverter.model = "avaraged": must be "averaged" or "switched"', 'Did you mean "averaged"?'],
    ),
    "two phases of three": (
        {"sensors__current__gain": [1.0, 1.0]},
        ["sensors.current.gain", "Gains of phases a, b, c", "[1.0, 1.0, 1.0]"],
    ),
    "dead time of half a period": (
        {"inverter__dead_time_s": 60e-6},
        ["inverter.dead_time_s = 6e-05: must be shorter than half the carrier period, 5e-05 (s)", "shorten it"],
    ),
    "dead time in microseconds": (
        {"inverter__dead_time_s": 2},
        ["inverter.dead_time_s = 2: must be at most", "Check the unit"],
    ),
    "minimum pulse": (
        {"inverter__minimum_pulse_s": 60e-6},
        ["inverter.minimum_pulse_s = 6e-05: must not be longer than a tick, 5e-05 (s)", "shorten it"],
    ),
    "sampling after the tick": (
        {"sensors__current__sample_shift_s": 50e-6},
        ["sensors.current.sample_shift_s = 5e-05: must lie inside the tick", "Shift by less"],
    ),
    "duties before the sample": (
        {"sensors__current__sample_shift_s": 10e-6, "controller__delay_updates": 0},
        ["controller.delay_updates = 0: duties would act before the sample", "Set delay_updates = 1"],
    ),
    "resistance in milliohm": (
        {"machine__stator_resistance_ohm": 100.0},
        ["machine.inductance_d_H = 0.0002: L/R = 0.0002 H / 100 ohm = 2e-06 (s) is below 2e-05 s", "slip of the unit"],
    ),
    "inductance in wrong unit": (
        {"machine__inductance_q_H": 2.0},
        ["machine.inductance_q_H = 2.0: L/R = 2 H / 0.01 ohm = 200 (s) is above 100 s", "slip of the unit"],
    ),
    "rig above the machine's limit": (
        {"load__speed_rpm": [[0.0, 0.0], [0.1, -13000.0]]},
        ["load.speed_rpm", "reaches 13000, above machine.max_speed_rpm = 12000 (rpm)", "raise the limit"],
    ),
    "initial speed above the limit": (
        {"initial__speed_rpm": 20000.0, "load": FREE},
        ["initial.speed_rpm = 20000.0: reaches 20000, above machine.max_speed_rpm", "Lower the speed"],
    ),
    "speed command above the limit": (
        {"commands": {"speed_rpm": 20000}, "load": FREE, "controller__mode": "speed"},
        ["commands.speed_rpm = 20000: reaches 20000, above machine.max_speed_rpm", "Lower the speed"],
    ),
    "turning and locked": (
        {"initial__speed_rpm": 10.0, "load": {"kind": "locked"}},
        ["initial.speed_rpm = 10.0: a locked shaft cannot turn (rpm)", "Set it to 0"],
    ),
    "supply without capacitor": (
        {"inverter__link_capacitance_F": REMOVE},
        ["supply.resistance_ohm = 0.02: a supply with resistance or inductance needs a link capacitor", "stiff link"],
    ),
    "link resonance too fast": (
        {"supply__inductance_H": 2e-8},
        ["supply.inductance_H = 2e-08: the link is too fast", "step/sqrt(L C) = 7.217", "Set run.substeps = 15"],
    ),
    "link node too fast": (
        {"supply__inductance_H": 0, "supply__resistance_ohm": 1e-3, "inverter__link_capacitance_F": 1e-3},
        ["supply.resistance_ohm = 0.001: the link is too fast", "step/(R C) = 25", "Set run.substeps = 50"],
    ),
    "link hopelessly fast": (
        {"supply__inductance_H": 1e-14},
        ["supply.inductance_H = 1e-14: the link is too fast", "inductance_H to 0 for a stiff link"],
    ),
    "friction too stiff": (
        {"load": {"kind": "free", "inertia_kg_m2": 1e-6, "viscous_Nm_s": 1.0}},
        ["load.viscous_Nm_s = 1.0: inertia / friction = 1e-06 s is too short", "Set run.substeps = 20"],
    ),
    "stiction below friction": (
        {"load": {"kind": "free", "inertia_kg_m2": 0.1, "coulomb_Nm": 2.0, "stiction_Nm": 1.0}},
        ["load.stiction_Nm = 1.0: must be at least coulomb_Nm = 2 (Nm)", "raise it"],
    ),
    "speed mode on a rig": (
        {"controller__mode": "speed", "commands": {"speed_rpm": 100}},
        ['controller.mode = "speed": a rig imposes the speed itself', 'Set load.kind = "free"'],
    ),
    "speed mode on a locked shaft": (
        {"controller__mode": "speed", "commands": {"speed_rpm": 100}, "load": {"kind": "locked"}},
        ['controller.mode = "speed": a locked shaft cannot turn', 'Set load.kind = "free"'],
    ),
    "unknown mode": (
        {"controller__mode": "torqe"},
        ['controller.mode = "torqe": the built-in', 'Did you mean "torque"?'],
    ),
    "no torque command": (
        {"commands": REMOVE},
        ['commands: mode "torque" needs torque_Nm', "Add torque_Nm = [[0.0, 0.0], [0.05, 10.0]] to [commands]"],
    ),
    "no current command": (
        {"controller__mode": "current"},
        ['commands: mode "current" needs id_A or iq_A', "Add id_A ="],
    ),
    "times go back": (
        {"commands__torque_Nm": [[0.0, 0.0], [0.2, 1.0], [0.1, 2.0]]},
        ["commands.torque_Nm", "point 2: time_s 0.1 does not come after 0.2 (must increase)", "Sort the points"],
    ),
    "same time twice": (
        {"commands__torque_Nm": [[0.0, 0.0], [0.0, 1.0]]},
        ["commands.torque_Nm", "point 1: time_s 0.0 does not come after 0.0", "leave one at each place"],
    ),
    "negative time": (
        {"commands__torque_Nm": [[-0.1, 0.0]]},
        ["commands.torque_Nm", "time_s -0.1 must not be negative (s)", "Begin at 0.0"],
    ),
    "nan in a profile": (
        {"commands__torque_Nm": [[0.0, float("nan")]]},
        ["commands.torque_Nm", "point 0: value nan must be finite", "Give a number"],
    ),
    "text in a profile": (
        {"commands__torque_Nm": [[0.0, "1"]]},
        ["commands.torque_Nm", 'point 0: value "1" must be a number', "without quotes"],
    ),
    "empty profile": ({"commands__torque_Nm": []}, ["commands.torque_Nm = []: must hold at least one", "[[0.0, 1.0]"]),
    "flat profile": ({"load__speed_rpm": [0.0, 5.0]}, ["load.speed_rpm", "point 0 is 0.0, not a pair", "[[0.0, 1.0]"]),
    "word for a profile": ({"load__speed_rpm": "fast"}, ['load.speed_rpm = "fast": must be a number or a list']),
    "profile's shape": (
        {"load__speed_rpm": {"points": [[0.0, 1.0]], "shape": "liner"}},
        ['load.speed_rpm.shape = "liner": must be "step" or "linear"', 'Did you mean "linear"?'],
    ),
    "profile's key": (
        {"load__speed_rpm": {"point": [[0.0, 1.0]]}},
        ["load.speed_rpm.point", "unknown key of a profile", 'Did you mean "points"?'],
    ),
    "unknown signal": (
        {"expect__0__signal": "torque"},
        ['expect.0.signal = "torque": unknown signal', 'Did you mean "torque_Nm"'],
    ),
    "unknown measure": ({"expect__0__measure": "avg_"}, ['expect.0.measure = "avg_": unknown measure', "Known are"]),
    "near measure": (
        {"expect__1__measure": "peak_peak"},
        ['expect.1.measure = "peak_peak": unknown measure', 'Did you mean "peak_to_peak"'],
    ),
    "no limit": ({"expect__1__max": REMOVE}, ["expect.1: has no limit", "Add min, max, or equal with tolerance"]),
    "min above max": ({"expect__1__min": 5.0}, ["expect.1.min = 5.0: is above max = 3", "Exchange min and max"]),
    "equal alone": (
        {"expect__1__max": REMOVE, "expect__1__equal": 1.0},
        ["expect.1.equal = 1.0: has no tolerance", "Add tolerance"],
    ),
    "tolerance alone": ({"expect__1__tolerance": 1.0}, ["expect.1.tolerance = 1.0: belongs to equal", "Add equal"]),
    "step measure without step": (
        {"expect__0__step_at_s": REMOVE},
        ["expect.0.measure", "needs the time of the step", "Add step_at_s"],
    ),
    "harmonic without order": (
        {"expect__1__measure": "harmonic_amplitude"},
        ["expect.1.measure", "harmonic_amplitude needs an order", "Add order"],
    ),
    "order on a mean": (
        {"expect__1__order": 6},
        ["expect.1.order = 6: does not belong to peak_to_peak", "Leave it out"],
    ),
    "window beyond the run": (
        {"expect__1__to_s": 0.4},
        ["expect.1.to_s = 0.4: lies outside the run", "run.duration_s"],
    ),
    "step beyond the run": (
        {"expect__0__step_at_s": 0.3},
        ["expect.0.step_at_s = 0.3: lies outside", "run.duration_s"],
    ),
    "empty window": ({"expect__1__from_s": 0.2}, ["expect.1.to_s = 0.2: must be later than from_s = 0.2 (s)", "widen"]),
    "scope beyond the run": ({"scope__0__to_s": 0.5}, ["scope.0.to_s = 0.5: lies outside the run", "Move the scope"]),
    "scope backwards": ({"scope__0__to_s": 0.05}, ["scope.0.to_s = 0.05: must be later than from_s = 0.1", "Exchange"]),
    "scope too coarse": (
        {"scope__0__step_s": 1e-3},
        ["scope.0.step_s = 0.001: must not be longer than a tick", "shorten"],
    ),
    "scope too fine": (
        {"scope__0__step_s": 1e-11},
        ["scope.0.step_s = 1e-11: would write 1e+09 rows, more than 20000000", "Set step_s = 5e-10"],
    ),
    "scope incomplete": ({"scope__0__step_s": REMOVE}, ["scope.0.step_s: is missing", "Add step_s = ... to [[scope]]"]),
    "bits without range": (
        {"sensors__current__range_A": REMOVE},
        ["sensors.current.adc_bits = 12: a converter needs its range", "Add range_A"],
    ),
    "link bits without range": (
        {"sensors__link_voltage__adc_bits": 12},
        ["sensors.link_voltage.adc_bits = 12: a converter needs its range", "Add range_V"],
    ),
    "resolver pole pairs": (
        {"sensors__position__pole_pairs": 3},
        ["sensors.position.pole_pairs = 3: must divide the machine's pole_pairs = 4", "Take one of 1, 2, 4"],
    ),
    "machine without torque": (
        {"machine__magnet_flux_Wb": 0, "machine__inductance_q_H": 0.2e-3},
        ["machine.magnet_flux_Wb = 0", "makes no torque", "Give magnet_flux_Wb"],
    ),
    "class without module": (
        {"controller__class": "Mine"},
        ['controller.class = "Mine": must name a module', "module:Class"],
    ),
    "class nowhere": (
        {"controller__class": "no_such_module_here:Mine"},
        ["controller.class", "no no_such_module_here.py beside the file", "Put no_such_module_here.py beside"],
    ),
    "class file nowhere": (
        {"controller__class": "x/y.py:Mine"},
        ["controller.class", "no such file: y.py", "Check the path"],
    ),
    "nan in the built-in's tuning": (
        {"controller__tuning__current_bandwidth_Hz": INF},
        ["controller.tuning.current_bandwidth_Hz = inf: must be finite", "Give a number"],
    ),
    "controller's machine": (
        {"controller__machine": {"inductance_q_mH": 0.5}},
        ["controller.machine.inductance_q_mH = 0.5: unknown key", 'Did you mean "inductance_q_H = 0.0005"'],
    ),
    "gate setting nowhere": (
        {"inverter__gate_setting": "brisk"},
        ['inverter.gate_setting = "brisk": the inverter has no such gate setting', "Remove it"],
    ),
    "device table falls back": (
        {"inverter__devices": {"kind": "mosfet", "on_resistance_ohm": [[150, 4e-3], [25, 2e-3]]}},
        ["inverter.devices.on_resistance_ohm", "degC 25.0 does not come after 150.0", "Sort the points"],
    ),
    "device below zero": (
        {"inverter__devices": {"kind": "mosfet", "on_resistance_ohm": -1e-3}},
        ["inverter.devices.on_resistance_ohm = -0.001: must not be negative", "Give values of 0 or more"],
    ),
    "key of a gate setting": (
        {"inverter__gate_settings": {"brisk": {"gate_onn_ohm": 1.0}}},
        ["inverter.gate_settings.brisk.gate_onn_ohm = 1.0: unknown key", 'Did you mean "gate_on_ohm"'],
    ),
    "energies of a gate setting": (
        {"inverter__gate_settings": {"brisk": {"energy_on_J": [[0, 1, 2]]}}},
        ["inverter.gate_settings.brisk.energy_on_J", "point 0 is [0, 1, 2], not a pair [A, J]"],
    ),
    "map without file": ({"machine__kind": "flux_map"}, ["machine.flux_map: is missing", "Add [machine.flux_map]"]),
    "enormous whole number": ({"run__seed": 2**70}, ["run.seed", "must be at most 9223372036854775807"]),
    "number beyond doubles": ({"supply__voltage_V": 10**400}, ["supply.voltage_V", "(V)"]),
    "chopper below the supply": (
        {"supply__chopper": {"resistance_ohm": 5.0, "on_above_V": 690.0, "off_below_V": 600.0}},
        ["supply.chopper.on_above_V = 690.0: must be above the supply's own 700 (V)"],
    ),
    "chopper thresholds crossed": (
        {"supply__chopper": {"resistance_ohm": 5.0, "on_above_V": 750.0, "off_below_V": 760.0}},
        ["supply.chopper.off_below_V = 760.0: must be below on_above_V = 750 (V)"],
    ),
    "chopper on a stiff link": (
        {"supply": {"voltage_V": 700.0, "chopper": {"resistance_ohm": 5.0, "on_above_V": 750.0, "off_below_V": 740.0}}},
        ["supply.chopper", "stands stiff", "Give supply.resistance_ohm"],
    ),
    "charge beyond 1": (
        {"supply": {"kind": "battery", "open_circuit_voltage_V": [[0, 600], [80, 700]], "resistance_ohm": 0.1,
                    "capacity_Ah": 9.0}},
        ["supply.open_circuit_voltage_V", "states of charge lie in 0..1"],
    ),
    "half an RC pair": (
        {"supply": {"kind": "battery", "open_circuit_voltage_V": 600.0, "resistance_ohm": 0.1, "capacity_Ah": 9.0,
                    "polarisation_resistance_ohm": 0.1}},
        ["supply.polarisation_time_constant_s: is missing; an RC pair has both"],
    ),
    "an RC pair faster than the loop around it": (
        {"supply": {"kind": "battery", "open_circuit_voltage_V": 600.0, "resistance_ohm": 0.1, "capacity_Ah": 9.0,
                    "polarisation_resistance_ohm": 0.3, "polarisation_time_constant_s": 20e-6}},
        ["supply.polarisation_time_constant_s = 2e-05: is too short beside a tick of 5e-05", "to resistance_ohm"],
    ),
    "triplen harmonic": (
        {"machine__emf_harmonics": [{"order": 9, "amplitude_percent": 1.0}]},
        ["machine.emf_harmonics.0.order = 9: is a multiple of 3"],
    ),
    "iron loss at no frequency": (
        {"machine__iron_loss": {"hysteresis_W": 50.0}},
        ["machine.iron_loss.frequency_Hz: is missing (Hz)"],
    ),
    "iron loss that falls a hertz": (
        {"machine__iron_loss": {"no_load_W": [[50.0, 100.0], [100.0, 120.0]]}},
        ["machine.iron_loss.no_load_W", "separates into a negative share"],
    ),
    "stiff shaft": (
        {"load": {"kind": "two_mass", "inertia_kg_m2": 1e-3, "load_inertia_kg_m2": 1e-3, "stiffness_Nm_per_rad": 1e7}},
        ["load.stiffness_Nm_per_rad", "too fast for the solver", "Set run.substeps"],
    ),
    "breakaway below friction of a second mass": (
        {"load": {"kind": "two_mass", "inertia_kg_m2": 0.1, "load_inertia_kg_m2": 0.1, "stiffness_Nm_per_rad": 1e3,
                  "coulomb_Nm": 5.0, "stiction_Nm": 1.0}},
        ["load.stiction_Nm = 1.0: must be at least coulomb_Nm = 5 (Nm)"],
    ),
    "road load told twice": (
        {"load": {"kind": "vehicle", "mass_kg": 1e3, "wheel_radius_m": 0.3, "gear_ratio": 9.0, "drag_area_m2": 0.7,
                  "road_load": {"F0_N": 100.0}}},
        ["load.drag_area_m2 = 0.7: and load.road_load both tell the road load"],
    ),
    "no road load": (
        {"load": {"kind": "vehicle", "mass_kg": 1e3, "wheel_radius_m": 0.3, "gear_ratio": 9.0, "drag_area_m2": 0.7}},
        ["load.rolling_coefficient: is missing"],
    ),
}  # fmt: skip
# Words of the language that a later version brings.
LATER = {
    "tolerance of a part": ({"inverter__tolerance": {"dead_time_s": 1e-7}}, "inverter.tolerance"),
}


@pytest.mark.parametrize("name", BAD)
def test_one_sentence_names_file_key_rule_and_remedy(name, tmp_path):
    changes, words = BAD[name]
    problems = problems_of(write(tmp_path, spoiled(**changes)))
    hits = [p for p in problems if all(word in p for word in words)]
    assert len(hits) == 1, "\n".join(problems)
    assert "bench.toml" in hits[0]


@pytest.mark.parametrize("name", LATER)
def test_what_a_later_version_brings_is_refused_in_a_sentence_of_its_own(name, tmp_path):
    changes, key = LATER[name]
    (problem,) = problems_of(write(tmp_path, spoiled(**changes)))
    assert key in problem and "not available in this version" in problem


def test_all_problems_of_a_file_come_at_once(tmp_path):
    changes = {
        "machine__pole_pairs": "4",
        "inverter__dead_time_s": 60e-6,
        "load__speed_rpm": [],
        "controller__mode": "sped",
        "expect__0__signal": "torqe",
        "expect__1__to_s": 0.5,
        "scope__0__step_s": 1.0,
        "run__zzz": 1,
        "fault": [{"kind": "x"}],
    }
    problems = problems_of(write(tmp_path, spoiled(**changes)))
    for key in (
        "machine.pole_pairs",
        "inverter.dead_time_s",
        "load.speed_rpm",
        "controller.mode",
        "expect.0.signal",
        "run.zzz",
        "fault",
    ):
        assert sum(key in p for p in problems) == 1, key
    # The window depends on [run], which is wrong itself here.
    assert len(problems) == 7


def test_right_entries_of_a_list_are_checked_beside_wrong_ones(tmp_path):
    problems = problems_of(write(tmp_path, spoiled(expect__0__signal="torqe", expect__1__to_s=0.5)))
    assert len(problems) == 2 and "expect.1.to_s" in problems[1]


def test_the_sentence_names_the_file_that_wrote_the_value(tmp_path):
    write(tmp_path, {"kind": "constants", "pole_pairs": "four"}, "motors/odd.toml")
    write(tmp_path, spoiled(supply__voltage_V="700"), "ground.toml")
    top = write(tmp_path, 'base = "ground.toml"\nmachine = { part = "motors/odd" }\n[run]\nduration_s = "1"\n', "top.toml")
    named = {p.split(": ")[0].rsplit("/", 1)[-1]: p for p in problems_of(top, ["load.speed_rpm=fast"])}
    assert "run.duration_s" in named["top.toml"]
    assert "supply.voltage_V" in named["ground.toml"]
    assert "load.speed_rpm" in named["top.toml (--set)"]


def test_the_ratio_of_two_keys_is_blamed_on_the_one_written_last(tmp_path):
    motor = {k: v for k, v in spoiled()["machine"].items()}
    write(tmp_path, motor, "motors/tractor.toml")
    document = spoiled(machine={"part": "motors/tractor"})

    def told(document, overrides=()):
        problems = [p for p in problems_of(write(tmp_path, document), overrides) if "L/R" in p]
        assert len(problems) == 1, problems
        return problems[0].replace(str(tmp_path) + "/", "")

    document["machine"]["stator_resistance_ohm"] = 100.0
    slip = told(document)
    assert slip.startswith("bench.toml: machine.stator_resistance_ohm = 100.0: L/R = 0.0002 H / 100 ohm = 2e-06 (s)")
    assert "with machine.inductance_d_H = 0.0002 of motors/tractor.toml" in slip
    document["machine"] = {"part": "motors/tractor", "inductance_q_H": 2.0}
    slip = told(document)
    assert slip.startswith("bench.toml: machine.inductance_q_H = 2.0: L/R = 2 H / 0.01 ohm = 200 (s)")
    assert "with machine.stator_resistance_ohm = 0.01 of motors/tractor.toml" in slip
    # The file wrote the inductance, --set the resistance above it; and the other way round.
    document["machine"] = {"part": "motors/tractor", "inductance_q_H": 0.5e-3}
    assert told(document, ["machine.stator_resistance_ohm=100"]).startswith("bench.toml (--set): machine.stator")
    document["machine"] = {"part": "motors/tractor", "stator_resistance_ohm": 0.02}
    assert told(document, ["machine.inductance_q_H=5.0"]).startswith("bench.toml (--set): machine.inductance_q_H = 5.0")
    write(tmp_path, document, "ground.toml")
    top = told('base = "ground.toml"\n[machine]\nstator_resistance_ohm = 50.0\n')
    assert top.startswith("bench.toml: machine.stator_resistance_ohm = 50.0")


def test_a_belief_s_ratio_is_blamed_on_the_belief_s_own_key(tmp_path):
    (slip,) = problems_of(write(tmp_path, spoiled(controller__machine={"stator_resistance_ohm": 100.0})))
    assert "controller.machine.stator_resistance_ohm = 100.0: L/R = 0.0002 H / 100 ohm" in slip
    assert "with machine.inductance_d_H = 0.0002 of" in slip
    # A slip of the machine is not told a second time for a belief that leaves it alone.
    (slip,) = problems_of(write(tmp_path, spoiled(machine__inductance_q_H=2.0, controller__machine={"pole_pairs": 3})))
    assert "bench.toml: machine.inductance_q_H = 2.0" in slip


@pytest.mark.parametrize("table", ["machine", "inverter", "supply", "load", "controller__machine"])
def test_a_remedy_names_a_part_only_where_the_library_has_it(tmp_path, table, monkeypatch):
    import re

    from simcore.scenario import parts

    shipped = [name for name in parts.shipped_parts() if not name.startswith("loads/")]
    monkeypatch.setattr(parts, "shipped_parts", lambda: shipped)
    (problem,) = problems_of(write(tmp_path, spoiled(**{f"{table}__part": 5})))
    named = re.findall(r'part = "([^"]+)"', problem)
    assert all(name in shipped for name in named)
    assert (named == []) == (table == "load") and "must be the name of a part" in problem
    (problem,) = problems_of(write(tmp_path, spoiled(**{f"{table}__part": "qqqqqq"})))
    listed = re.findall(r"\w+/\w+", problem.split("parts library. ")[1])
    assert len({name.split("/")[0] for name in listed}) == (0 if table == "load" else 1)
    assert "Name a TOML file beside the scenario" in problem if table == "load" else listed


@pytest.mark.parametrize("signal", ["binding_limit", "state"])
def test_codes_are_equal_without_a_tolerance(tmp_path, signal):
    from simcore.scenario import load_scenario

    expect = [{"signal": signal, "measure": "final", "equal": 0}]
    (wanted,) = load_scenario(write(tmp_path, spoiled(expect=expect))).expect
    assert wanted.equal == 0 and wanted.tolerance is None


def test_a_file_of_another_kind_is_refused_in_a_sentence(tmp_path):
    (tmp_path / "large.toml").write_bytes(b"#" * 10_000_001)
    (problem,) = problems_of(tmp_path / "large.toml")
    assert problem.endswith("large.toml: is larger than 10 MB, which no such file needs. Check the path.")
    (tmp_path / "link.toml").symlink_to(tmp_path)
    (problem,) = problems_of(tmp_path / "link.toml")
    assert problem.endswith("link.toml: is a folder, not a file. Name a file in it.")
    (tmp_path / "loop.toml").symlink_to(tmp_path / "loop.toml")
    (problem,) = problems_of(tmp_path / "loop.toml")
    assert "loop.toml: cannot be read (" in problem
    (tmp_path / "gone.toml").symlink_to(tmp_path / "nowhere")
    (problem,) = problems_of(tmp_path / "gone.toml")
    assert "gone.toml: no such file" in problem


def test_a_file_that_may_not_be_read_is_refused_in_a_sentence(tmp_path, monkeypatch):
    from pathlib import Path

    path = write(tmp_path, spoiled())

    def refuse(self, *_):
        raise PermissionError(13, "Permission denied", str(self))

    monkeypatch.setattr(Path, "open", refuse)
    (problem,) = problems_of(path)
    assert problem.endswith("bench.toml: cannot be read (Permission denied). Check the path and its permissions.")


def test_an_unknown_table_is_laid_to_the_file_that_wrote_into_it(tmp_path):
    (problem,) = problems_of(write(tmp_path, spoiled()), ["runn.seed=3"])
    assert "bench.toml (--set): runn: unknown table or key" in problem
