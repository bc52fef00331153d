"""The shaft against closed forms of J domega/dt = T - b omega - friction - load: run-up, coast-down, sticking, breakaway.

Newton's law; stick and slip after D. Karnopp, J. Dyn. Sys. Meas. Control 107(1), 1985 (from memory). The machine is given
next to no magnet, so that the load profile alone drives: a negative load torque accelerates.
"""

import math

import numpy as np
import pytest

from simcore import Bench
from simcore.scenario.reader import scenario_from

RPM = 30.0 / math.pi
NEWTON = "Newton's law, closed form"
INERTIA = 0.02


def run(load, *, duration_s=0.5, initial=None, switching_Hz=2000, machine=None, controller=None, commands=None):
    scenario = scenario_from(
        {
            "machine": {
                "kind": "constants", "pole_pairs": 3, "stator_resistance_ohm": 0.05, "inductance_d_H": 1e-3,
                "inductance_q_H": 2e-3, "magnet_flux_Wb": 1e-12, "max_current_A": 100, "max_speed_rpm": 10000,
                **(machine or {}),
            },
            "inverter": {"switching_frequency_Hz": switching_Hz},
            "supply": {"kind": "source", "voltage_V": 400},
            "load": {"inertia_kg_m2": INERTIA, **load} if load["kind"] == "free" else load,
            "controller": controller or {"mode": "voltage"},
            "commands": commands or {"vd_V": 0.0},
            "initial": initial or {},
            "run": {"duration_s": duration_s, "record_every": 1},
        },
        path="shaft.toml",
    )  # fmt: skip
    return Bench(scenario).run()


def free(**keys):
    return {"kind": "free", **keys}


def omega(recording):
    return recording["speed_rpm"] / RPM


def turned(recording):
    """Shaft angle since the start, unwrapped [rad]."""
    return np.unwrap(np.radians(recording["angle_deg"]))


@pytest.mark.parametrize("direction", [1.0, -1.0])
def test_run_up_under_a_constant_torque(verified, direction):
    # omega = (T - C)/b (1 - e^(-b t/J)).
    drive, b, dry = 12.0, 0.1, 2.0
    recording = run(free(viscous_Nm_s=b, coulomb_Nm=dry, torque_Nm=-direction * drive))
    t = recording.time_s
    expected = direction * (drive - dry) / b * (1.0 - np.exp(-b * t / INERTIA))
    assert omega(recording) == pytest.approx(expected, rel=1e-7, abs=1e-9)
    found = direction * omega(recording)[-1]
    what = "speed after 0.5 s of run-up, 12 Nm, 0.02 kg m2, friction 2 Nm and 0.1 Nm s"
    verified(what, NEWTON, abs(expected[-1]), found, max(1e-7 * abs(expected[-1]), 1e-9), "rad/s")
    angle = direction * (drive - dry) / b * (t - INERTIA / b * (1.0 - np.exp(-b * t / INERTIA)))
    assert turned(recording) - turned(recording)[0] == pytest.approx(angle, abs=1e-6)


@pytest.mark.parametrize("direction", [1.0, -1.0])
@pytest.mark.parametrize(("b", "dry"), [(0.05, 0.0), (0.0, 4.0), (0.05, 4.0)])
def test_coast_down_stops_at_the_closed_form_time_and_sticks(verified, b, dry, direction):
    start = 60.07
    recording = run(free(viscous_Nm_s=b, coulomb_Nm=dry), initial={"speed_rpm": direction * start * RPM})
    t = recording.time_s
    if b == 0.0:
        expected, stop = start - dry / INERTIA * t, INERTIA * start / dry
        angle = 0.5 * INERTIA * start**2 / dry
    elif dry == 0.0:
        expected, stop = start * np.exp(-b * t / INERTIA), math.inf
    else:
        expected = (start + dry / b) * np.exp(-b * t / INERTIA) - dry / b
        stop = INERTIA / b * math.log(1.0 + b * start / dry)
        angle = INERTIA / b * (start - dry / b * math.log(1.0 + b * start / dry))
    moving = t < stop
    assert omega(recording)[moving] == pytest.approx(direction * expected[moving], rel=1e-7, abs=1e-9)
    assert np.array_equal(omega(recording)[~moving], np.zeros((~moving).sum()))
    if dry > 0.0:
        assert (~moving).sum() > 50
        travelled = turned(recording) - turned(recording)[0]
        what = f"angle of coast-down from 60.07 rad/s, 0.02 kg m2, friction {dry:g} Nm and {b:g} Nm s"
        verified(what, NEWTON, angle, direction * travelled[-1], 1e-6 * angle, "rad", row=b > 0.0)
        assert np.array_equal(travelled[~moving], np.full((~moving).sum(), travelled[-1]))
        # What the rotor held went into friction, all of it.
        lost = (recording["loss_friction_W"] * recording.row_s).sum()
        kinetic = 0.5 * INERTIA * start**2
        verified("energy lost to friction in coast-down from 60.07 rad/s", NEWTON, kinetic, lost, 1e-6 * kinetic, "J")


@pytest.mark.parametrize("direction", [1.0, -1.0])
def test_it_breaks_away_at_the_stiction_torque_and_runs_on_the_coulomb_level(direction):
    # Load ramps to 10 Nm in 0.4 s: 5 Nm of stiction are reached at 0.2 s; from there J omega = integral of (T - 2 Nm).
    ramp = {"points": [[0.0, 0.0], [0.4, -direction * 10.0]], "shape": "linear"}
    recording = run(free(coulomb_Nm=2.0, stiction_Nm=5.0, torque_Nm=ramp), duration_s=0.39)
    t = recording.time_s
    before = t <= 0.2
    assert np.array_equal(omega(recording)[before], np.zeros(before.sum()))
    expected = ((25.0 * t**2 / 2.0 - 2.0 * t) - (25.0 * 0.04 / 2.0 - 0.4)) / INERTIA
    # One tick of 250 us late at most: the torque is the tick's mean.
    late = 250e-6 * 3.0 / INERTIA
    assert omega(recording)[~before] == pytest.approx(direction * expected[~before], abs=late)
    assert omega(recording)[-1] * direction > 30.0


@pytest.mark.parametrize(("load_Nm", "falls"), [(4.9, False), (5.1, True), (-4.9, False), (-5.1, True)])
def test_stiction_holds_a_hanging_load_or_not(load_Nm, falls):
    recording = run(free(coulomb_Nm=2.0, stiction_Nm=5.0, torque_Nm=load_Nm), duration_s=0.1)
    if not falls:
        assert np.array_equal(omega(recording), np.zeros(len(recording)))
        assert np.array_equal(turned(recording), np.zeros(len(recording)))
    else:
        # Positive load torque opposes positive rotation, so it turns the shaft backwards.
        expected = -math.copysign(abs(load_Nm) - 2.0, load_Nm) / INERTIA * recording.time_s
        assert omega(recording) == pytest.approx(expected, rel=1e-9, abs=1e-12)


def test_stiction_is_the_coulomb_level_unless_given():
    assert omega(run(free(coulomb_Nm=2.0, torque_Nm=1.99), duration_s=0.05))[-1] == 0.0
    assert omega(run(free(coulomb_Nm=2.0, torque_Nm=2.01), duration_s=0.05))[-1] < 0.0


@pytest.mark.parametrize("direction", [1.0, -1.0])
@pytest.mark.parametrize("dry", [0.0, 2.0])
def test_reversal_through_standstill_without_sticking(verified, dry, direction):
    # Braked with 10 Nm + friction, then driven back with 10 Nm - friction; the turn lies inside a tick.
    start, load = 37.3, 10.0
    recording = run(
        free(coulomb_Nm=dry, stiction_Nm=3.0 if dry else 0.0, torque_Nm=direction * load),
        initial={"speed_rpm": direction * start * RPM},
        duration_s=0.2,
    )
    t = recording.time_s
    stop = INERTIA * start / (load + dry)
    expected = np.where(t < stop, start - (load + dry) / INERTIA * t, -(load - dry) / INERTIA * (t - stop))
    assert omega(recording) == pytest.approx(direction * expected, rel=1e-8, abs=1e-8)
    forward = 0.5 * start * stop
    back = 0.5 * (load - dry) / INERTIA * (t[-1] - stop) ** 2
    found = direction * (turned(recording)[-1] - turned(recording)[0])
    what = f"angle of a reversal through standstill, 10 Nm, dry friction {dry:g} Nm"
    verified(what, NEWTON, forward - back, found, 1e-6, "rad", row=dry > 0.0)


@pytest.mark.parametrize("dry", [0.0, 2.0])
def test_it_stops_and_stays_where_the_load_is_below_the_stiction(dry):
    start, load = 37.3, 3.0
    recording = run(free(coulomb_Nm=dry, stiction_Nm=3.5, torque_Nm=load), initial={"speed_rpm": start * RPM}, duration_s=0.3)
    after = recording.time_s > INERTIA * start / (load + dry)
    assert np.array_equal(omega(recording)[after], np.zeros(after.sum()))


@pytest.mark.parametrize("substeps", [1, 7])
def test_the_stop_does_not_depend_on_the_step(substeps):
    recording = run(free(coulomb_Nm=4.0, viscous_Nm_s=0.05), initial={"speed_rpm": 60.0 * RPM}, switching_Hz=1000 * substeps)
    angle = INERTIA / 0.05 * (60.0 - 80.0 * math.log(1.75))
    assert turned(recording)[-1] - turned(recording)[0] == pytest.approx(angle, rel=1e-7)


def test_a_ramp_of_load_torque_is_followed_between_the_ticks():
    # J omega = k t^2/2, J theta = k t^3/6.
    ramp = {"points": [[0.0, 0.0], [0.5, -20.0]], "shape": "linear"}
    recording = run(free(torque_Nm=ramp), duration_s=0.4)
    t = recording.time_s
    assert omega(recording) == pytest.approx(40.0 * t**2 / 2.0 / INERTIA, rel=1e-8, abs=1e-9)
    assert turned(recording) == pytest.approx(40.0 * t**3 / 6.0 / INERTIA, rel=1e-4, abs=1e-6)


@pytest.mark.parametrize(("at_s", "tick"), [(0.0101, 40), (0.01015, 41)])
def test_steps_of_load_torque_act_from_the_nearest_tick(at_s, tick):
    # 250 us a tick: 10.1 ms are 40.4 of them, 10.15 ms are 40.6.
    recording = run(free(torque_Nm=[[0.0, 0.0], [at_s, -8.0]]), duration_s=0.05)
    late = np.maximum(recording.time_s - tick * 250e-6, 0.0)
    assert omega(recording) == pytest.approx(8.0 / INERTIA * late, rel=1e-9, abs=1e-9)


def test_the_machines_torque_accelerates_the_shaft():
    # Constant iq: T = 1.5 p psi iq, from zero speed omega = (T - load)/J t once the current stands.
    recording = run(
        free(torque_Nm=3.0), machine={"magnet_flux_Wb": 0.1}, switching_Hz=10000, duration_s=0.06,
        controller={"mode": "current", "tuning": {"current_bandwidth_Hz": 800}}, commands={"iq_A": 20.0},
    )  # fmt: skip
    late = recording.time_s > 0.02
    slope = np.polyfit(recording.time_s[late], omega(recording)[late], 1)[0]
    assert slope == pytest.approx((1.5 * 3 * 0.1 * 20.0 - 3.0) / INERTIA, rel=2e-3)


def test_friction_and_sticking_close_the_energy_audit():
    recording = run(
        free(coulomb_Nm=2.0, stiction_Nm=3.0, viscous_Nm_s=0.02, torque_Nm=[[0.0, -9.0], [0.1, 2.5], [0.3, 9.0]]),
        initial={"speed_rpm": -200.0},
    )
    assert abs(recording.audit["residual_relative"]) < 1e-9
    assert (np.diff(np.sign(omega(recording))) != 0).sum() >= 3
    assert recording.audit["losses_J"]["friction_dry"] > 1.0 and recording.audit["losses_J"]["friction_viscous"] > 0.1


# Rig and locked shaft ---------------------------------------------------------------------------------------------------


def test_a_rig_imposes_its_ramp():
    points = [[0.0, -600.0], [0.1, 1800.0], [0.2, 1800.0], [0.25, 0.0]]
    recording = run({"kind": "rig", "speed_rpm": {"points": points, "shape": "linear"}}, duration_s=0.3)
    t = recording.time_s
    assert recording["speed_rpm"] == pytest.approx(np.interp(t, *np.array(points).T), rel=1e-12, abs=1e-9)
    # Angle: the integral, 0.1 x 600 + 0.1 x 1800 + 0.05 x 900 rpm s = 285 rpm s = 4.75 turns.
    assert turned(recording)[-1] - turned(recording)[0] == pytest.approx(4.75 * 2.0 * math.pi, rel=1e-9)
    early = t <= 0.1
    area = np.cumsum(np.concatenate([[0.0], 0.5 * (recording["speed_rpm"][1:] + recording["speed_rpm"][:-1])[early[1:]]]))
    expected = area * recording.row_s / RPM
    assert turned(recording)[: len(expected)] - turned(recording)[0] == pytest.approx(expected, abs=1e-9)


def test_a_rig_steps_at_the_nearest_tick_and_ignores_torque():
    recording = run(
        {"kind": "rig", "speed_rpm": [[0.0, 300.0], [0.0101, -900.0]]}, duration_s=0.03, machine={"magnet_flux_Wb": 0.1}
    )
    expected = np.where(recording.time_s < 0.010 - 1e-9, 300.0, -900.0)
    assert recording["speed_rpm"] == pytest.approx(expected, rel=1e-12)
    assert np.abs(recording["torque_Nm"]).max() > 1.0


def test_a_rig_starts_at_its_own_speed():
    recording = run({"kind": "rig", "speed_rpm": 750.0}, duration_s=0.01, initial={"speed_rpm": 0.0})
    assert recording["speed_rpm"] == pytest.approx(np.full(len(recording), 750.0), rel=1e-12)


def test_a_locked_shaft_does_not_move():
    recording = run(
        {"kind": "locked"}, machine={"magnet_flux_Wb": 0.1}, switching_Hz=10000, duration_s=0.03,
        controller={"mode": "current", "tuning": {"current_bandwidth_Hz": 500}}, commands={"iq_A": 50.0},
        initial={"angle_electrical_deg": 33.0},
    )  # fmt: skip
    assert np.array_equal(recording["speed_rpm"], np.zeros(len(recording)))
    assert recording["angle_deg"] == pytest.approx(np.full(len(recording), 11.0), rel=1e-12)
    assert recording["torque_Nm"][-1] == pytest.approx(1.5 * 3 * 0.1 * 50.0, rel=1e-5)
    assert recording["power_shaft_W"] == pytest.approx(np.zeros(len(recording)), abs=1e-12)


@pytest.mark.parametrize(("id_A", "iq_A", "settles_deg"), [(20.0, 0.0, 0.0), (-20.0, 0.0, 180.0)])
def test_an_aligned_rotor_settles_along_the_current_vector(verified, id_A, iq_A, settles_deg):
    """Field note: a stator-fixed current turns the rotor until the magnet lies along it; -2 A means 180 degrees away.

    Stator-fixed: the controller is told a wrong angle by standing still, so phase voltages are held by hand.
    """
    from controllers import Command, Controller

    class Held(Controller):
        def reset(self, setup):
            pass

        def step(self, measured):
            v = math.copysign(1.0, id_A)
            return Command(0.5 + v / 400.0, 0.5 - 0.5 * v / 400.0, 0.5 - 0.5 * v / 400.0)

    scenario = scenario_from(
        {
            "machine": {
                "kind": "constants", "pole_pairs": 3, "stator_resistance_ohm": 0.05, "inductance_d_H": 1e-3,
                "inductance_q_H": 1e-3, "magnet_flux_Wb": 0.1, "max_current_A": 100, "max_speed_rpm": 10000,
            },
            "inverter": {"switching_frequency_Hz": 2000},
            "supply": {"kind": "source", "voltage_V": 400},
            "load": {"kind": "free", "inertia_kg_m2": 0.02, "viscous_Nm_s": 0.3},
            "controller": {"mode": "voltage"},
            "commands": {"vd_V": 0.0},
            "initial": {"angle_electrical_deg": 75.0},
            "run": {"duration_s": 2.5, "record_every": 20},
        },
        path="align.toml",
    )  # fmt: skip
    recording = Bench(scenario, controller=Held()).run()
    electrical = 3.0 * recording["angle_deg"][-1]
    found = settles_deg + math.remainder(electrical - settles_deg, 360.0)
    what = f"electrical angle where a free rotor settles, {id_A:g} A held in phase a"
    verified(what, "magnet along the current vector, case from practice", settles_deg, found, 0.05, "deg")
    assert recording["ia_A"][-1] == pytest.approx(math.copysign(20.0, id_A), rel=1e-3)
