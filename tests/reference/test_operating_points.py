"""Steady operating points against published formulas and worked values.

Sources, from memory: S. Morimoto, Y. Takeda, T. Hirasa, K. Taniguchi, IEEE Trans. Ind. Appl. 26(5), 1990, 866-871 (maximum
torque per ampere and per volt); T. M. Jahns, G. B. Kliman, T. W. Neumann, IEEE Trans. Ind. Appl. 22(4), 1986 (interior
magnets). Machines: A of S. Morimoto, M. Sanada, Y. Takeda, IEEE Trans. Ind. Appl. 30(4), 1994, 920-926 (could not be
confirmed), B of R. Krishnan's textbook, D and E invented. The worked values were computed from the formulas and confirmed
by brute force, apart from this project.
"""

import math
import os
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import brentq

from controllers.operating_points import ConstantMachine, OperatingPoints
from controllers.reference_tables import build_reference_tables
from controllers.references import current_references, flux_limit
from simcore.plant.fluxmap_build import build_map_tables

MORIMOTO = "Morimoto, Takeda, Hirasa, Taniguchi, IEEE Trans. Ind. Appl. 26(5), 1990 [M]"
DATA = Path(os.environ.get("DRYBENCH_OUTSIDE_DATA", Path(__file__).parents[2] / ".." / "shared" / "data"))
VOLTAGE, VOLTAGE_AND_CURRENT, MTPV = 2, 3, 4
POLE_PAIRS, RESISTANCE, L_D, L_Q, PSI_M, MAX_A, MAX_V = range(7)
MACHINES = {
    "A": (2, 0.57, 8.72e-3, 22.8e-3, 0.1077 * math.sqrt(2.0 / 3.0), 5.0 * math.sqrt(2.0), 50.0 * math.sqrt(2.0)),
    "B": (3, 1.4, 5.6e-3, 9.0e-3, 0.1546, 10.0, 285.0 / math.sqrt(3.0)),
    "D": (4, 0.01, 0.25e-3, 0.25e-3, 0.06, 300.0, 400.0 / math.sqrt(3.0)),
    "E": (4, 0.01, 0.2e-3, 0.6e-3, 0.07, 400.0, 400.0 / math.sqrt(3.0)),
}


def references(name, torque_Nm, flux_Wb, tables={}):  # noqa: B006
    machine = MACHINES[name]
    if name not in tables:
        flux = ConstantMachine(inductance_d_H=machine[L_D], inductance_q_H=machine[L_Q], magnet_flux_Wb=machine[PSI_M])
        tables[name] = build_reference_tables(flux, machine[POLE_PAIRS], machine[MAX_A])
    return current_references(
        tables[name], 0, 0, tables[name], 0, float(machine[POLE_PAIRS]), machine[PSI_M], machine[L_D], machine[L_Q],
        float(torque_Nm), float(flux_Wb),
    )  # fmt: skip


def lossless_flux(name, speed_rpm):
    machine = MACHINES[name]
    return machine[MAX_V] / (machine[POLE_PAIRS] * speed_rpm * math.pi / 30.0)


@pytest.mark.parametrize(
    ("name", "id_A", "iq_A", "torque_Nm"),
    [
        ("A", -3.676744, 6.039996, 2.531457),
        ("B", -2.019787, 9.793899, 7.116274),
        ("D", 0.0, 300.0, 108.0),
        ("E", -242.456329, 318.142938, 318.745878),
    ],
)
@pytest.mark.parametrize("direction", [1.0, -1.0])
def test_maximum_torque_per_ampere_at_the_greatest_current(verified, name, id_A, iq_A, torque_Nm, direction):
    found = references(name, direction * 1e6, 1e6)
    what = f"{{}} of greatest torque at the greatest current, reference, machine {name}"
    for quantity, expected, value, unit in (
        ("d current", id_A, found[0], "A"),
        ("q current", iq_A, direction * found[1], "A"),
        ("torque", torque_Nm, direction * found[2], "Nm"),
    ):
        verified(what.format(quantity), MORIMOTO, expected, value, max(2e-6 * abs(expected), 1e-6), unit)


@pytest.mark.parametrize("name", MACHINES)
@pytest.mark.parametrize("share", [0.02, 0.11, 0.37, 0.76, 0.98])
def test_maximum_torque_per_ampere_follows_its_formula(name, share):
    p, _, l_d, l_q, psi, max_A, _ = MACHINES[name]
    current = share * max_A
    saliency = l_q - l_d
    id_A = 0.0 if saliency == 0 else (psi - math.sqrt(psi**2 + 8.0 * (saliency * current) ** 2)) / (4.0 * saliency)
    iq_A = math.sqrt(current**2 - id_A**2)
    torque = 1.5 * p * (psi * iq_A - saliency * id_A * iq_A)
    found = references(name, torque, 1e6)
    # Along the curve current hardly depends on id: the lookup is exact in torque, near in id.
    assert found[:2] == pytest.approx((id_A, iq_A), abs=1e-3 * max_A)
    assert found[2] == pytest.approx(torque, rel=1e-6)
    assert math.hypot(*found[:2]) == pytest.approx(current, rel=1e-4)


def test_a_flux_in_power_invariant_scaling_would_overstate_magnet_torque():
    # 0.1077 Wb taken unconverted: 22.5 % more magnet torque (sqrt(3/2) = 1.2247).
    p, _, l_d, l_q, psi, max_A, _ = MACHINES["A"]
    assert 0.1077 / psi == pytest.approx(1.2247, abs=1e-4)


@pytest.mark.parametrize(
    ("name", "base_lossless_rpm", "base_rpm"),
    [("A", 2271.755, 2166.467), ("D", 5740.207, 5693.330), ("E", 2870.104, 2835.509)],
)
def test_base_speed_with_and_without_resistance(verified, name, base_lossless_rpm, base_rpm):
    machine = MACHINES[name]
    id_A, iq_A, torque, _ = references(name, 1e6, 1e6)
    psi = math.hypot(machine[PSI_M] + machine[L_D] * id_A, machine[L_Q] * iq_A)
    assert lossless_flux(name, base_lossless_rpm) == pytest.approx(psi, rel=2e-6)
    omega_e = machine[POLE_PAIRS] * base_rpm * math.pi / 30.0
    limit = flux_limit(machine[MAX_V], machine[RESISTANCE], machine[MAX_A], omega_e, torque, machine[POLE_PAIRS])
    assert limit == pytest.approx(psi, rel=2e-6)
    found = machine[MAX_V] / psi / machine[POLE_PAIRS] * 30.0 / math.pi
    what = f"base speed at the linear voltage limit, {{}} resistance, machine {name}"
    verified(what.format("without"), MORIMOTO, base_lossless_rpm, found, 2e-6 * base_lossless_rpm, "rpm")

    def spare_flux(rpm):
        omega_e = machine[POLE_PAIRS] * rpm * math.pi / 30.0
        return flux_limit(machine[MAX_V], machine[RESISTANCE], machine[MAX_A], omega_e, torque, machine[POLE_PAIRS]) - psi

    found = brentq(spare_flux, 0.5 * base_rpm, 1.5 * base_rpm)
    verified(what.format("with"), MORIMOTO, base_rpm, found, 2e-6 * base_rpm, "rpm")


@pytest.mark.parametrize(
    ("name", "base_rpm", "id_A", "iq_A", "torque_Nm"),
    [
        ("A", 2271.755, -6.429049, 2.944032, 1.576155),
        ("D", 5740.207, -230.625000, 191.864821, 69.071335),
        ("E", 2870.104, -366.613787, 159.982284, 207.956666),
    ],
)
@pytest.mark.parametrize("direction", [1.0, -1.0])
def test_twice_base_speed_on_the_current_limit(name, base_rpm, id_A, iq_A, torque_Nm, direction):
    max_A, top = MACHINES[name][MAX_A], references(name, 1e6, 1e6)[2]
    found = references(name, direction * 1e6, lossless_flux(name, 2.0 * base_rpm))
    assert found[0] == pytest.approx(id_A, abs=1e-3 * max_A)
    assert found[1] == pytest.approx(direction * iq_A, abs=1e-3 * max_A)
    assert found[2] == pytest.approx(direction * torque_Nm, abs=1e-3 * top)
    assert found[3] == VOLTAGE_AND_CURRENT


@pytest.mark.parametrize(
    ("name", "omega_e", "torque_Nm"),
    [("D", 5132.0024, None), ("E", 4 * 16300.13 * math.pi / 30.0, 74.34062)],
)
def test_maximum_torque_per_volt_meets_the_current_limit(name, omega_e, torque_Nm):
    psi = MACHINES[name][MAX_V] / omega_e
    below, above = references(name, 1e6, 1.05 * psi), references(name, 1e6, 0.95 * psi)
    assert (below[3], above[3]) == (VOLTAGE_AND_CURRENT, MTPV)
    if torque_Nm is not None:
        assert references(name, 1e6, psi)[2] == pytest.approx(torque_Nm, abs=1e-3 * 318.745878)


@pytest.mark.parametrize("name", ["D", "E"])
@pytest.mark.parametrize("share", [0.95, 0.7, 0.4, 0.1])
def test_maximum_torque_per_volt_follows_its_formula(name, share):
    p, _, l_d, l_q, psi, max_A, _ = MACHINES[name]
    first = {"D": MACHINES["D"][MAX_V] / 5132.0024, "E": lossless_flux("E", 16300.13)}[name]
    flux = share * first
    saliency = l_q - l_d
    if saliency == 0.0:
        psi_d = 0.0
    else:
        psi_d = (l_q * psi - math.sqrt((l_q * psi) ** 2 + 8.0 * (saliency * flux) ** 2)) / (4.0 * saliency)
    id_A, iq_A = (psi_d - psi) / l_d, math.sqrt(flux**2 - psi_d**2) / l_q
    torque = 1.5 * p * (psi_d * iq_A - math.sqrt(flux**2 - psi_d**2) * id_A)
    found = references(name, 1e6, flux)
    assert found[2] == pytest.approx(torque, abs=1e-3 * references(name, 1e6, 1e6)[2])
    assert found[:2] == pytest.approx((id_A, iq_A), abs=2e-3 * max_A)
    assert found[3] == MTPV


def test_machine_a_has_a_finite_speed_limit(verified):
    # psi_m/Ld = 10.084482 A above 7.07 A: w = Vmax/(psi_m - Ld Imax) is 12848.46 rpm.
    assert references("A", 1e6, lossless_flux("A", 12700.0))[2] > 0.01
    id_A, iq_A, torque, binding = references("A", 1e6, lossless_flux("A", 12849.0))
    assert (iq_A, torque) == pytest.approx((0.0, 0.0), abs=1e-6)
    verified("d current above the finite speed limit of 12 848 rpm, machine A", MORIMOTO, -7.0710678, id_A, 1e-6, "A")
    assert binding == VOLTAGE_AND_CURRENT


@pytest.fixture(scope="module")
def measured():
    path = DATA / "measured_ipm_fluxmap.csv"
    if not path.exists():
        pytest.skip(f"measured flux map not found: {path} (set DRYBENCH_OUTSIDE_DATA)")
    rows = np.genfromtxt(path, delimiter=",", names=True)
    id_A, iq_A = np.unique(rows["id_A"]), np.unique(rows["iq_A"])
    order = np.lexsort((rows["iq_A"], rows["id_A"]))
    psi_d, psi_q = (rows[name][order].reshape(id_A.size, iq_A.size) for name in ("psi_d_Vs", "psi_q_Vs"))
    return build_map_tables(id_A, iq_A, psi_d, psi_q)


def test_measured_machine_at_its_greatest_current(verified, measured):
    # Map of Hoelsch, Wallscheid 2025, doi 10.36227/techrxiv.173603411.17559954/v1; 129.66 Nm at -198.5/152.0 A was found
    # on it by another interpolation, apart from this project.
    torque, id_A, iq_A = OperatingPoints(flux=measured, pole_pairs=3, max_current_A=250.0).greatest_torque(np.array([1.0]))
    source = "brute force on the map of Hoelsch, Wallscheid, 2025"
    what = "{} of greatest torque at 250 A, reference, measured 85 kW machine"
    verified(what.format("torque"), source, 129.66, torque[0], 0.05, "Nm")
    verified(what.format("d current"), source, -198.5, id_A[0], 1.0, "A")
    verified(what.format("q current"), source, 152.0, iq_A[0], 1.0, "A")


def test_measured_machine_gives_120_Nm_at_its_own_optimum(measured):
    table = build_reference_tables(measured, 3, 250.0)
    id_A, iq_A, torque, binding = current_references(
        table, 0, 1, measured.table, 0, 3.0, 0.0, 0.0, 0.0, 120.0, 1e6
    )
    # About 232 A: the issue's own figure for this map.
    assert (torque, binding) == (pytest.approx(120.0, abs=1e-3), 0)
    assert math.hypot(id_A, iq_A) == pytest.approx(232.0, abs=0.5)
