"""Efficiency maps against closed forms of machine E (invented): losses, operating points, the envelope and its limits.

Steady state of a permanent-magnet machine after S. Morimoto, Y. Takeda, T. Hirasa, K. Taniguchi, IEEE Trans. Ind. Appl. 26(5),
1990, 866-871 (from memory); worked numbers computed from the formulas, apart from this project.
"""

import math

import numpy as np
import pytest
from scipy.optimize import brentq
from shared_benches import BASE, MACHINE_E, merge

from simcore import Bench
from simcore.scenario.reader import scenario_from
from simcore.study.efficiency_map.measured import measured
from simcore.study.efficiency_map.study import run_map

MORIMOTO = "Morimoto et al., IEEE TIA 26, 1990 [M]"
P, R, LD, LQ, PSI, MOST_A, LINK_V = 4, 0.010, 0.2e-3, 0.6e-3, 0.07, 400.0, 400.0
DRIVE = merge(BASE, {"controller": {"mode": "torque"}, "commands": {"torque_Nm": 0.0}})
IRON = {"frequency_Hz": 400.0, "hysteresis_W": 300.0, "eddy_W": 500.0}


def scenario(change=None):
    return scenario_from(merge(DRIVE, change or {}), path="e.toml")


@pytest.fixture(scope="module")
def ideal():
    """Machine E on an ideal inverter, no voltage in reserve."""
    return run_map(scenario({"controller": {"tuning": {"voltage_use": 1.0}}}), "0:6000:7", "-300:300:7")


def rad_s(speed_rpm):
    return speed_rpm * math.pi / 30.0


def least_current(torque_Nm):
    """(torque) => id, iq of maximum torque per ampere."""
    side, wanted = math.copysign(1.0, torque_Nm), abs(torque_Nm)

    def point(current):
        id_A = (PSI - math.sqrt(PSI**2 + 8.0 * ((LQ - LD) * current) ** 2)) / (4.0 * (LQ - LD))
        return id_A, math.sqrt(current**2 - id_A**2)

    def excess(current):
        id_A, iq_A = point(current)
        return 1.5 * P * (PSI + (LD - LQ) * id_A) * iq_A - wanted

    id_A, iq_A = point(brentq(excess, 1e-6, MOST_A))
    return id_A, side * iq_A


def place(found, speed_rpm, torque_Nm):
    return found.grid.speeds_rpm.index(speed_rpm), found.grid.torques_Nm.index(torque_Nm)


@pytest.mark.parametrize(("speed_rpm", "torque_Nm"), [(1000.0, 100.0), (2000.0, 300.0), (1000.0, -200.0), (2000.0, -100.0)])
def test_machine_efficiency_is_shaft_power_over_shaft_power_and_copper_loss(verified, ideal, speed_rpm, torque_Nm):
    copper_W = 1.5 * R * sum(one**2 for one in least_current(torque_Nm))
    shaft_W = torque_Nm * rad_s(speed_rpm)
    expected = shaft_W / (shaft_W + copper_W) if torque_Nm > 0.0 else (shaft_W + copper_W) / shaft_W
    at = place(ideal, speed_rpm, torque_Nm)
    what = f"machine efficiency in the map at {speed_rpm:g} rpm, {torque_Nm:g} Nm, machine E"
    verified(what, f"1.5 R I^2 at least current, {MORIMOTO}", expected, ideal["efficiency_machine"][at], 2e-5)
    assert ideal["loss_copper_W"][at] == pytest.approx(copper_W, rel=1e-3)
    # Ideal legs and a stiff link: nothing is lost before the machine.
    assert ideal["efficiency_inverter"][at] == pytest.approx(1.0, abs=1e-9)
    assert ideal["efficiency_drive"][at] == pytest.approx(expected, abs=2e-5)


def test_iron_loss_stands_in_the_machine_efficiency(verified):
    speed_rpm, torque_Nm = 3000.0, 60.0
    found = run_map(scenario({"machine": {"iron_loss": IRON}}), f"{speed_rpm}", f"{torque_Nm}")
    omega_e = P * rad_s(speed_rpm)
    share = omega_e / (2.0 * math.pi * IRON["frequency_Hz"])
    full_W = IRON["hysteresis_W"] * share + IRON["eddy_W"] * share**2  # at the magnets' flux; grows with flux squared
    conductance = full_W / (1.5 * omega_e * PSI**2)
    id_A, iq_A = least_current(torque_Nm)  # of the terminals: the controller does not know of the iron
    psi_d, psi_q = np.linalg.solve([[1.0, -LD * conductance], [LQ * conductance, 1.0]], [PSI + LD * id_A, LQ * iq_A])
    iron_W = full_W * (psi_d**2 + psi_q**2) / PSI**2
    air_gap_W = 1.5 * omega_e * (psi_d * iq_A - psi_q * id_A) - iron_W
    expected = air_gap_W / (air_gap_W + iron_W + 1.5 * R * (id_A**2 + iq_A**2))
    source = "iron loss as a resistance across the speed voltage, closed form"
    what = "machine efficiency in the map at 3000 rpm, 60 Nm asked, machine E with iron loss"
    verified(what, source, expected, found["efficiency_machine"][0, 0], 5e-5)
    assert found["loss_iron_W"][0, 0] == pytest.approx(iron_W, rel=1e-3)
    # Less torque than asked, but no limit: the point counts as reached.
    assert found["torque_reached_Nm"][0, 0] == pytest.approx(air_gap_W / rad_s(speed_rpm), rel=1e-4)
    assert found.points[0].status == "ok"


def test_points_beyond_the_current_limit_are_blank_and_say_so(ideal):
    at = place(ideal, 5000.0, 300.0)
    assert math.isnan(ideal["efficiency_machine"][at]) and math.isnan(ideal["loss_copper_W"][at])
    (point,) = [p for p in ideal.points if p.values == (5000.0, 300.0)]
    assert point.status == "out_of_reach" and point.reason.startswith("limit: voltage + current, ")
    reached = [p for p in ideal.points if p.status == "ok"]
    assert len(reached) + len(ideal.of_status("out_of_reach")) == 49


def test_no_efficiency_without_torque_or_at_standstill(ideal):
    assert np.isnan(ideal["efficiency_machine"][:, 3]).all() and np.isnan(ideal["efficiency_machine"][0]).all()
    # At standstill the inverter feeds the copper.
    copper_W = 1.5 * R * sum(one**2 for one in least_current(200.0))
    assert ideal["power_terminal_W"][place(ideal, 0.0, 200.0)] == pytest.approx(copper_W, rel=2e-3)
    assert math.isnan(ideal["periods"][0, 0]) and ideal["periods"][1, 3] == 1.0


def test_the_envelope_at_twice_the_base_speed(verified):
    """Lossless machine E: the current circle meets the voltage ellipse at id = -366.6, iq = 160.0 A."""
    change = {
        "machine": {"stator_resistance_ohm": 0.0}, "inverter": {"switching_frequency_Hz": 50000},
        "controller": {"tuning": {"voltage_use": 1.0}},
    }  # fmt: skip
    found = run_map(scenario(change), "5740.208", "-50:50:2")
    up, down = found.edges
    what = "torque of the map's envelope at twice the base speed, lossless machine E"
    verified(what, MORIMOTO, 207.956666, up.torque_Nm, 0.32, "Nm")
    verified(what, MORIMOTO, 207.956666, -down.torque_Nm, 0.32, "Nm")
    assert found.binding_names[up.limit] == found.binding_names[down.limit] == "voltage_and_current"


def test_the_envelope_begins_to_fall_at_the_base_speed(verified, ideal):
    up = [stretch for stretch in ideal.stretches if stretch.direction == 1]
    assert [stretch.limit for stretch in up] == ["current", "voltage_and_current"]
    assert up[0].from_Nm == pytest.approx(318.745878, rel=1e-3) and up[0].to_Nm == pytest.approx(318.745878, rel=1e-3)
    # A sixteenth of the grid's 250 rpm.
    what = "base speed where the map's envelope begins to fall, machine E at 400 V"
    verified(what, MORIMOTO, 2835.509, up[0].to_rpm, 20.0, "rpm")


def test_the_envelope_in_field_weakening_follows_circle_and_voltage(ideal):
    """With the resistance: on the current circle where the voltage is all that the modulator has."""

    def excess(angle, omega_e, side):
        id_A, iq_A = MOST_A * math.cos(angle), side * MOST_A * math.sin(angle)
        vd, vq = R * id_A - omega_e * LQ * iq_A, R * iq_A + omega_e * (PSI + LD * id_A)
        return math.hypot(vd, vq) - LINK_V / math.sqrt(3.0)

    checked = 0
    for edge in ideal.edges:
        if edge.speed_rpm < 3500.0:
            continue
        angle = brentq(excess, math.radians(127.0), math.radians(170.0), (P * rad_s(edge.speed_rpm), edge.direction))
        torque_Nm = edge.direction * 1.5 * P * (PSI + (LD - LQ) * MOST_A * math.cos(angle)) * MOST_A * math.sin(angle)
        # At 10 kHz the voltage that is held turns the vector a little; half a per cent of the greatest torque.
        assert edge.torque_Nm == pytest.approx(torque_Nm, abs=1.6), edge.speed_rpm
        checked += 1
    assert checked >= 16


def test_fast_points_are_bound_by_torque_per_volt():
    found = run_map(scenario({"controller": {"tuning": {"voltage_use": 1.0}}}), "17000:19000:2", "20:120:2")
    assert {stretch.limit for stretch in found.stretches} == {"mtpv"}
    assert found.points[1].status == "out_of_reach" and "MTPV" in found.points[1].reason


@pytest.fixture(scope="module")
def noisy():
    """With sensor errors and device drops, so that every bit has a reason to differ."""
    return scenario({
        "sensors": {"current": {"noise_rms_A": 0.5, "offset_A": [0.5, -0.3, 0.0]}},
        "inverter": {"dead_time_s": 1e-6, "devices": {"kind": "mosfet", "on_resistance_ohm": 3e-3}},
    })  # fmt: skip


def test_two_points_equal_single_runs(noisy):
    found = run_map(noisy, "1500:3000:2", "-50:100:2")
    for point in (found.points[1], found.points[2]):
        alone = found.scenario_at(point)
        recording = Bench(alone).run()
        window = found.job.windows.at(point.speed_rpm)
        again = measured(recording, window, found.job.greatest_Nm, found.job.apparent_W)
        assert repr(tuple(again.values.values())) == repr(point.found)
        # Periods are whole ticks here: the plain mean over the end of the recording says the same.
        begin = recording.closing_time_s - window.length_s
        assert window.length_s * point.speed_rpm / 60.0 * P == pytest.approx(point.periods, rel=1e-12)
        for name in ("power_shaft_W", "loss_copper_W", "loss_conduction_W"):
            assert getattr(point, name) == pytest.approx(recording.measure(name, "mean", from_s=begin), rel=1e-9)


def test_a_map_that_was_stopped_goes_on_to_the_same_bits(noisy, tmp_path):
    asked = ("600:2400:4", "-90:90:5")
    whole = run_map(noisy, *asked)
    kept, told = tmp_path / "map.partial", []

    def stop(done, total):
        if done > 6.0:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run_map(noisy, *asked, kept=kept, progress=stop)
    assert kept.read_text().count("\n") > 3
    resumed = run_map(noisy, *asked, kept=kept, resumed=lambda done, total: told.append((done, total)))
    assert repr(resumed.points) == repr(whole.points) and repr(resumed.edges) == repr(whole.edges)
    assert told and 0 < told[0][0] < told[0][1]
    # Another grid is another map: told, and begun anew.
    others = []
    run_map(noisy, "600:2400:4", "-90:90:4", kept=kept, anew=others.append)
    assert others == [len(whole.points) + len(whole.edges)]


def test_four_quadrants_are_mirror_images():
    """Constants are symmetric: both directions of rotation and torque give the same losses."""
    found = run_map(scenario(), "-2000:2000:3", "-100:100:3", quadrants="1,3")
    copper = found["loss_copper_W"]
    assert copper[2, 2] == pytest.approx(copper[0, 0], rel=1e-6)
    # Quadrants 2 and 4 were not asked for; the axes belong to both sides.
    assert np.isnan(copper[2, 0]) and np.isnan(copper[0, 2]) and np.isfinite(copper[1]).all()
    assert found["status"][2, 0] == -1.0 and len(found.points) == 7


assert (P, R, LD, LQ, PSI, MOST_A) == tuple(MACHINE_E[key] for key in (
    "pole_pairs", "stator_resistance_ohm", "inductance_d_H", "inductance_q_H", "magnet_flux_Wb", "max_current_A",
))  # fmt: skip
