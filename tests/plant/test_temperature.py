"""Resistance and magnet flux at temperature.

Copper: R = R0 (235 + t)/(235 + t0), IEC 60034-1 style (from memory): 120 degC 1.365385, 180 degC 1.596154 of 25 degC. Magnet:
a linear coefficient, common practice.
"""

import math

import pytest

from controllers import Command, Controller
from simcore import Bench
from simcore.scenario.reader import scenario_from


def scenario(machine, mode="current", commands=None, duration_s=0.2, speed_rpm=300.0):
    return scenario_from(
        {
            "machine": {
                "kind": "constants", "pole_pairs": 4, "stator_resistance_ohm": 0.02, "inductance_d_H": 0.25e-3,
                "inductance_q_H": 0.25e-3, "magnet_flux_Wb": 0.06, "max_current_A": 300, "max_speed_rpm": 12000, **machine,
            },
            "inverter": {"switching_frequency_Hz": 10000},
            "supply": {"kind": "source", "voltage_V": 400},
            "load": {"kind": "rig", "speed_rpm": speed_rpm},
            "controller": {"mode": mode, "tuning": {"current_bandwidth_Hz": 500}},
            "commands": commands or {"iq_A": 100.0},
            "run": {"duration_s": duration_s, "record_every": 1},
        },
        path="warm.toml",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("machine", "ratio"),
    [
        ({}, 1.0),
        ({"winding_temperature_degC": 120}, 1.365385),
        ({"winding_temperature_degC": 180}, 1.596154),
        ({"winding_temperature_degC": -35}, 200.0 / 260.0),
        ({"winding_temperature_degC": 120, "reference_temperature_degC": 20}, 355.0 / 255.0),
    ],
)
def test_copper_loss_follows_the_windings_temperature(verified, machine, ratio):
    recording = Bench(scenario(machine)).run()
    found = recording["loss_copper_W"][-1] / (1.5 * 0.02 * 100.0**2)
    warm, cold = machine.get("winding_temperature_degC", 25), machine.get("reference_temperature_degC", 25)
    what = f"copper loss at {warm} degC over that at {cold} degC, same current"
    verified(what, "(235 + t)/(235 + t0), IEC 60034-1 style [M]", ratio, found, 2e-5 * ratio)
    assert recording["winding_degC"][-1] == machine.get("winding_temperature_degC", 25)


@pytest.mark.parametrize(
    ("magnet_degC", "reference_degC", "share"), [(25, 25, 1.0), (125, 25, 0.88), (-15, 25, 1.048), (120, 20, 0.88)]
)
def test_magnet_flux_follows_the_magnets_temperature(verified, magnet_degC, reference_degC, share):
    machine = {
        "magnet_temperature_degC": magnet_degC, "reference_temperature_degC": reference_degC,
        "magnet_temperature_coefficient_per_K": -0.0012, "winding_temperature_degC": reference_degC,
    }  # fmt: skip
    recording = Bench(scenario(machine)).run()
    found = recording["torque_Nm"][-1] / (1.5 * 4 * 0.06 * 100.0)
    what = f"magnet torque at {magnet_degC} degC over that at {reference_degC} degC, -0.12 % a kelvin"
    verified(what, "linear coefficient, common practice, no source", share, found, 1e-5 * share)
    assert recording["psi_d_Wb"][0] == pytest.approx(0.06 * share, rel=1e-12)


def test_open_circuit_voltage_shows_the_flux():
    # No current: vq = w psi.
    recording = Bench(
        scenario(
            {"magnet_temperature_degC": 125, "magnet_temperature_coefficient_per_K": -0.0012},
            commands={"iq_A": 0.0},
            speed_rpm=3000,
        )
    ).run()
    w = 4 * 3000 * math.pi / 30
    assert recording["vq_V"][-1] == pytest.approx(w * 0.06 * 0.88, rel=1e-3)


def test_the_controller_believes_in_the_warm_machine_unless_told_otherwise():
    # Torque mode needs iq = T/(1.5 p psi): 1/0.88 of the cold one's.
    warm = {"magnet_temperature_degC": 125, "magnet_temperature_coefficient_per_K": -0.0012}
    recording = Bench(scenario(warm, "torque", {"torque_Nm": 30.0})).run()
    assert recording["torque_Nm"][-1] == pytest.approx(30.0, rel=1e-4)
    assert recording["iq_A"][-1] == pytest.approx(30.0 / (1.5 * 4 * 0.06 * 0.88), rel=1e-4)


class Seen(Controller):
    signals = ("winding",)

    def reset(self, setup):
        self.belief = setup.machine

    def step(self, measured):
        return Command(0.5, 0.5, 0.5, extra=(measured.winding_degC,))


def test_a_controller_is_told_the_winding_temperature():
    controller = Seen()
    recording = Bench(scenario({"winding_temperature_degC": 95}, duration_s=1e-3), controller=controller).run()
    assert recording["controller_winding"][-1] == 95.0
    assert controller.belief.winding_temperature_degC == 95
