"""From scattered points to a picture: numbers interpolated on a fine grid, cut at the envelope.

Losses grow with torque about as a parabola: their roots are interpolated, which are nearly straight lines.  Efficiencies are
formed from interpolated losses, so that they fall towards zero torque as they should.
"""

import numpy as np

from simcore.study.efficiency_map.columns import LOSSES
from simcore.study.efficiency_map.efficiency import STAGES, efficiency
from simcore.study.efficiency_map.grid import QUADRANTS

ACROSS, UP = 361, 321
LOST_IN = {"inverter_W": STAGES["efficiency_inverter"], "machine_W": STAGES["efficiency_machine"]}


class Field:
    """(EfficiencyMap with at least two speeds and two torques) => any column on a fine grid, an array (UP, ACROSS) over
    speed_rpm (ACROSS,) and torque_Nm (UP,), NaN outside of what was measured.  Linear in the triangles between the points."""

    def __init__(self, found):
        from scipy.spatial import Delaunay

        self.map = found
        self._points = _measured(found)
        speeds, torques = asked_axes(found)
        self.speed_rpm = np.linspace(speeds[0], speeds[-1], ACROSS)
        low, high = _reach(found)
        self.torque_Nm = np.linspace(low, high, UP)
        self._scale = np.array([speeds[-1] - speeds[0], max(torques[-1] - torques[0], 1e-9)])
        places = np.array([[p.speed_rpm, p.torque_reached_Nm] for p in self._points])
        self._corners = self._weights = self._inside = None
        if _spread(places / self._scale):
            self._locate(Delaunay(places / self._scale))

    @property
    def drawable(self):
        """False where the measured points do not span an area."""
        return self._corners is not None

    def __call__(self, name):
        """(column of map.csv that is a number) => array (UP, ACROSS)."""
        if name in STAGES:
            return self._efficiency(name)
        return self._interpolated(np.array([getattr(p, name) for p in self._points]), name in LOSSES)

    def _locate(self, mesh):
        """Corners (UP, ACROSS, 3) of the triangle around each place and their barycentric weights; where there is none."""
        n, torque = np.meshgrid(self.speed_rpm / self._scale[0], self.torque_Nm / self._scale[1])
        places = np.stack([n, torque], axis=-1)
        found = mesh.find_simplex(places, tol=2e-3)
        transform = mesh.transform[found]
        first = np.einsum("...ij,...j->...i", transform[..., :2, :], places - transform[..., 2, :])
        self._weights = np.concatenate([first, 1.0 - first.sum(axis=-1, keepdims=True)], axis=-1)
        self._corners = mesh.simplices[found]
        self._inside = (found >= 0) & self._asked() & self._below_envelope()

    def _interpolated(self, values, roots=False):
        """roots: linear in the square roots of the values, which are losses."""
        values = np.sqrt(np.maximum(values, 0.0)) if roots else values
        between = np.einsum("...i,...i->...", values[self._corners], self._weights)
        return np.where(self._inside, between**2 if roots else between, np.nan)

    def _efficiency(self, name):
        lost = {
            stage: self._interpolated(np.array([getattr(p, a) - getattr(p, b) for p in self._points]), True)
            for stage, (a, b) in LOST_IN.items()
        }
        powers = {"power_shaft_W": np.outer(self.torque_Nm, self.speed_rpm * np.pi / 30.0)}
        powers["power_terminal_W"] = powers["power_shaft_W"] + lost["machine_W"]
        powers["power_link_W"] = powers["power_terminal_W"] + lost["inverter_W"]
        return efficiency(*(powers[side] for side in STAGES[name]), self.map.least_W)

    def _asked(self):
        n, torque = np.meshgrid(self.speed_rpm, self.torque_Nm)
        inside = np.zeros(n.shape, dtype=bool)
        for one in self.map.grid.quadrants:
            s, t = QUADRANTS[one]
            inside |= (n * s >= 0.0) & (torque * t >= 0.0)
        return inside

    def _below_envelope(self):
        n, torque = np.meshgrid(self.speed_rpm, self.torque_Nm)
        inside = np.ones(n.shape, dtype=bool)
        for direction in (1, -1):
            speeds, edge = border(self.map, direction)
            if len(speeds) > 1:
                # Some cells beyond: what is filled is cut along the envelope itself.
                most = np.interp(n, speeds, direction * edge) + 4.0 * (self.torque_Nm[1] - self.torque_Nm[0])
                inside &= direction * torque <= most
        return inside


def asked_axes(found):
    """(EfficiencyMap) => speeds, torques of the points that were asked for, rising."""
    return sorted({p.speed_rpm for p in found.points}), sorted({p.torque_Nm for p in found.points})


def border(found, direction):
    """(EfficiencyMap, sign of torque) => speeds, torques of its envelope on that side (n,)."""
    mine = [edge for edge in found.edges if edge.direction == direction]
    return np.array([edge.speed_rpm for edge in mine]), np.array([edge.torque_Nm for edge in mine])


def outline_of(found, field):
    """(EfficiencyMap, Field) => corners (n, 2) of the area inside the envelope, or the picture's edge where it has none."""
    sides = []
    for direction, default in ((1, field.torque_Nm[-1]), (-1, field.torque_Nm[0])):
        speeds, torques = border(found, direction)
        if len(speeds) < 2:
            speeds, torques = field.speed_rpm[[0, -1]], np.array([default, default])
        sides.append(np.column_stack([speeds, torques]))
    return np.vstack([sides[0], sides[1][::-1]])


def _measured(found):
    """Points with numbers, and those of the envelope that lie not much farther out than the grid."""
    torques = asked_axes(found)[1]
    step = (torques[-1] - torques[0]) / max(len(torques) - 1, 1)
    near = [edge.point for edge in found.edges if torques[0] - step <= edge.torque_Nm <= torques[-1] + step]
    seen = {}
    for point in (*found.measured, *near):
        seen.setdefault((point.speed_rpm, round(point.torque_reached_Nm, 6)), point)
    return list(seen.values())


def _reach(found):
    """Torque range of the picture: the grid's, and the envelope's where that lies near."""
    torques = asked_axes(found)[1]
    step = (torques[-1] - torques[0]) / max(len(torques) - 1, 1)
    edges = [edge.torque_Nm for edge in found.edges if torques[0] - step <= edge.torque_Nm <= torques[-1] + step]
    return min(torques[0], *edges, torques[-1]), max(torques[-1], *edges, torques[0])


def _spread(places):
    """True where points (n, 2) span an area."""
    if len(places) < 3:
        return False
    apart = places - places.mean(axis=0)
    return bool(np.linalg.svd(apart, compute_uv=False)[-1] > 1e-6)
