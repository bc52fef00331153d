"""The picture of temperatures: junction, winding and magnets where they differ from point to point."""

import numpy as np

from simcore.report import pages
from simcore.study.efficiency_map.figure_efficiency import title_of
from simcore.study.efficiency_map.panel import even_levels, filled

SUBJECTS = {
    "junction_degC": "Hottest junction (degC)", "winding_degC": "Winding (degC)", "magnet_degC": "Magnets (degC)",
}  # fmt: skip
_LEAST_K = 0.1


def present(found):
    """(EfficiencyMap) => names of the temperatures that change over the map."""
    names = []
    for name in SUBJECTS:
        values = np.array([getattr(p, name) for p in found.measured])
        if len(values) and np.isfinite(values).all() and np.ptp(values) > _LEAST_K:
            names.append(name)
    return names


def compose(field):
    """(Field) => matplotlib Figure."""
    found, figure = field.map, pages.new_page()
    names = present(found)
    grid = figure.add_gridspec(1, len(names), left=0.055, right=0.985, top=0.845, bottom=0.1, wspace=0.2)
    for place, name in enumerate(names):
        values = field(name)
        filled(figure.add_subplot(grid[place]), field, values, even_levels(values, 10), SUBJECTS[name])
    pages.head(figure, title_of(found, "Temperatures"), [_result(found, names), _way()], found.scenario.name)
    pages.foot(figure, "dots: runs; blank: out of reach")
    return figure


def _result(found, names):
    parts = []
    for name in names:
        hottest = max(found.measured, key=lambda p: getattr(p, name))
        place = f"{hottest.speed_rpm:.5g} rpm, {hottest.torque_Nm:.4g} Nm"
        parts.append(f"{SUBJECTS[name].split(' (')[0].lower()} {getattr(hottest, name):.4g} degC at {place}")
    return "hottest: " + "; ".join(parts)


def _way():
    return "each point at the thermal steady state of its own losses; the junction's greatest value in the window"
