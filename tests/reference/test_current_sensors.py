"""Current-sensor errors in a closed current loop: offsets at the electrical frequency, gain errors at twice of it.

Source: D.-W. Chung, S.-K. Sul, IEEE Trans. Ind. Appl. 34(2), 1998, 340-345 (from memory); figures derived for id = 0, equal
inductances and a loop much faster than the electrical frequency.
"""

import numpy as np
import pytest

SOURCE = "Chung, Sul, IEEE TIA 34, 1998 [M]"
# 4 pole pairs, 0.1 Wb: 0.6 Nm an ampere.  75 rpm is 5 Hz electrical, a hundredth of the loop's 500 Hz.  The measured currents
# feed the decoupling as well, so that R / kp of the offset is missing: little with 1 mohm.
MACHINE = {
    "pole_pairs": 4, "stator_resistance_ohm": 0.001, "inductance_d_H": 0.25e-3, "inductance_q_H": 0.25e-3,
    "magnet_flux_Wb": 0.1, "max_current_A": 300,
}  # fmt: skip


@pytest.fixture
def run(run_scenario):
    """run(iq [A], current sensor table) => Recording at 75 rpm; whole electrical periods from 0.2 to 0.6 s."""

    def run(iq_A, model="averaged", **sensor):
        return run_scenario(
            machine=MACHINE,
            inverter={"model": model},
            load={"speed_rpm": 75.0},
            controller={"mode": "current", "tuning": {"current_bandwidth_Hz": 500}},
            commands={"iq_A": iq_A},
            sensors={"current": sensor},
            run={"duration_s": 0.6, "record_every": 4},
        )

    return run


def ripple(recording, signal, order):
    return recording.measure(signal, "harmonic_amplitude", order=order, from_s=0.2, to_s=0.6)


# Torque at f1, peak: 1.5 p psi (2/sqrt 3) sqrt(da^2 + da db + db^2) with two sensors, p psi with one of three.
@pytest.mark.parametrize(
    "phases, offsets, expected, what",
    [
        ("ab", [1.0, 0.0, 0.0], 0.692820, "two sensors, 1 A and 0"),
        ("ab", [1.0, -1.0, 0.0], 0.692820, "two sensors, 1 A and -1 A"),
        ("ab", [1.0, 1.0, 0.0], 1.200000, "two sensors, 1 A each"),
        ("abc", [1.0, 0.0, 0.0], 0.400000, "three sensors, 1 A in one"),
        ("abc", [1.0, 1.0, 1.0], 0.0, "three sensors, 1 A in all"),
    ],
)
def test_offsets_make_torque_ripple_at_the_electrical_frequency(run, verified, phases, offsets, expected, what):
    recording = run(50.0, phases=phases, offset_A=offsets)
    found = ripple(recording, "torque_Nm", 1)
    what = f"torque ripple at f1 by sensor offsets, 0.6 Nm/A, {what}"
    verified(what, SOURCE, expected, found, max(2e-3 * expected, 1e-4), "Nm")
    assert ripple(recording, "torque_Nm", 2) < 1e-3
    assert recording.measure("torque_Nm", "mean", from_s=0.2, to_s=0.6) == pytest.approx(30.0, abs=1e-3)
    # The measured current looks perfect all the while.
    assert ripple(recording, "iq_measured_A", 1) < 0.02 * max(expected, 0.01) / 0.6


@pytest.mark.parametrize("offset_A", [1.0, -1.0])
def test_an_offset_shifts_the_true_current_the_other_way(run, offset_A):
    """The loop takes away what the sensor adds: phase a's true mean is -2/3 of the offset (zero sequence removed)."""
    recording = run(50.0, phases="abc", offset_A=[offset_A, 0.0, 0.0])
    assert recording.measure("ia_A", "mean", from_s=0.2, to_s=0.6) == pytest.approx(-2.0 / 3.0 * offset_A, abs=5e-3)
    assert recording.measure("ib_A", "mean", from_s=0.2, to_s=0.6) == pytest.approx(offset_A / 3.0, abs=5e-3)


# iq at 2 f1, peak I |ga - gb|/sqrt 3, mean shift -I (ga + gb)/2 with two sensors; I g/3 and -I g/3 with one of three.
@pytest.mark.parametrize(
    "phases, errors, at_2, shift, what",
    [
        ("ab", (0.01, 0.0, 0.0), 0.577350, -0.5, "two sensors, 1 % and 0"),
        ("ab", (0.01, -0.01, 0.0), 1.154701, 0.0, "two sensors, 1 % and -1 %"),
        ("ab", (0.01, 0.01, 0.0), 0.0, -1.0, "two sensors, 1 % each"),
        ("abc", (0.01, 0.0, 0.0), 0.333333, -0.333333, "three sensors, 1 % in one"),
    ],
)
def test_gain_errors_make_ripple_at_twice_the_electrical_frequency(run, verified, phases, errors, at_2, shift, what):
    gain = [1.0 + error for error in errors]
    recording = run(100.0, phases=phases, gain=gain)
    # First-order figures: a per cent of a per cent is left out.
    found = ripple(recording, "iq_A", 2)
    verified(f"q current at 2 f1 by gain errors, 100 A, {what}", SOURCE, at_2, found, 0.02 * at_2 + 1e-3, "A")
    mean = recording.measure("iq_A", "mean", from_s=0.2, to_s=0.6) - 100.0
    verified(f"shift of the q current by gain errors, 100 A, {what}", SOURCE, shift, mean, 0.02, "A", row=shift != 0.0)
    assert ripple(recording, "iq_A", 1) < 1e-3
    assert ripple(recording, "torque_Nm", 2) == pytest.approx(0.6 * at_2, rel=0.02, abs=1e-3)


def test_switched_legs_show_the_same_orders(run):
    """Ripple of the switched current vanishes at the samples, so that the sensor's errors stay what they are."""
    recording = run(50.0, model="switched", phases="ab", offset_A=[1.0, 0.0, 0.0])
    assert ripple(recording, "torque_Nm", 1) == pytest.approx(0.692820, rel=5e-3)


def test_a_slow_sensor_hides_the_overshoot_of_the_true_current(run_scenario):
    """A filter forgotten in the loop (300 Hz in a 500 Hz loop): the true current overshoots more than the measured one."""
    recording = run_scenario(
        machine=MACHINE,
        load={"speed_rpm": 75.0},
        commands={"iq_A": [[0.0, 0.0], [0.01, 50.0]]},
        sensors={"current": {"bandwidth_Hz": 300.0}},
        run={"duration_s": 0.03},
    )
    true, seen = recording["iq_A"], recording["iq_measured_A"]
    assert np.max(true) > 1.3 * 50.0
    assert np.max(true) > np.max(seen) + 5.0
