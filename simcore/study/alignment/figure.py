"""The picture of a rehearsal: where every start settled, all variants together, and each one's error close up."""

import numpy as np

from simcore.report import panels
from simcore.report.results import drybench_version
from simcore.report.wording import number

_PAGE_INCH = (11.69, 8.27)
_WIDTH_PX = 1600
_COLUMNS = 3
_MARKS = ("o", "s", "^", "v", "D", "P")
_COLOURS = (panels.BLUE, panels.VERMILION, panels.GREEN, panels.PURPLE, panels.INK, "#B8860B")
_ALARM = "#A63A00"
_TURN = (-180, -90, 0, 90, 180)


def draw_alignment(rehearsal, outcomes, advice, path):
    """(Rehearsal, Outcomes, Advice, path) => None. Writes a PNG of 1600 x 1132 pixels."""
    figure = compose(rehearsal, outcomes, advice)
    figure.savefig(path, format="png", dpi=_WIDTH_PX / _PAGE_INCH[0], metadata={"Software": None})


def compose(rehearsal, outcomes, advice):
    """(Rehearsal, Outcomes, Advice) => matplotlib Figure with its own canvas; nothing global is touched."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=_PAGE_INCH, facecolor="white")
    FigureCanvasAgg(figure)
    _settled(figure.add_axes((0.065, 0.56, 0.69, 0.325)), outcomes)
    rows = -(-len(outcomes) // _COLUMNS)
    grid = figure.add_gridspec(rows, _COLUMNS, left=0.065, right=0.975, top=0.455, bottom=0.075, hspace=0.5, wspace=0.16)
    reach = _reach(outcomes, advice)
    for k, outcome in enumerate(outcomes):
        axes = figure.add_subplot(grid[k // _COLUMNS, k % _COLUMNS])
        _errors(axes, outcome, advice, reach, k)
        if k + _COLUMNS >= len(outcomes):
            axes.set_xlabel("start angle (deg electrical)", fontsize=panels.SMALL, color=panels.INK, labelpad=2)
    _heading(figure, rehearsal, outcomes, advice)
    return figure


def _turn_axis(axis):
    axis.set_ticks(_TURN)


def _settled(axes, outcomes):
    """Settled angle over start angle, every variant with its own mark."""
    panels.dress(axes, "Where the rotor's d axis settles (deg electrical, stator frame) over where it started")
    for k, outcome in enumerate(outcomes):
        start, settled = np.array([(one.start_deg, one.settled_deg) for one in outcome.starts]).T
        order = np.argsort(start)
        # A vector at 180 deg and one at -180 are one: they are drawn where the vector is called to stand.
        near = outcome.variant.vector_deg + np.array([one.error_deg for one in outcome.starts])
        shown = np.where(np.abs(near) <= 186.0, near, settled)
        axes.plot(
            start[order], shown[order], _MARKS[k % len(_MARKS)], color=_COLOURS[k % len(_COLOURS)], markersize=3.5,
            label=outcome.variant.name, markerfacecolor="none" if k % 2 else None, markeredgewidth=0.9,
        )  # fmt: skip
    _turn_axis(axes.xaxis)
    _turn_axis(axes.yaxis)
    axes.set_xlim(-190, 190)
    axes.set_ylim(-195, 195)
    axes.set_xlabel("start angle (deg electrical)", fontsize=panels.SMALL, color=panels.INK, labelpad=2)
    legend = axes.legend(
        loc="upper left", bbox_to_anchor=(1.01, 1.02), fontsize=panels.NORMAL, frameon=False, labelcolor=panels.INK,
        handletextpad=0.4, labelspacing=0.7,
    )  # fmt: skip
    legend.set_in_layout(False)


def _reach(outcomes, advice):
    """Half the height of the error panels [deg]."""
    worst = [outcome.worst_deg for outcome in outcomes if np.isfinite(outcome.worst_deg)]
    edge = advice.edge_deg if advice.edge_deg < 90.0 else 0.0
    return 1.25 * max([*worst, edge, advice.limit_deg, 0.5])


def _errors(axes, outcome, advice, reach, k):
    """Error over start angle, the resting edge shaded; starts that stuck or move stand at the rim as marks."""
    told = [f"worst {outcome.worst_deg:.2g} deg" if np.isfinite(outcome.worst_deg) else "none came to rest"]
    told += [f"{outcome.count(state)} {state}" for state in ("stuck", "moving") if outcome.count(state)]
    panels.dress(axes, f"{outcome.variant.name}, at {outcome.variant.vector_deg:g} deg: {', '.join(told)}")
    if advice.edge_deg < 90.0 and len(outcome.variant.read) == 1:
        axes.axhspan(-advice.edge_deg, advice.edge_deg, color="#E4EDF5", zorder=0.5)
    for side in (-1.0, 1.0):
        axes.axhline(side * advice.limit_deg, color=panels.GREY, linewidth=0.7, linestyle=(0, (4, 2)), zorder=1)
    rest = [(one.start_deg, one.error_deg) for one in outcome.starts if one.state == "rest"]
    if rest:
        axes.plot(*np.array(rest).T, _MARKS[k % len(_MARKS)], color=_COLOURS[k % len(_COLOURS)], markersize=3.0)
    for state, mark in (("stuck", "x"), ("moving", "|")):
        at = [one.start_deg for one in outcome.starts if one.state == state]
        if at:
            axes.plot(at, np.full(len(at), 0.9 * reach), mark, color=_ALARM, markersize=6, markeredgewidth=1.4, clip_on=False)
    _turn_axis(axes.xaxis)
    axes.set_xlim(-190, 190)
    axes.set_ylim(-reach, reach)


def _heading(figure, rehearsal, outcomes, advice):
    scenario, resting = rehearsal.scenario, rehearsal.resting
    style = {"va": "top", "parse_math": False}
    small = {"fontsize": panels.NORMAL, "color": panels.GREY, **style}
    title = " ".join(f"Alignment: {scenario.title or scenario.name}".split())[:110]
    figure.text(0.02, 0.98, title, fontsize=13, color=panels.INK, **style)
    facts = [
        scenario.machine.name, f"{outcomes[0].current_A:.4g} A", f"inertia {number(resting.inertia_kg_m2, 'kg m2', 3)}",
        f"break-away torque {resting.stiction_Nm:.3g} Nm", f"cogging {resting.cogging_Nm:.3g} Nm",
        f"load {resting.load_Nm:.3g} Nm",
    ]  # fmt: skip
    figure.text(0.02, 0.945, "   |   ".join(" ".join(fact.split()) for fact in facts if fact), **small)
    figure.text(0.98, 0.976, f"drybench {drybench_version()}", ha="right", **small)
    told = "Error against the vector (deg electrical)   |   dashed: the error that is allowed"
    if advice.edge_deg < 90.0:
        told += "   |   shaded: where friction, cogging and load can hold the rotor"
    told += "   |   x: stuck opposite the vector, |: still moving"
    figure.text(0.065, 0.492, told, fontsize=panels.SMALL, color=panels.INK, va="bottom", parse_math=False)
