"""The drive that controllers are checked on where no scenario is given: every command, steps beyond the limits, both ways."""

from simcore.scenario.reader import scenario_from

DRIVE = {
    "machine": {
        "kind": "constants", "pole_pairs": 4, "stator_resistance_ohm": 0.01, "inductance_d_H": 0.2e-3, "inductance_q_H": 0.6e-3,
        "magnet_flux_Wb": 0.07, "max_current_A": 400.0, "max_speed_rpm": 12000.0,
    },
    "inverter": {"switching_frequency_Hz": 10000.0},
    "supply": {"kind": "source", "voltage_V": 400.0},
    "sensors": {"current": {"noise_rms_A": 0.5}},
    "load": {
        "kind": "rig",
        "speed_rpm": {"points": [[0.0, 0.0], [0.01, 1500.0], [0.025, 9000.0], [0.05, -4000.0]], "shape": "linear"},
    },
    "controller": {"mode": "torque"},
    "commands": {
        "torque_Nm": [[0.0, 0.0], [0.002, 100.0], [0.02, 900.0], [0.03, -900.0]],
        "speed_rpm": [[0.0, 500.0], [0.02, -3000.0]],
        "id_A": [[0.0, 0.0], [0.02, -100.0]],
        "iq_A": [[0.0, 0.0], [0.002, 150.0], [0.02, 380.0], [0.03, -380.0]],
        "vd_V": [[0.0, 0.0], [0.02, -20.0]],
        "vq_V": [[0.0, 2.0], [0.02, 300.0]],
        "voltage_V": [[0.0, 2.0], [0.02, 300.0]],
        "frequency_Hz": [[0.0, 5.0], [0.02, -200.0]],
    },
    "run": {"duration_s": 0.05, "record_every": 1},
}  # fmt: skip


def demo_scenario():
    """=> Scenario of DRIVE."""
    return scenario_from(DRIVE, "demo.toml")
