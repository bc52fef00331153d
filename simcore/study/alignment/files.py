"""The result files of a rehearsal, written beside and swapped in: align.json, align.csv, align.png."""

import json
import re
from pathlib import Path

from simcore.report.files import replaced_folder
from simcore.report.results import drybench_version, plain
from simcore.study.alignment.advice import sentences

OURS = re.compile(r"align\.(json|csv|png)")
COLUMNS = ("variant", "current_A", "vector_deg", "start_deg", "settled_deg", "error_deg", "settle_s", "state")


def write_alignment(rehearsal, outcomes, advice, folder, *, plot=True):
    """(Rehearsal, Outcomes, Advice, folder) => Path of the folder. Other files of the folder stay.

    A picture that fails costs nothing else: its error is raised when all other files are in place.
    """
    failure = None
    with replaced_folder(folder, OURS) as fresh:
        every = [*outcomes, *([advice.checked] if advice.checked is not None else [])]
        (fresh / "align.csv").write_text(_table(every), encoding="utf-8", newline="\n")
        if plot:
            failure = _picture_failure(rehearsal, outcomes, advice, fresh / "align.png")
        content = json.dumps(document(rehearsal, outcomes, advice), indent=2, allow_nan=False)
        (fresh / "align.json").write_text(content + "\n", encoding="utf-8", newline="\n")
    if failure is not None:
        raise failure
    return Path(folder)


def _picture_failure(rehearsal, outcomes, advice, path):
    """Draw the picture; the error where that failed, else None."""
    from simcore.study.alignment.figure import draw_alignment

    try:
        draw_alignment(rehearsal, outcomes, advice, path)
    except OSError:
        raise
    except Exception as error:
        return error
    return None


def _table(outcomes):
    """A row a start; angles in electrical degrees, -180 to 180."""
    lines = [",".join(COLUMNS)]
    for outcome in outcomes:
        for start in outcome.starts:
            figures = (outcome.current_A, outcome.variant.vector_deg, start.start_deg, start.settled_deg, start.error_deg)
            numbers = ",".join(f"{figure:.9g}" for figure in (*figures, start.settle_s))
            lines.append(f"{outcome.variant.name},{numbers},{start.state}")
    return "\n".join(lines) + "\n"


def document(rehearsal, outcomes, advice):
    """(Rehearsal, Outcomes, Advice) => the contents of align.json."""
    resting = rehearsal.resting
    return plain({
        "drybench": drybench_version(),
        "scenario": rehearsal.scenario.name,
        "title": rehearsal.scenario.title,
        "current_A": outcomes[0].current_A,
        "current_bandwidth_Hz": rehearsal.bandwidth_Hz,
        "starts": len(outcomes[0].starts),
        "holding_Nm": {"break_away": resting.stiction_Nm, "cogging": resting.cogging_Nm, "load": resting.load_Nm},
        "resting_edge_deg": advice.edge_deg,
        "variants": [_variant(outcome) for outcome in outcomes],
        "recommended": None if advice.recommended is None else advice.recommended.variant.name,
        "error_allowed_deg": advice.limit_deg,
        "needed_current_A": advice.needed_A,
        "best_current_A": advice.best_A,
        "best_resting_edge_deg": advice.best_deg,
        "checked": None if advice.checked is None else _variant(advice.checked),
        "told": sentences(resting, outcomes, advice),
    })  # fmt: skip


def _variant(outcome):
    errors = outcome.errors_deg
    return {
        "name": outcome.variant.name,
        "words": outcome.variant.words,
        "current_A": outcome.current_A,
        "vector_deg": outcome.variant.vector_deg,
        "worst_error_deg": outcome.worst_deg,
        "mean_error_deg": float(errors.mean()) if len(errors) else None,
        "rms_error_deg": float((errors**2).mean() ** 0.5) if len(errors) else None,
        "at_rest": outcome.count("rest"),
        "stuck_opposite": outcome.count("stuck"),
        "still_moving": outcome.count("moving"),
        "settle_s": outcome.settle_s,
        "routine_s": outcome.routine_s,
    }
