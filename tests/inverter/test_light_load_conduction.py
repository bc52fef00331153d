"""Gates off a little above the onset of uncontrolled generation: how long no, two and three terminals carry current.

Against the circuit's own equations, piece by piece with scipy's solve_ivp: constant speed, rigid battery, ideal diodes.  No
source but Kirchhoff and Faraday; onset sqrt3 omega psi = Vdc (machine E of tests/shared_benches.py, 7876.1 rpm at 400 V).
"""

import itertools
import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from shared_benches import MACHINE_E

from controllers import Command, Controller
from simcore import Bench
from simcore.scenario.reader import scenario_from

P, R, LD, LQ, PSI, VDC = 4, 0.010, 0.2e-3, 0.6e-3, 0.07, 400.0
ONSET_rpm = VDC / (math.sqrt(3.0) * PSI * P) * 30.0 / math.pi
TICK_s, DURATION_s, START_rad, LEAST_A = 5e-6, 0.012, 0.3, 1e-5
PHASES = np.array([[1.0, 0.0], [-0.5, math.sqrt(0.75)], [-0.5, -math.sqrt(0.75)]])
TIGHT = {"method": "DOP853", "rtol": 1e-10, "atol": 1e-12}


class Rectifier:
    """Six ideal diodes between machine E at constant speed and a battery.  A mode is ("none",), ("two", upper, lower) or
    ("three", rails): upper terminals pass current on to the battery, lower ones take it back."""

    def __init__(self, speed_rpm):
        self.w = P * speed_rpm * math.pi / 30.0

    def machine(self, t):
        """=> inductance in the stator frame, direction of the magnets."""
        c, s = math.cos(self.w * t + START_rad), math.sin(self.w * t + START_rad)
        turn = np.array([[c, -s], [s, c]])
        return turn @ np.diag([LD, LQ]) @ turn.T, turn[:, 0]

    def emf(self, t):
        """=> EMF of the three phases."""
        _, north = self.machine(t)
        return PSI * self.w * PHASES @ np.array([-north[1], north[0]])

    def pair(self, t, linkage, upper, lower):
        """(flux linkage of the circuit lower -> upper) => its current, and what its rate does to the third terminal."""
        inductance, north = self.machine(t)
        u = PHASES[upper] - PHASES[lower]
        return 1.5 * (PSI * u @ north - linkage) / (u @ inductance @ u)

    def third(self, t, linkage, upper, lower, dt=1e-9):
        """=> voltage of the terminal that floats: d/dt of its flux linkage, by a central difference."""
        free = 3 - upper - lower

        def free_linkage(at, circuit):
            inductance, north = self.machine(at)
            u = PHASES[upper] - PHASES[lower]
            current = -2.0 / 3.0 * self.pair(at, circuit, upper, lower) * u
            return PHASES[free] @ (inductance @ current + PSI * north)

        rate = VDC + 2.0 * R * self.pair(t, linkage, upper, lower)
        ahead, behind = free_linkage(t + dt, linkage + rate * dt), free_linkage(t - dt, linkage - rate * dt)
        return 0.5 * (3.0 * (ahead - behind) / (2.0 * dt) + VDC)

    def currents(self, t, flux):
        inductance, north = self.machine(t)
        return PHASES @ np.linalg.solve(inductance, flux - PSI * north)

    def run(self):
        """=> {number of terminals that carry current: share of the time}, charge into the battery [As]."""
        t, mode, state = 0.0, ("none",), None
        lasted, self.charge_As = {0: 0.0, 2: 0.0, 3: 0.0}, 0.0
        while t < DURATION_s - 1e-12:
            begun = t
            t, after, state = getattr(self, "_" + mode[0])(t, state, *mode[1:])
            lasted[{"none": 0, "two": 2, "three": 3}[mode[0]]] += t - begun
            mode = after
        return {count: time / DURATION_s for count, time in lasted.items()}, self.charge_As

    def _none(self, t, _):
        def reaches(at, y):
            return np.ptp(self.emf(at)) - VDC

        reaches.terminal, reaches.direction = True, 1
        if reaches(t, None) < 0.0:
            t = solve_ivp(lambda at, y: [1.0], (t, DURATION_s), [0.0], events=reaches, max_step=2e-6).t[-1]
        emf = self.emf(t)
        upper, lower = int(np.argmax(emf)), int(np.argmin(emf))
        _, north = self.machine(t)
        return t, ("two", upper, lower), np.array([PSI * (PHASES[upper] - PHASES[lower]) @ north])

    def _two(self, t, linkage, upper, lower):
        def rate(at, y):
            return [VDC + 2.0 * R * self.pair(at, y[0], upper, lower), self.pair(at, y[0], upper, lower)]

        def ends(at, y):
            return self.pair(at, y[0], upper, lower) + (0.5e-6 if at - t < 2e-6 else 0.0)

        def joins(at, y):
            voltage = self.third(at, y[0], upper, lower)
            return min(voltage, VDC - voltage) + 1e-6

        ends.terminal = joins.terminal = True
        ends.direction = joins.direction = -1
        start = [float(linkage[0]), self.charge_As]
        found = solve_ivp(rate, (t, DURATION_s), start, events=(ends, joins), max_step=5e-6, **TIGHT)
        t, (linkage, self.charge_As) = found.t[-1], found.y[:, -1]
        if len(found.t_events[1]):
            free = 3 - upper - lower
            rails = [0.0, 0.0, 0.0]
            rails[upper] = VDC
            rails[free] = VDC if self.third(t, linkage, upper, lower) > 0.5 * VDC else 0.0
            inductance, north = self.machine(t)
            u = PHASES[upper] - PHASES[lower]
            flux = -2.0 / 3.0 * self.pair(t, linkage, upper, lower) * inductance @ u + PSI * north
            return t, ("three", tuple(rails)), flux
        return t, ("none",), None

    def _three(self, t, flux, rails):
        applied = 2.0 / 3.0 * PHASES.T @ np.array(rails)
        forward = np.where(np.array(rails) > 0.0, -1.0, 1.0)  # sign of a terminal's current into the machine

        def rate(at, y):
            now = self.currents(at, y[:2])
            return [*(applied - R * 2.0 / 3.0 * PHASES.T @ now), -now @ (np.array(rails) > 0.0)]

        def ends(leg):
            def event(at, y):
                return forward[leg] * self.currents(at, y[:2])[leg] + (1e-6 if at - t < 1e-6 else 0.0)

            event.terminal, event.direction = True, -1
            return event

        found = solve_ivp(
            rate, (t, DURATION_s), [*flux, self.charge_As], events=[ends(leg) for leg in range(3)], max_step=5e-6, **TIGHT
        )
        t, flux, self.charge_As = found.t[-1], found.y[:2, -1], found.y[2, -1]
        for leg in range(3):
            if len(found.t_events[leg]):
                return self._left(t, flux, rails, leg)
        return t, ("three", rails), flux

    def _left(self, t, flux, rails, leg):
        """A terminal's current has ended: the two others go on where they lie at different rails."""
        first, second = (k for k in range(3) if k != leg)
        if rails[first] != rails[second]:
            upper, lower = (first, second) if rails[first] > 0.0 else (second, first)
            linkage = (PHASES[upper] - PHASES[lower]) @ flux
            if 0.0 <= self.third(t, linkage, upper, lower) <= VDC:
                return t, ("two", upper, lower), np.array([linkage])
            # It goes on through its other diode.
            turned = list(rails)
            turned[leg] = VDC - rails[leg]
            return t, ("three", tuple(turned)), flux
        raise AssertionError("two currents cannot end at one instant")


class Silent(Controller):
    """All gates off from the first update on."""

    def reset(self, setup):
        pass

    def step(self, measured):
        return Command(0.5, 0.5, 0.5, gates_on=False)


def loop(speed_rpm):
    """=> the same from a run of the loop."""
    scenario = scenario_from({
        "machine": MACHINE_E,
        "inverter": {"switching_frequency_Hz": 0.5 / TICK_s},
        "supply": {"kind": "source", "voltage_V": VDC},
        "load": {"kind": "rig", "speed_rpm": speed_rpm},
        "controller": {"mode": "current", "delay_updates": 0},
        "commands": {"id_A": 0.0, "iq_A": 0.0},
        "initial": {"angle_electrical_deg": math.degrees(START_rad)},
        "run": {"duration_s": DURATION_s, "substeps": 2},
    }, path="light.toml")  # fmt: skip
    recording = Bench(scenario, Silent()).run()
    carries = sum((np.abs(recording[name]) > LEAST_A).astype(int) for name in ("ia_A", "ib_A", "ic_A"))[:-1]
    charge_As = -float(np.sum(recording["supply_current_A"] * recording.row_length_s))
    assert abs(recording.audit["residual_relative"]) < 1e-5
    return {count: float(np.mean(carries == count)) for count in (0, 2, 3)}, charge_As


@pytest.mark.parametrize("above", [1.005, 1.02, 1.05, 1.1, 1.2])
def test_shares_of_the_time_and_charge_are_those_of_the_circuit(verified, above):
    """Pulses in one circuit at first, then overlaps of three terminals, at last current all the time."""
    expected, charge_As = Rectifier(above * ONSET_rpm).run()
    found, found_As = loop(above * ONSET_rpm)
    source = "ideal diodes by Kirchhoff's laws, scipy solve_ivp with events"
    words = {0: "no terminal carries", 2: "two terminals carry", 3: "three terminals carry"}
    for count in (0, 2, 3):
        what = f"share of the time in which {words[count]} current, {above:g} of the onset speed"
        # A row a tick counts to 0.05 % of the time: beside a share of next to nothing that is no error worth telling.
        verified(what, source, 100.0 * expected[count], 100.0 * found[count], 0.4, "%", row=expected[count] > 0.05)
    assert found_As == pytest.approx(charge_As, rel=1e-6)


def test_the_circuit_runs_through_all_three_kinds():
    """What the shares are looked at for: alone in pulses near the onset, all three of the time well above it."""
    shares = [loop(above * ONSET_rpm)[0] for above in (1.005, 1.2)]
    assert shares[0][0] > 0.5 and shares[0][3] == 0.0 and shares[1][3] > 0.3
    assert all(later <= earlier for earlier, later in itertools.pairwise(share[0] for share in shares))
