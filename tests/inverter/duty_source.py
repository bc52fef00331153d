"""Plays leg duties, update by update, for the tests of this folder."""

from controllers import Command, Controller

RL_LOAD = {
    "kind": "constants", "pole_pairs": 1, "stator_resistance_ohm": 0.1, "inductance_d_H": 1e-3, "inductance_q_H": 1e-3,
    "magnet_flux_Wb": 1e-12, "max_current_A": 100, "max_speed_rpm": 100000,
}  # fmt: skip


class DutySource(Controller):
    """duties(update) => (a, b, c) that act from that update on, None for all gates off; what the sensors told is recorded
    beside."""

    signals = ("ia_A", "ib_A", "ic_A")

    def __init__(self, duties):
        self.duties = duties

    def reset(self, setup):
        self.update = setup.delay_updates

    def step(self, measured):
        duties = self.duties(self.update)
        self.update += 1
        seen = (measured.ia_A, measured.ib_A, measured.ic_A)
        if duties is None:
            return Command(0.5, 0.5, 0.5, gates_on=False, extra=seen)
        return Command(*(float(duty) for duty in duties), extra=seen)


def run_duties(duties, **tables):
    """(function of the update => three duties or None, scenario tables that change the base) => Recording; the first update
    has 0.5."""
    from simcore import Bench
    from simcore.scenario.reader import scenario_from

    document = {
        "machine": RL_LOAD,
        "inverter": {"switching_frequency_Hz": 10000, "model": "switched"},
        "supply": {"kind": "source", "voltage_V": 400},
        "load": {"kind": "locked"},
        "controller": {"mode": "current"},
        "commands": {"id_A": 0.0, "iq_A": 0.0},
        "run": {"duration_s": 0.002},
    }
    for name, table in tables.items():
        fresh = name == "load" or not isinstance(table, dict) or table.get("kind") == "flux_map"
        document[name] = table if fresh else {**document.get(name, {}), **table}
    return Bench(scenario_from(document, path="duties.toml"), controller=DutySource(duties)).run()
