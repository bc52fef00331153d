"""The open-loop voltage source on a winding without magnet, locked: closed forms of an RL circuit.

Expected numbers: phasor and start-up transient of R and L at an alternating voltage (any textbook of circuits), and the exact
sampled form for vectors that are held over an update.
"""

import cmath
import copy
import math

import numpy as np
import pytest

from simcore import Bench, ScenarioError
from simcore.scenario.reader import scenario_from

R, L, VDC, TICK = 0.5, 4e-3, 400.0, 50e-6
MODULATOR = 5
CIRCUIT = "phasor of R and L, closed form"
BASE = {
    "machine": {
        "kind": "constants", "pole_pairs": 3, "stator_resistance_ohm": R, "inductance_d_H": L, "inductance_q_H": L,
        "magnet_flux_Wb": 0.0, "max_current_A": 100, "max_speed_rpm": 6000,
    },
    "inverter": {"switching_frequency_Hz": 10000},
    "supply": {"kind": "source", "voltage_V": VDC},
    "load": {"kind": "locked"},
    "controller": {"mode": "open_loop", "tuning": {}},
    "commands": {"voltage_V": 50.0, "frequency_Hz": 50.0},
    "initial": {"angle_electrical_deg": 40.0},
    "run": {"duration_s": 0.2, "record_every": 1},
}  # fmt: skip


def make(**tables):
    document = copy.deepcopy(BASE)
    for name, table in tables.items():
        document[name] = {**document.get(name, {}), **table} if name in ("machine", "inverter", "controller", "run") else table
    return scenario_from(document, path="open.toml")


def run(in_python=False, **tables):
    return Bench(make(**tables)).run(in_python=in_python)


def vector(recording, kind="i"):
    """Stator-frame current or voltage vector of the phases, complex (rows,)."""
    a, b, c = (recording[f"{kind}{leg}_{'A' if kind == 'i' else 'V'}"] for leg in "abc")
    return (2.0 * a - b - c) / 3.0 + 1j * (b - c) / math.sqrt(3.0)


@pytest.mark.parametrize("update", ["double", "single"])
@pytest.mark.parametrize("frequency", [50.0, -50.0, 300.0, 0.0])
def test_current_of_a_winding_is_v_over_z(verified, frequency, update):
    recording = run(commands={"voltage_V": 50.0, "frequency_Hz": frequency}, inverter={"update": update})
    updates = 1 if update == "double" else 2
    w, held = 2.0 * math.pi * frequency, TICK * updates
    phasor = 50.0 / complex(R, w * L)
    late = slice(int(0.1 / TICK), None, updates)
    found = np.mean((vector(recording) * np.exp(-1j * w * recording.time_s))[late])
    # Vectors held over an update, sampled between them: i[k+1] = e^(-R T/L) i[k] + (1 - e^(-R T/L))/R v, v midway.
    decay = math.exp(-R * held / L)
    sampled = 50.0 * (1.0 - decay) / R * cmath.exp(0.5j * w * held) / (cmath.exp(1j * w * held) - decay)
    assert found == pytest.approx(sampled, rel=1e-6)
    close = 2e-4 if abs(frequency) < 100.0 else 4e-3
    what = "of R = 0.5 ohm, L = 4 mH at 50 V, {:.3g} Hz, open loop"
    verified("current " + what.format(frequency), CIRCUIT, abs(phasor), abs(found), close * abs(phasor), "A", row=frequency > 0)
    phase = math.degrees(cmath.phase(found))
    expected = math.degrees(cmath.phase(phasor))
    verified("phase of the current " + what.format(frequency), CIRCUIT, expected, phase, 0.02, "deg", row=frequency > 0)
    assert recording["torque_Nm"] == pytest.approx(0.0, abs=1e-9)
    assert np.all(np.isnan(recording["torque_estimate_Nm"])) and np.all(np.isnan(recording["id_reference_A"]))


def test_start_up_transient_of_a_winding(verified):
    """i(t) = V/Z (e^(j w t) - e^(j w t0) e^(-(t - t0) R/L)): the first vector acts one update after the first sample."""
    w, t0 = 2.0 * math.pi * 50.0, TICK
    recording = run(run={"duration_s": 0.05})
    t = recording.time_s
    phasor = 50.0 / complex(R, w * L)
    expected = phasor * (np.exp(1j * w * t) - np.exp(1j * w * t0) * np.exp(-(t - t0) * R / L))
    expected[t < t0] = 0.0
    found = vector(recording)
    assert np.max(np.abs(found - expected)) < 2e-3 * abs(phasor)
    at = int(0.01 / TICK)
    what = "current vector 10 ms after switching 50 V, 50 Hz onto R = 0.5 ohm, L = 4 mH"
    verified(what, "start-up of R and L, closed form", abs(expected[at]), abs(found[at]), 1e-3 * abs(phasor), "A")


@pytest.mark.parametrize("position", [{}, {"kind": "resolver", "mounting_offset_deg": 77.0, "amplitude_imbalance": 0.2}])
def test_no_position_sensor_is_used(position):
    shown = run(sensors={"position": position} if position else {}, run={"duration_s": 0.02})
    ideal = run(run={"duration_s": 0.02}, initial={"angle_electrical_deg": -120.0})
    for name in ("duty_a", "duty_b", "duty_c"):
        assert np.array_equal(shown[name], ideal[name])


def test_a_linear_ramp_of_frequency_turns_by_its_integral():
    """f = 2000 t: the middle of each held vector lies where pi 2000 t^2 and the advance at that frequency say."""
    ramp = {"points": [[0.0, 0.0], [0.1, 200.0]], "shape": "linear"}
    recording = run(commands={"voltage_V": 50.0, "frequency_Hz": ramp}, run={"duration_s": 0.1})
    sample = recording.time_s[:-1]
    angle = math.pi * 2000.0 * sample**2 + 2.0 * math.pi * 2000.0 * sample * 1.5 * TICK
    asked = 50.0 * np.exp(1j * angle)
    assert vector(recording, "v")[1:] == pytest.approx(asked, abs=1e-6)


def test_a_step_of_frequency_does_not_make_the_vector_jump():
    recording = run(commands={"voltage_V": 50.0, "frequency_Hz": [[0.0, 100.0], [0.01, -100.0]]}, run={"duration_s": 0.02})
    turned = np.angle(vector(recording, "v")[2:] / vector(recording, "v")[1:-1])
    most = 2.0 * math.pi * 100.0 * TICK
    assert turned[:190] == pytest.approx(most, abs=1e-9) and turned[-190:] == pytest.approx(-most, abs=1e-9)
    # Where the rate turns round, the advance of one and a half updates does too.
    assert np.max(np.abs(turned)) <= 3.0 * most + 1e-9


@pytest.mark.parametrize("compensated", [True, False])
def test_advance_for_the_delay(compensated):
    tuning = {"tuning": {"delay_compensation": compensated}}
    recording = run(controller=tuning, commands={"voltage_V": 50.0, "frequency_Hz": 200.0}, run={"duration_s": 0.01})
    middle = recording.time_s + 0.5 * TICK
    lag = 0.0 if compensated else 1.5 * TICK
    asked = 50.0 * np.exp(2j * math.pi * 200.0 * (middle - lag))
    assert vector(recording, "v")[1:] == pytest.approx(asked[1:], abs=1e-9)


def test_the_voltage_stops_at_the_modulator_and_says_so():
    recording = run(commands={"voltage_V": 300.0, "frequency_Hz": 50.0}, run={"duration_s": 0.01})
    limit = VDC / math.sqrt(3.0)
    assert np.abs(vector(recording, "v")[1:]) == pytest.approx(limit, abs=1e-6)
    assert recording["voltage_margin_V"] == pytest.approx(limit - 300.0, abs=1e-9)
    assert set(recording["binding_limit"]) == {MODULATOR}


@pytest.mark.parametrize("mode", ["open_loop", "current", "voltage"])
def test_compiled_and_python_steps_give_equal_bits(mode):
    commands = {
        "open_loop": {"voltage_V": 50.0, "frequency_Hz": {"points": [[0.0, 0.0], [0.01, 200.0]], "shape": "linear"}},
        "current": {"id_A": 20.0}, "voltage": {"vd_V": 10.0},
    }[mode]  # fmt: skip
    tables = {"controller": {"mode": mode}, "commands": commands, "run": {"duration_s": 0.02}}
    compiled, python = run(**tables), run(in_python=True, **tables)
    for name in compiled.signals:
        assert np.array_equal(compiled[name], python[name], equal_nan=True), name


# A machine without magnet -----------------------------------------------------------------------------------------------


def test_current_mode_drives_a_winding_without_magnet():
    recording = run(controller={"mode": "current"}, commands={"id_A": [[0.0, 0.0], [0.01, 40.0]]}, run={"duration_s": 0.03})
    assert recording["id_A"][-1] == pytest.approx(40.0, abs=1e-3)
    assert recording["iq_A"][-1] == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("mode", ["torque", "speed"])
def test_torque_of_a_winding_without_magnet_is_refused_in_one_sentence(mode):
    drive = {"load": {"kind": "free", "inertia_kg_m2": 0.1}}
    drive["commands"] = {"torque_Nm": 5.0} if mode == "torque" else {"speed_rpm": 100.0}
    with pytest.raises(ScenarioError) as caught:
        run(controller={"mode": mode}, **drive)
    (sentence,) = caught.value.problems
    assert sentence.startswith("open.toml: machine.magnet_flux_Wb = 0.0: with equal inductances and no magnet")
    assert 'controller.mode "current", "voltage" or "open_loop"' in sentence
    with pytest.raises(ScenarioError) as caught:
        run(machine={"magnet_flux_Wb": 0.1}, controller={"mode": mode, "machine": {"magnet_flux_Wb": 0.0}}, **drive)
    (sentence,) = caught.value.problems
    assert sentence.startswith(f'open.toml: controller.mode = "{mode}": no torque references can be made')
    assert "magnet flux, or unlike inductances" in sentence and '"open_loop"' in sentence


def test_a_reluctance_machine_needs_no_magnet():
    recording = run(machine={"inductance_d_H": 12e-3}, controller={"mode": "torque"}, commands={"torque_Nm": 20.0})
    assert recording["torque_Nm"][-1] == pytest.approx(20.0, rel=1e-3)


# Wrong input ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("commands", "words"),
    [
        ({"frequency_Hz": 5.0}, ['mode "open_loop" needs voltage_V', "Add voltage_V = "]),
        ({"voltage_V": -5.0}, ["commands.voltage_V = -5.0: an amplitude must not be negative (V)", "frequency_Hz"]),
        ({"voltage_V": 5.0, "frequency_Hz": 4000.0}, ["commands.frequency_Hz = 4000.0", "six updates a turn", "3333 Hz"]),
        ({"voltage_V": 5.0, "run_request": 0.5}, ["commands.run_request = 0.5: must step between 1 (run) and 0"]),
        (
            {"voltage_V": 5.0, "run_request": {"points": [[0.0, 1.0], [0.1, 0.0]], "shape": "linear"}},
            ["commands.run_request", "must step between 1 (run) and 0", "Write [["],
        ),
    ],
)
def test_wrong_commands_get_one_sentence(commands, words):
    with pytest.raises(ScenarioError) as caught:
        make(commands=commands)
    (sentence,) = caught.value.problems
    for word in words:
        assert word in sentence, sentence
