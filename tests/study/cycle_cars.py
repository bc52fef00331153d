"""A car (invented) with the road load of the reference, as a plain dictionary, quick to simulate."""

from shared_benches import merge

from simcore.scenario.reader import scenario_from

# Machine D of tests/reference with half its resistance; a battery of 700 V; road load and mass of the worked example.
CAR = {
    "machine": {
        "kind": "constants", "pole_pairs": 4, "stator_resistance_ohm": 0.02, "inductance_d_H": 2.5e-4, "inductance_q_H": 5e-4,
        "magnet_flux_Wb": 0.08, "max_current_A": 400, "max_speed_rpm": 12000,
    },
    "inverter": {
        "switching_frequency_Hz": 4000, "update": "single", "link_capacitance_F": 4e-3, "dead_time_s": 2e-6,
        "devices": {"kind": "mosfet", "on_resistance_ohm": 0.004},
    },
    "supply": {
        "kind": "battery", "open_circuit_voltage_V": [[0.0, 620], [1.0, 740]], "resistance_ohm": 0.08, "capacity_Ah": 80,
        "state_of_charge": 0.7, "auxiliary_W": 300,
    },
    "load": {
        "kind": "vehicle", "mass_kg": 1800, "road_load": {"F0_N": 120.0, "F1_N_per_kmh": 0.20, "F2_N_per_kmh2": 0.030},
        "wheel_radius_m": 0.32, "gear_ratio": 9.0, "gear_efficiency": 0.95,
    },
    "controller": {"mode": "torque", "tuning": {"current_bandwidth_Hz": 150}},
    "commands": {"torque_Nm": 0.0},
    "run": {"duration_s": 0.1, "substeps": 2},
}  # fmt: skip


def car(**tables):
    """car(load={...}, driver={...}, ...) => Scenario of CAR with the tables merged in."""
    document = CAR
    for name, table in tables.items():
        document = merge(document, {name: table})
    return scenario_from(document, path="car.toml")


def part_of(cycle, from_s, to_s):
    """Cycle => the stretch between two of its seconds, as a cycle of its own."""
    from simcore.study.cycle.schedule import Cycle

    inside = (cycle.time_s >= from_s) & (cycle.time_s <= to_s)
    return Cycle(f"{cycle.name} part", cycle.time_s[inside] - from_s, cycle.speed_kmh[inside])
