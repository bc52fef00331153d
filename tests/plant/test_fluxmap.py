"""Flux maps: the spline, its inverse, what lies outside the table, and maps that must be refused."""

import os
from pathlib import Path

import numpy as np
import pytest
from scipy.interpolate import CubicSpline, RectBivariateSpline
from scipy.optimize import root

from simcore.plant.bicubic import evaluate, node_slopes
from simcore.plant.fluxmap import map_currents, map_distance, map_fluxes, map_inductances
from simcore.plant.fluxmap_build import MapError, build_map_tables
from simcore.plant.fluxmap_energy import coenergy_difference
from simcore.plant.fluxmap_inverse import Forward, _fill, invert

DATA = Path(os.environ.get("DRYBENCH_OUTSIDE_DATA", Path(__file__).parents[2] / ".." / "shared" / "data"))


def saturating_machine(id_A, iq_A):
    """Flux linkages [Wb], the gradient of psi_m id + Ld kd^2 ln cosh((id + 200)/kd) + Lq kq^2 ln cosh(iq/kq) g(id):
    reciprocal.

    g falls from 1.06 to 0.94 as the d current rises: cross saturation.
    """
    psi_m, l_d, l_q, knee_d, knee_q, at, width = 0.05, 0.3e-3, 0.9e-3, 300.0, 220.0, -150.0, 200.0
    cross = np.tanh((id_A - at) / width)
    g, g_slope = 1.0 - 0.06 * cross, -0.06 * (1.0 - cross**2) / width
    psi_d = psi_m + l_d * knee_d * np.tanh((id_A + 200.0) / knee_d) + l_q * knee_q**2 * np.log(np.cosh(iq_A / knee_q)) * g_slope
    psi_q = l_q * knee_q * np.tanh(iq_A / knee_q) * g
    return psi_d, psi_q


AXES = np.linspace(-400.0, 0.0, 21), np.linspace(-400.0, 400.0, 33)  # 20 A and 25 A apart


@pytest.fixture(scope="module")
def saturating():
    return build_map_tables(*AXES, *saturating_machine(*np.meshgrid(*AXES, indexing="ij")))


@pytest.fixture(scope="module")
def measured():
    path = DATA / "measured_ipm_fluxmap.csv"
    if not path.exists():
        pytest.skip(f"measured flux map not found: {path} (set DRYBENCH_OUTSIDE_DATA)")
    rows = np.genfromtxt(path, delimiter=",", names=True)
    id_A, iq_A = np.unique(rows["id_A"]), np.unique(rows["iq_A"])
    order = np.lexsort((rows["iq_A"], rows["id_A"]))
    shape = id_A.size, iq_A.size
    return build_map_tables(id_A, iq_A, rows["psi_d_Vs"][order].reshape(shape), rows["psi_q_Vs"][order].reshape(shape))


def flat(id_A, iq_A, psi_m=0.07, l_d=0.2e-3, l_q=0.6e-3):
    d, q = np.meshgrid(id_A, iq_A, indexing="ij")
    return build_map_tables(id_A, iq_A, psi_m + l_d * d, l_q * q)


@pytest.mark.parametrize("nodes", [np.linspace(-3.0, 5.0, 9), np.array([-3.0, -1.0, -0.5, 2.0, 2.2, 7.0])])
def test_slopes_at_nodes_are_those_of_scipys_spline(nodes):
    values = np.random.default_rng(1).normal(size=(nodes.size, 4))
    expected = CubicSpline(nodes, values, bc_type="not-a-knot")(nodes, 1)
    assert node_slopes(nodes, values) == pytest.approx(expected, abs=1e-11)
    assert node_slopes(nodes, values.T, axis=1) == pytest.approx(expected.T, abs=1e-11)


@pytest.mark.parametrize("points", [2, 3])
def test_slopes_through_few_nodes_are_exact_for_the_polynomial_they_hold(points):
    x = np.array([-1.0, 0.5, 4.0])[:points]
    y, slope = (3.0 + 2.0 * x, np.full(points, 2.0)) if points == 2 else (x**2 - x, 2.0 * x - 1.0)
    assert node_slopes(x, y) == pytest.approx(slope, abs=1e-12)


@pytest.mark.parametrize("cells", [1, 2, 3, 24])
def test_a_flat_map_gives_the_currents_of_the_constants(cells):
    axis = np.linspace(-300.0, 300.0, cells + 1)
    tables = flat(axis, axis)
    rng = np.random.default_rng(2)
    for id_A, iq_A in rng.uniform(-500.0, 500.0, (200, 2)):
        # 500 A lies outside the table and outside the grid of the inverse: both continue linearly.
        assert map_currents(tables.table, 0, 0.07 + 0.2e-3 * id_A, 0.6e-3 * iq_A) == pytest.approx(
            (id_A, iq_A), rel=1e-9, abs=1e-9 * 300.0
        )
        assert map_fluxes(tables.table, 0, id_A, iq_A) == pytest.approx((0.07 + 0.2e-3 * id_A, 0.6e-3 * iq_A), rel=1e-9)
        assert map_inductances(tables.table, 0, id_A, iq_A) == pytest.approx((0.2e-3, 0.0, 0.0, 0.6e-3), abs=1e-12)


def test_the_forward_map_is_scipys_bicubic_spline_and_so_are_its_inductances(saturating):
    psi_d, psi_q = saturating_machine(*np.meshgrid(*AXES, indexing="ij"))
    # Interpolation with scipy's default knots is not-a-knot in both axes: a second opinion on every inside point.
    oracle_d, oracle_q = RectBivariateSpline(*AXES, psi_d, s=0), RectBivariateSpline(*AXES, psi_q, s=0)
    rng = np.random.default_rng(3)
    for id_A, iq_A in zip(rng.uniform(-400, 0, 300), rng.uniform(-400, 400, 300), strict=True):
        expected = oracle_d(id_A, iq_A).item(), oracle_q(id_A, iq_A).item()
        assert map_fluxes(saturating.table, 0, id_A, iq_A) == pytest.approx(expected, abs=1e-12)
        slopes = [oracle(id_A, iq_A, *order).item() for oracle in (oracle_d, oracle_q) for order in ((1, 0), (0, 1))]
        assert map_inductances(saturating.table, 0, id_A, iq_A) == pytest.approx(slopes, abs=1e-12)
        both = saturating.fluxes(id_A, iq_A)
        assert (float(both[0]), float(both[1])) == pytest.approx(expected, abs=1e-12)


def test_currents_of_a_saturating_machine_are_those_of_its_closed_form(verified, saturating):
    rng = np.random.default_rng(4)
    worst = 0.0
    for id_A, iq_A in zip(rng.uniform(-400, 0, 1000), rng.uniform(-400, 400, 1000), strict=True):
        back = map_currents(saturating.table, 0, *saturating_machine(id_A, iq_A))
        worst = max(worst, abs(back[0] - id_A) / 400.0, abs(back[1] - iq_A) / 800.0)
    # 0.02 % of the range: the spline through 20 A steps and its inverse together.
    what = "farthest current of a saturating map, 1000 points, share of the range"
    verified(what, "reciprocal machine in closed form", 0.0, worst, 2e-4)


def test_the_inverse_of_the_measured_map_is_its_inverse(measured):
    rng = np.random.default_rng(5)
    oracle = [RectBivariateSpline(measured.id_A, measured.iq_A, psi, s=0) for psi in _node_fluxes(measured)]
    for id_A, iq_A in zip(rng.uniform(-250, 0, 400), rng.uniform(-250, 250, 400), strict=True):
        back = map_currents(measured.table, 0, oracle[0](id_A, iq_A).item(), oracle[1](id_A, iq_A).item())
        assert back == pytest.approx((id_A, iq_A), abs=2e-4 * 250.0)
    assert measured.inverse_error_relative < 2e-4


def test_the_inverse_gains_three_orders_and_more_from_a_finer_grid(saturating):
    """Cubic cells with exact slopes are of fourth order; the cross derivative, taken by differences, may cost one."""
    forward = Forward(saturating.id_A, saturating.iq_A, saturating.cells)
    d, q = np.meshgrid(np.linspace(-300.0, -100.0, 41), np.linspace(-150.0, 150.0, 61), indexing="ij")
    psi, _ = forward(d, q)
    errors = []
    for cells in (8, 16):
        axes = [np.linspace(values.min(), values.max(), cells + 1) for values in psi]
        back = evaluate(*axes, invert(forward, axes), *psi)[:, 0]
        errors.append(max(np.abs(back[0] - d).max(), np.abs(back[1] - q).max()))
    assert errors[0] > 8.0 * errors[1]


def _node_fluxes(tables):
    return tables.fluxes(tables.id_A[:, None], tables.iq_A[None, :])


@pytest.mark.parametrize("psi", [(0.03, 0.09), (0.055, -0.11), (0.012, 0.02)])
def test_scipys_root_finder_agrees_with_the_lookup(measured, psi):
    spline = [RectBivariateSpline(measured.id_A, measured.iq_A, values, s=0) for values in _node_fluxes(measured)]
    found = root(lambda i: [1e3 * (s(*i).item() - p) for s, p in zip(spline, psi, strict=True)], [-80.0, 300.0 * psi[1]])
    assert found.success
    assert map_currents(measured.table, 0, *psi) == pytest.approx(found.x, abs=0.05)


def test_the_measured_map_keeps_its_measured_values(verified, measured):
    # Hoelsch, Wallscheid 2025, doi 10.36227/techrxiv.173603411.17559954/v1: fluxes [mVs] and torques of the table.
    source = "measured map of Hoelsch, Wallscheid, 2025"
    what = "{} at id = {} A, iq = {} A, measured 85 kW machine"
    psi_d, _ = map_fluxes(measured.table, 0, 0.0, 0.0)
    verified(what.format("d flux", 0, 0), source, 71.658, 1e3 * psi_d, 6e-4, "mWb")
    psi_d, psi_q = map_fluxes(measured.table, 0, -100.0, 100.0)
    verified(what.format("d flux", -100, 100), source, 40.972, 1e3 * psi_d, 6e-4, "mWb")
    verified(what.format("q flux", -100, 100), source, 115.635, 1e3 * psi_q, 6e-4, "mWb")
    verified(what.format("torque", -100, 100), source, 70.473, 4.5 * (psi_d * 100.0 + psi_q * 100.0), 6e-4, "Nm")
    psi_d, psi_q = map_fluxes(measured.table, 0, -250.0, 250.0)
    verified(what.format("torque", -250, 250), source, 185.953, 4.5 * (psi_d * 250.0 + psi_q * 250.0), 6e-4, "Nm")


@pytest.mark.parametrize("name", ["saturating", "measured"])
def test_outside_the_table_currents_return_up_to_a_fifth_of_the_range(name, request):
    tables = request.getfixturevalue(name)
    span_d, span_q = tables.range_A
    rng = np.random.default_rng(6)
    for x, y in rng.uniform(-0.2, 1.2, (1000, 2)):
        id_A, iq_A = tables.id_A[0] + x * span_d, tables.iq_A[0] + y * span_q
        back = map_currents(tables.table, 0, *map_fluxes(tables.table, 0, id_A, iq_A))
        assert abs(back[0] - id_A) < 2e-4 * span_d and abs(back[1] - iq_A) < 2e-4 * span_q


def test_outside_the_table_flux_continues_with_the_edges_incremental_inductances(saturating):
    l_dd, l_dq, l_qd, l_qq = map_inductances(saturating.table, 0, 0.0, 100.0)
    edge = map_fluxes(saturating.table, 0, 0.0, 100.0)
    assert map_fluxes(saturating.table, 0, 30.0, 100.0) == pytest.approx((edge[0] + 30 * l_dd, edge[1] + 30 * l_qd), rel=1e-12)
    l_dd, l_dq, l_qd, l_qq = map_inductances(saturating.table, 0, -100.0, -400.0)
    edge = map_fluxes(saturating.table, 0, -100.0, -400.0)
    assert map_fluxes(saturating.table, 0, -100.0, -450.0) == pytest.approx(
        (edge[0] - 50 * l_dq, edge[1] - 50 * l_qq), rel=1e-12
    )


@pytest.mark.parametrize("point", [(-130.0, 90.0), (60.0, 150.0), (-120.0, 460.0), (50.0, 480.0), (-460.0, -470.0)])
def test_incremental_inductances_are_the_slopes_of_flux_inside_and_outside(saturating, point):
    id_A, iq_A = point
    h = 0.01
    along_d = np.subtract(map_fluxes(saturating.table, 0, id_A + h, iq_A), map_fluxes(saturating.table, 0, id_A - h, iq_A))
    along_q = np.subtract(map_fluxes(saturating.table, 0, id_A, iq_A + h), map_fluxes(saturating.table, 0, id_A, iq_A - h))
    l_dd, l_dq, l_qd, l_qq = map_inductances(saturating.table, 0, id_A, iq_A)
    assert (l_dd, l_qd, l_dq, l_qq) == pytest.approx((*along_d / (2 * h), *along_q / (2 * h)), rel=1e-6, abs=1e-11)


@pytest.mark.parametrize("psi", [(0.2, 0.1), (0.05, 0.6), (-0.4, -0.7), (0.3, -0.6)])
def test_a_linear_map_with_cross_coupling_is_inverted_by_its_matrix_however_far_outside(psi):
    """psi - psi_m = L i with l_dq = l_qd = 0.1 mH: i = L^-1 (psi - psi_m), the straight line that the inverse continues on."""
    d, q = np.meshgrid(np.linspace(-300.0, 100.0, 5), np.linspace(-400.0, 400.0, 9), indexing="ij")
    inductance = np.array([[0.3e-3, 0.1e-3], [0.1e-3, 0.7e-3]])
    tables = build_map_tables(d[:, 0], q[0], 0.07 + 0.3e-3 * d + 0.1e-3 * q, 0.1e-3 * d + 0.7e-3 * q)
    expected = np.linalg.solve(inductance, np.subtract(psi, (0.07, 0.0)))
    assert map_currents(tables.table, 0, *psi) == pytest.approx(tuple(expected), rel=1e-9, abs=1e-6)


def test_nodes_that_newton_does_not_reach_are_carried_on_linearly():
    """Currents that are a linear function of flux, known in the middle only, come out as that function everywhere."""
    target = np.stack(np.meshgrid(np.linspace(-1.0, 2.0, 7), np.linspace(0.0, 1.0, 5), indexing="ij"))
    slope = np.array([[3.0, -1.0], [-0.5, 2.0]])
    expected = np.einsum("ij,jnm->inm", slope, target)
    solved = np.zeros(target.shape[1:], dtype=bool)
    solved[2:5, 1:4] = True
    currents = np.where(solved, expected, 1e9)
    _fill(target, currents, np.where(solved, slope[:, :, None, None], 1e9), solved)
    assert currents == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("edge", [(0.0, 150.0), (-120.0, 400.0), (0.0, 400.0), (-400.0, -400.0)])
def test_flux_and_inductance_do_not_jump_at_the_edge(saturating, edge):
    inside, outside = (np.array(edge) + sign * 1e-7 for sign in (-1.0, 1.0))
    for lookup, step in ((map_fluxes, 1e-9), (map_inductances, 1e-10)):
        assert lookup(saturating.table, 0, *inside) == pytest.approx(lookup(saturating.table, 0, *outside), abs=step)


def test_distance_outside_is_relative_to_the_range(saturating):
    assert map_distance(saturating.table, 0, -400.0, 400.0) == 0.0
    assert map_distance(saturating.table, 0, 40.0, 0.0) == pytest.approx(0.1)
    assert map_distance(saturating.table, 0, -480.0, 0.0) == pytest.approx(0.2)
    assert map_distance(saturating.table, 0, 40.0, -640.0) == pytest.approx(0.3)


def test_two_maps_live_in_one_table(saturating):
    axis = np.linspace(-300.0, 300.0, 7)
    other = flat(axis, axis)
    both = np.concatenate([np.full(5, 9.0), saturating.table, other.table])
    at = 5 + saturating.table.size
    assert map_currents(both, 5, 0.05, 0.06) == map_currents(saturating.table, 0, 0.05, 0.06)
    assert map_currents(both, at, 0.05, 0.06) == map_currents(other.table, 0, 0.05, 0.06)
    assert map_inductances(both, at, 10.0, 20.0) == map_inductances(other.table, 0, 10.0, 20.0)
    assert map_distance(both, at, 360.0, 20.0) == pytest.approx(0.1)


def test_uneven_steps_of_the_axes_are_kept(saturating):
    axes = AXES[0][[0, 1, 2, 4, 7, 9, 12, 15, 17, 18, 20]] + np.r_[0.0, 3.3, np.zeros(9)], AXES[1][::2]
    tables = build_map_tables(*axes, *saturating_machine(*np.meshgrid(*axes, indexing="ij")))
    psi_d, psi_q = saturating_machine(*np.meshgrid(*axes, indexing="ij"))
    for i, id_A in enumerate(axes[0]):
        for j, iq_A in enumerate(axes[1]):
            assert map_fluxes(tables.table, 0, id_A, iq_A) == pytest.approx((psi_d[i, j], psi_q[i, j]), abs=1e-9)
    assert map_currents(tables.table, 0, *saturating_machine(-130.0, 77.0)) == pytest.approx((-130.0, 77.0), abs=0.4)


def test_a_flux_that_is_no_number_gives_no_number(saturating):
    assert np.isnan(map_currents(saturating.table, 0, float("nan"), 0.1)).any()
    assert np.isfinite(map_currents(saturating.table, 0, 1e9, -1e9)).all()


def test_energy_of_a_reciprocal_machine_does_not_depend_on_the_path(saturating):
    both = coenergy_difference(saturating, (0.0, 0.0), (-300.0, 250.0))
    # Left over: interpolation breaks reciprocity a little.
    assert abs(both.difference_J) < 1e-4 * abs(both.d_first_J)


def test_energy_of_a_flat_map_is_that_of_its_inductances(verified):
    axis = np.linspace(-300.0, 300.0, 13)
    # 1.5 (Ld id^2 + Lq iq^2) / 2: what two inductors hold, amplitude-invariant.
    expected = 0.75 * (0.2e-3 * 100.0**2 + 0.6e-3 * 200.0**2)
    both = coenergy_difference(flat(axis, axis), (0.0, 0.0), (-100.0, 200.0))
    assert both == pytest.approx((expected, expected, 0.0), abs=1e-12 * expected + 1e-9)
    what = "field energy of a flat map, id = -100 A, iq = 200 A, 0.2 and 0.6 mH"
    verified(what, "0.75 (Ld id^2 + Lq iq^2)", expected, both.d_first_J, 1e-12 * expected + 1e-9, "J")


def test_the_measured_map_is_not_conservative_and_this_is_told(measured):
    # shared data notes: reciprocity is broken by up to 135 uH; no value of the energy is published.
    both = coenergy_difference(measured, (0.0, 0.0), (-200.0, 150.0))
    assert 0.1 < abs(both.difference_J) < 0.1 * both.d_first_J


def test_a_map_that_folds_is_refused_with_the_place():
    axis = np.linspace(-200.0, 200.0, 21)
    d, q = np.meshgrid(axis, axis, indexing="ij")
    psi_d, psi_q = 0.07 + 0.2e-3 * d, 0.6e-3 * q
    psi_d[14, 5] -= 0.006
    with pytest.raises(MapError, match="psi_d must rise with id") as refused:
        build_map_tables(axis, axis, psi_d, psi_q)
    assert refused.value.place_A == pytest.approx((75.0, -100.0), abs=10.0)
    assert "id = " in str(refused.value) and "iq = " in str(refused.value)


def test_cross_saturation_beyond_self_saturation_is_refused():
    axis = np.linspace(-100.0, 100.0, 5)
    d, q = np.meshgrid(axis, axis, indexing="ij")
    with pytest.raises(MapError, match="l_dd l_qq must exceed l_dq l_qd"):
        build_map_tables(axis, axis, 0.05 + 1e-3 * d + 2e-3 * q, 1e-3 * q + 2e-3 * d)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda d, q, pd, pq: (d[::-1], q, pd, pq), "id axis must be"),
        (lambda d, q, pd, pq: (d, q[:1], pd[:, :1], pq[:, :1]), "iq axis must be"),
        (lambda d, q, pd, pq: (d, q, pd[:-1], pq), "psi_d needs a value for each"),
        (lambda d, q, pd, pq: (d, q, pd, np.where(pq == pq[2, 3], np.nan, pq)), "psi_q has no number at id = "),
        (lambda d, q, pd, pq: (d, q, -pd, pq), "psi_d must rise"),
        (lambda d, q, pd, pq: (d, q, pd, 0.0 * pq), "psi_q must rise"),
    ],
)
def test_malformed_maps_are_refused_in_a_sentence(change, said):
    axis = np.linspace(-200.0, 200.0, 6)
    d, q = np.meshgrid(axis, axis, indexing="ij")
    with pytest.raises(MapError, match=said):
        build_map_tables(*change(axis, axis, 0.07 + 0.2e-3 * d, 0.6e-3 * q))
    assert issubclass(MapError, ValueError)
