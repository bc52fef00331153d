"""The picture of a loop: open response with its margins marked, closed response, coherence, step."""

import os
from pathlib import Path

from simcore.report.bode_panels import draw_closed, draw_coherence, draw_open, draw_step
from simcore.report.panels import GREY, INK, NORMAL
from simcore.report.results import drybench_version
from simcore.report.wording import number

_PAGE_INCH = (11.69, 8.27)
_WIDTH_PX = 1600
_TITLES = {"current": "Current loop", "speed": "Speed loop"}


def draw_bode(response, name, path):
    """(Response of study.response, "current" or "speed", path) => None. Writes a PNG of A4 landscape, whole or not at all."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=_PAGE_INCH, facecolor="white")
    FigureCanvasAgg(figure)
    loop = response.loops[name]
    grid = figure.add_gridspec(
        3, 2, height_ratios=(3.0, 3.0, 1.1), width_ratios=(1.5, 1.0), left=0.06, right=0.975, top=0.86, bottom=0.075,
        hspace=0.36, wspace=0.17,
    )  # fmt: skip
    size = figure.add_subplot(grid[0, 0])
    turn = figure.add_subplot(grid[1, 0], sharex=size)
    seen = figure.add_subplot(grid[2, 0], sharex=size)
    draw_open(size, turn, loop)
    draw_coherence(seen, loop)
    draw_closed(figure.add_subplot(grid[0, 1]), loop, response.loops.get("torque") if name == "current" else None)
    draw_step(figure.add_subplot(grid[1:, 1]), loop)
    _heading(figure, response, name)
    path = Path(path)
    partial = path.with_name(f".{path.name}.partial-{os.getpid()}")
    try:
        figure.savefig(partial, format="png", dpi=_WIDTH_PX / _PAGE_INCH[0], metadata={"Software": None})
        os.replace(partial, path)
    finally:
        partial.unlink(missing_ok=True)


def _heading(figure, response, name):
    scenario, point = response.scenario, response.point
    title = " ".join(f"{_TITLES[name]}: {scenario.title or scenario.name}".split())[:110]
    figure.text(0.02, 0.975, title, fontsize=13, color=INK, va="top", parse_math=False)
    at = f"{number(point.speed_rpm, 'rpm')}   |   {number(point.torque_Nm, 'Nm', 4)}   |   link {number(point.link_V, 'V')}"
    lines = "lines: predicted   |   marks: measured (hollow: lost in noise)"
    figure.text(0.02, 0.938, f"{at}   |   {lines}", fontsize=NORMAL, color=GREY, va="top", parse_math=False)
    figure.text(0.98, 0.012, f"drybench {drybench_version()}", fontsize=NORMAL, color=GREY, ha="right", va="bottom")
