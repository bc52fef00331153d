"""Two masses on an elastic shaft: resonance and antiresonance, seen from the rotor, and backlash.

Source: rotor speed over torque H(s) = (J2 s^2 + d s + k)/(s (J1 J2 s^2 + (J1 + J2)(d s + k))), textbook (e.g. D. Schroeder,
Elektrische Antriebe, from memory; derived from Newton's law for both masses): dip at sqrt(k/J2), peak at sqrt(k (1/J1 + 1/J2)).
"""

import math

import numpy as np
import pytest

from simcore import Bench
from simcore.scenario.reader import scenario_from

TWO_MASS = "two masses and a spring, closed form"
J1, J2, STIFFNESS, DAMPING = 0.01, 0.03, 2000.0, 0.15
ANTIRESONANCE_HZ = math.sqrt(STIFFNESS / J2) / (2.0 * math.pi)
RESONANCE_HZ = math.sqrt(STIFFNESS * (1.0 / J1 + 1.0 / J2)) / (2.0 * math.pi)
SHAFT = {
    "kind": "two_mass", "inertia_kg_m2": J1, "load_inertia_kg_m2": J2, "stiffness_Nm_per_rad": STIFFNESS,
    "damping_Nm_s": DAMPING,
}  # fmt: skip
TICK_S = 1e-4
LINES_HZ = np.arange(10, 161, 1)
PERIOD_S = 1.0


def turned(commands, duration_s, load=None, initial=None):
    document = {
        "machine": {
            "kind": "constants", "pole_pairs": 2, "stator_resistance_ohm": 0.02, "inductance_d_H": 0.5e-3,
            "inductance_q_H": 0.5e-3, "magnet_flux_Wb": 0.1, "max_current_A": 500, "max_speed_rpm": 10000,
        },
        "inverter": {"switching_frequency_Hz": 0.5 / TICK_S},
        "supply": {"kind": "source", "voltage_V": 600},
        "load": {**SHAFT, **(load or {})},
        "controller": {"mode": "torque", "tuning": {"current_bandwidth_Hz": 500}},
        "commands": commands,
        "initial": initial or {},
        "run": {"duration_s": duration_s},
    }  # fmt: skip
    return Bench(scenario_from(document, path="shaft.toml")).run()


@pytest.fixture(scope="module")
def response():
    """Lines of 10 to 160 Hz at once, phases that keep the sum low (Schroeder); the third second, when the start has died out.

    => frequencies, rotor speed over air-gap torque, load speed over air-gap torque, all complex.
    """
    time_s = np.arange(int(3 * PERIOD_S / TICK_S) + 1) * TICK_S
    index = np.arange(len(LINES_HZ))
    phase = -math.pi * index * (index + 1) / len(LINES_HZ)
    torque = sum(0.5 * np.cos(2.0 * math.pi * f * time_s + p) for f, p in zip(LINES_HZ, phase, strict=True))
    points = [[float(t), float(v)] for t, v in zip(time_s, torque, strict=True)]
    recording = turned({"torque_Nm": {"points": points, "shape": "linear"}}, 3 * PERIOD_S)
    count = round(PERIOD_S / TICK_S)
    lines = [np.fft.rfft(recording[name][-count:])[LINES_HZ] for name in ("torque_Nm", "speed_rpm", "speed_load_rpm")]
    return LINES_HZ, lines[1] * math.pi / 30.0 / lines[0], lines[2] * math.pi / 30.0 / lines[0]


def transfer(frequency_Hz):
    s = 2j * math.pi * frequency_Hz
    link = DAMPING * s + STIFFNESS
    below = s * (J1 * J2 * s**2 + (J1 + J2) * link)
    return (J2 * s**2 + link) / below, link / below


def test_the_whole_response_of_both_masses(response):
    frequency, rotor, load = response
    expected = transfer(frequency)
    assert np.abs(rotor) == pytest.approx(np.abs(expected[0]), rel=1e-3)
    assert np.abs(load) == pytest.approx(np.abs(expected[1]), rel=1e-3)
    assert np.abs(np.angle(rotor / expected[0])).max() < 1e-3


def vertex(frequency, values):
    """Frequency of an extremum between its line and the two beside it, by a parabola."""
    k = int(np.argmax(values))
    a, b, c = values[k - 1 : k + 2]
    return frequency[k] + 0.5 * (a - c) / (a - 2.0 * b + c)


def test_dip_and_peak_lie_where_they_should(verified, response):
    frequency, rotor, _ = response
    dip, peak = vertex(frequency, -np.log(np.abs(rotor))), vertex(frequency, np.log(np.abs(rotor)))
    verified("antiresonance seen from the rotor, 0.03 kg m2 on 2000 Nm/rad", TWO_MASS, ANTIRESONANCE_HZ, dip, 0.3, "Hz")
    verified("resonance of 0.01 and 0.03 kg m2 on 2000 Nm/rad", TWO_MASS, RESONANCE_HZ, peak, 0.3, "Hz")


def test_it_swings_after_a_pulse_of_torque(verified):
    """Free of torque after the pulse: the twist decays at d/2 (1/J1 + 1/J2) and swings at the damped resonance."""
    recording = turned({"torque_Nm": [[0.0, 0.0], [0.01, 40.0], [0.02, 0.0]]}, 0.25)
    late = recording.time_s > 0.03
    time_s, twist = recording.time_s[late], recording["shaft_torque_Nm"][late]
    up = np.flatnonzero((twist[:-1] < 0.0) & (twist[1:] >= 0.0))
    crossings = time_s[up] - twist[up] * TICK_S / (twist[up + 1] - twist[up])
    decay = 0.5 * DAMPING * (1.0 / J1 + 1.0 / J2)
    damped = math.sqrt((2.0 * math.pi * RESONANCE_HZ) ** 2 - decay**2) / (2.0 * math.pi)
    found = (len(crossings) - 1) / (crossings[-1] - crossings[0])
    verified("swing of the shaft after a pulse of torque", TWO_MASS, damped, found, 2e-3 * damped, "Hz")
    crests = np.flatnonzero((twist[1:-1] > twist[:-2]) & (twist[1:-1] >= twist[2:]) & (twist[1:-1] > 0.0)) + 1
    slope, _ = np.polyfit(time_s[crests], np.log(twist[crests]), 1)
    verified("decay of that swing", TWO_MASS, decay, -slope, 0.02 * decay, "1/s")


def test_both_masses_keep_their_momentum(verified):
    """Whatever the shaft does, the pulse leaves J1 w1 + J2 w2 = its area behind; energy is kept but for the damping."""
    recording = turned({"torque_Nm": [[0.0, 0.0], [0.01, 40.0], [0.02, 0.0]]}, 0.25)
    momentum = (J1 * recording["speed_rpm"] + J2 * recording["speed_load_rpm"]) * math.pi / 30.0
    area = np.cumsum(recording["torque_Nm"]) * TICK_S
    assert momentum[1:] == pytest.approx(area[:-1], abs=0.01 * area[-1])
    assert np.ptp(momentum[300:]) < 1e-6 * momentum[-1] + 1e-3 * area[-1]
    assert abs(recording.audit["residual_relative"]) < 1e-6


@pytest.mark.parametrize("direction", [1.0, -1.0])
def test_backlash_lets_the_rotor_run_before_the_load_moves(verified, direction):
    """10 deg of play, from its middle: 5 deg to cross at T/J1, sqrt(2 x 5 deg J1/T) until the tooth takes hold."""
    recording = turned({"torque_Nm": direction * 5.0}, 0.05, {"backlash_deg": 10.0})
    moved = np.flatnonzero(np.abs(recording["shaft_torque_Nm"]) > 0.0)[0]
    torque_start = np.interp(2.5, np.abs(recording["torque_Nm"][:40]), recording.time_s[:40])
    expected = math.sqrt(2.0 * math.radians(5.0) * J1 / 5.0)
    found = recording.time_s[moved] - torque_start
    what = "time until a tooth takes hold, 10 deg of play, 5 Nm on 0.01 kg m2"
    verified(what, "Newton", 1e3 * expected, 1e3 * found, 0.2, "ms")
    assert np.all(recording["speed_load_rpm"][:moved] == 0.0)
    assert recording["speed_load_rpm"][-1] * direction > 0.0
