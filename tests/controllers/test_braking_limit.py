"""Braking into a link that cannot take it: the built-in controller leads its voltage to a limit.  Closed forms derived here."""

import math

import numpy as np
import pytest
from shared_benches import BASE, merge

from simcore import Bench
from simcore.scenario import ScenarioError
from simcore.scenario.reader import scenario_from

C_F, LIMIT_V, RATE_Hz = 2e-3, 700.0, 10.0
# 400 V mains behind diodes (540 V), machine D of the references on a heavy shaft, from 6000 rpm.
STOP = {
    "machine": {"stator_resistance_ohm": 0.010, "inductance_d_H": 0.25e-3, "inductance_q_H": 0.25e-3, "magnet_flux_Wb": 0.06,
                "max_current_A": 300, "max_speed_rpm": 8000},
    "inverter": {"link_capacitance_F": C_F},
    "supply": {"kind": "rectifier", "line_voltage_V": 400, "frequency_Hz": 0, "resistance_ohm": 0.1, "inductance_H": 0.5e-3},
    "load": {"kind": "free", "inertia_kg_m2": 0.05},
    "controller": {"mode": "torque", "tuning": {"current_bandwidth_Hz": 500, "link_voltage_limit_V": LIMIT_V,
                                                "link_bandwidth_Hz": RATE_Hz}},
    "commands": {"torque_Nm": [[0.0, 0.0], [0.02, -100.0]]},
    "initial": {"speed_rpm": 6000.0},
    "run": {"duration_s": 0.1, "substeps": 4},
}  # fmt: skip


def stop(**tables):
    document = {name: value for name, value in BASE.items() if name not in ("supply", "load", "commands", "controller")}
    document = merge(document, STOP)
    for name, table in tables.items():
        document[name] = merge(document.get(name, {}), table) if name not in ("supply", "commands") else table
    return Bench(scenario_from(document, path="stop.toml")).run()


def energy(volts):
    return 0.5 * C_F * np.asarray(volts) ** 2


@pytest.fixture(scope="module")
def stopped():
    return stop()


def test_the_link_approaches_its_limit_and_does_not_pass_it(stopped):
    """100 Nm at 6000 rpm are 63 kW, which would take the 2 mF from 540 V to 700 V within 3.2 ms."""
    link = stopped["link_voltage_V"]
    assert link.max() < LIMIT_V and link[-1] > LIMIT_V - 5.0
    braking = stopped.time_s > 0.03
    assert {stopped.binding_names[int(code)] for code in stopped["binding_limit"][braking]} == {"link_voltage"}


def test_what_is_left_below_the_limit_falls_at_the_link_s_rate(stopped, verified):
    """W_limit - W = (W_limit - W_0) exp(-alpha t): alpha = 2 pi 10 Hz over 20 ms leaves 28.5 % of it."""
    at = np.interp([0.03, 0.05], stopped.time_s, energy(LIMIT_V) - energy(stopped["link_voltage_V"]))
    expected = math.exp(-2.0 * math.pi * RATE_Hz * 0.02)
    what = "energy left below the link's limit after 20 ms of braking, 10 Hz, over that before"
    verified(what, "exp(-alpha t), derived", expected, at[1] / at[0], 0.01)


def test_the_link_s_rise_is_the_energy_after_losses(stopped, verified):
    """C (V2^2 - V1^2)/2 = shaft's energy less copper loss; the diodes block, so that nothing else goes in or out."""
    begin, end = np.searchsorted(stopped.time_s, [0.025, 0.09])
    row = stopped.row_s
    rise_J = energy(stopped["link_voltage_V"][end]) - energy(stopped["link_voltage_V"][begin])
    gone_J = -np.sum(stopped["power_shaft_W"][begin:end] + stopped["loss_copper_W"][begin:end]) * row
    # Magnetic energy of the current that is wound down meanwhile.
    size = stopped["id_A"] ** 2 + stopped["iq_A"] ** 2
    gone_J += 0.75 * 0.25e-3 * (size[begin] - size[end])
    verified("rise of the link's energy while braking", "energy after losses, derived", gone_J, rise_J, 0.005 * gone_J, "J")


def test_a_full_link_ends_the_braking():
    """At the limit only the winding's loss could go on being braked: less than a watt here, and the shaft turns on."""
    found = stop(run={"duration_s": 0.4, "record_every": 8})
    late = found.time_s > 0.35
    assert np.abs(found["torque_Nm"][late]).max() < 0.01 and found["speed_rpm"][-1] > 5500.0
    assert found["link_voltage_V"].max() < LIMIT_V + 0.01


def test_a_supply_that_takes_the_power_is_found_out():
    """A battery of little resistance takes it all: the limit is felt for a moment and then the full torque is there."""
    battery = {"kind": "source", "voltage_V": 540.0, "resistance_ohm": 0.02, "inductance_H": 0.0}
    near = {"tuning": {"link_bandwidth_Hz": 0.0, "link_voltage_limit_V": 580.0}}
    found = stop(supply=battery, run={"duration_s": 0.06}, controller=near)
    assert np.mean(found["torque_Nm"][found.time_s > 0.05]) == pytest.approx(-100.0, abs=1.0)
    free = {"mode": "torque", "tuning": {"current_bandwidth_Hz": 500, "link_voltage_limit_V": 0.0}}
    unlimited = stop(supply=battery, controller=free, run={"duration_s": 0.06})
    felt = np.abs(found["torque_Nm"] - unlimited["torque_Nm"]) > 2.0
    assert 0.02 < found.time_s[np.flatnonzero(felt)[-1]] < 0.045


def test_driving_is_not_touched():
    forward = {"torque_Nm": [[0.0, 0.0], [0.02, 50.0]]}
    free = {"mode": "torque", "tuning": {"current_bandwidth_Hz": 500, "link_voltage_limit_V": 0.0}}
    limited, unlimited = stop(commands=forward), stop(commands=forward, controller=free)
    assert np.array_equal(limited["torque_Nm"], unlimited["torque_Nm"])


@pytest.mark.parametrize("direction", [1.0, -1.0])
def test_a_speed_loop_brakes_in_either_direction_below_the_limit(direction):
    found = stop(
        controller={"mode": "speed", "tuning": {"link_bandwidth_Hz": 40.0, "speed_bandwidth_Hz": 10}},
        commands={"speed_rpm": [[0.0, direction * 4000.0], [0.02, 0.0]]}, initial={"speed_rpm": direction * 4000.0},
        run={"duration_s": 0.3, "record_every": 4},
    )  # fmt: skip
    assert found["link_voltage_V"].max() < LIMIT_V + 1.0
    assert abs(found["speed_rpm"][-1]) < 4000.0


def test_noise_of_the_link_s_sensor_does_no_harm():
    found = stop(sensors={"link_voltage": {"noise_rms_V": 1.0, "adc_bits": 12, "range_V": 1000}})
    assert found["link_voltage_V"].max() < LIMIT_V + 2.0
    assert np.std(np.diff(found["torque_Nm"][found.time_s > 0.05])) < 2.0


def test_a_limit_without_a_capacitor_is_refused():
    with pytest.raises(ScenarioError) as refused:
        stop(inverter={"link_capacitance_F": 0.0}, supply={"kind": "source", "voltage_V": 540.0})
    assert "controller.tuning.link_voltage_limit_V = 700: needs the link capacitor" in str(refused.value)
