"""A controller that plays leg duties and writes down all that its sensors tell."""

from controllers import Command, Controller

# Steady currents: an inductance of henries holds what it starts with.
HOLDING = {
    "kind": "constants", "pole_pairs": 1, "stator_resistance_ohm": 0.1, "inductance_d_H": 5.0, "inductance_q_H": 5.0,
    "magnet_flux_Wb": 1e-12, "max_current_A": 1000, "max_speed_rpm": 100000,
}  # fmt: skip


class Listener(Controller):
    """duties(update) => (a, b, c) that act from that update on; the measurements are recorded as controller_..."""

    signals = ("time_s", "ia_A", "ib_A", "ic_A", "angle_rad", "speed_rpm", "link_V")

    def __init__(self, duties=None):
        self.duties = duties or (lambda update: (0.5, 0.5, 0.5))

    def reset(self, setup):
        self.update = setup.delay_updates

    def step(self, measured):
        duties = self.duties(self.update)
        self.update += 1
        return Command(*(float(duty) for duty in duties), extra=(*measured[:6], measured.link_voltage_V))


def listen(duties=None, **tables):
    """(function of the update => three duties or None for one half, scenario tables that change the base) => Recording."""
    from simcore import Bench
    from simcore.scenario.reader import scenario_from

    document = {
        "machine": HOLDING,
        "inverter": {"switching_frequency_Hz": 10000},
        "supply": {"kind": "source", "voltage_V": 400},
        "load": {"kind": "locked"},
        "controller": {"mode": "current"},
        "commands": {"id_A": 0.0, "iq_A": 0.0},
        "run": {"duration_s": 0.01},
    }
    for name, table in tables.items():
        fresh = name == "load" or not isinstance(table, dict)
        document[name] = table if fresh else {**document.get(name, {}), **table}
    return Bench(scenario_from(document, path="listen.toml"), controller=Listener(duties)).run()
