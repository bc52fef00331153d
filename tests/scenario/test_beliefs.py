"""[controller.machine], [controller.inverter], [controller.load]: what the controller is told; the drive stays as it is."""

import math

import pytest

from controllers import Command, Controller
from simcore import Bench, ScenarioError


class Listens(Controller):
    """Keeps what it is told."""

    def reset(self, setup):
        self.setup = setup

    def step(self, measured):
        return Command(0.5, 0.5, 0.5)


def told(scenario):
    return Bench(scenario, Listens()).setup()


def test_each_belief_reaches_the_controller_and_leaves_the_drive(make_scenario):
    scenario = make_scenario(
        inverter={"dead_time_s": 1e-6},
        load={"replace": True, "kind": "free", "inertia_kg_m2": 0.05},
        controller={
            "machine": {"magnet_flux_Wb": 0.08},
            "inverter": {"dead_time_s": 2e-6, "switching_frequency_Hz": 10010},
            "load": {"inertia_kg_m2": 0.06},
        },
    )
    setup = told(scenario)
    assert (setup.machine.magnet_flux_Wb, scenario.machine.magnet_flux_Wb) == (0.08, 0.07)
    assert (setup.inverter.dead_time_s, scenario.inverter.dead_time_s) == (2e-6, 1e-6)
    assert (setup.inertia_kg_m2, scenario.load.inertia_kg_m2) == (0.06, 0.05)
    # A controller counts time by its own clock.
    assert setup.update_s == setup.tick_s == 0.5 / 10010 and scenario.tick_s == 0.5 / 10000
    assert setup.inverter.update == scenario.inverter.update


def test_without_beliefs_it_is_told_the_truth(make_scenario):
    scenario = make_scenario()
    setup = told(scenario)
    assert setup.machine is scenario.machine and setup.inverter is scenario.inverter
    assert setup.inertia_kg_m2 is None and setup.tick_s == scenario.tick_s


def test_the_speed_loop_is_tuned_for_the_inertia_it_believes_in(make_scenario):
    def recording(believed):
        return Bench(
            make_scenario(
                load={"replace": True, "kind": "free", "inertia_kg_m2": 0.02},
                controller={"mode": "speed", "load": {"inertia_kg_m2": believed}},
                commands={"replace": True, "speed_rpm": [[0.0, 0.0], [0.005, 100.0]]},
            )
        ).run()

    # The first answer to a step is kp x half of it, and kp = w J with the believed inertia (DEVELOPERS.md, speed loop).
    step = 0.5 * 2.0 * math.pi * 20.0 * 100.0 * math.pi / 30.0
    for believed in (0.02, 0.03):
        asked = recording(believed)["torque_reference_Nm"]
        assert asked[asked > 0.0][0] == pytest.approx(step * believed, rel=1e-3)


def test_wrong_beliefs_are_told_like_wrong_keys(make_scenario):
    with pytest.raises(ScenarioError) as refused:
        make_scenario(controller={"inverter": {"dead_tim_s": 1e-6}, "load": {"speed_rpm": "fast"}})
    text = str(refused.value)
    assert "controller.inverter.dead_tim_s = 1e-06: unknown key" in text and 'Did you mean "dead_time_s"?' in text
    assert 'controller.load.speed_rpm = "fast": must be a number or a list' in text


def test_the_resolved_text_keeps_beliefs(make_scenario):
    from simcore.scenario.reader import scenario_from

    scenario = make_scenario(controller={"inverter": {"dead_time_s": 2e-6}})
    again = scenario_from(scenario.resolved)
    assert again.controller_inverter == scenario.controller_inverter != scenario.inverter
