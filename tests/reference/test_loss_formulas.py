"""Loss formulas of the inverter against closed forms, modulator by modulator.

Sources: J. W. Kolar, H. Ertl, F. C. Zach, IEEE Trans. Ind. Appl. 27(6), 1991, 1063-1075, and A. Casanellas, IEE Proc. EPA
141(5), 1994, for conduction and switching; J. W. Kolar, S. D. Round, IEE Proc. EPA 153(4), 2006, 535-543, for the capacitor
(all from memory; the closed forms are derived beside the checks, the figures were confirmed by integration).
"""

import math

import numpy as np
import pytest

from simcore.inverter.loss_formulas import (
    MODULATORS,
    capacitor_current_A,
    conduction,
    energy_at,
    leg_turn,
    link_current_A,
    switching,
    switching_factor,
)

KOLAR = "Kolar, Ertl, Zach, IEEE TIA 27, 1991 [M]"
CAPACITOR = "Kolar, Round, IEE Proc. EPA 153, 2006 [M]"
CASES = {"motoring": (100.0, 0.8, math.acos(0.9)), "regenerating": (100.0, 0.5, math.pi - math.acos(0.9))}
SYMMETRIC = ("sine", "third_harmonic", "svpwm", "dpwm1", "dpwm3")


def mean(current):
    return current


def square(current):
    return current**2


def nothing(current):
    return 0.0 * current


def device_current(modulation, case, law):
    """Mean of a law of the current in the upper switch and the lower diode of an IGBT leg."""
    amplitude, depth, phase = CASES[case]
    found = conduction(leg_turn(modulation, depth, amplitude, phase), law, law, synchronous=False)
    assert found.switch_lower == pytest.approx(found.switch_upper, rel=1e-9)
    assert found.diode_lower == pytest.approx(found.diode_upper, rel=1e-9)
    return found.switch_upper, found.diode_upper


def test_currents_of_transistor_and_diode(verified):
    # Means I (1/(2 pi) +- M cos/8); with sine PWM mean squares I^2 (1/8 +- M cos/(3 pi)).
    for modulation, case, law, what, expected in (
        ("sine", "motoring", mean, "mean [A]", (24.915494, 6.915494)),
        ("sine", "motoring", square, "mean square [A2]", (2013.94373, 486.05627)),
        ("sine", "regenerating", mean, "mean [A]", (10.290494, 21.540494)),
    ):
        found = device_current(modulation, case, law)
        for device, wanted, got in zip(("transistor", "diode"), expected, found, strict=True):
            verified(f"Formulas: {device} {what}, {modulation}, {case}", KOLAR, wanted, got, 3e-6 * wanted)


def test_mean_square_with_other_zero_sequences(verified):
    # 1/6 third harmonic: the sine's less M/6 cos(3 phi)/(15 pi) I^2; space vector: 2006.30984 by integration.
    for modulation, expected in (("third_harmonic", 2007.83218), ("svpwm", 2006.30984)):
        found, _ = device_current(modulation, "motoring", square)
        verified(f"Formulas: transistor mean square, {modulation}", KOLAR, expected, found, 2e-3, "A2")


def test_the_bridge_of_igbts(verified):
    # 0.9 V and 4 mohm, diode 1.0 V and 3.5 mohm, 100 A, M 0.8, cos 0.9, sine PWM.
    amplitude, depth, phase = CASES["motoring"]
    laws = (lambda i: 0.9 * i + 4e-3 * i**2, lambda i: 1.0 * i + 3.5e-3 * i**2)
    found = conduction(leg_turn("sine", depth, amplitude, phase), *laws, synchronous=False, dead_share=0.02)
    verified("Formulas: IGBT conduction", KOLAR, 30.479720, found.switch_upper, 5e-5, "W")
    verified("Formulas: diode conduction", KOLAR, 8.616691, found.diode_upper, 5e-5, "W")
    verified("Formulas: bridge of IGBTs", KOLAR, 234.57847, 3.0 * sum(found), 5e-4, "W")


@pytest.mark.parametrize("modulation", SYMMETRIC)
@pytest.mark.parametrize(("depth", "phase"), [(0.2, 0.0), (0.8, 0.6), (1.0, -2.5), (0.6, math.pi / 2.0)])
def test_channels_that_conduct_both_ways_carry_a_quarter_of_the_square(modulation, depth, phase, verified):
    # Whatever M, phi and modulator: rms^2 = I^2/4 a device, bridge loss 3 R I^2/2.  4.6 mohm, 300 A.
    found = conduction(leg_turn(modulation, depth, 300.0, phase), lambda i: 4.6e-3 * i**2, mean, synchronous=True)
    for watts in (found.switch_upper, found.switch_lower):
        verified("Formulas: a MOSFET both ways, any M, phi, modulator", "R I^2/4 [D]", 103.5, watts, 1e-4, "W")
    verified("Formulas: bridge of MOSFETs", "3 R I^2/2 [D]", 621.0, 3.0 * sum(found), 1e-4, "W")
    assert found.diode_upper == found.diode_lower == 0.0


@pytest.mark.parametrize("modulation", ["dpwm_min", "dpwm_max"])
def test_a_one_sided_clamp_loads_one_switch_more_and_the_leg_alike(modulation):
    found = conduction(leg_turn(modulation, 0.8, 300.0, 0.5), lambda i: 4.6e-3 * i**2, mean, synchronous=True)
    assert found.switch_upper + found.switch_lower == pytest.approx(207.0, rel=1e-6)
    assert (found.switch_upper > found.switch_lower) == (modulation == "dpwm_max")


def test_the_body_diode_in_the_dead_times(verified):
    # Both dead times of 0.5 us at 12 kHz, 300 A, 4.2 V: 2 Td fs (2 I/pi) Vsd a leg; the channel's share 2 Td fs R I^2/2.
    turn = leg_turn("sine", 0.8, 300.0, 0.4)
    without = conduction(turn, lambda i: 4.6e-3 * i**2, lambda i: 4.2 * i, synchronous=True)
    with_dead = conduction(turn, lambda i: 4.6e-3 * i**2, lambda i: 4.2 * i, synchronous=True, dead_share=2 * 0.5e-6 * 12e3)
    diodes = with_dead.diode_upper + with_dead.diode_lower
    source = "2 Td fs (2 I/pi) Vsd [D]"
    verified("Formulas: body diode a leg, 0.5 us, 12 kHz, 300 A, 4.2 V", source, 9.62569, diodes, 2e-5, "W")
    channel = sum(without[:2]) - sum(with_dead[:2])
    verified("Formulas: the channel's share less", "2 Td fs R I^2/2 [D]", 2.48400, channel, 1e-5, "W")


@pytest.mark.parametrize("phase", [0.0, math.pi])
def test_a_clamped_leg_has_no_dead_time(phase):
    # dpwm1 holds a leg for a third of the turn, at cos phi = +-1 around the current's peak: half of the mean current is left.
    free, held = (
        sum(conduction(leg_turn(kind, 0.8, 100.0, phase), nothing, mean, synchronous=True, dead_share=0.02))
        for kind in ("svpwm", "dpwm1")
    )
    assert free == pytest.approx(0.02 * 200.0 / math.pi, rel=1e-6) and held == pytest.approx(0.5 * free, rel=1e-6)


def linear(total_J, at_A):
    return lambda current: total_J * current / at_A


def test_switching_loss_of_a_device(verified):
    # E_tot 9.3 mJ at 300 A, 10 kHz, 300 A peak: fs E/pi a device, six of them.
    on, off, recovery = linear(5e-3, 300.0), linear(3.3e-3, 300.0), linear(1e-3, 300.0)
    for kind in ("sine", "third_harmonic", "svpwm"):
        found = switching(leg_turn(kind, 0.8, 300.0, 0.5), 10e3, on, off, recovery)
        total = found.switch_upper + found.diode_lower  # the edges while the current flows out of the leg
        verified("Formulas: switching, 9.3 mJ at 300 A, 10 kHz, a device", "fs E/pi; " + KOLAR, 29.60282, total, 1e-4, "W")
        assert sum(found) == pytest.approx(2.0 * total, rel=1e-9)
        assert found.diode_lower == pytest.approx(29.60282 / 9.3, rel=1e-5)


@pytest.mark.parametrize("phase", [0.6, -0.9])
@pytest.mark.parametrize("ratio", [20.0, 80.0])
def test_only_one_edge_that_costs_sees_the_current_of_its_instant(phase, ratio):
    # Edges lie duty/2 of a period after and before the middle of the upper on-time; averaged over the turn that changes
    # fs E/pi by pi^2 M sin(phi) f1/(8 fs), with opposite signs for turn-off and turn-on [D]; to second order in f1/fs.
    depth, off = 0.8, linear(10e-3, 100.0)
    turn = leg_turn("sine", depth, 100.0, phase, ratio)
    plain = 10e3 * 10e-3 / math.pi
    share = math.pi**2 * depth * math.sin(phase) / (8.0 * ratio)
    for sign, energies in ((1.0, (nothing, off, nothing)), (-1.0, (off, nothing, nothing))):
        found = switching(turn, 10e3, *energies)
        for watts in found[:2]:
            assert watts / plain - 1.0 == pytest.approx(sign * share, abs=2.0 / ratio**2)
    both = switching(turn, 10e3, off, off, nothing)
    assert both.switch_upper / plain == pytest.approx(2.0, abs=4.0 / ratio**2)


def test_a_one_sided_clamp_spares_the_devices_of_one_direction():
    # dpwm_max holds the leg high around its positive current: upper switch and lower diode switch less than the others.
    energy = linear(9e-3, 300.0)
    found = switching(leg_turn("dpwm_max", 0.8, 300.0, 0.0), 10e3, energy, energy, energy)
    assert found.switch_upper < 0.5 * found.switch_lower and found.diode_lower < 0.5 * found.diode_upper
    other = switching(leg_turn("dpwm_min", 0.8, 300.0, 0.0), 10e3, energy, energy, energy)
    assert other == pytest.approx([found[k] for k in (1, 0, 3, 2)], rel=1e-9)


def dpwm1(degrees):
    phase = math.radians(degrees)
    return 1.0 - math.cos(phase) / 2.0 if degrees <= 60 else math.sqrt(3.0) / 2.0 * abs(math.sin(phase))


FACTORS = {
    "dpwm1": {0: 0.50000, 15: 0.51704, 30: 0.56699, 45: 0.64645, 60: 0.75000, 75: 0.83652, 90: 0.86603},
    "dpwm_min": {0: 0.56699, 30: 0.62500, 60: 0.71651, 90: 0.75000},
    "dpwm_max": {0: 0.56699, 30: 0.62500, 60: 0.71651, 90: 0.75000},
    "dpwm3": {0: 0.63397, 30: 0.68301, 60: 0.68301, 90: 0.63397},
}


@pytest.mark.parametrize("kind", FACTORS)
def test_what_clamping_leaves_of_the_switching_loss(kind, verified):
    for degrees, expected in FACTORS[kind].items():
        for sign in (1.0, -1.0):
            found = switching_factor(kind, sign * math.radians(degrees))
            verified(f"Formulas: switching factor {kind} at {degrees} deg", KOLAR, expected, found, 1e-5)
        if kind == "dpwm1":
            assert found == pytest.approx(dpwm1(degrees), abs=1e-6)


def test_continuous_modulators_switch_all_the_time():
    assert [switching_factor(kind, 0.7) for kind in ("sine", "third_harmonic", "svpwm")] == [1.0] * 3


def test_energies_between_and_beyond_the_points():
    points = [[0, 1e-3], [100, 3e-3], [200, 7e-3]]
    assert energy_at(points, [0.0, 50.0, 150.0, 250.0]) == pytest.approx([1e-3, 2e-3, 5e-3, 9e-3])
    assert energy_at((), [5.0]) == 0.0 and energy_at([[0, 2e-3]], [5.0]) == 2e-3


def test_a_table_that_bends_by_quadrature():
    # E = k i^2 with a table of many points: the mean of cos^2 over a half turn is 1/4 a device.
    points = [[float(i), 1e-7 * i * i] for i in range(101)]
    found = switching(leg_turn("sine", 0.8, 100.0, 0.3), 10e3, lambda i: energy_at(points, i), nothing, nothing)
    # A chord lies h^2/6 above a parabola in the mean (1 A steps), over the half turn in which the current flows out.
    expected = 10e3 * 1e-7 * (100.0**2 / 4.0 + 0.5 / 6.0)
    assert found.switch_upper == pytest.approx(expected, rel=1e-5)


STRESS = {
    0.2: (0.234804, 0.314668, 0.409235, 0.444200, 0.480275),
    0.6: (0.406692, 0.479111, 0.574125, 0.610934, 0.649610),
    0.8: (0.469608, 0.510943, 0.569467, 0.593173, 0.618593),
    1.15: (0.563040, 0.511933, 0.419965, 0.372843, 0.311862),
}


def test_the_current_of_the_link_capacitor(verified):
    for depth, row in STRESS.items():
        for cosine, expected in zip((0.0, 0.5, 0.8, 0.9, 1.0), row, strict=True):
            found = capacitor_current_A(math.sqrt(2.0), depth, math.acos(cosine))
            verified(f"Formulas: capacitor current, M {depth}, cos {cosine}", CAPACITOR, expected, found, 1e-6, "of I")


@pytest.mark.parametrize("kind", MODULATORS)
def test_the_capacitor_does_not_feel_the_zero_sequence(kind):
    # Period by period: the link takes the current of every leg that is high; legs switch in the order of their duties.
    depth, phase = 0.8, math.acos(0.9)
    shift = 1200  # a third of a turn
    turn = leg_turn(kind, depth, math.sqrt(2.0), phase)
    duties = np.array([np.roll(turn.duty, k * shift) for k in range(3)])
    currents = np.array([np.roll(turn.current_A, k * shift) for k in range(3)])
    order = np.argsort(duties, axis=0)
    low, middle, high = (np.take_along_axis(duties, order[k : k + 1], axis=0)[0] for k in range(3))
    low_A, high_A = (np.take_along_axis(currents, order[k : k + 1], axis=0)[0] for k in (0, 2))
    square_A2 = np.mean((high - middle) * high_A**2 + (middle - low) * low_A**2)
    mean_A = np.mean((high - middle) * high_A - (middle - low) * low_A)
    assert mean_A == pytest.approx(link_current_A(math.sqrt(2.0), depth, phase), rel=1e-5)
    assert math.sqrt(square_A2) == pytest.approx(0.966982, abs=2e-6)
    assert math.sqrt(square_A2 - mean_A**2) == pytest.approx(0.593173, abs=2e-6)


def test_an_unknown_modulator_is_refused():
    with pytest.raises(ValueError, match="known are sine"):
        leg_turn("dpwm2", 0.5, 1.0, 0.0)
