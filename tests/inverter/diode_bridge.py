"""A second opinion: three legs with ideal switches and diodes on a star of R, L and EMF, solved by scipy's solve_ivp.

Kirchhoff's laws and nothing of the simulator's: each leg is tied to a rail by its gate or a diode, or open.
"""

import itertools

import numpy as np
from scipy.integrate import solve_ivp

SMALL_A, SMALL_V = 2e-9, 1e-6
UP, LOW, OPEN = 1, 0, None


def command_edges(duties, tick_s, minimum_pulse_s=0.0):
    """Duties of one leg a tick => list of (time, command 0 or 1): tick 0 starts at a carrier valley, upper on first."""
    on = []
    for k, duty in enumerate(duties):
        start = k * tick_s
        duty = 0.0 if duty * 2.0 * tick_s < minimum_pulse_s else duty
        duty = 1.0 if (1.0 - duty) * 2.0 * tick_s < minimum_pulse_s else duty
        begin, end = (start, start + duty * tick_s) if k % 2 == 0 else (start + (1.0 - duty) * tick_s, start + tick_s)
        if duty == 0.0:
            continue
        if on and abs(begin - on[-1][1]) < 1e-12:
            on[-1][1] = end
        else:
            on.append([begin, end])
    edges = []
    for begin, end in on:
        edges += [(begin, 1), (end, 0)]
    return edges if edges and edges[0][0] == 0.0 else [(0.0, 0), *edges]


class Bridge:
    """resistance, inductance, link voltage; emf(t) => three EMFs; edges: command_edges of each leg; dead_s; diodes' drop.

    all_off: (from, to) in seconds, while no gate is on; what is commanded then acts at its end without a dead time.
    """

    all_off = (np.inf, np.inf)

    def __init__(self, resistance, inductance, link_V, emf, edges, dead_s, diode_V=0.0):
        self.resistance, self.inductance, self.link_V, self.emf = resistance, inductance, link_V, emf
        self.edges, self.dead_s, self.diode_V = edges, dead_s, diode_V

    def rails(self, modes):
        """=> voltages of the legs that are tied to a rail by a gate or a diode, nan for the open ones."""
        found = np.full(3, np.nan)
        for leg, mode in enumerate(modes):
            if mode is not OPEN:
                drop = self.diode_V if leg in self.off else 0.0
                found[leg] = self.link_V + drop if mode is UP else -drop
        return found

    def gates(self, t):
        """What each leg's gates do just after t: UP, LOW, or OPEN while both are off."""
        found = []
        begin, end = self.all_off
        if begin - 1e-13 <= t < end - 1e-13:
            return [OPEN] * 3
        for edges in self.edges:
            since, command = [edge for edge in edges if edge[0] <= t + 1e-13][-1]
            settled = since <= 0.0 or (t >= end - 1e-13 and since <= end + 1e-13)
            off = not settled and t - since < self.dead_s - 1e-13
            found.append(OPEN if off else command)
        return found

    def flow(self, t, current, modes):
        """=> di/dt (3,), terminal voltages of all legs against the lower rail (nan where undetermined)."""
        emf = self.emf(t)
        tied = [leg for leg in range(3) if modes[leg] is not OPEN]
        rail = self.rails(modes)
        rate = np.zeros(3)
        if not tied:
            return rate, rail
        neutral = np.mean([rail[leg] - emf[leg] for leg in tied])
        if len(tied) > 1:
            for leg in tied:
                rate[leg] = (rail[leg] - neutral - self.resistance * current[leg] - emf[leg]) / self.inductance
        return rate, np.where(np.isnan(rail), neutral + emf, rail)

    def fits(self, t, current, modes, idle):
        """Complementarity: an idle diode carries current forward only, an open leg stays between the rails."""
        rate, terminal = self.flow(t, current, modes)
        for leg in idle:
            if modes[leg] is UP and not rate[leg] < 0.0 or modes[leg] is LOW and not rate[leg] > 0.0:
                return False
            if modes[leg] is OPEN:
                if np.isnan(terminal[leg]):
                    return np.ptp(self.emf(t)) <= self.link_V + 2.0 * self.diode_V + SMALL_V
                if not -SMALL_V <= terminal[leg] + self.diode_V <= self.link_V + 2.0 * self.diode_V + SMALL_V:
                    return False
        return True

    def decide(self, t, current):
        """(time, currents) => modes of the legs; self.off: those whose gates are off."""
        modes = self.gates(t)
        self.off = [leg for leg in range(3) if modes[leg] is OPEN]
        idle = []
        for leg in self.off:
            if abs(current[leg]) < SMALL_A:
                idle.append(leg)
            else:
                modes[leg] = LOW if current[leg] > 0.0 else UP
        for choice in itertools.product((OPEN, UP, LOW), repeat=len(idle)):
            for leg, mode in zip(idle, choice, strict=True):
                modes[leg] = mode
            if self.fits(t, current, modes, idle):
                return modes
        raise AssertionError("no consistent state of the diodes")

    def run(self, times):
        """times (n,), the first with zero currents => currents (n, 3)."""
        points = {t for edges in self.edges for edge in edges for t in (edge[0], edge[0] + self.dead_s)} | {*self.all_off}
        stops = sorted({round(t, 14) for t in [*points, *times] if times[0] < t <= times[-1]})
        current, now, found = np.zeros(3), times[0], [np.zeros(3)]
        self.clamped_s = 0.0
        for stop in stops:
            while stop - now > 1e-13:
                modes = self.decide(now, current)
                current, reached = self._segment(now, stop, current, modes)
                if any(mode is OPEN for mode in modes):
                    self.clamped_s += reached - now
                now = reached
            now = stop
            if np.min(np.abs(times - stop)) < 1e-13:
                found.append(current)
        return np.array(found)

    def _segment(self, now, stop, current, modes):
        def ends(leg):
            flowing = modes[leg] is not OPEN

            def event(t, i):
                if flowing:  # just below zero, so that a current which starts from there does not end at once
                    return i[leg] * (1.0 if modes[leg] is LOW else -1.0) + 0.5 * SMALL_A
                voltage = self.flow(t, i, modes)[1][leg]
                return 2.0 * SMALL_V + self.diode_V + (self.link_V - voltage if voltage > 0.5 * self.link_V else voltage)

            event.terminal, event.direction = True, -1.0
            return event

        def reaches(t, i):
            return self.link_V + 2.0 * self.diode_V + 2.0 * SMALL_V - np.ptp(self.emf(t))

        reaches.terminal, reaches.direction = True, -1.0
        afloat = all(mode is OPEN for mode in modes)
        watched = [] if afloat else self.off
        events = [reaches] if afloat else [ends(leg) for leg in watched]
        # Nothing moves while all legs float: the solver must be made to look.
        options = {"method": "DOP853", "rtol": 1e-10, "atol": 1e-11, "max_step": 1e-5 if afloat else np.inf}
        part = solve_ivp(lambda t, i: self.flow(t, i, modes)[0], (now, stop), current, events=events, **options)
        current = part.y[:, -1].copy()
        for leg, at in zip(watched, part.t_events, strict=False):
            if len(at) and modes[leg] is not OPEN:
                current[leg] = 0.0
        return current, part.t[-1]


PHASES = np.array([[1.0, 0.0], [-0.5, np.sqrt(0.75)], [-0.5, -np.sqrt(0.75)]])
CLARKE = PHASES.T * 2.0 / 3.0
QUARTER = np.array([[0.0, -1.0], [1.0, 0.0]])


class SalientBridge(Bridge):
    """The same legs on a machine whose inductance turns with the rotor: d(L(theta) i + psi_m(theta))/dt = v - R i."""

    def __init__(self, resistance, inductances, flux, omega_e, start_rad, link_V, edges, dead_s):
        super().__init__(resistance, None, link_V, self._emf, edges, dead_s)
        self.inductances, self.flux, self.omega_e, self.start_rad = np.diag(inductances), flux, omega_e, start_rad

    def _rotor(self, t):
        angle = self.omega_e * t + self.start_rad
        return np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])

    def _emf(self, t):
        return self.omega_e * self.flux * PHASES @ QUARTER @ self._rotor(t)[:, 0]

    def flow(self, t, current, modes):
        rail, rotor = self.rails(modes), self._rotor(t)
        free = np.flatnonzero(np.isnan(rail))
        if len(free) == 3:
            return np.zeros(3), rail
        inductance = rotor @ self.inductances @ rotor.T
        turning = QUARTER @ inductance - inductance @ QUARTER
        vector = CLARKE @ current
        known = CLARKE @ np.nan_to_num(rail) - self.resistance * vector
        known -= self.omega_e * (turning @ vector + self.flux * QUARTER @ rotor[:, 0])
        inverse = np.linalg.inv(inductance)
        if len(free):  # their voltages are those that keep their currents
            response = PHASES[free] @ inverse @ CLARKE[:, free]
            rail[free] = np.linalg.solve(response, -PHASES[free] @ inverse @ known)
        rate = PHASES @ inverse @ (known + CLARKE[:, free] @ rail[free])
        rate[free] = 0.0
        return rate, rail
