"""A landscape page for the figures of studies: heading, footer, and written whole or not at all."""

import os
import warnings
from pathlib import Path

from simcore.report import panels
from simcore.report.results import drybench_version

PAGE_INCH = (11.69, 8.27)
WIDTH_PX = 1600
ALARM = "#A63A00"


def new_page():
    """=> matplotlib Figure of A4 landscape with its own canvas; nothing global is touched."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=PAGE_INCH, facecolor="white")
    FigureCanvasAgg(figure)
    return figure


def save_page(figure, path):
    """(Figure, path) => None. A PNG of 1600 x 1132 pixels."""
    path = Path(path)
    partial = path.with_name(f".{path.name}.partial-{os.getpid()}")
    try:
        with warnings.catch_warnings():
            # A title may use letters that the built-in font lacks: they show as boxes, the terminal stays quiet.
            warnings.filterwarnings("ignore", message="Glyph")
            figure.savefig(partial, format="png", dpi=WIDTH_PX / PAGE_INCH[0], metadata={"Software": None})
        os.replace(partial, path)
    finally:
        partial.unlink(missing_ok=True)


def head(figure, title, lines, right=""):
    """(Figure, title, lines below it, text at the upper right) => None. Each line is cut where it would leave the page."""
    from simcore.report.overview import cut_to_fit

    style = {"va": "top", "parse_math": False}
    small = {"fontsize": panels.NORMAL, **style}
    corner = figure.text(0.98, 0.976, right, ha="right", color=panels.GREY, **small)
    bound = corner.get_window_extent().x0 - 24.0
    cut_to_fit(figure.text(0.02, 0.98, " ".join(title.split()), fontsize=13, color=panels.INK, **style), bound)
    for k, line in enumerate(lines):
        colour = panels.INK if k == 0 else panels.GREY
        cut_to_fit(figure.text(0.02, 0.945 - 0.024 * k, line, color=colour, **small), 0.98 * figure.bbox.width)


def foot(figure, text):
    """(Figure, text) => None. One line at the lower left, the version at the right."""
    from simcore.report.overview import cut_to_fit

    style = {"fontsize": panels.NORMAL, "va": "bottom", "parse_math": False}
    version = figure.text(0.98, 0.015, f"drybench {drybench_version()}", ha="right", color=panels.GREY, **style)
    cut_to_fit(figure.text(0.02, 0.015, text, color=panels.INK, **style), version.get_window_extent().x0 - 12.0)
