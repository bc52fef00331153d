"""A second opinion for gates off: any machine in the rotor frame on six ideal diodes and a link, solved by scipy's solve_ivp.

Park's equations in the machine's own currents, L(i) di/dt = v - R i - omega J psi(i), Kirchhoff's laws and nothing of the
simulator's.  Modes of the diodes as in diode_bridge.py.
"""

import itertools

import numpy as np
from diode_bridge import CLARKE, LOW, OPEN, PHASES, QUARTER, SMALL_A, SMALL_V, UP
from scipy.integrate import solve_ivp


class DiodeMachine:
    """flux(id, iq) => psi (2,); inductances(id, iq) => their derivatives (2, 2); state: id, iq, link voltage.

    capacitance None: an ideal link of source_V; else a capacitor fed from source_V through source_ohm.
    """

    def __init__(self, resistance, flux, inductances, omega_e, start_rad, source_V, source_ohm=np.inf, capacitance=None):
        self.resistance, self.flux, self.inductances = resistance, flux, inductances
        self.omega_e, self.start_rad = omega_e, start_rad
        self.source_V, self.source_ohm, self.capacitance = source_V, source_ohm, capacitance

    def _rotor(self, t):
        angle = self.omega_e * t + self.start_rad
        return np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])

    def phases(self, t, y):
        return PHASES @ self._rotor(t) @ y[:2]

    def flow(self, t, y, modes):
        """=> d(id, iq, link voltage)/dt, d(phase currents)/dt, terminal voltages; with all legs open those lie so that their
        extremes reach both rails together."""
        rotor, current, link_V = self._rotor(t), y[:2], y[2]
        inverse = np.linalg.inv(self.inductances(*current))
        tied = np.array([link_V if mode is UP else 0.0 for mode in modes])
        free = [leg for leg in range(3) if modes[leg] is OPEN]
        driven = -self.resistance * current - self.omega_e * QUARTER @ np.asarray(self.flux(*current))
        turning = self.omega_e * rotor @ QUARTER @ current  # of the stator-frame current with the rotor
        if len(free) == 3:
            star = PHASES @ rotor @ (-driven - np.linalg.solve(inverse, rotor.T @ turning))
            terminal = star + 0.5 * (link_V - star.max() - star.min())
            rate = -rotor.T @ turning
        else:
            to_rate = PHASES @ rotor @ inverse @ rotor.T @ CLARKE  # d(phase current)/dt by the legs' voltages
            at_rest = PHASES @ (rotor @ inverse @ driven + turning)
            terminal = tied.copy()
            if free:
                known = at_rest + to_rate @ tied
                terminal[free] = np.linalg.lstsq(to_rate[np.ix_(free, free)], -known[free], rcond=None)[0]
            rate = inverse @ (rotor.T @ CLARKE @ terminal + driven)
        slope = PHASES @ (rotor @ rate + turning)
        if self.capacitance is None:
            return np.append(rate, 0.0), slope, terminal
        out = self.phases(t, y)
        drawn = sum(out[leg] for leg in range(3) if modes[leg] is UP)
        link_rate = ((self.source_V - link_V) / self.source_ohm - drawn) / self.capacitance
        return np.append(rate, link_rate), slope, terminal

    def decide(self, t, y):
        """(time, state) => modes: what flows keeps its diode, of the others the combination that fits Kirchhoff and diodes."""
        out = self.phases(t, y)
        modes = [LOW if out[leg] > 0.0 else UP for leg in range(3)]
        idle = [leg for leg in range(3) if abs(out[leg]) < SMALL_A]
        for choice in sorted(itertools.product((OPEN, UP, LOW), repeat=len(idle)), key=lambda c: 3 - c.count(OPEN)):
            for leg, mode in zip(idle, choice, strict=True):
                modes[leg] = mode
            if modes.count(OPEN) == 2:
                continue
            _, slope, terminal = self.flow(t, y, modes)
            if all(self._fits(modes[leg], slope[leg], terminal[leg], y[2]) for leg in idle):
                return modes
        raise AssertionError("no consistent state of the diodes")

    @staticmethod
    def _fits(mode, slope, terminal, link_V):
        if mode is OPEN:
            return -SMALL_V <= terminal <= link_V + SMALL_V
        return slope < 0.0 if mode is UP else slope > 0.0

    def run(self, times):
        """times (n,), the first without current => phase currents (n, 3), link voltages (n,)."""
        y, now, found = np.array([0.0, 0.0, self.source_V]), times[0], []
        for stop in times:
            while stop - now > 1e-13:
                y, now = self._segment(now, stop, y, self.decide(now, y))
            now = stop
            found.append((self.phases(now, y), y[2]))
        return tuple(np.array(part) for part in zip(*found, strict=True))

    def _segment(self, now, stop, y, modes):
        def ends(leg):
            def event(t, y):
                if modes[leg] is not OPEN:  # just below zero, so that a current which starts from there does not end at once
                    return self.phases(t, y)[leg] * (1.0 if modes[leg] is LOW else -1.0) + 0.5 * SMALL_A
                terminal = self.flow(t, y, modes)[2][leg]
                return 2.0 * SMALL_V + min(terminal, y[2] - terminal)

            event.terminal, event.direction = True, -1.0
            return event

        options = {"method": "DOP853", "rtol": 1e-10, "atol": 1e-11, "max_step": 1e-5}
        part = solve_ivp(lambda t, y: self.flow(t, y, modes)[0], (now, stop), y, events=[ends(k) for k in range(3)], **options)
        y, now = part.y[:, -1].copy(), part.t[-1]
        still = [k for k in range(3) if modes[k] is OPEN or (len(part.t_events[k]) and modes[k] is not OPEN)]
        out = self.phases(now, y)
        if len(still) >= 2:
            y[:2] = 0.0
        elif still:  # what the solver's error leaves there goes to both others alike
            y[:2] -= self._rotor(now).T @ CLARKE @ (out[still[0]] * np.array([1.5 if k == still[0] else 0.0 for k in range(3)]))
        return y, now
