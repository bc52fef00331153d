"""Where a rotor settles on a standing current vector: in the real loop, against closed forms."""

import math

import numpy as np
import pytest
from align_drives import CURRENT_A, SHAFT, FULL_Nm, drive, settled_deg, standing
from scipy.optimize import brentq
from shared_benches import MACHINE_D, MACHINE_E

from controllers.alignment import AlignmentController
from simcore import Bench, ScenarioError
from simcore.study.alignment.advice import advise, surest
from simcore.study.alignment.rehearsal import Rehearsal, RunFailed, start_angles_deg
from simcore.study.alignment.resting import Resting
from simcore.study.alignment.routes import VARIANTS, commands, read_times
from simcore.study.alignment.timing import Timing, decay_rate
from simcore.testing import check_controller

ASIN = "asin(T/(1.5 p psi I)), derived"
DAMPED = {**SHAFT, "coulomb_Nm": 0.0, "stiction_Nm": 0.0, "viscous_Nm_s": 0.1}


def settle(*args, **more):
    return settled_deg(Bench(standing(*args, **more)).run())


@pytest.mark.parametrize(
    ("current", "settles"), [((2.0, 0.0), 0.0), ((-2.0, 0.0), 180.0), ((0.0, 2.0), 90.0), ((0.0, -2.0), -90.0)],
    ids=["id = 2 A", "id = -2 A", "iq = 2 A", "iq = -2 A"],
)  # fmt: skip
@pytest.mark.parametrize("start_deg", [-100.0, 20.0, 130.0])
def test_the_rotor_settles_along_the_vector(verified, current, settles, start_deg):
    """A case from practice: aligned with id = -2 A or on the q axis the zero lies 180 or 90 degrees away."""
    found = settle(start_deg, current, load=DAMPED, duration_s=2.0)
    off = (found - settles + 180.0) % 360.0 - 180.0
    what = f"rotor aligned with id = {current[0]:g} A, iq = {current[1]:g} A"
    verified(what, "settles along the current vector, case from practice", settles, settles + off, 0.05, "deg")


def test_a_rotor_stays_where_friction_holds_it_and_leaves_from_there_on(verified):
    """Bisection of the start angle between those that stay and those that move, against asin(T_break-away/(1.5 p psi I))."""
    low, high = 0.0, 10.0
    while high - low > 0.02:
        middle = 0.5 * (low + high)
        stays = abs(settle(middle, duration_s=0.4) - middle) < 1e-3
        low, high = (middle, high) if stays else (low, middle)
    expected = math.degrees(math.asin(SHAFT["stiction_Nm"] / FULL_Nm))
    verified("farthest a rotor rests from 30 A, 0.5 Nm of break-away torque, 0.36 Nm/A", ASIN, expected, low, 0.02, "deg")


def test_a_hanging_load_turns_the_rotor_away(verified):
    load = {**DAMPED, "torque_Nm": 2.0}
    expected = -math.degrees(math.asin(2.0 / FULL_Nm))
    verified("rotor aligned with 30 A, 2 Nm of load, 0.36 Nm/A", ASIN, expected, settle(40.0, load=load), 0.02, "deg")


def test_cogging_turns_the_rotor_away(verified):
    """The root of 1.5 p psi I sin(-p theta) + T_n sin(n theta + phi) = 0 where the sum falls with theta."""
    machine = {**MACHINE_D, "cogging": [{"order": 12, "torque_Nm": 1.0, "phase_deg": 70.0}]}

    def torque(theta):
        return -FULL_Nm * math.sin(4.0 * theta) + math.sin(12.0 * theta + math.radians(70.0))

    expected = math.degrees(4.0 * brentq(torque, -0.1, 0.1))
    assert abs(expected) > 3.0
    found = settle(25.0, machine=machine, load=DAMPED)
    what = "rotor aligned with 30 A, cogging of 1 Nm at order 12"
    verified(what, "sum of both torques, derived", expected, found, 0.02, "deg")


def test_a_long_vector_leaves_a_salient_rotor_beside_it(verified):
    """Zero of psi I sin b - (Lq - Ld) I^2 sin b cos b beside b = 0: cos b = psi/((Lq - Ld) I)."""
    expected = math.degrees(math.acos(0.07 / (0.4e-3 * 300.0)))
    for start in (30.0, -100.0):
        found = abs(settle(start, (300.0, 0.0), machine=MACHINE_E, load={**DAMPED, "viscous_Nm_s": 0.5}))
        what = "rotor of Lq = 3 Ld beside a vector of 300 A, psi/(Lq - Ld) = 175 A"
        verified(what, "reluctance against magnet torque, derived", expected, found, 0.05, "deg")


def test_opposite_the_vector_a_rotor_stays_half_a_turn_off():
    assert abs(settle(180.0, duration_s=0.5)) == pytest.approx(180.0)
    edge = math.degrees(math.asin(SHAFT["stiction_Nm"] / FULL_Nm))
    assert settle(180.0 - 0.95 * edge, duration_s=0.5) == pytest.approx(180.0 - 0.95 * edge, abs=1e-3)
    assert abs(settle(180.0 - 1.05 * edge)) < edge


def test_a_vector_that_is_led_slowly_is_followed_from_behind():
    """Coulomb friction keeps the rotor asin(0.3/10.8) = 1.59 deg behind, break-away torque 2.65 deg at most."""
    rehearsal = Rehearsal(drive(load={**SHAFT, "viscous_Nm_s": 0.05}), Timing(20.0, 0.3))
    (outcome,) = rehearsal.run(CURRENT_A, 3, [variant for variant in VARIANTS if variant.name == "q+ then d+"])
    least, most = (math.degrees(math.asin(torque / FULL_Nm)) for torque in (0.3, 0.5))
    assert all(least - 0.05 <= error <= most + 0.05 for error in outcome.errors_deg) and outcome.safe


@pytest.fixture(scope="module")
def rehearsal():
    return Rehearsal(drive())


@pytest.fixture(scope="module")
def outcomes(rehearsal):
    return rehearsal.run(CURRENT_A, 24)


def test_every_variant_rests_on_its_vector_within_the_edge(outcomes):
    edge = math.degrees(math.asin(SHAFT["stiction_Nm"] / FULL_Nm))
    ideal = {"d+": 0.0, "d-": 180.0, "q+": 90.0, "q-": -90.0, "q+ then d+": 0.0, "d+ from both sides": 0.0}
    for outcome in outcomes:
        assert outcome.variant.vector_deg == ideal[outcome.variant.name]
        assert outcome.count("moving") == 0 and 0.3 * edge < outcome.worst_deg < edge + 0.01 or len(outcome.variant.read) > 1
        for start in outcome.starts:
            off = (start.settled_deg - ideal[outcome.variant.name] + 180.0) % 360.0 - 180.0
            assert off == pytest.approx((start.error_deg + 180.0) % 360.0 - 180.0, abs=1e-6)


def test_one_step_leaves_the_start_opposite_and_two_leave_none(outcomes):
    stuck = {outcome.variant.name: outcome.count("stuck") for outcome in outcomes}
    assert stuck == {"d+": 1, "d-": 1, "q+": 1, "q-": 1, "q+ then d+": 0, "d+ from both sides": 0}
    opposite = next(start for start in outcomes[2].starts if start.state == "stuck")
    assert opposite.start_deg == pytest.approx(-90.0) and abs(opposite.error_deg) == pytest.approx(180.0)


def test_from_both_sides_friction_cancels(outcomes):
    by_name = {outcome.variant.name: outcome for outcome in outcomes}
    assert by_name["d+ from both sides"].worst_deg < 0.5 * by_name["q+ then d+"].worst_deg


def test_settling_takes_less_than_the_routine(rehearsal, outcomes):
    timing = rehearsal.usual_timing(CURRENT_A)
    for outcome in outcomes:
        assert outcome.routine_s == pytest.approx(read_times(outcome.variant, timing)[-1])
        assert 0.0 < outcome.settle_s < outcome.routine_s


def test_a_rotor_that_still_moves_is_told():
    rehearsal = Rehearsal(drive(load={**SHAFT, "inertia_kg_m2": 0.1}), Timing(0.02, 0.1))
    (outcome,) = rehearsal.run(CURRENT_A, 4, VARIANTS[:1])
    assert outcome.count("moving") >= 2 and not outcome.safe


def test_a_swing_dies_out_as_fast_as_its_slowest_pole(verified):
    """Without friction the loop alone brakes: log decrement of a simulated swing against the pole of the linear drive."""
    load = {**SHAFT, "coulomb_Nm": 0.0, "stiction_Nm": 0.0, "inertia_kg_m2": 0.05}
    recording = Bench(standing(8.0, (CURRENT_A, 0.0), load=load, duration_s=3.0, raise_s=0.001)).run()
    angle = np.abs((4.0 * recording["angle_deg"] + 180.0) % 360.0 - 180.0)
    peaks = [k for k in range(1, len(angle) - 1) if angle[k - 1] < angle[k] >= angle[k + 1] and angle[k] > 0.05]
    time_s, size = recording.time_s[peaks[2:]], angle[peaks[2:]]
    rate = -np.polyfit(time_s, np.log(size), 1)[0]
    expected = decay_rate(Resting(drive(load=load)), CURRENT_A, 200.0)
    what = "decay of a rotor's swing about 30 A, braked by its current loop"
    verified(what, "slowest pole, derived", expected, rate, 0.03 * rate, "1/s")


@pytest.mark.parametrize("current_A", [2.0, 20.0, 200.0])
@pytest.mark.parametrize("change", [{}, {"coulomb_Nm": 0.0, "stiction_Nm": 0.0}, {"inertia_kg_m2": 0.05}])
def test_the_usual_time_is_enough(current_A, change):
    rehearsal = Rehearsal(drive(load={**SHAFT, **change}))
    (outcome,) = rehearsal.run(current_A, 5, VARIANTS[:1])
    assert outcome.count("moving") == 0


def test_needed_current_and_edge_are_the_closed_forms(verified):
    resting = Resting(drive())
    for current in (10.0, 30.0, 300.0):
        expected = math.degrees(math.asin(0.5 / (0.36 * current)))
        assert resting.edge_deg(current) == pytest.approx(expected, abs=1e-6)
    expected = 0.5 / (0.36 * math.sin(math.radians(0.5)))
    what = "current for an error below 0.5 deg, 0.5 Nm of break-away torque"
    verified(what, ASIN, expected, resting.needed_A(0.5), 1e-3, "A")
    assert Resting(drive(load={**SHAFT, "stiction_Nm": 200.0, "coulomb_Nm": 200.0})).needed_A(2.0) is None
    assert Resting(drive(load=DAMPED)).edge_deg(1.0) == pytest.approx(0.0, abs=1e-6)


def test_with_saliency_more_current_is_not_better():
    """Stiffness psi I - (Lq - Ld) I^2 is greatest at psi/(2 (Lq - Ld)) = 87.5 A, so that there a small friction holds least."""
    resting = Resting(drive(MACHINE_E, load={**SHAFT, "coulomb_Nm": 0.2, "stiction_Nm": 0.2}))
    edges = {current: resting.edge_deg(current) for current in (60.0, 87.5, 115.0, 170.0)}
    assert min(edges, key=edges.get) == 87.5 and edges[170.0] > 3.0 * edges[87.5]
    assert resting.edge_deg(300.0) > 54.0


def test_holding_is_break_away_torque_cogging_and_load_together():
    machine = {**MACHINE_D, "cogging": [{"order": 12, "torque_Nm": 1.0}, {"order": 24, "torque_Nm": 0.5}]}
    resting = Resting(drive(machine, load={**SHAFT, "torque_Nm": [[0.0, -2.0], [1.0, 50.0]]}))
    assert resting.holding_Nm == pytest.approx(0.5 + 1.5 + 2.0)


def test_the_swing_is_the_pendulum_s():
    """omega^2 = p 1.5 p psi I / J, small angles."""
    expected = math.sqrt(4.0 * FULL_Nm / 2e-3) / (2.0 * math.pi)
    assert Resting(drive()).swing_Hz(CURRENT_A) == pytest.approx(expected, rel=1e-3)


def test_advice_takes_the_shortest_that_is_good_enough(rehearsal, outcomes):
    resting = rehearsal.resting
    advice = advise(resting, outcomes, 10.0)
    assert advice.recommended.variant.name == "q+ then d+" and surest(outcomes).variant.name == "q+ then d+"
    assert advise(resting, outcomes, 0.1).recommended.variant.name == "d+ from both sides"
    assert advice.needed_A == pytest.approx(0.5 / (0.36 * math.sin(math.radians(10.0))), rel=1e-3)
    assert advise(resting, outcomes[:4], 10.0).recommended is None and surest(outcomes[:4]) is None


def test_starts_lie_all_around_and_in_every_pole_pair():
    starts = np.array(start_angles_deg(24, 4))
    np.testing.assert_allclose(np.sort(starts % 360.0), np.arange(24) * 15.0, atol=1e-9)
    assert set((starts // 360.0).astype(int)) == {0, 1, 2, 3}


def test_a_led_vector_keeps_its_length():
    both = next(variant for variant in VARIANTS if variant.steps == 4)
    timing = Timing(0.3, 0.5)
    asked = commands(both, 10.0, timing)
    times = np.linspace(0.31, 3.2, 500)
    length = [math.hypot(asked.id_A.at(t), asked.iq_A.at(t)) for t in times]
    assert min(length) > 9.985 and max(length) < 10.0 + 1e-9
    assert read_times(both, timing) == pytest.approx((1.6, 3.2))
    assert asked.id_A.at(1.6) == pytest.approx(10.0) and asked.iq_A.at(2.4) == pytest.approx(10.0)


def test_compiled_controller_equals_its_python_class():
    scenario = standing(130.0, (20.0, 15.0), duration_s=0.05)
    compiled, python = Bench(scenario).run(), Bench(scenario).run(in_python=True)
    for name in ("id_A", "iq_A", "angle_deg", "duty_a", "id_measured_A", "angle_error_deg"):
        np.testing.assert_array_equal(compiled[name], python[name])
    assert np.all(compiled["angle_error_deg"] == 0.0)


def test_the_alignment_controller_keeps_the_contract():
    check_controller(AlignmentController, standing(130.0, (20.0, 15.0), duration_s=0.05))


@pytest.mark.parametrize("load", [{"kind": "locked"}, {"kind": "rig", "speed_rpm": 100.0}], ids=["locked", "rig"])
def test_a_shaft_that_cannot_turn_is_refused(load):
    with pytest.raises(ScenarioError, match="no rotor aligns"):
        Rehearsal(drive(load=load))


def test_a_run_that_breaks_off_is_told():
    scenario = drive(load={**SHAFT, "inertia_kg_m2": 1e-12})
    with pytest.raises(RunFailed, match="diverged"):
        Rehearsal(scenario, Timing(0.01, 0.01)).run(CURRENT_A, 4, VARIANTS[:1])
