"""The operating point and the range: where the running drive rests, what load and friction ask for, the worst place."""

import math

import numpy as np
import pytest

from simcore import Bench
from simcore.study.response.built_in import BuiltIn, flux_of
from simcore.study.response.drive_at import linear_drive
from simcore.study.response.operating_range import survey
from simcore.study.response.point import at_time, point_of
from simcore.study.response.predicted import predict_current
from simcore.study.response.told import bandwidth_Hz


@pytest.mark.parametrize("speed_rpm", [3000.0, -3000.0])
def test_the_true_currents_behind_filter_iron_and_angle_error(make_scenario, speed_rpm):
    """What the controller holds is what it sees; the true currents of the run are those of the prediction."""
    scenario = make_scenario(
        machine={"iron_loss": {"frequency_Hz": 200, "hysteresis_W": 400, "eddy_W": 800}},
        load={"speed_rpm": speed_rpm},
        commands={"id_A": -60.0, "iq_A": 80.0},
        sensors={
            "current": {"bandwidth_Hz": 1200, "gain": [1.05, 1.05, 1.05]},
            "position": {"kind": "resolver", "pole_pairs": 2, "mounting_offset_deg": 5.0, "quadrature_error_deg": 2.0},
        },
        run={"duration_s": 0.4, "record_every": 2},
    )
    built_in = BuiltIn(scenario)
    drive = linear_drive(scenario, built_in, at_time(scenario, built_in))
    recording = Bench(scenario).run()
    late = slice(len(recording) // 2, None)
    for name, rest in (("id_A", drive.winding.current_A[0]), ("iq_A", drive.winding.current_A[1])):
        assert recording[name][late].mean() == pytest.approx(rest, abs=0.4)
    psi = drive.winding.flux_Wb
    for name, rest in (("psi_d_Wb", psi[0]), ("psi_q_Wb", psi[1])):
        assert recording.channel(name)[late].mean() == pytest.approx(rest, abs=4e-4)
    # The low-pass at rest gives back the references, in the frame of the true angle.
    seen = 1.05 * complex(*drive.filtered_A) * np.exp(-1j * drive.sensing.angle_error_rad)
    assert seen == pytest.approx(-60.0 + 80.0j, abs=1e-9)


def test_torque_of_a_speed_loop_is_what_load_and_friction_take(make_scenario):
    scenario = make_scenario(
        load={
            "replace": True, "kind": "free", "inertia_kg_m2": 0.05, "viscous_Nm_s": 0.1, "coulomb_Nm": 2.0, "torque_Nm": 25.0,
        },
        controller={"mode": "speed"},
        commands={"replace": True, "speed_rpm": [[0.0, 500.0], [0.02, -600.0]]},
    )  # fmt: skip
    built_in = BuiltIn(scenario)
    early, late = at_time(scenario, built_in, 0.01), at_time(scenario, built_in)
    assert early.speed_rpm == 500.0 and early.torque_Nm == pytest.approx(25.0 + 2.0 + 0.1 * 500 * math.pi / 30, abs=0.05)
    assert late.speed_rpm == -600.0 and late.torque_Nm == pytest.approx(25.0 - 2.0 - 0.1 * 600 * math.pi / 30, abs=0.05)


def test_a_free_shaft_without_speed_loop_is_run_up_to_the_instant(make_scenario):
    # 20 Nm on 0.05 kg m2 for 0.05 s from rest: 20 rad/s, less the first updates.
    scenario = make_scenario(
        load={"replace": True, "kind": "free", "inertia_kg_m2": 0.05},
        controller={"mode": "torque"},
        commands={"replace": True, "torque_Nm": 20.0},
    )
    assert at_time(scenario, BuiltIn(scenario)).omega == pytest.approx(20.0, rel=0.03)


@pytest.fixture(scope="module")
def surveyed():
    """A salient drive over its range at two link voltages."""
    from simcore.scenario.reader import scenario_from

    scenario = scenario_from(
        {
            "machine": {
                "kind": "constants", "pole_pairs": 4, "stator_resistance_ohm": 0.010, "inductance_d_H": 0.2e-3,
                "inductance_q_H": 0.6e-3, "magnet_flux_Wb": 0.07, "max_current_A": 400, "max_speed_rpm": 9000,
            },
            "inverter": {"switching_frequency_Hz": 8000, "update": "single", "dead_time_s": 1e-6},
            "supply": {"kind": "source", "voltage_V": 400},
            "load": {"kind": "rig", "speed_rpm": 1000},
            "controller": {"mode": "torque", "tuning": {"current_bandwidth_Hz": 300}},
            "commands": {"torque_Nm": 50.0},
            "run": {"duration_s": 0.05},
        },
        path="range.toml",
    )  # fmt: skip
    built_in, flux = BuiltIn(scenario), flux_of(scenario.machine)
    found = survey(scenario, built_in, flux=flux, speeds_rpm=[0.0, 4500.0, 9000.0], links_V=[350.0, 450.0])
    return scenario, built_in, flux, found


def test_every_place_of_the_range_is_the_loop_there(surveyed):
    scenario, built_in, flux, found = surveyed
    f = found.figures
    assert f["phase_margin_deg"].shape == (2, 3, 9)
    assert np.allclose(f["inductance_d_H"], 0.2e-3) and np.allclose(f["inductance_q_H"], 0.6e-3)
    for place in ((0, 2, 8), (1, 1, 2), (0, 0, 4)):
        reference = np.array([f["id_A"][place], f["iq_A"][place]])
        point = point_of(scenario, reference, f["speed_rpm"][place], f["link_voltage_V"][place], flux=flux)
        loop = predict_current(linear_drive(scenario, built_in, point, flux=flux))
        assert f["phase_margin_deg"][place] == pytest.approx(loop.worst.margins.phase_margin_deg, abs=0.5)
        assert f["stability_edge_factor"][place] == pytest.approx(loop.edge_factor, rel=0.01)
        assert f["torque_Nm"][place] == pytest.approx(6.0 * (0.07 - 0.4e-3 * reference[0]) * reference[1], rel=1e-9, abs=1e-9)


def test_the_worst_place_is_the_least_margin(surveyed):
    found = surveyed[3]
    margins = found.figures["phase_margin_deg"]
    assert found.worst["phase_margin_deg"] == margins.min() and found.span("phase_margin_deg")[0] == margins.min()
    assert found.worst["speed_rpm"] == 9000.0 and found.worst["cut"] == "both" and "both axes" in found.worst["broken_at"]
    assert found.nearest_edge["stability_edge_factor"] == found.figures["stability_edge_factor"].min()


def test_field_weakening_is_in_the_range(surveyed):
    # Torque shares are of what the drive gives there: less at 9000 rpm, and less from 350 V than from 450 V.
    torque = surveyed[3].figures["torque_Nm"]
    assert torque[0, 0, -1] > 1.5 * torque[0, 2, -1] and torque[1, 2, -1] > 1.1 * torque[0, 2, -1]


def test_bandwidth_is_where_the_answer_has_fallen_by_three_decibels():
    # First order: -3.01 dB at its corner.
    f = np.geomspace(1.0, 1000.0, 400)
    assert bandwidth_Hz(f, 1.0 / (1.0 + 1j * f / 80.0)) == pytest.approx(80.0, rel=2e-3)
    assert bandwidth_Hz(f[f < 50.0], 1.0 / (1.0 + 1j * f[f < 50.0] / 80.0)) is None


def test_heat_that_could_derate_leaves_the_references_alone(make_scenario):
    devices = {"kind": "mosfet", "on_resistance_ohm": 1e-3}
    warm = {"devices": devices, "heat": {"coolant_degC": 65.0, "switch": {"foster": [[0.1, 0.1]]}}}
    without, within = (
        BuiltIn(make_scenario(inverter=stage)).references(100.0, 1000.0, 400.0) for stage in ({"devices": devices}, warm)
    )
    assert np.linalg.norm(without) > 50.0 and within == pytest.approx(without)
