"""Bases of data sheets against sampled sine waves, networks of coils and the balance of power; and back again."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simcore.scenario.data_sheet.winding_bases import BASES, RECIPROCAL, at_temperature, from_common, to_common

ALL = [(quantity, basis) for quantity, bases in BASES.items() for basis in bases]
VALUES = st.floats(1e-6, 1e6)
ANGLE = np.linspace(0.0, 2.0 * np.pi, 3600, endpoint=False)
SHIFTS = (0.0, 2.0 * np.pi / 3.0, 4.0 * np.pi / 3.0)
PAIRS, FLUX, RPM = 3, 0.11, 1000.0  # of a star's phase, peak


def waves(connection):
    """Voltages of one phase winding and between two terminals, over a turn, of the machine above at 1000 rpm.

    In a delta the windings lie between the terminals; they are wound so that the terminals show the same voltages.
    """
    omega_e = PAIRS * 2.0 * np.pi * RPM / 60.0
    star = [omega_e * FLUX * np.sin(ANGLE - shift) for shift in SHIFTS]
    lines = star[0] - star[1]
    return {"phase": star[0] if connection == "star" else lines, "line_line": lines}


def sampled(basis, connection="star"):
    where, across, _ = basis.partition("_peak_to_peak")
    if across:
        return np.ptp(waves(connection)[where])
    where, _, how = basis.rpartition("_")
    wave = waves(connection)[where]
    return wave.max() if how == "peak" else np.sqrt(np.mean(wave**2))


@given(st.sampled_from(ALL), VALUES, st.sampled_from(["star", "delta"]))
def test_every_basis_converts_back_and_forth(key, value, connection):
    common = to_common(*key, value, connection)
    assert common > 0.0
    assert from_common(*key, common, connection) == pytest.approx(value, rel=1e-12)


@given(st.sampled_from(ALL), VALUES)
def test_more_of_a_quantity_is_more_of_the_constant_and_twice_is_twice(key, value):
    ratio = to_common(*key, 2.0 * value) / to_common(*key, value)
    assert ratio == pytest.approx(0.5 if key[0] in RECIPROCAL else 2.0, rel=1e-12)


@pytest.mark.parametrize("connection", ["star", "delta"])
@pytest.mark.parametrize("basis", BASES["emf_V"])
def test_voltages_in_each_basis_are_those_of_sampled_waves(basis, connection):
    star_peak = waves("star")["phase"].max()
    assert to_common("emf_V", basis, sampled(basis, connection), connection) == pytest.approx(star_peak, rel=1e-5)


@pytest.mark.parametrize("connection", ["star", "delta"])
@pytest.mark.parametrize("basis", BASES["emf_constant_V_per_krpm"])
def test_emf_and_speed_constants_give_the_flux_that_made_the_waves(basis, connection):
    volts = sampled(basis, connection)
    pole_flux = PAIRS * FLUX
    assert to_common("emf_constant_V_per_krpm", basis, volts, connection) == pytest.approx(pole_flux, rel=1e-5)
    per_rad = volts / (2.0 * np.pi * RPM / 60.0)
    assert to_common("emf_constant_V_s_per_rad", basis, per_rad, connection) == pytest.approx(pole_flux, rel=1e-5)
    assert to_common("speed_constant_rpm_per_V", basis, RPM / volts, connection) == pytest.approx(pole_flux, rel=1e-5)


def test_torque_constants_follow_from_the_balance_of_power():
    # Power of EMF and current over speed, sampled over a turn, each phase's current along its EMF.
    omega = 2.0 * np.pi * RPM / 60.0
    emf = [PAIRS * omega * FLUX * np.sin(ANGLE - shift) for shift in SHIFTS]
    current = [np.sin(ANGLE - shift) for shift in SHIFTS]
    torque = np.mean(sum(e * i for e, i in zip(emf, current, strict=True))) / omega
    assert to_common("torque_constant_Nm_per_A", "peak", torque) == pytest.approx(PAIRS * FLUX, rel=1e-9)
    assert to_common("torque_constant_Nm_per_A", "rms", torque * math.sqrt(2.0)) == pytest.approx(PAIRS * FLUX, rel=1e-9)
    # Block commutation as sheets print it: the line-line peak EMF carries the direct current.
    block = sampled("line_line_peak") / omega
    assert to_common("torque_constant_Nm_per_A", "block", block) == pytest.approx(PAIRS * FLUX, rel=1e-5)


def test_kt_over_kv_as_practice_has_it(verified):
    # Kt = 8.27/Kv a peak ampere, 11.70/Kv an rms ampere, Kv in rpm a line-line peak volt: common practice, no source.
    pole_flux = to_common("speed_constant_rpm_per_V", "line_line_peak", 580.0)
    for basis, expected in (("peak", 8.27), ("rms", 11.70)):
        found = 580.0 * from_common("torque_constant_Nm_per_A", basis, pole_flux)
        what = f"torque constant an ampere ({basis}) times Kv in rpm a line-line peak volt"
        verified(what, "case from practice; 1.5/sqrt(3) 60/(2 pi) derived", expected, found, 0.005, "Nm/A rpm/V")
    block = from_common("torque_constant_Nm_per_A", "block", pole_flux)
    assert block == pytest.approx(60.0 / (2.0 * math.pi) / 580.0)


def test_the_flux_of_power_invariant_scaling(verified):
    # Morimoto, Sanada, Takeda, IEEE Trans. Ind. Appl. 30(4), 1994, machine with 0.1077 Wb (from memory).
    flux = to_common("magnet_flux_Wb", "power_invariant", 0.1077)
    source = "power-invariant to peak, sqrt(2/3); Morimoto, Sanada, Takeda, 1994 [M]"
    verified("magnet flux of machine A, typed as 0.1077 Wb power-invariant", source, 0.0879367, flux, 5e-7, "Wb")
    # Its torque is p psi iq there, and 1.5 p psi iq here with iq smaller by sqrt(2/3): the same torque.
    iq = 5.0 * math.sqrt(3.0)
    assert 1.5 * 2 * flux * (iq * math.sqrt(2.0 / 3.0)) == pytest.approx(2 * 0.1077 * iq)


def across(coils, terminals):
    """Impedance between one terminal and others joined: nodal analysis; coils: {(node, node): impedance}."""
    nodes = sorted({node for pair in coils for node in pair})
    one, *others = terminals
    joined = {node: others[0] if node in others else node for node in nodes}
    free = sorted(set(joined.values()) - {others[0]})
    matrix = np.zeros((len(free), len(free)))
    for pair, z in coils.items():
        a, b = (joined[node] for node in pair)
        for here, there in ((a, b), (b, a)):
            if here in free and a != b:
                matrix[free.index(here), free.index(here)] += 1.0 / z
                if there in free:
                    matrix[free.index(here), free.index(there)] -= 1.0 / z
    return np.linalg.inv(matrix)[free.index(one), free.index(one)]


@pytest.mark.parametrize("quantity", ["resistance_ohm", "inductance_H", "inductance_d_H", "inductance_q_H"])
@pytest.mark.parametrize("connection", ["star", "delta"])
def test_what_a_meter_shows_at_the_terminals_follows_from_the_network(quantity, connection):
    phase = 0.7
    star = {("a", "n"): phase, ("b", "n"): phase, ("c", "n"): phase}
    delta = {("a", "b"): phase, ("b", "c"): phase, ("c", "a"): phase}
    coils = star if connection == "star" else delta
    common = to_common(quantity, "phase", phase, connection)
    assert to_common(quantity, "line_line", across(coils, ["a", "b"]), connection) == pytest.approx(common)
    assert to_common(quantity, "one_to_two", across(coils, ["a", "b", "c"]), connection) == pytest.approx(common)
    # The equivalent star shows at its terminals what the delta shows.
    equivalent = {("a", "n"): common, ("b", "n"): common, ("c", "n"): common}
    assert across(equivalent, ["a", "b"]) == pytest.approx(across(coils, ["a", "b"]))


def test_line_line_inductance_over_a_turn_swings_between_twice_ld_and_twice_lq():
    # Flux of phases a and b with i in a and -i in b, by Park's matrices, over a turn.
    l_d, l_q = 0.2e-3, 0.6e-3
    turn = ANGLE[:, None] - np.array(SHIFTS)
    along, over = 2.0 / 3.0 * np.cos(turn), -2.0 / 3.0 * np.sin(turn)
    phase_current = np.array([1.0, -1.0, 0.0])
    psi_d, psi_q = l_d * (along @ phase_current), l_q * (over @ phase_current)
    psi = psi_d[:, None] * np.cos(turn) - psi_q[:, None] * np.sin(turn)
    swing = psi[:, 0] - psi[:, 1]
    assert to_common("inductance_H", "line_line_min", swing.min()) == pytest.approx(l_d, rel=1e-5)
    assert to_common("inductance_H", "line_line_max", swing.max()) == pytest.approx(l_q, rel=1e-5)
    assert to_common("inductance_H", "line_line", swing.mean()) == pytest.approx(0.5 * (l_d + l_q), rel=1e-9)


def test_copper_at_another_temperature(verified):
    for degC, expected in ((120.0, 1.365385), (180.0, 1.596154)):
        what = f"resistance of copper at {degC:g} degC over that at 25 degC, read from a sheet"
        verified(what, "IEC 60034-1, (235 + t)/(235 + 25) [M]", expected, at_temperature(1.0, 25.0, degC), 5e-7)
    assert at_temperature(at_temperature(0.3, 20.0, 155.0), 155.0, 20.0) == pytest.approx(0.3)
