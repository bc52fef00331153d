"""The self-test names what is wrong with a controller, and lets the shipped ones pass."""

import math
from pathlib import Path

import pytest
from wrong_controllers import Miswired, PlainController

import simcore
from simcore import load_scenario, self_test
from simcore.scenario import ScenarioError

FOLDER = Path(simcore.__file__).resolve().parent.parent / "scenarios"
COMMANDS = {"torque": {"torque_Nm": 10.0}, "current": {"iq_A": 10.0}, "voltage": {"vq_V": 1.0}, "speed": {"speed_rpm": 100.0}}


@pytest.fixture
def asked(make_scenario):
    """asked(mode, **tables) => Scenario of machine E in that mode."""

    def make(mode, **tables):
        load = {"replace": True, "kind": "free", "inertia_kg_m2": 0.05} if mode == "speed" else {}
        controller = {"mode": mode, **tables.pop("controller", {})}
        commands = {**COMMANDS[mode], "replace": True}
        # A winding with more resistance, so that what an integral part has to find is soon found.
        machine = {"stator_resistance_ohm": 0.05, **tables.pop("machine", {})}
        load = tables.pop("load", load)
        return make_scenario(machine=machine, load=load, controller=controller, commands=commands, **tables)

    return make


def wrong(findings):
    """{check: cause} of the checks that are wrong."""
    return {one.check: one.cause for one in findings if not one.passed}


def by_name(findings):
    return {one.check: one for one in findings}


@pytest.mark.parametrize("mode", COMMANDS)
def test_the_built_in_controller_passes_in_every_mode(asked, mode):
    findings = self_test(asked(mode))
    assert wrong(findings) == {} and all(one.verdict == "right" for one in findings)
    assert len(findings) >= 7


def test_a_plain_controller_that_is_right_passes(asked):
    for mode in ("torque", "current"):
        assert {one.verdict for one in self_test(asked(mode), PlainController())} == {"right"}


@pytest.mark.parametrize("name", ["torque_steps", "hoist_lift", "bilge_pump_start", "field_weakening", "speed_steps"])
def test_shipped_scenarios_pass(name):
    findings = self_test(load_scenario(FOLDER / f"{name}.toml"))
    assert wrong(findings) == {} and {one.verdict for one in findings} == {"right"}


RMS, POWER = math.sqrt(2.0), math.sqrt(2.0 / 3.0)
MISTAKES = {
    "currents swapped": ({"order": "acb"}, "settles", "phases_swapped", "measured currents only"),
    "duties swapped": ({"duty_order": "acb"}, "settles", "phases_swapped", "duties only"),
    "cable swapped": ({"order": "acb", "duty_order": "acb"}, "follows", "phases_swapped", "phases b and c"),
    "cable swapped, a and b": ({"order": "bac", "duty_order": "bac"}, "follows", "phases_swapped", "phases a and b"),
    "phases one place on": ({"order": "bca", "duty_order": "bca"}, "angle zero", "phases_rotated", "third of a turn"),
    "angle's sign": ({"angle_sign": -1.0}, "follows", "angle_sign", "sign of the angle"),
    "Park's sign": ({"park_sign": -1.0}, "settles", "angle_sign", "the Park transform"),
    "inverse Park's sign": ({"inverse_sign": -1.0}, "settles", "angle_sign", "the inverse Park transform"),
    "angle not used": ({"use_angle": False}, "follows", "no_angle", "stands still in the stator"),
    "power-invariant currents": ({"clarke": POWER}, "amplitude", "scaling", "sqrt(2/3)"),
    "no factor in Clarke": ({"clarke": 1.0}, "amplitude", "scaling", "a factor 2/3"),
    "rms for peak": ({"axes": lambda i: i * RMS}, "amplitude", "scaling", "sqrt(2): usually an rms value"),
    "90 deg": ({"offset_deg": 90.0}, "angle zero", "angle_zero", "quarter of a turn"),
    "10 deg": ({"offset_deg": 10.0}, "angle zero", "angle_zero", "1.5 % of the torque and 17 % stray id"),
    "line to line": ({"offset_deg": -30.0}, "angle zero", "angle_zero", "line-to-line"),
    "feedback's sign": ({"feedback": -1.0}, "settles", "feedback_sign", "drives the current on"),
    "no delay compensation": ({"advance": 0.0}, "delay", "delay", "1.5 update periods from sample to voltage are not"),
    "delay compensated backwards": ({"advance": -1.5}, "delay", "delay_sign", "back instead of ahead"),
    "half period forgotten": ({"advance": 1.0}, "delay", "delay", "half period"),
    "duties not clipped": ({"clip": False}, "duties", "duties", "duties lie in 0..1"),
}
BY_AXES = {
    "q for d": ({"axes": lambda i: 1j * i.conjugate()}, "angle zero", "axes_exchanged", "d and q are taken for each other"),
    "sign of iq": ({"axes": lambda i: i.conjugate()}, "angle zero", "iq_sign", "the sign of iq"),
    "sign of id": ({"axes": lambda i: -i.conjugate()}, "angle zero", "id_sign", "the sign of id"),
    "half a turn": ({"offset_deg": 180.0}, "angle zero", "half_turn", "half a turn"),
}
BY_TORQUE = {
    "q for d": ({"axes": lambda i: 1j * i.conjugate()}, "angle zero", "angle_zero", "iq stands on d: d and q taken"),
    "torque's sign": ({"axes": lambda i: -i}, "angle zero", "torque_sign", "wrong sign"),
    "torque's factor": ({"torque_factor": 1.0}, "amplitude", "scaling", "3/2 of the torque left out"),
}
CASES = [("current", name, *case) for name, case in (MISTAKES | BY_AXES).items()]
CASES += [("torque", name, *MISTAKES[name]) for name in ("currents swapped", "cable swapped", "angle's sign", "10 deg")]
CASES += [("torque", name, *case) for name, case in BY_TORQUE.items()]


@pytest.mark.parametrize("case", CASES, ids=lambda case: f"{case[0]}: {case[1]}")
def test_a_mistake_is_named(asked, case):
    mode, _, keywords, check, cause, words = case
    findings = self_test(asked(mode), PlainController(**keywords))
    named = next(one for one in findings if not one.passed)
    assert check in named.check and named.cause == cause and words in named.hint, (named, wrong(findings))


MISWIRED = {
    "currents": ({"order": "acb"}, "current settles", "phases_swapped", "measured currents only"),
    "cable": ({"order": "acb", "duty_order": "acb"}, "vector follows the rotor", "phases_swapped", "phases b and c"),
    "angle": ({"angle_sign": -1.0}, "vector follows the rotor", "angle_sign", "sign of the angle"),
    "zero": ({"offset_deg": 10.0}, "angle zero", "angle_zero", "17 % stray id"),
    "scale": ({"gain": math.sqrt(1.5)}, "amplitude", "scaling", "sqrt(2/3)"),
    "sign": ({"gain": -1.0}, "current settles", "feedback_sign", "drives the current on"),
}


@pytest.mark.parametrize("name", MISWIRED)
def test_a_mistake_behind_a_speed_loop_is_named(name):
    keywords, check, cause, words = MISWIRED[name]
    findings = self_test(load_scenario(FOLDER / "hoist_lift.toml"), Miswired(**keywords))
    named = next(one for one in findings if not one.passed)
    assert (named.check, named.cause) == (check, cause) and words in named.hint


def test_figures_of_a_mistake(asked, verified):
    """Costs of 10 deg and the lag without compensation as practice states them (field notes), scalings in closed form."""
    source = "case from practice; closed form"
    found = by_name(self_test(asked("current"), PlainController(offset_deg=10.0)))
    verified("self-test: angle zero of a controller that is 10 deg off", source, 10.0, found["angle zero"].value, 0.02, "deg")
    found = by_name(self_test(asked("current"), PlainController(clarke=POWER)))
    what = "self-test: amplitude of a controller with power-invariant currents"
    verified(what, "sqrt(2/3), closed form", POWER, found["amplitude"].value, 1e-3)
    machine = {"pole_pairs": 2, "magnet_flux_Wb": 0.02, "inductance_d_H": 0.02e-3, "inductance_q_H": 0.02e-3}
    fast = asked("current", machine=machine | {"max_speed_rpm": 18000, "max_current_A": 100}, inverter={"update": "single"})
    found = by_name(self_test(fast, PlainController(advance=0.0)))["delay compensated"]
    assert "at 1.8e+04 rpm" in found.expected and "54 % of a q voltage lands on d" in found.hint
    verified("self-test: lag at 18 000 rpm, p = 2, 10 kHz, angle not advanced", source, -32.4, found.value, 0.01, "deg")


def test_the_scenarios_sensors_show_when_left_in(asked):
    scenario = asked("torque", sensors={"position": {"kind": "resolver", "pole_pairs": 4, "mounting_offset_deg": 10.0}})
    assert wrong(self_test(scenario)) == {}
    findings = by_name(self_test(scenario, with_sensors=True))
    assert findings["angle zero"].value == pytest.approx(10.0, abs=0.05) and not findings["angle zero"].passed
    assert findings["torque"].hint == "it follows from the angle zero."


def test_a_resolver_with_quadrature_error_varies_with_the_angle(asked):
    """Quadrature 0.5 deg: 0.25 deg mean and 0.25 deg at order 2 of the resolver (case from practice)."""
    scenario = asked("current", sensors={"position": {"kind": "resolver", "pole_pairs": 4, "quadrature_error_deg": 0.5}})
    found = by_name(self_test(scenario, with_sensors=True))["angle zero"]
    assert found.passed and found.value == pytest.approx(0.25, abs=0.15)
    assert "with the rotor's angle" in found.found


def test_a_belief_that_is_wrong_shows_in_torque_and_is_no_mix_up(asked):
    scenario = asked("torque", controller={"machine": {"magnet_flux_Wb": 0.063}})
    findings = by_name(self_test(scenario))
    assert findings["angle zero"].passed and not findings["torque"].passed and findings["amplitude"].cause == ""
    assert "the machine it believes in" in findings["amplitude"].hint


TWO_MASS = {"kind": "two_mass", "inertia_kg_m2": 0.02, "load_inertia_kg_m2": 0.03, "stiffness_Nm_per_rad": 2000.0}
VEHICLE = {
    "kind": "vehicle", "mass_kg": 1000.0, "rolling_coefficient": 0.01, "drag_area_m2": 1.0, "wheel_radius_m": 0.3,
    "gear_ratio": 9.0,
}  # fmt: skip


@pytest.mark.parametrize("load", [TWO_MASS, VEHICLE], ids=["two_mass", "vehicle"])
def test_a_speed_controller_on_other_shafts_gets_a_free_one_of_their_inertia(asked, load):
    assert wrong(self_test(asked("speed", load={"replace": True, **load}))) == {}


def test_an_open_loop_controller_has_no_feedback():
    findings = self_test(load_scenario(FOLDER / "own_controller.toml"))
    assert wrong(findings) == {"current settles": "no_feedback"}


def test_a_source_without_rotor_frame_is_refused(make_scenario):
    commands = {"replace": True, "voltage_V": 1.0, "frequency_Hz": 1.0}
    scenario = make_scenario(controller={"mode": "open_loop"}, commands=commands)
    with pytest.raises(ScenarioError, match="follows no rotor"):
        self_test(scenario)


def test_what_an_own_class_is_asked_for_follows_from_the_commands(asked):
    scenario = asked("torque")
    controller = scenario.controller.model_copy(update={"mode": None, "class_": "mine:Mine"})
    own = scenario.model_copy(update={"controller": controller})
    assert by_name(self_test(own, PlainController()))["torque"].passed
    silent = own.model_copy(update={"commands": type(own.commands)()})
    with pytest.raises(ScenarioError, match="cannot tell what to ask"):
        self_test(silent, PlainController())
