"""Current sensors: gain x i + offset, low-pass, noise, round to nearest, clip at the range; LSB = 2 range / 2^bits.

Expected numbers follow from that order (the scenario language's) by hand, and from the first-order low-pass.
"""

import math

import numpy as np
import pytest
from listener import listen

NAMES = ("controller_ia_A", "controller_ib_A", "controller_ic_A")


def told(current_A, angle_deg=0.0, **sensor):
    """Steady current vector of that size and direction => what the sensors tell of phases a, b, c."""
    angle = math.radians(angle_deg)
    recording = listen(
        initial={"id_A": current_A * math.cos(angle), "iq_A": current_A * math.sin(angle)},
        sensors={"current": sensor},
        run={"duration_s": 0.0002},
    )
    return np.array([recording[name][0] for name in NAMES])


def test_ideal_sensors_tell_the_phase_currents():
    """Positive sequence a, b, c: 100 A at 20 degrees."""
    expected = 100.0 * np.cos(np.radians([20.0, 20.0 - 120.0, 20.0 + 120.0]))
    assert told(100.0, 20.0) == pytest.approx(expected, abs=1e-9)


def test_gain_and_offset_belong_to_their_phase():
    """gain x i + offset, not gain x (i + offset): 100 A, -50 A, -50 A."""
    seen = told(100.0, gain=[1.02, 0.97, 1.1], offset_A=[3.0, -2.0, 5.0])
    assert seen == pytest.approx([105.0, -50.5, -50.0], abs=1e-9)


def test_two_sensors_give_the_third_from_their_sum():
    seen = told(100.0, phases="ab", gain=[1.02, 0.97, 9.0], offset_A=[3.0, -2.0, 7.0])
    assert seen == pytest.approx([105.0, -50.5, -54.5], abs=1e-9)


def test_measured_dq_has_no_zero_sequence_and_leaves_the_plant_alone():
    """Equal offsets in three phases are invisible in dq; the true current is what it was."""
    recording = listen(initial={"id_A": 30.0, "iq_A": -40.0}, sensors={"current": {"offset_A": [7.0, 7.0, 7.0]}})
    assert recording["id_measured_A"][0] == pytest.approx(30.0, abs=1e-9)
    assert recording["iq_measured_A"][0] == pytest.approx(-40.0, abs=1e-9)
    assert recording["id_A"][0] == pytest.approx(30.0, abs=1e-9)


def test_measured_dq_turns_with_the_measured_angle():
    """A sensor mounted 30 degrees ahead sees the current vector 30 degrees behind."""
    recording = listen(
        initial={"id_A": 100.0},
        sensors={"position": {"kind": "resolver", "pole_pairs": 1, "mounting_offset_deg": 30.0}},
    )
    seen = recording["id_measured_A"][0] + 1j * recording["iq_measured_A"][0]
    assert abs(seen) == pytest.approx(100.0, abs=1e-9)
    assert np.degrees(np.angle(seen)) == pytest.approx(-30.0, abs=1e-9)


# 12 bits over +-600 A: 1200 / 4096 = 0.29296875 A.
LSB = 0.29296875


@pytest.mark.parametrize(
    "steps, expected", [(10.49, 10), (10.51, 11), (-10.49, -10), (-10.51, -11), (0.49, 0), (0.51, 1), (-0.49, 0), (-0.51, -1)]
)
def test_converter_rounds_to_the_nearest_step(steps, expected):
    assert told(steps * LSB, adc_bits=12, range_A=600.0)[0] == pytest.approx(expected * LSB, abs=1e-9)


def test_offset_comes_before_rounding():
    """0.3 + 0.3 steps round to one step."""
    seen = told(0.3 * LSB, offset_A=[0.3 * LSB, 0.0, 0.0], adc_bits=12, range_A=600.0)
    assert seen[0] == pytest.approx(LSB, abs=1e-9)


@pytest.mark.parametrize("bits", [0, 12])
def test_range_clips_both_ways_after_gain_and_offset(bits):
    assert told(900.0, adc_bits=bits, range_A=600.0)[0] == pytest.approx(600.0, abs=1e-9)
    assert told(-900.0, adc_bits=bits, range_A=600.0)[0] == pytest.approx(-600.0, abs=1e-9)
    assert told(590.0, gain=[1.1, 1.0, 1.0], adc_bits=bits, range_A=600.0)[0] == pytest.approx(600.0, abs=1e-9)
    assert told(610.0, offset_A=[-20.0, 0.0, 0.0], range_A=600.0)[0] == pytest.approx(590.0, abs=1e-9)


def test_two_clipped_sensors_sum_to_the_third():
    seen = told(900.0, phases="ab", range_A=600.0)
    assert seen == pytest.approx([600.0, -450.0, -150.0], abs=1e-6)


def test_noise_comes_before_rounding_and_clipping():
    """Readings are whole steps and stay within the range, noise or not."""
    sensors = {"current": {"noise_rms_A": 2.0, "adc_bits": 10, "range_A": 600.0}}
    recording = listen(initial={"id_A": 598.0}, sensors=sensors, run={"duration_s": 0.05})
    steps = recording["controller_ia_A"] / (1200.0 / 1024.0)
    assert steps == pytest.approx(np.round(steps), abs=1e-9)
    assert recording["controller_ia_A"].max() == 600.0
    assert recording["controller_ia_A"].min() < 597.0


RL = {"inductance_d_H": 1e-3, "inductance_q_H": 1e-3, "stator_resistance_ohm": 1.0}
SHIFTS = np.array([0.0, 2.0 * math.pi / 3.0, -2.0 * math.pi / 3.0])


@pytest.mark.parametrize("load", [{"kind": "locked"}, {"kind": "rig", "speed_rpm": 30000}, {"kind": "rig", "speed_rpm": -9000}])
@pytest.mark.parametrize("bandwidth_Hz", [250.0, 500.0, 2000.0])
def test_low_pass_has_the_gain_and_phase_of_first_order(verified, bandwidth_Hz, load):
    """1/(1 + j f/fc) of a 500 Hz phase current, whatever the rotor does: -3 dB and -45 degrees at fc."""
    f1_Hz, tick_s = 500.0, 5e-6

    recording = listen(
        lambda update: 0.5 + 0.3 * np.cos(2.0 * math.pi * f1_Hz * (update + 0.5) * tick_s - SHIFTS),
        machine=RL,
        inverter={"switching_frequency_Hz": 100000},
        load=load,
        sensors={"current": {"bandwidth_Hz": bandwidth_Hz}},
        run={"duration_s": 0.02},
    )
    rows = slice(-2000, None)  # five periods of 400 ticks
    turned = np.exp(-2j * math.pi * f1_Hz * recording.time_s[rows])
    for told_name, true_name in zip(NAMES, ("ia_A", "ib_A", "ic_A"), strict=True):
        gain = np.mean(recording[told_name][rows] * turned) / np.mean(recording[true_name][rows] * turned)
        expected = 1.0 / (1.0 + 1j * f1_Hz / bandwidth_Hz)
        assert gain == pytest.approx(expected, abs=1e-4)
        what, shown = "{} of a sensor's low-pass at its bandwidth of 500 Hz", bandwidth_Hz == f1_Hz
        source = "first order, closed form"
        verified(what.format("gain"), source, abs(expected), abs(gain), 1e-4, row=shown)
        turned_deg = np.degrees(np.angle(gain / expected)) + np.degrees(np.angle(expected))
        slack = math.degrees(1e-4 / abs(expected))
        verified(what.format("phase"), source, np.degrees(np.angle(expected)), turned_deg, slack, "deg", row=shown)


def test_low_pass_step_reaches_63_percent_after_its_time_constant():
    """A current that rises within L/R = 30 us through a filter of 1 ms: 1 - (t1 exp(-t/t1) - t2 exp(-t/t2))/(t1 - t2)."""
    slow, fast, tick_s = 1e-3, 30e-6, 10e-6
    recording = listen(
        lambda update: (0.7, 0.4, 0.4),
        machine={"inductance_d_H": 0.3e-3, "inductance_q_H": 0.3e-3, "stator_resistance_ohm": 10.0},
        inverter={"switching_frequency_Hz": 50000},
        sensors={"current": {"bandwidth_Hz": 1.0 / (2.0 * math.pi * slow)}},
        run={"duration_s": 0.006, "substeps": 4},
    )
    t = np.maximum(recording.time_s - tick_s, 0.0)  # one update of delay
    final = 400.0 * 0.2 / 10.0
    expected = final * (1.0 - (slow * np.exp(-t / slow) - fast * np.exp(-t / fast)) / (slow - fast))
    assert recording["controller_ia_A"] == pytest.approx(expected, abs=1e-3 * final)
    after = round((slow + fast + tick_s) / tick_s)
    assert recording["controller_ia_A"][after] == pytest.approx(0.632 * final, rel=2e-3)


def test_low_pass_starts_settled():
    """A run that begins with current begins with filters that have seen it, offset and gain included."""
    sensor = {"bandwidth_Hz": 100.0, "gain": [1.1, 1.0, 1.0], "offset_A": [2.0, 0.0, 0.0]}
    recording = listen(initial={"id_A": 50.0}, sensors={"current": sensor}, run={"duration_s": 0.002})
    assert recording["controller_ia_A"] == pytest.approx(57.0, abs=0.01)


def test_low_pass_smooths_the_ripple_of_switched_legs():
    """Between the ticks too: the filter follows the switched current, solved here from the scope's samples."""
    fc_Hz, step_s = 3000.0, 0.25e-6
    recording = listen(
        lambda update: (0.75, 0.4, 0.3),
        machine={"inductance_d_H": 0.3e-3, "inductance_q_H": 0.3e-3, "stator_resistance_ohm": 1.0},
        inverter={"model": "switched", "dead_time_s": 1e-6},
        sensors={"current": {"bandwidth_Hz": fc_Hz}},
        # The filter takes the current as straight inside a solver step: many, for L/R = 0.3 ms.
        run={"duration_s": 0.002, "substeps": 16},
        scope=[{"from_s": 0.0, "to_s": 0.002, "step_s": step_s}],
    )
    true = recording.scopes[0]["ia_A"]
    decay = math.exp(-2.0 * math.pi * fc_Hz * step_s)
    filtered = np.zeros(len(true))
    for k in range(1, len(true)):
        filtered[k] = decay * filtered[k - 1] + (1.0 - decay) * 0.5 * (true[k] + true[k - 1])
    assert np.ptp(true[-400:]) > 5.0
    assert recording["controller_ia_A"] == pytest.approx(filtered[::200], abs=2e-3)


def test_shifted_sampling_delays_currents_angle_and_time_together():
    """20 us after the tick of a rotor at 3000 rpm (p = 1): angle and currents of that instant."""
    recording = listen(
        load={"kind": "rig", "speed_rpm": 3000.0},
        initial={"id_A": 100.0},
        sensors={"current": {"sample_shift_s": 20e-6}},
        run={"duration_s": 0.005},
    )
    omega_e = 3000.0 * math.pi / 30.0
    assert recording["controller_time_s"] == pytest.approx(recording.time_s + 20e-6, abs=1e-12)
    expected = np.angle(np.exp(1j * omega_e * (recording.time_s + 20e-6)))
    assert recording["controller_angle_rad"] == pytest.approx(expected, abs=1e-9)
