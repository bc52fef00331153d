"""Drives for the alignment tests: machine D, whose torque is 1.5 p psi I sin(angle), and machine E, on quick shafts."""

from shared_benches import BASE, MACHINE_D, merge

from simcore.scenario.reader import scenario_from

SHAFT = {"kind": "free", "inertia_kg_m2": 2e-3, "coulomb_Nm": 0.3, "stiction_Nm": 0.5}
CURRENT_A = 30.0
FULL_Nm = 1.5 * 4 * 0.06 * CURRENT_A  # of machine D with that current across its d axis


def drive(machine=MACHINE_D, load=SHAFT, **tables):
    """=> Scenario of a drive whose rotor can turn."""
    document = merge({**BASE, "machine": machine}, tables)
    document["load"] = dict(load)
    return scenario_from(document, path="align.toml")


def standing(start_deg, current=(CURRENT_A, 0.0), duration_s=1.0, machine=MACHINE_D, load=SHAFT, raise_s=0.2):
    """(start angle [deg electrical], alpha and beta part of the current) => Scenario of the alignment controller alone."""
    parts = dict(zip(("id_A", "iq_A"), current, strict=True))
    profile = {name: {"points": [[0.0, 0.0], [raise_s, value]], "shape": "linear"} for name, value in parts.items()}
    document = {**BASE, "machine": dict(machine), "load": dict(load), "commands": profile}
    document["controller"] = {
        "class": "controllers.alignment:AlignmentController", "tuning": {"current_bandwidth_Hz": 200},
    }  # fmt: skip
    document["initial"] = {"angle_electrical_deg": start_deg}
    document["run"] = {"duration_s": duration_s, "record_every": 20}
    return scenario_from(document, path="standing.toml")


def settled_deg(recording):
    """recording => electrical angle at its end, -180 to 180 [deg]."""
    angle = recording["angle_deg"][-1] * recording.scenario.machine.pole_pairs
    return (angle + 180.0) % 360.0 - 180.0
