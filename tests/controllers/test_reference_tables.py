"""Torque references: torque, limits, continuity and least current on machines of every kind."""

import math

import numpy as np
import pytest
from scipy.optimize import minimize
from torque_machines import CONSTANTS, MEASURED, Bench, machine

from controllers.operating_points import ConstantMachine, OperatingPoints
from controllers.reference_tables import build_reference_tables
from controllers.references import flux_limit, torque_place, torque_share
from controllers.table_cache import cached_tables
from simcore.plant.fluxmap_build import build_map_tables

NONE, CURRENT, VOLTAGE, VOLTAGE_AND_CURRENT, MTPV = range(5)
NAMES = [*CONSTANTS, "measured"]


@pytest.fixture(scope="module", params=NAMES)
def bench(request):
    if request.param == "measured" and not MEASURED.exists():
        pytest.skip(f"measured flux map not found: {MEASURED} (set DRYBENCH_OUTSIDE_DATA)")
    made = machine(request.param)
    made.name = request.param
    return made


def greatest_torque(bench):
    return bench.one(1e9, 1e9)[2]


def greatest_flux(bench):
    return max(float(bench.flux_magnitude(0.0, bench.max_A)), float(bench.flux_magnitude(bench.max_A, 0.0)))


def requests(bench, count, seed):
    rng = np.random.default_rng(seed)
    reach = 1.3 * greatest_torque(bench)
    return rng.uniform(-reach, reach, count), rng.uniform(0.0, 1.2 * greatest_flux(bench), count)


def test_torque_is_granted_in_full_where_nothing_cuts_it(bench):
    asked, psi = requests(bench, 4000, 1)
    id_A, iq_A, granted, binding = bench.references(asked, psi)
    whole = (binding == NONE) | (binding == VOLTAGE)
    assert whole.sum() > 100
    assert bench.torque(id_A, iq_A)[whole] == pytest.approx(asked[whole], abs=1e-6 * greatest_torque(bench))
    assert np.all(np.abs(granted) <= np.abs(asked) * (1 + 1e-12))


def test_the_torque_told_is_the_torque_of_the_currents(bench):
    asked, psi = requests(bench, 4000, 2)
    id_A, iq_A, granted, _ = bench.references(asked, psi)
    assert bench.torque(id_A, iq_A) == pytest.approx(granted, abs=1e-6 * greatest_torque(bench))


def test_current_and_flux_limits_are_kept(bench):
    asked, psi = requests(bench, 4000, 3)
    id_A, iq_A, _, _ = bench.references(asked, psi)
    assert np.all(np.hypot(id_A, iq_A) <= bench.max_A * (1 + 1e-12))
    least = float(bench.flux_magnitude(*bench.one(0.0, 0.0)[:2]))
    over = bench.flux_magnitude(id_A, iq_A) - np.maximum(psi, least)
    assert over.max() < 1e-3 * greatest_flux(bench)


def test_what_binds_is_told(bench):
    asked, psi = requests(bench, 4000, 4)
    id_A, iq_A, granted, binding = bench.references(asked, psi)
    top = greatest_torque(bench)
    flux, current = bench.flux_magnitude(id_A, iq_A), np.hypot(id_A, iq_A)
    near = 2e-3 * greatest_flux(bench)
    on_flux = np.abs(flux - psi) < near
    least = float(bench.flux_magnitude(*bench.one(0.0, 0.0)[:2]))
    assert np.all(granted[binding == NONE] == pytest.approx(asked[binding == NONE], abs=1e-6 * top))
    at_current = binding == CURRENT
    assert np.all(np.abs(asked[at_current]) > np.abs(granted[at_current]))
    assert current[at_current] == pytest.approx(np.full(at_current.sum(), bench.max_A), rel=1e-3)
    assert np.all(on_flux[binding == VOLTAGE])
    crossing = binding == VOLTAGE_AND_CURRENT
    assert np.all((on_flux | (psi < least + near))[crossing])
    assert current[crossing] == pytest.approx(np.full(crossing.sum(), bench.max_A), rel=1e-3)
    assert np.all(on_flux[binding == MTPV]) and np.all(current[binding == MTPV] < bench.max_A)


@pytest.mark.parametrize("share", [0.08, 0.3, 0.6, 0.9])
def test_granted_torque_rises_with_the_request_and_with_flux(bench, share):
    top = greatest_torque(bench)
    slack = 1e-6 * top
    asked = np.linspace(-1.2 * top, 1.2 * top, 1501)
    granted = bench.references(asked, share * greatest_flux(bench))[2]
    assert np.diff(granted).min() > -slack
    flux = np.linspace(0.0, 1.2 * greatest_flux(bench), 1501)
    assert np.diff(bench.references(1.1 * top, flux)[2]).min() > -slack
    assert np.diff(bench.references(-1.1 * top, flux)[2]).max() < slack


@pytest.mark.parametrize("share", [0.05, 0.2, 0.6])
def test_references_do_not_jump(bench, share):
    """A jump stays as large when the sweep is made finer; a root's steep start shrinks with the square root of the step."""
    top, flux = greatest_torque(bench), share * greatest_flux(bench)

    def largest_step(count, sweep):
        id_A, iq_A, _, _ = sweep(np.linspace(-1.0, 1.0, count))
        return max(np.abs(np.diff(id_A)).max(), np.abs(np.diff(iq_A)).max()) / bench.max_A

    for sweep in (
        lambda x: bench.references(1.1 * top * x, flux),
        lambda x: bench.references(0.9 * share * top, greatest_flux(bench) * 0.6 * (1.0 + x)),
        lambda x: bench.references(-0.9 * share * top, greatest_flux(bench) * 0.6 * (1.0 + x)),
    ):
        # Sixteen times finer: a quarter for a root, a sixteenth where smooth, all of it for a jump.
        assert largest_step(25601, sweep) < 0.4 * largest_step(1601, sweep) + 1e-5


@pytest.mark.parametrize("name", list(CONSTANTS))
def test_both_directions_of_a_symmetric_machine_mirror_each_other(name):
    made = machine(name)
    asked, psi = requests(made, 500, 5)
    id_A, iq_A, granted, binding = made.references(asked, psi)
    mirrored = made.references(-asked, psi)
    assert mirrored[0] == pytest.approx(id_A, abs=1e-7 * made.max_A)
    assert mirrored[1] == pytest.approx(-iq_A, abs=1e-7 * made.max_A)
    assert mirrored[2] == pytest.approx(-granted, abs=1e-9 * greatest_torque(made))
    assert np.array_equal(mirrored[3], binding)


@pytest.mark.parametrize("seed", range(6))
def test_scipy_finds_no_less_current(bench, seed):
    rng = np.random.default_rng(100 + seed)
    torque = rng.uniform(0.05, 0.95) * greatest_torque(bench) * rng.choice([-1.0, 1.0])
    least = float(bench.flux_magnitude(*bench.one(0.0, 0.0)[:2]))
    psi = least + rng.uniform(0.1, 0.9) * (greatest_flux(bench) - least)
    id_A, iq_A, granted, binding = bench.one(torque, psi)
    scale_T, scale_psi, scale_A = greatest_torque(bench), greatest_flux(bench), bench.max_A
    limits = [{"type": "ineq", "fun": lambda x: (psi - bench.flux_magnitude(*(x * scale_A))) / scale_psi}]
    if binding in (NONE, VOLTAGE):
        # Least current for the torque within the flux limit.
        limits.append({"type": "eq", "fun": lambda x: (bench.torque(*(x * scale_A)) - torque) / scale_T})
        cost = lambda x: float(x @ x)  # noqa: E731
        ours = math.hypot(id_A, iq_A) ** 2 / scale_A**2
    else:
        # Most torque within both limits.
        limits.append({"type": "ineq", "fun": lambda x: 1.0 - float(x @ x)})
        cost = lambda x: -float(np.sign(torque) * bench.torque(*(x * scale_A)) / scale_T)  # noqa: E731
        ours = -abs(granted) / scale_T
    answers = []
    for start in ([id_A / scale_A, iq_A / scale_A], [-0.4, 0.4 * np.sign(torque)], [-0.8, 0.2 * np.sign(torque)]):
        found = minimize(cost, start, constraints=limits, method="SLSQP", options={"ftol": 1e-12, "maxiter": 200})
        if found.success and all(abs(min(limit["fun"](found.x), 0.0)) < 1e-6 for limit in limits):
            answers.append(found.fun)
    assert answers
    assert ours == pytest.approx(min(answers), abs=2e-3)


@pytest.mark.parametrize("name", ["E", "measured"])
@pytest.mark.parametrize("currents", [(-120.0, 90.0), (-40.0, -170.0), (-211.0, 33.0)])
def test_slopes_of_torque_and_flux_are_their_differences(name, currents):
    if name == "measured" and not MEASURED.exists():
        pytest.skip(f"measured flux map not found: {MEASURED} (set DRYBENCH_OUTSIDE_DATA)")
    made = machine(name)
    point = OperatingPoints(flux=made.flux, pole_pairs=made.pole_pairs, max_current_A=made.max_A).at(*currents)
    h = 1e-3
    (d, q), steps = currents, ((h, 0.0), (0.0, h))
    for value, slopes in ((made.torque, (point.torque_d, point.torque_q)), (made.flux_magnitude, (point.psi_d, point.psi_q))):
        for (step_d, step_q), slope in zip(steps, slopes, strict=True):
            difference = (value(d + step_d, q + step_q) - value(d - step_d, q - step_q)) / (2.0 * h)
            assert float(slope) == pytest.approx(float(difference), rel=1e-5, abs=1e-9)


def test_a_flat_map_gives_the_references_of_the_constants():
    pole_pairs, l_d, l_q, psi_m, max_A = CONSTANTS["E"]
    axis = np.linspace(-450.0, 450.0, 19)
    d, q = np.meshgrid(axis, axis, indexing="ij")
    mapped = Bench(pole_pairs, 0.0, 0.0, 0.0, max_A, build_map_tables(axis, axis, psi_m + l_d * d, l_q * q))
    constants = machine("E")
    asked, psi = requests(constants, 300, 6)
    for one, other in zip(mapped.references(asked, psi), constants.references(asked, psi), strict=True):
        assert one == pytest.approx(other, abs=1e-6 * max_A)


def test_least_current_is_not_sought_where_the_map_only_continues():
    # Ld above Lq: least current has id above zero, where this table ends. Its edge is then the best that is known.
    pole_pairs, l_d, l_q, psi_m, max_A = CONSTANTS["Ld above Lq"]
    id_A, iq_A = np.linspace(-12.0, 0.0, 13), np.linspace(-12.0, 12.0, 25)
    d, q = np.meshgrid(id_A, iq_A, indexing="ij")
    mapped = Bench(pole_pairs, 0.0, 0.0, 0.0, max_A, build_map_tables(id_A, iq_A, psi_m + l_d * d, l_q * q))
    assert machine("Ld above Lq").one(1e6, 1e6)[0] > 1.0
    id_A, iq_A, granted, _ = mapped.references(np.linspace(-8.0, 8.0, 41), 1e6)
    assert id_A == pytest.approx(np.zeros(41), abs=1e-4 * max_A)
    assert granted[-1] == pytest.approx(1.5 * pole_pairs * psi_m * max_A, rel=1e-6)


def test_a_current_limit_beyond_the_map_uses_its_continuation():
    if not MEASURED.exists():
        pytest.skip(f"measured flux map not found: {MEASURED} (set DRYBENCH_OUTSIDE_DATA)")
    inside = machine("measured")
    outside = Bench(3, 0.0, 0.0, 0.0, 300.0, inside.map_tables)
    assert greatest_torque(outside) > 1.1 * greatest_torque(inside)
    asked, psi = requests(outside, 2000, 7)
    id_A, iq_A, granted, _ = outside.references(asked, psi)
    assert outside.torque(id_A, iq_A) == pytest.approx(granted, abs=1e-5 * greatest_torque(outside))
    assert np.hypot(id_A, iq_A).max() <= 300.0 * (1 + 1e-12)


def test_the_finite_speed_limit_gives_full_weakening_and_no_torque():
    # Psi_m/Ld = 27.6 A > 10 A: below psi_m - Ld Imax no current fits, whatever is asked.
    made = machine("B")
    id_A, iq_A, granted, binding = made.one(5.0, 0.9 * (0.1546 - 5.6e-3 * 10.0))
    assert (id_A, iq_A, granted) == pytest.approx((-10.0, 0.0, 0.0), abs=1e-9)
    assert binding == VOLTAGE_AND_CURRENT


def test_without_flux_the_magnet_is_cancelled_where_the_current_allows():
    # E: psi_m/Ld = 350 A < 400 A.
    id_A, iq_A, granted, binding = machine("E").one(50.0, 0.0)
    assert (id_A, iq_A, granted) == pytest.approx((-350.0, 0.0, 0.0), abs=1e-4)
    assert binding == MTPV


def test_zero_torque_on_a_flux_limit_moves_along_the_d_axis():
    made = machine("E")
    for psi in (0.07, 0.06, 0.03, 0.01):
        id_A, iq_A, _, _ = made.one(0.0, psi)
        assert (id_A, iq_A) == pytest.approx(((psi - 0.07) / 0.2e-3, 0.0), abs=0.5)


def test_a_machine_without_torque_is_refused():
    with pytest.raises(ValueError, match="no torque"):
        build_reference_tables(ConstantMachine(inductance_d_H=1e-3, inductance_q_H=1e-3, magnet_flux_Wb=0.0), 4, 100.0)


def test_tables_of_two_machines_live_in_one():
    made, other = machine("E"), machine("D")
    both = np.concatenate([np.full(3, np.nan), other.table, made.table])
    from controllers.references import current_references

    for at, each in ((3, other), (3 + other.table.size, made)):
        found = current_references(both, at, 0, both, 0, 4.0, each.psi_m, each.l_d, each.l_q, -70.0, 0.05)
        assert found == each.one(-70.0, 0.05)


def test_a_request_that_is_no_number_does_no_harm():
    made = machine("E")
    assert math.isnan(made.one(math.nan, 0.05)[2])
    assert len(made.one(10.0, math.nan)) == 4


def test_places_on_the_torque_axis_invert_each_other():
    for x in np.linspace(0.0, 1.0, 101):
        assert torque_place(torque_share(x)) == pytest.approx(x, abs=1e-12)
    assert (torque_share(0.0), torque_share(1.0)) == pytest.approx((0.0, 1.0), abs=1e-15)


@pytest.mark.parametrize("omega_e", [-3000.0, -200.0, 150.0, 2500.0])
def test_the_flux_limit_is_the_flux_at_which_the_voltage_is_used_up(omega_e):
    resistance, pole_pairs, id_A, iq_A, psi_d, psi_q = 0.02, 4, -150.0, 220.0, 0.041, 0.09
    # Steady state of the voltage equations: vd = R id - w psi_q, vq = R iq + w psi_d.
    voltage = math.hypot(resistance * id_A - omega_e * psi_q, resistance * iq_A + omega_e * psi_d)
    torque = 1.5 * pole_pairs * (psi_d * iq_A - psi_q * id_A)
    limit = flux_limit(voltage, resistance, math.hypot(id_A, iq_A), omega_e, torque, pole_pairs)
    assert limit == pytest.approx(math.hypot(psi_d, psi_q), rel=1e-12)


def test_the_flux_limit_at_standstill_is_out_of_the_way_and_never_negative():
    assert flux_limit(100.0, 0.02, 300.0, 0.0, 100.0, 4) > 1e3
    assert flux_limit(5.0, 0.02, 300.0, 100.0, 100.0, 4) == 0.0
    assert flux_limit(0.0, 0.0, 0.0, 0.0, 0.0, 4) == 0.0


def test_tables_are_kept_by_what_they_are_made_of(tmp_path):
    made = []

    def builder():
        made.append(1)
        return np.arange(5.0)

    folder = tmp_path / "tables"
    for _ in range(2):
        assert np.array_equal(cached_tables((1.0, np.array([2.0, 3.0])), builder, folder), np.arange(5.0))
    assert len(made) == 1
    cached_tables((1.0, np.array([2.0, 3.5])), builder, folder)
    cached_tables((1.0, np.array([[2.0, 3.0]])), builder, folder)
    assert len(made) == 3 and len(list(folder.iterdir())) == 3


@pytest.mark.parametrize("damage", [b"", b"not a table", None])
def test_a_damaged_table_is_made_again(tmp_path, damage):
    cached_tables((1.0,), lambda: np.arange(5.0), tmp_path)
    (path,) = tmp_path.iterdir()
    path.write_bytes(path.read_bytes()[:-9] if damage is None else damage)
    assert np.array_equal(cached_tables((1.0,), lambda: np.arange(5.0), tmp_path), np.arange(5.0))
    assert np.array_equal(np.load(path), np.arange(5.0))


def test_a_folder_that_cannot_be_written_is_passed_over(tmp_path):
    (tmp_path / "file").write_text("in the way")
    assert np.array_equal(cached_tables((1.0,), lambda: np.arange(5.0), tmp_path / "file" / "tables"), np.arange(5.0))
