"""Short circuits as a drive meets them: by the monitor, low and high side, and across the machine's terminals.

Source, from memory: B. A. Welchko, T. M. Jahns, W. L. Soong, J. M. Nagashima, IEEE Trans. Energy Convers. 18(2), 2003.
Machines: A of Morimoto/Sanada/Takeda 1994 (could not be confirmed), B of R. Krishnan's textbook, D and E invented. The numbers
come from the closed forms and from flux equations solved apart from this project.
"""

import functools
import math

import pytest
from shared_benches import SHORTED

from controllers import Command, Controller
from simcore import Bench
from simcore.scenario.reader import scenario_from

WELCHKO = "Welchko et al., IEEE TEC 18, 2003 [M]"
FLUX = "flux equations solved independently; " + WELCHKO
# pole pairs, R [ohm], Ld, Lq [H], magnet flux [Wb]
MACHINES = {
    "A": (2, 0.57, 8.72e-3, 22.8e-3, 0.1077 * math.sqrt(2.0 / 3.0)),
    "B": (3, 1.4, 5.6e-3, 9.0e-3, 0.1546),
    "D": (4, 0.01, 0.25e-3, 0.25e-3, 0.06),
    "E": (4, 0.01, 0.2e-3, 0.6e-3, 0.07),
}
ROUTES = ("active_short_low", "active_short_high", "terminals")
BEGIN_s, OHM = 10e-3, 1e-6
NO_LOAD, FULL = (0.0, 0.0), (-242.456329, 318.142938)


class Silent(Controller):
    """All gates off from the first update on."""

    def reset(self, setup):
        pass

    def step(self, measured):
        return Command(0.5, 0.5, 0.5, gates_on=False)


def drive(name, speed_rpm, duration_s, switching_Hz, start, **tables):
    p, r, l_d, l_q, psi = MACHINES[name]
    return scenario_from({
        "machine": {"kind": "constants", "pole_pairs": p, "stator_resistance_ohm": r, "inductance_d_H": l_d,
                    "inductance_q_H": l_q, "magnet_flux_Wb": psi, "max_current_A": 500, "max_speed_rpm": 40000},
        "inverter": {"switching_frequency_Hz": switching_Hz},
        "supply": {"kind": "source", "voltage_V": 1200},
        "load": {"kind": "rig", "speed_rpm": speed_rpm},
        "controller": {"mode": "current", "tuning": {"current_bandwidth_Hz": 300, "active_resistance": True}},
        "commands": {"id_A": start[0], "iq_A": start[1]},
        "initial": {"id_A": start[0], "iq_A": start[1]},
        "run": {"duration_s": duration_s, "substeps": 2},
        **tables,
    }, path="short.toml")  # fmt: skip


@functools.cache
def shorted(route, name, speed_rpm, duration_s, switching_Hz=10000, start=NO_LOAD):
    """=> recording, row from which on the machine is shorted, at `start` until then."""
    if route == "terminals":
        begin_s = BEGIN_s if start == NO_LOAD else 0.0
        fault = [{"kind": "three_phase_short", "resistance_ohm": OHM, "at_s": begin_s}]
        ahead = {"mode": "current", "delay_updates": 0}
        scenario = drive(name, speed_rpm, duration_s, switching_Hz, start, fault=fault, controller=ahead)
        recording = Bench(scenario, Silent()).run()
    else:
        check = {"opened_at_s": 0.5 * BEGIN_s, "within_s": 0.5 * BEGIN_s, "reaction": route}
        safety = {"link_discharge": check, "active_short": {"entry": "direct"}}
        recording = Bench(drive(name, speed_rpm, duration_s, switching_Hz, start, safety=safety)).run()
        (state,) = recording.monitor["states"]
        assert state["state"] == route
        # What the monitor decides acts from the next tick on.
        begin_s = state["at_s"] + recording.scenario.tick_s
    assert abs(recording.audit["residual_relative"]) < 1e-5
    return recording, round(begin_s / recording.scenario.tick_s)


@pytest.mark.parametrize("route", ROUTES)
@pytest.mark.parametrize(("name", "speed_rpm", "id_A", "iq_A", "torque_Nm"), SHORTED)
def test_a_short_circuit_settles_at_its_closed_form(verified, route, name, speed_rpm, id_A, iq_A, torque_Nm):
    _, r, l_d, l_q, _ = MACHINES[name]
    slowest_s = max(l_q / r, 2.0 / (r / l_d + r / l_q))
    recording, _ = shorted(route, name, speed_rpm, BEGIN_s + 12.0 * slowest_s)
    found = {signal: float(recording[signal][-1]) for signal in ("id_A", "iq_A", "torque_Nm")}
    words = route.replace("_", " ")
    for signal, expected, unit in (("id_A", id_A, "A"), ("iq_A", iq_A, "A"), ("torque_Nm", torque_Nm, "Nm")):
        if expected is not None:
            what = f"{signal} of a short by {words} at {speed_rpm:g} rpm, machine {name}"
            row = name in "DE" and route != "active_short_high"
            verified(what, WELCHKO, expected, found[signal], max(2e-4 * abs(expected), 2e-5), unit, row=row)


@pytest.mark.parametrize("route", ROUTES)
@pytest.mark.parametrize(
    ("start", "id_min_A", "torque_min_Nm", "torque_max_Nm"),
    [(NO_LOAD, -685.6255, -169.4953, 155.1570), (FULL, -1259.5008, -644.6206, None)],
    ids=["no load", "full torque"],
)
def test_a_sudden_short_at_6000_rpm_swings_as_far_as_the_flux_equations_say(
    verified, route, start, id_min_A, torque_min_Nm, torque_max_Nm
):
    """Machine E; sampled every 5 us, so that an extreme is missed by at most (2513 rad/s x 2.5 us)^2/2 = 2e-5."""
    recording, row = shorted(route, "E", 6000.0, BEGIN_s + 8e-3, 100000, start)
    assert recording["id_A"][row] == pytest.approx(start[0], abs=0.05)
    assert recording["iq_A"][row] == pytest.approx(start[1], abs=0.05)
    id_A, torque = recording["id_A"][row:], recording["torque_Nm"][row:]
    words = f"after a short by {route.replace('_', ' ')} at 6000 rpm from {'no load' if start == NO_LOAD else 'full torque'}"
    verified(f"least d current {words}", FLUX, id_min_A, float(id_A.min()), 4e-5 * abs(id_min_A), "A")
    verified(f"least torque {words}", FLUX, torque_min_Nm, float(torque.min()), 2e-4 * abs(torque_min_Nm), "Nm")
    if torque_max_Nm is not None:
        verified(f"greatest torque {words}", FLUX, torque_max_Nm, float(torque.max()), 2e-4 * torque_max_Nm, "Nm")
    # Lossless bound -(psi + |lambda_0|)/Ld, from which the resistance keeps it away.
    flux = math.hypot(0.07 + 0.2e-3 * start[0], 0.6e-3 * start[1])
    assert -(0.07 + flux) / 0.2e-3 < id_A.min()


@pytest.mark.parametrize("start", [NO_LOAD, FULL], ids=["no load", "full torque"])
def test_low_side_high_side_and_terminals_are_one_short(start):
    """The same flux equations with v = 0, whatever ties the terminals together."""
    found = []
    for route in ROUTES:
        recording, row = shorted(route, "E", 6000.0, BEGIN_s + 8e-3, 100000, start)
        found.append([recording[name][row : row + 1500] for name in ("id_A", "iq_A")])
    low, high, terminals = found
    for k in range(2):
        assert high[k] == pytest.approx(low[k], abs=1e-6)
        assert terminals[k] == pytest.approx(low[k], abs=0.05)
