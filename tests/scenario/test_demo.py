"""The shipped scenarios meet their expectations, and the tractor's flux map hangs together as a co-energy says."""

import importlib.util
import sys
import tomllib

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.interpolate import RectBivariateSpline

from simcore import Bench, load_scenario
from simcore.measure import judge
from simcore.scenario.fluxmap_csv import read_flux_map
from simcore.scenario.parts import library, shipped_parts

FOLDER = library().parent
SCENARIOS = sorted(FOLDER.glob("*.toml"))
PARTS = shipped_parts()
MAP_FILE = library() / "motors" / "yard_tractor_map.csv"
POLE_PAIRS, GREATEST_A = 4, 450.0

# Currents inside and at the rim of what the drive uses, in all four quadrants.
POINTS_A = [(-235.0, 384.0), (-400.0, -120.0), (0.0, 30.0), (120.0, -590.0), (-590.0, 15.0), (80.0, 200.0)]


@pytest.fixture(scope="module")
def model():
    """scenarios/make_maps.py, loaded from its file: an importable `scenarios` may be somebody else's."""
    spec = importlib.util.spec_from_file_location("_demo_make_maps", FOLDER / "make_maps.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def shipped_map():
    return read_flux_map(MAP_FILE)


def header(path):
    """The comment lines at the top of a file, joined."""
    lines = path.read_text(encoding="utf-8").splitlines()
    count = next(k for k, line in enumerate(lines) if not line.startswith("#"))
    return " ".join(line.lstrip("# ") for line in lines[:count])


@pytest.mark.parametrize("path", SCENARIOS, ids=lambda p: p.stem)
def test_a_shipped_scenario_meets_its_expectations_and_its_energies_add_up(path):
    scenario = load_scenario(path)
    recording = Bench(scenario).run()
    verdicts = judge(recording, scenario.expect)
    assert len(verdicts) >= 3
    assert [v for v in verdicts if not v["passed"]] == []
    # Aims of the scenario language: 1e-6 averaged, 1e-5 switched.
    aim = 1e-5 if scenario.inverter.model == "switched" else 1e-6
    assert abs(recording.audit["residual_relative"]) < aim
    assert [finding for finding in recording.findings if not finding.startswith("Fault ")] == []


@pytest.mark.parametrize("path", SCENARIOS, ids=lambda p: p.stem)
def test_a_shipped_scenario_says_what_it_teaches_and_that_it_is_invented(path):
    text = header(path)
    assert "What to learn:" in text
    assert "invented" in text or "synthetic" in text


def test_there_are_scenarios_of_every_kind():
    loaded = [load_scenario(path) for path in SCENARIOS]
    assert len(loaded) >= 7
    assert {s.load.kind for s in loaded} >= {"rig", "free"}
    assert {s.inverter.model for s in loaded} == {"averaged", "switched"}
    assert {s.inverter.update for s in loaded} == {"single", "double"}
    assert any(s.scope for s in loaded)
    assert any(s.controller.file is not None or "spin" in s.controller.class_ for s in loaded)


@pytest.mark.parametrize("name", PARTS)
def test_a_part_says_that_it_is_invented_and_is_used_by_a_scenario(name):
    path = library() / f"{name}.toml"
    assert "nvented" in header(path) or "synthetic" in header(path)
    assert tomllib.loads(path.read_text(encoding="utf-8"))["name"]
    assert any(f'part = "{name}"' in scenario.read_text(encoding="utf-8") for scenario in SCENARIOS)


def test_the_shipped_map_is_what_the_co_energy_gives(model, shipped_map):
    text = MAP_FILE.read_text(encoding="utf-8")
    assert len(text) < 250_000
    assert text.startswith(model.HEADER)
    made = [line.split(",") for line in model.table_text().splitlines() if line[0] in "-0123456789"]
    shipped = [line.split(",") for line in text.splitlines() if line[0] in "-0123456789"]
    # The last digit is a nanoweber; another platform's square root may round it differently.
    np.testing.assert_allclose(np.array(shipped, float), np.array(made, float), rtol=0, atol=1.5e-9)
    assert shipped_map.findings == ()


@pytest.mark.parametrize(("id_A", "iq_A"), POINTS_A)
def test_fluxes_are_the_slopes_of_the_co_energy(model, id_A, iq_A):
    step = 0.01
    along_d = (model.coenergy(id_A + step, iq_A) - model.coenergy(id_A - step, iq_A)) / (2 * step)
    along_q = (model.coenergy(id_A, iq_A + step) - model.coenergy(id_A, iq_A - step)) / (2 * step)
    assert model.fluxes(id_A, iq_A) == pytest.approx((along_d, along_q), abs=1e-9)


@pytest.mark.parametrize(("id_A", "iq_A"), POINTS_A)
def test_the_co_energy_does_not_depend_on_the_path(model, id_A, iq_A):
    d_first = quad(lambda d: model.fluxes(d, 0.0)[0], 0.0, id_A)[0] + quad(lambda q: model.fluxes(id_A, q)[1], 0.0, iq_A)[0]
    q_first = quad(lambda q: model.fluxes(0.0, q)[1], 0.0, iq_A)[0] + quad(lambda d: model.fluxes(d, iq_A)[0], 0.0, id_A)[0]
    gained = model.coenergy(id_A, iq_A) - model.coenergy(0.0, 0.0)
    assert d_first == pytest.approx(gained, abs=1e-9)
    assert q_first == pytest.approx(gained, abs=1e-9)


@pytest.mark.parametrize(("id_A", "iq_A"), POINTS_A)
def test_torque_is_the_change_of_co_energy_as_the_rotor_turns_under_constant_phase_currents(model, id_A, iq_A):
    """T = dW'/d theta at constant currents (any text on electromechanical conversion); turning by one electrical radian
    turns the current vector back by one in the rotor's frame."""
    turn = 1e-5

    def coenergy_J(electrical_rad):
        current = complex(id_A, iq_A) * np.exp(-1j * electrical_rad)
        return 1.5 * model.coenergy(current.real, current.imag)

    virtual_work = POLE_PAIRS * (coenergy_J(turn) - coenergy_J(-turn)) / (2 * turn)
    psi_d, psi_q = model.fluxes(id_A, iq_A)
    assert 1.5 * POLE_PAIRS * (psi_d * iq_A - psi_q * id_A) == pytest.approx(virtual_work, abs=1e-5)


def splines(shipped_map):
    axes = shipped_map.id_A, shipped_map.iq_A
    return RectBivariateSpline(*axes, shipped_map.psi_d_Wb), RectBivariateSpline(*axes, shipped_map.psi_q_Wb)


def test_the_shipped_map_is_reciprocal_and_invertible_between_its_points_too(shipped_map):
    psi_d, psi_q = splines(shipped_map)
    id_A, iq_A = np.linspace(-600.0, 160.0, 191), np.linspace(-600.0, 600.0, 301)
    l_dd, l_dq = psi_d(id_A, iq_A, dx=1), psi_d(id_A, iq_A, dy=1)
    l_qd, l_qq = psi_q(id_A, iq_A, dx=1), psi_q(id_A, iq_A, dy=1)
    # A tenth of a microhenry of 240: what cubic splines through rounded points leave.
    np.testing.assert_allclose(l_dq, l_qd, rtol=0, atol=1e-7)
    assert l_dd.min() > 150e-6
    assert l_qq.min() > 100e-6
    assert (l_dd * l_qq - l_dq * l_qd).min() > 0.9 * 150e-6 * 100e-6


def test_the_tractor_has_the_figures_that_its_part_states(shipped_map):
    psi_d, psi_q = splines(shipped_map)
    angle = np.linspace(np.pi / 2, np.pi, 2001)
    id_A, iq_A = GREATEST_A * np.cos(angle), GREATEST_A * np.sin(angle)
    torque = 1.5 * POLE_PAIRS * (psi_d(id_A, iq_A, grid=False) * iq_A - psi_q(id_A, iq_A, grid=False) * id_A)
    best = int(np.argmax(torque))
    flux = np.hypot(psi_d(id_A[best], iq_A[best]), psi_q(id_A[best], iq_A[best])).item()
    corner = 0.95 * 700.0 / np.sqrt(3.0) / flux / POLE_PAIRS
    assert torque[best] == pytest.approx(225.0, abs=2.0)
    assert corner * 30 / np.pi == pytest.approx(6500.0, abs=50.0)
    assert torque[best] * corner == pytest.approx(155e3, abs=2e3)
    assert psi_d(0.0, 0.0).item() == pytest.approx(80e-3, abs=0.2e-3)
    assert psi_q(0.0, 5.0).item() / 5.0 == pytest.approx(0.60e-3, abs=0.01e-3)
    assert psi_q(0.0, 450.0).item() / 450.0 == pytest.approx(0.33e-3, abs=0.005e-3)
    assert abs(psi_d(-287.0, 0.0).item()) < 1e-3
