"""Thermal networks: Foster against Cauer, step and pulse responses, the modal two-port against general solvers.

Sources: T. Schuetze, Thermal equivalent circuit models, AN2008-03, 2008; V. Szekely on structure functions (both from memory)
for the two forms; the numbers of both conversions come from a continued fraction in 50-digit arithmetic, apart from here.
"""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.linalg import expm

from simcore.plant.thermal_network import (
    cauer_to_foster,
    foster_to_cauer,
    impedance,
    pulsed_rise,
    rise_with_feedback,
    two_port,
    zth,
)

NOTE = "Schuetze, AN2008-03, 2008 [M], continued fraction"
SHORT = ((0.1, 0.01), (0.3, 0.2))
LONG = ((0.010, 0.001), (0.035, 0.012), (0.045, 0.08), (0.020, 0.6))
CAUER = {
    SHORT: ((0.08695652174, 0.1312655087), (0.6520093139, 0.2687344913)),
    LONG: (
        (0.07400555042, 0.01781318247),
        (0.2563231332, 0.04251652726),
        (2.016023904, 0.03544380507),
        (39.44004969, 0.01422648520),
    ),
}


@pytest.mark.parametrize("foster", CAUER, ids=["two stages", "four stages"])
def test_a_foster_network_turns_into_the_ladder_of_the_continued_fraction(foster, verified):
    found = foster_to_cauer(foster)
    for k, (expected, stage) in enumerate(zip(CAUER[foster], found, strict=True), start=1):
        for what, unit, wanted, got in zip(("C", "R"), ("J/K", "K/W"), expected, stage, strict=True):
            name = f"Cauer {what}{k} of {len(foster)} Foster stages"
            verified(name, NOTE, wanted, got, 1e-9 * wanted, unit)
    assert sum(r for _, r in found) == pytest.approx(sum(r for r, _ in foster), rel=1e-14)
    assert found[0][0] == pytest.approx(1.0 / sum(r / tau for r, tau in foster), rel=1e-14)


@pytest.mark.parametrize("foster", CAUER)
def test_the_ladder_turns_back(foster):
    assert np.array(cauer_to_foster(CAUER[foster])) == pytest.approx(np.array(foster), rel=1e-8)


def test_the_step_response_is_that_of_the_reference_and_both_forms_agree(verified):
    expected = {1e-3: 0.009711956, 10e-3: 0.035406819, 0.1: 0.080169237, 1.0: 0.106222320, 5.0: 0.109995193}
    for time_s, value in expected.items():
        verified(f"Zth at {time_s:g} s", NOTE, value, zth(LONG, time_s), 1e-9, "K/W")
        # The same by integrating the ladder.
        assert _ladder_step(CAUER[LONG], time_s) == pytest.approx(value, abs=2e-9)


def test_the_impedance_to_swinging_losses(verified):
    for frequency, value in ((1.0, 0.085971334), (5.0, 0.054769344), (50.0, 0.017661761)):
        verified(f"Thermal impedance at {frequency:g} Hz", NOTE, value, abs(impedance(LONG, frequency)), 1e-9, "K/W")
        # The ladder's own impedance, stage by stage from the base.
        s, z = 2j * math.pi * frequency, 0.0
        for capacity, resistance in reversed(CAUER[LONG]):
            z = 1.0 / (s * capacity + 1.0 / (resistance + z))
        assert abs(z) == pytest.approx(value, abs=2e-9)


def test_pulses_settle_between_the_peak_and_the_valley_of_the_reference(verified):
    highest, lowest, mean = pulsed_rise(LONG, 1000.0, 20e-3, 0.5)
    source = "closed form of each stage's swing; AN2008-03 [M]"
    verified("Pulses 1 kW, 50 %, 20 ms: highest rise", source, 68.384374, highest, 1e-6, "K")
    verified("Pulses 1 kW, 50 %, 20 ms: lowest rise", source, 41.615626, lowest, 1e-6, "K")
    verified("Pulses 1 kW, 50 %, 20 ms: mean rise", source, 55.0, mean, 1e-9, "K")


def test_the_two_port_settles_on_the_same_pulses():
    port, rise = two_port(CAUER[LONG]), []
    v = np.zeros(4)
    for k in range(2000):
        v = _held(port, v, 1000.0 * (k % 2), 0.0, 10e-3)
        rise.append(port.to_junction @ v)
    # v after an even k is the end of the pause, after an odd one the end of the pulse.
    assert rise[-1] == pytest.approx(68.384374, abs=1e-5) and rise[-2] == pytest.approx(41.615626, abs=1e-5)


def test_copper_loss_that_grows_with_temperature(verified):
    # IEC 60034-1 style, alpha 0.00393 a kelvin at 20 C; dT = P0 R/(1 - a P0 R).
    found = rise_with_feedback(600.0, 0.05, 0.00393)
    verified("Copper rise with feedback, 600 W, 0.05 K/W", "fixed point of P0 (1 + a dT) R", 34.009749, found, 1e-6, "K")
    rise = 0.0
    for _ in range(200):
        rise = 600.0 * (1.0 + 0.00393 * rise) * 0.05
    assert found == pytest.approx(rise, rel=1e-12)
    # Runaway where P0 R = 1/a = 254.4529 K.
    assert math.isfinite(rise_with_feedback(254.4, 1.0, 0.00393)) and math.isinf(rise_with_feedback(254.5, 1.0, 0.00393))
    assert rise_with_feedback(600.0, 0.05, 0.0) == 30.0


def _matrices(cauer):
    """T' = A T + b P + c T_base of the ladder, node by node (Kirchhoff)."""
    n = len(cauer)
    a, b, c = np.zeros((n, n)), np.zeros(n), np.zeros(n)
    for k, (capacity, resistance) in enumerate(cauer):
        a[k, k] -= 1.0 / (resistance * capacity)
        if k + 1 < n:
            a[k, k + 1] += 1.0 / (resistance * capacity)
            a[k + 1, k] += 1.0 / (resistance * cauer[k + 1][0])
            a[k + 1, k + 1] -= 1.0 / (resistance * cauer[k + 1][0])
    b[0], c[-1] = 1.0 / cauer[0][0], 1.0 / (cauer[-1][0] * cauer[-1][1])
    return a, b, c


def _ladder_step(cauer, time_s):
    a, b, _ = _matrices(cauer)
    return (np.linalg.solve(a, (expm(a * time_s) - np.eye(len(b))) @ b))[0]


def _held(port, v, power_W, base, step_s):
    """The modes after a step with losses and base held."""
    decay = np.exp(-step_s / port.tau_s)
    return decay * v + (1.0 - decay) * port.tau_s * (port.from_power * power_W + port.from_base * base)


@pytest.mark.parametrize("cauer", [*CAUER.values(), ((0.5, 0.2),)], ids=["two", "four", "one"])
def test_the_two_port_is_the_ladder_with_a_base_that_moves(cauer):
    # Losses and base temperature wander; scipy integrates the ladder, the modes are stepped with both held over 20 us.
    a, b, c = _matrices(cauer)
    port, step, count = two_port(cauer), 20e-6, 5000
    middle = (np.arange(count) + 0.5) * step
    power_W = 500.0 + 400.0 * np.sin(300.0 * middle)
    base = 60.0 + 15.0 * np.sin(40.0 * middle)
    start = two_port(cauer).tau_s * port.from_base * 60.0  # everything at 60 degC

    def rate(t, x):
        return a @ x + b * (500.0 + 400.0 * math.sin(300.0 * t)) + c * (60.0 + 15.0 * math.sin(40.0 * t))

    ladder = solve_ivp(rate, (0.0, count * step), np.full(len(b), 60.0), method="LSODA", rtol=1e-10, atol=1e-10)
    v = start
    assert port.to_junction @ v == pytest.approx(60.0, rel=1e-12)
    assert port.to_flow @ v - 60.0 / port.last_K_per_W == pytest.approx(0.0, abs=1e-7)
    for k in range(count):
        v = _held(port, v, power_W[k], base[k], step)
    assert port.to_junction @ v == pytest.approx(ladder.y[0, -1], abs=2e-4)
    end = 60.0 + 15.0 * math.sin(40.0 * count * step)
    flow = (ladder.y[-1, -1] - end) / cauer[-1][1]
    assert port.to_flow @ v - end / port.last_K_per_W == pytest.approx(flow, abs=0.02)


@pytest.mark.parametrize("cauer", CAUER.values(), ids=["two", "four"])
def test_what_comes_in_is_stored_or_goes_into_the_base(cauer):
    # Energy balance over a pulse of 0.3 s: losses = stored heat + heat into the base (integrated as modes, exactly).
    port, power_W, base, time_s = two_port(cauer), 800.0, 25.0, 0.3
    start = port.tau_s * port.from_base * base
    end = _held(port, start, power_W, base, time_s)
    steady = port.tau_s * (port.from_power * power_W + port.from_base * base)
    swept = steady * time_s + (start - steady) * port.tau_s * -np.expm1(-time_s / port.tau_s)
    into_base = port.to_flow @ swept - base / port.last_K_per_W * time_s
    capacity = np.array([c for c, _ in cauer])
    stored = capacity @ (_temperatures(cauer, end) - _temperatures(cauer, start))
    assert power_W * time_s == pytest.approx(stored + into_base, rel=1e-9)


def _temperatures(cauer, v):
    """Node temperatures of modes v: the ladder's own eigenvectors, scaled so that the junction's row is the two-port's."""
    port, (a, _, _) = two_port(cauer), _matrices(cauer)
    values, vectors = np.linalg.eig(a)
    order = np.argsort(-1.0 / values)
    vectors = vectors[:, order] * (port.to_junction / vectors[0, order])
    return vectors @ v


@st.composite
def networks(draw):
    """Foster networks of one to six stages, time constants at least a factor 2 apart over eight decades."""
    count = draw(st.integers(1, 6))
    resistances = draw(st.lists(st.floats(1e-3, 2.0), min_size=count, max_size=count))
    tau, stages = 10.0 ** draw(st.floats(-5.0, -3.0)), []
    for resistance in resistances:
        stages.append((resistance, tau))
        tau *= draw(st.floats(2.0, 40.0))
    return tuple(stages)


@given(networks())
@settings(max_examples=60, deadline=None)
def test_any_network_comes_back_and_answers_alike(foster):
    cauer = foster_to_cauer(foster)
    assert all(c > 0.0 and r > 0.0 for c, r in cauer)
    assert sum(r for _, r in cauer) == pytest.approx(sum(r for r, _ in foster), rel=1e-12)
    back = np.array(cauer_to_foster(cauer))
    assert back == pytest.approx(np.array(foster), rel=1e-7)
    port = two_port(cauer)
    # At rest under losses the junction stands at P R over the base, and all of P flows into the base.
    v = port.tau_s * (port.from_power * 100.0 + port.from_base * 40.0)
    assert port.to_junction @ v == pytest.approx(40.0 + 100.0 * sum(r for r, _ in foster), rel=1e-9)
    assert port.to_flow @ v - 40.0 / port.last_K_per_W == pytest.approx(100.0, rel=1e-6, abs=1e-6 * 40.0 / port.last_K_per_W)


def test_a_foster_network_cannot_be_put_before_another_but_a_ladder_can():
    # Two networks one after the other: the ladders joined are right, the Foster stages joined are not (AN2008-03).
    case, sink = ((0.04, 0.02),), ((0.05, 5.0),)
    joined = foster_to_cauer(case) + foster_to_cauer(sink)
    right = [_ladder_step(joined, t) for t in (0.02, 0.1, 1.0)]
    assert zth(cauer_to_foster(joined), [0.02, 0.1, 1.0]) == pytest.approx(right, rel=1e-10)
    assert zth(case + sink, 0.02) != pytest.approx(right[0], rel=1e-3)


def test_stages_of_one_time_constant_cannot_be_told_apart():
    with pytest.raises(ZeroDivisionError):
        foster_to_cauer(((0.1, 1.0), (0.2, 1.0)))
