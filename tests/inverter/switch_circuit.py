"""A third opinion for broken power stages: every switch, diode, line and short a resistance of its own, solved node by node.

Ohm's and Kirchhoff's laws by backward Euler in small steps; diodes are looked for until each fits its own voltage.  Nothing of
the simulator's: no states of legs, no events, no free voltages.
"""

import numpy as np
from diode_bridge import CLARKE, PHASES, QUARTER

ON_S, OFF_S = 1e5, 1e-7  # conductances of what conducts and what does not
FORWARD_V = 1e-9


class SwitchCircuit:
    """A salient magnet machine on three legs and a link of capacitor and source; what is broken is told by functions of time.

    gates(t) => six bool (2 leg + side, upper first); lines(t, current) => three bool, connected; shorts(t) => conductances ab,
    bc, ca; through_ohm: of both switches of a leg together.  capacitance None: an ideal source.
    """

    def __init__(self, resistance, inductances, flux, omega_e, start_rad, link_V, gates, source_ohm=0.0, capacitance=None):
        self.resistance, self.inductances, self.flux = resistance, np.diag(inductances), flux
        self.omega_e, self.start_rad, self.link_V = omega_e, start_rad, link_V
        self.gates, self.source_ohm, self.capacitance = gates, source_ohm, capacitance
        self.lines = lambda t, current: (True, True, True)
        self.shorts = lambda t: (0.0, 0.0, 0.0)
        self.through_ohm = 0.01

    def _machine(self, t):
        """=> inductance in the stator frame and the magnets' flux linkage there."""
        angle = self.omega_e * t + self.start_rad
        rotor = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        return rotor @ self.inductances @ rotor.T, self.flux * rotor[:, 0]

    def run(self, duration_s, step_s, every):
        """=> phase currents (n, 3), link voltage (n,), currents out of the legs (n, 3) at every so many steps from 0 on."""
        inductance, magnets = self._machine(0.0)
        self._linkage, self._current, self._V = magnets.copy(), np.zeros(2), self.link_V
        self._diodes, self._out = np.zeros(6, dtype=bool), np.zeros(3)
        found = [(np.zeros(3), self._V, np.zeros(3))]
        for k in range(round(duration_s / step_s)):
            self._advance(k * step_s, step_s)
            if (k + 1) % every == 0:
                found.append((PHASES @ self._current, self._V, self._out.copy()))
        return tuple(np.array(part) for part in zip(*found, strict=True))

    def _advance(self, t, h):
        """Unknown: three leg nodes, three terminals, two components of the current, the link; gates of the step's middle."""
        gates = np.array(self.gates(t + 0.5 * h))
        lines = np.where(self.lines(t + 0.5 * h, self._out), ON_S, OFF_S)
        for _ in range(30):
            conduct = self._conductances(gates)
            x = np.linalg.solve(*self._equations(t, h, conduct, lines))
            across = np.empty(6)
            across[0::2], across[1::2] = x[8] - x[0:3], x[0:3]
            # A diode lies against its switch: it conducts where the voltage across the pair is reversed.
            wanted = across < np.where(self._diodes, 0.0, -FORWARD_V)
            if np.array_equal(wanted | gates, self._diodes | gates):
                break
            self._diodes = wanted
        self._current, self._V = x[6:8], x[8]
        self._out = lines * (x[0:3] - x[3:6])
        inductance, magnets = self._machine(t + h)
        self._linkage = inductance @ self._current + magnets

    def _conductances(self, gates):
        both = gates[0::2] & gates[1::2]
        conduct = np.where(gates | self._diodes, ON_S, OFF_S)
        conduct[0::2][both] = conduct[1::2][both] = 2.0 / self.through_ohm
        return conduct

    def _equations(self, t, h, conduct, lines):
        matrix, right = np.zeros((9, 9)), np.zeros(9)
        upper, lower = conduct[0::2], conduct[1::2]
        for k in range(3):
            matrix[k, [k, 3 + k, 8]] = upper[k] + lower[k] + lines[k], -lines[k], -upper[k]
            matrix[3 + k, [3 + k, k]] = lines[k] + OFF_S, -lines[k]  # a leak, so that nothing hangs in the air
            matrix[3 + k, 8] = -0.5 * OFF_S
            matrix[3 + k, 6:8] = PHASES[k]
        for g, (a, b) in zip(self.shorts(t + 0.5 * h), ((0, 1), (1, 2), (2, 0)), strict=True):
            matrix[3 + a, 3 + a] += g
            matrix[3 + b, 3 + b] += g
            matrix[3 + a, 3 + b] -= g
            matrix[3 + b, 3 + a] -= g
        # The linkage after the step = linkage before + h (v - R i).
        inductance, magnets = self._machine(t + h)
        matrix[6:8, 6:8] = inductance + h * self.resistance * np.eye(2)
        matrix[6:8, 3:6] = -h * CLARKE
        right[6:8] = self._linkage - magnets
        matrix[8, 8] = 1.0
        right[8] = self.link_V
        if self.capacitance is not None:
            share = h / self.capacitance
            matrix[8, 8] += share * (1.0 / self.source_ohm + upper.sum())
            matrix[8, 0:3] -= share * upper
            right[8] = self._V + share * self.link_V / self.source_ohm
        return matrix, right


def driven_gates(edges, dead_s, on_delay=(0.0,) * 6, off_delay=(0.0,) * 6):
    """command_edges of each leg => gates(t): each switch on from its edge, dead time and delay on until the other edge and its
    own delay; a command that comes back before is as if it had not gone."""
    spans = []
    for leg in range(3):
        for side, asked in ((0, 1), (1, 0)):
            device, found = 2 * leg + side, []
            for k, (at, command) in enumerate(edges[leg]):
                if command != asked:
                    continue
                begin = at + (dead_s + on_delay[device] if k else 0.0)
                end = edges[leg][k + 1][0] + off_delay[device] if k + 1 < len(edges[leg]) else np.inf
                if found and found[-1][1] > at:  # not yet off when it is asked for again
                    found[-1][1] = end
                elif begin < end - off_delay[device]:
                    found.append([begin, end])
            spans.append(found)
    return lambda t: np.array([any(begin <= t < end for begin, end in device) for device in spans])


__all__ = ["QUARTER", "SwitchCircuit", "driven_gates"]
