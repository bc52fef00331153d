"""The current loop over the operating range: saturated inductances, speed and link voltage, with the worst place named."""

import math
from dataclasses import dataclass

import numpy as np

from simcore.study.response.cuts import WHERE, isotropic, one_axis, open_axes
from simcore.study.response.drive_at import linear_drive
from simcore.study.response.margins import frequencies, margins_on_grid
from simcore.study.response.point import point_of
from simcore.study.response.predicted import with_current_gains
from simcore.study.response.sampled import sampled_system

SPEEDS, SHARES = 13, np.linspace(-1.0, 1.0, 9)
LINK_SHARES = (0.85, 1.0, 1.15)  # of the supply's voltage, where no voltages are asked for
_GRID = 160
_FACTORS, _FINER = np.geomspace(0.1, 100.0, 41), 12
FIGURES = (
    "link_voltage_V", "speed_rpm", "torque_Nm", "id_A", "iq_A", "inductance_d_H", "inductance_q_H", "crossover_Hz",
    "phase_margin_deg", "gain_margin_dB", "stability_edge_factor", "cut",
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class Survey:
    """Figures by name (FIGURES), arrays (links, speeds, torques); cut: number in `cuts` of the cut with the least margin."""

    figures: dict
    cuts: tuple

    @property
    def worst(self):
        """Figures of the place with the least phase margin, its cut in words under "broken_at"."""
        return self._place(np.nanargmin(self.figures["phase_margin_deg"]))

    @property
    def nearest_edge(self):
        """Figures of the place that stands the least factor on its gains."""
        return self._place(np.nanargmin(self.figures["stability_edge_factor"]))

    def span(self, name):
        """Figure => its least and greatest value."""
        values = self.figures[name]
        return float(np.nanmin(values)), float(np.nanmax(values))

    def _place(self, number):
        found = {name: float(values.ravel()[number]) for name, values in self.figures.items()}
        name = self.cuts[int(found.pop("cut"))]
        return found | {"cut": name, "broken_at": WHERE[name]}


def survey(scenario, built_in, *, flux, speeds_rpm=None, links_V=None, tell=None):
    """(scenario, BuiltIn, true flux law) => Survey; speeds and link voltages by default from 0 to the limit, and about the
    supply's. Torques are shares of what the drive gives there, in both directions. tell(done, all)."""
    if speeds_rpm is None:
        speeds_rpm = np.linspace(0.0, scenario.machine.max_speed_rpm, SPEEDS)
    if links_V is None:
        links_V = [share * scenario.supply.voltage_V for share in LINK_SHARES]
    shape = len(links_V), len(speeds_rpm), len(SHARES)
    figures, cuts = {name: np.full(shape, math.nan) for name in FIGURES}, None
    far = 10.0 * point_of(scenario, np.zeros(2), 0.0, links_V[0], flux=flux).most_Nm
    for row in np.ndindex(shape[:2]):
        link_V, speed = float(links_V[row[0]]), float(speeds_rpm[row[1]])
        most = [
            abs(point_of(scenario, built_in.references(sign * far, speed, link_V), speed, link_V, flux=flux).torque_Nm)
            for sign in (-1.0, 1.0)
        ]
        for column, share in enumerate(SHARES):
            reference = built_in.references(share * most[int(share > 0.0)], speed, link_V)
            point = point_of(scenario, reference, speed, link_V, flux=flux)
            found, cuts = _figures(linear_drive(scenario, built_in, point, flux=flux), point)
            for name, value in found.items():
                figures[name][(*row, column)] = math.nan if value is None else value
        if tell is not None:
            tell(row[0] * shape[1] + row[1] + 1, shape[0] * shape[1])
    return Survey(figures, cuts)


def _figures(drive, point):
    """(LinearDrive, OperatingPoint) => figures there, names of the cuts."""
    f = frequencies(drive.timing.update_s, _GRID)
    matrix = open_axes(drive)(f)
    curves = {"d": one_axis(matrix, 0), "q": one_axis(matrix, 1)}
    loci = _tracked(np.linalg.eigvals(matrix))
    both = "vector" if isotropic(drive) else "both"
    stable = sampled_system(drive).stable
    margins = [(number, margins_on_grid(f, curve, stable)) for number, curve in enumerate(curves.values())]
    margins += [(2, margins_on_grid(f, loci[:, branch], stable)) for branch in (0, 1)]
    crossing = [(number, m) for number, m in margins if m.crossover_Hz is not None]
    number, worst = min(crossing, key=lambda pair: pair[1].phase_margin_deg, default=margins[0])
    gains = [m.gain_margin_dB for _, m in margins if m.gain_margin_dB is not None]
    return {
        "link_voltage_V": point.link_V, "speed_rpm": point.speed_rpm, "torque_Nm": point.torque_Nm,
        "id_A": point.reference_A[0], "iq_A": point.reference_A[1],
        "inductance_d_H": drive.winding.inductance_H[0, 0], "inductance_q_H": drive.winding.inductance_H[1, 1],
        "crossover_Hz": worst.crossover_Hz, "phase_margin_deg": worst.phase_margin_deg,
        "gain_margin_dB": min(gains, key=abs, default=None), "stability_edge_factor": _edge(drive), "cut": number,
    }, ("d", "q", both)  # fmt: skip


def _tracked(values):
    """Eigenvalues (n, 2) at rising frequencies => the same, each column one continuous curve."""
    for k in range(1, len(values)):
        stay = abs(values[k, 0] - values[k - 1, 0]) + abs(values[k, 1] - values[k - 1, 1])
        swap = abs(values[k, 1] - values[k - 1, 0]) + abs(values[k, 0] - values[k - 1, 1])
        if swap < stay:
            values[k] = values[k, ::-1]
    return values


def _edge(drive):
    """Factor on the gains at the edge of stability, looked for on ever finer grids; None beyond the coarsest."""
    none, one = sampled_system(with_current_gains(drive, 1e-12)).A, sampled_system(drive).A
    factors = _FACTORS
    for _ in range(3):
        stack = none + factors[:, None, None] * (one - none)
        outside = np.max(np.abs(np.linalg.eigvals(stack)), axis=1) >= 1.0
        edges = np.flatnonzero(outside[1:] & ~outside[:-1])
        if len(edges) == 0:
            return None
        k = int(edges[np.argmin(np.abs(np.log(factors[edges])))])
        low, high = factors[k], factors[k + 1]
        factors = np.geomspace(low, high, _FINER)
    return float(math.sqrt(low * high))
