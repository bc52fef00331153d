"""The current loop against the exact sampled loop K/(z (z - 1)), which also pins the delay of one update.

With kp = K L/T, a winding without resistance and one update of delay the sampled loop is K/(z (z - 1)): no overshoot at
K = 1/4 (double pole 0.5), 1/27 at 1/3, 1/4 at 1/2, unstable above 1 (derived; pole cancellation after L. Harnefors,
H.-P. Nee, IEEE Trans. Ind. Appl. 34(1), 1998, from memory). python-control is the second opinion.
"""

import math

import control
import numpy as np
import pytest

from simcore import Bench
from simcore.scenario.reader import scenario_from

SWITCHING_HZ = 10000
LOOP = "closed form of K/(z (z - 1)), derived"
UPDATES = {"double": 1, "single": 2}  # ticks an update
MACHINE = {
    "kind": "constants", "pole_pairs": 4, "stator_resistance_ohm": 0.0, "inductance_d_H": 0.2e-3, "inductance_q_H": 0.6e-3,
    "magnet_flux_Wb": 0.07, "max_current_A": 400, "max_speed_rpm": 20000,
}  # fmt: skip


def run(update="double", machine=None, load=None, tuning=None, commands=None, duration_s=5e-3, **controller):
    """=> recording of the built-in controller in current mode unless told otherwise."""
    scenario = scenario_from(
        {
            "machine": {**MACHINE, **(machine or {})},
            "inverter": {"switching_frequency_Hz": SWITCHING_HZ, "update": update},
            "supply": {"kind": "source", "voltage_V": 400},
            "load": load or {"kind": "locked"},
            "controller": {"mode": "current", "tuning": tuning or {}, **controller},
            "commands": commands or {"iq_A": 10.0},
            "run": {"duration_s": duration_s, "record_every": 1},
        },
        path="loop.toml",
    )
    return Bench(scenario).run()


def bandwidth(gain, update):
    """Bandwidth in Hz whose crossover times the update period is the loop gain K."""
    return gain * SWITCHING_HZ * 2.0 / UPDATES[update] / (2.0 * math.pi)


def difference_equation(gain, count, delay=1):
    """Step response at the updates: i[k+1] = i[k] + K e[k - delay]."""
    i, errors = np.zeros(count), np.zeros(count)
    for k in range(count):
        errors[k] = 1.0 - i[k]
        if k + 1 < count:
            i[k + 1] = i[k] + (gain * errors[k - delay] if k >= delay else 0.0)
    return i


@pytest.mark.parametrize("update", UPDATES)
@pytest.mark.parametrize("axis", ["id_A", "iq_A"])
@pytest.mark.parametrize("gain", [0.25, 1.0 / 3.0, 0.5, 0.9])
def test_the_step_sample_by_sample(gain, axis, update):
    recording = run(update, tuning={"current_bandwidth_Hz": bandwidth(gain, update)}, commands={axis: 10.0})
    found = recording[axis][:: UPDATES[update]] / 10.0
    expected = difference_equation(gain, len(found))
    assert found == pytest.approx(expected, abs=1e-12)
    _, by_control = control.step_response(
        control.feedback(control.tf([gain], [1, -1, 0], 1.0), 1), T=np.arange(len(found), dtype=float)
    )
    assert found == pytest.approx(by_control, abs=1e-9)


@pytest.mark.parametrize("update", UPDATES)
@pytest.mark.parametrize(("gain", "overshoot"), [(0.25, 0.0), (1.0 / 3.0, 1.0 / 27.0), (0.5, 0.25)])
def test_overshoot_at_the_textbook_gains(verified, gain, overshoot, update):
    recording = run(update, tuning={"current_bandwidth_Hz": bandwidth(gain, update)}, duration_s=20e-3)
    found = 100.0 * (recording["iq_A"].max() / 10.0 - 1.0)
    what = f"overshoot of the current loop, K = wc T = {gain:.4g}, delay of one update"
    verified(what, LOOP, 100.0 * overshoot, found, 1e-7, "%")
    assert recording["iq_A"][-1] == pytest.approx(10.0, abs=1e-6)


@pytest.mark.parametrize("update", UPDATES)
@pytest.mark.parametrize(("gain", "grows"), [(0.98, False), (1.02, True)])
def test_stability_edge_at_a_gain_of_one(verified, gain, grows, update):
    # |pole| = sqrt(K): after n updates the swing is K^(n/2) of the first one's size.
    recording = run(update, tuning={"current_bandwidth_Hz": bandwidth(gain, update)}, commands={"iq_A": 1.0}, duration_s=15e-3)
    error = np.abs(recording["iq_A"][:: UPDATES[update]] - 1.0)
    period = 6  # the edge's oscillation: z = e^(j pi/3)
    first, last = error[period : 2 * period].max(), error[-period:].max()
    between = (len(error) - 2 * period) / 2.0
    assert last / first == pytest.approx(gain**between, rel=0.1)
    what = f"growth of the swing an update at K = {gain} (edge of stability: K = 1)"
    found = (last / first) ** (0.5 / between)
    verified(what, "pole radius sqrt(K), derived", math.sqrt(gain), found, 0.05 / between * math.sqrt(gain))
    assert (last > 1.5) if grows else (last < 0.5)


@pytest.mark.parametrize("delay", [0, 1, 2, 3])
def test_the_delay_is_the_whole_number_of_updates_asked_for(delay):
    gain = 0.2
    recording = run(tuning={"current_bandwidth_Hz": bandwidth(gain, "double")}, delay_updates=delay)
    assert recording["iq_A"] / 10.0 == pytest.approx(difference_equation(gain, len(recording), delay), abs=1e-12)


@pytest.mark.parametrize("update", UPDATES)
def test_a_command_acts_from_its_own_tick(update):
    # A point between two updates of a single-update loop is seen at the next update.
    at_s = 31 * 50e-6
    recording = run(
        update, tuning={"current_bandwidth_Hz": bandwidth(0.25, update)}, commands={"iq_A": [[0.0, 0.0], [at_s, 10.0]]}
    )
    moved = np.flatnonzero(np.abs(recording["iq_A"]) > 1e-9)[0]
    sampled = 31 if update == "double" else 32
    # Sampled, one update later in force, visible at the next tick.
    assert moved == sampled + UPDATES[update] + 1


@pytest.mark.parametrize("resistance_ohm", [0.01, 0.1])
@pytest.mark.parametrize("inductance_H", [0.2e-3, 1e-3])
def test_63_percent_after_one_over_the_bandwidth_when_the_delay_is_small(verified, resistance_ohm, inductance_H):
    # Field rule of pole cancellation, derived: first order with 1/wc whatever R and L; the delay comes on top.
    scenario = scenario_from(
        {
            "machine": {
                **MACHINE, "stator_resistance_ohm": resistance_ohm, "inductance_d_H": inductance_H,
                "inductance_q_H": inductance_H,
            },
            "inverter": {"switching_frequency_Hz": 200000},
            "supply": {"kind": "source", "voltage_V": 400},
            "load": {"kind": "locked"},
            "controller": {"mode": "current", "tuning": {"current_bandwidth_Hz": 300}},
            "commands": {"iq_A": 10.0},
            "run": {"duration_s": 4e-3, "record_every": 1},
        },
        path="slow.toml",
    )  # fmt: skip
    recording = Bench(scenario).run()
    w = 2.0 * math.pi * 300.0
    late = recording.time_s - 1.5 * 2.5e-6
    expected = np.where(late > 0.0, 10.0 * (1.0 - np.exp(-w * np.maximum(late, 0.0))), 0.0)
    # The dead time inside the loop quickens it by wc x 1.5 T = 0.7 %.
    assert recording["iq_A"] == pytest.approx(expected, abs=0.05)
    crossing = np.interp(1.0 - math.exp(-1.0), recording["iq_A"] / 10.0, recording.time_s)
    what = "time to 63 % at 300 Hz bandwidth, small delay, any R and L"
    verified(what, "pole cancellation, Harnefors, Nee, 1998 [M]", 1e3 / w, 1e3 * crossing, 0.015 * 1e3 / w, "ms")


@pytest.mark.parametrize("direction", [1.0, -1.0])
@pytest.mark.parametrize("compensated", [False, True])
def test_delay_compensation_at_18000_rpm(verified, compensated, direction):
    # Field note: p = 2, 10 kHz, 1.5 Ts = 32.4 deg electrical: sin = 0.536 of a q command lands on d without compensation.
    # Each held vector loses the gain sin(x)/x of x = 10.8 deg: 0.9941.
    recording = run(
        "single",
        machine={"pole_pairs": 2, "stator_resistance_ohm": 0.05, "magnet_flux_Wb": 0.02},
        load={"kind": "rig", "speed_rpm": direction * 18000},
        tuning={"delay_compensation": compensated},
        commands={"vq_V": 100.0},
        mode="voltage",
    )
    means = (recording["vd_V"] + 1j * recording["vq_V"])[4:].reshape(-1, 2).mean(axis=1) / 100.0
    lag = math.radians(32.4) * direction
    assert math.sin(lag) == pytest.approx(direction * 0.536, abs=5e-4)
    hold = math.sin(math.radians(10.8)) / math.radians(10.8)
    assert hold == pytest.approx(0.9941, abs=5e-5)
    expected = 1j * hold if compensated else 1j * hold * complex(math.cos(lag), -math.sin(lag))
    assert means == pytest.approx(np.full(len(means), expected), abs=1e-5)
    at = f"18 000 rpm, p = 2, 10 kHz, {'angle advanced' if compensated else 'angle not advanced'}"
    for found in means / 1j:
        lost = -direction * math.degrees(math.atan2(found.imag, found.real))
        expected_deg = 0.0 if compensated else 32.4
        verified(f"lag of the applied voltage, {at}", "1.5 update periods, closed form", expected_deg, lost, 6e-4, "deg")
        verified("gain of the held voltage at 18 000 rpm, p = 2, 10 kHz", "sin(x)/x, closed form", hold, abs(found), 1e-5)
        if not compensated:
            share = direction * found.imag / -abs(found)
            verified(f"share of a q voltage that lands on d, {at}", "sin(32.4 deg), field case", 0.5358268, share, 2e-5)


@pytest.mark.parametrize("delay", [0, 1, 2])
@pytest.mark.parametrize("update", UPDATES)
def test_the_advance_is_delay_and_a_half_updates(update, delay):
    recording = run(
        update,
        machine={"magnet_flux_Wb": 0.01},
        load={"kind": "rig", "speed_rpm": 6000},
        commands={"vd_V": 60.0, "vq_V": 80.0},
        mode="voltage",
        delay_updates=delay,
    )
    ticks = UPDATES[update]
    means = (recording["vd_V"] + 1j * recording["vq_V"])[4 * ticks :].reshape(-1, ticks).mean(axis=1)
    half = 0.5 * 4 * 6000 * math.pi / 30 * ticks * 50e-6
    assert means == pytest.approx(np.full(len(means), (60 + 80j) * math.sin(half) / half), abs=1e-3)


@pytest.mark.parametrize("speed_rpm", [500.0, 2000.0, -2000.0])
@pytest.mark.parametrize("decoupling", [False, True])
def test_a_proportional_loop_is_off_by_resistance_and_back_emf(verified, decoupling, speed_rpm):
    # Field note, derived: error (R i + w psi)/(K + R); it grows with speed and the feed-forward takes the w psi away.
    gain, resistance, current = 0.5, 0.05, 30.0
    recording = run(
        machine={"stator_resistance_ohm": resistance, "inductance_q_H": 0.2e-3},
        load={"kind": "rig", "speed_rpm": speed_rpm},
        tuning={
            "kp_d_V_per_A": gain, "kp_q_V_per_A": gain, "ki_d_V_per_As": 300.0, "ki_q_V_per_As": 0.0,
            "decoupling": decoupling,
        },
        commands={"iq_A": current},
        duration_s=0.1,
    )  # fmt: skip
    w = 4 * speed_rpm * math.pi / 30.0
    back_emf = 0.0 if decoupling else w * 0.07
    assert recording["id_A"][-1] == pytest.approx(0.0, abs=0.05)
    error = current - recording["iq_A"][-1]
    # The voltage of a tick is held: its mean is short by (w T/2)^2/6, here at most 0.15 V of 60 V, that is 0.15 V/(K + R).
    expected = (resistance * current + back_emf) / (gain + resistance)
    at = "with back-EMF fed forward, any speed" if decoupling else f"without feed-forward, {speed_rpm:g} rpm"
    what = f"steady error of a proportional current loop, {at}"
    verified(what, "(R i + w psi)/(K + R), field case, derived", expected, error, max(3e-3 * abs(expected), 0.06), "A")


def test_with_the_integral_the_error_is_gone():
    recording = run(
        machine={"stator_resistance_ohm": 0.05},
        load={"kind": "rig", "speed_rpm": 2000},
        tuning={"current_bandwidth_Hz": 500, "decoupling": False},
        commands={"id_A": -20.0, "iq_A": 30.0},
        duration_s=0.2,
    )
    assert recording["id_A"][-1] == pytest.approx(-20.0, abs=1e-6)
    assert recording["iq_A"][-1] == pytest.approx(30.0, abs=1e-6)


def test_decoupling_keeps_the_other_axis_still():
    # Without it a step of iq at speed drives id by w Lq iq; with it only the delay's residue is left.
    swing = {}
    for decoupling in (False, True):
        recording = run(
            machine={"stator_resistance_ohm": 0.01},
            load={"kind": "rig", "speed_rpm": 2000},
            tuning={"current_bandwidth_Hz": 300, "decoupling": decoupling},
            commands={"iq_A": [[0.0, 0.0], [0.05, 60.0]]},
            duration_s=0.06,
        )
        swing[decoupling] = np.abs(recording["id_A"][recording.time_s >= 0.05]).max()
    assert swing[True] < 0.15 * swing[False]
