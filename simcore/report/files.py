"""The result folder of a run, written beside and swapped in: no half-written result is ever seen."""

import json
import os
import re
import shutil
import time
from contextlib import contextmanager
from pathlib import Path

from simcore.report.arrays import write_csv, write_npz
from simcore.report.results import metrics

# Names that a run writes; an older run's file of such a name goes when the new run has none.
_OURS = re.compile(r"recording\.(npz|csv)|scope_\d+\.npz|metrics\.json|resolved\.toml|(overview|baseline)\.png|traceback\.txt")


def write_results(recording, expectations, folder, *, plot=True, csv=False, begun=None, pictures=None, more=None):
    """(recording, verdicts of measure.judge, folder) => Path of the folder.

    Writes recording.npz, scope_1.npz ..., metrics.json, resolved.toml, overview.png (plot) and recording.csv (csv).
    The older result stays until the new one is whole; files of other names in the folder are left alone. A picture that
    fails costs nothing else: its error is raised when all other files are in place. With begun, the perf_counter() at
    which the work began, timing.total_s counts from there to the writing of metrics.json. pictures: further ones, by file
    name the function that draws into a path. more: further entries of metrics.json.
    """
    failure = None
    with replaced_folder(folder) as fresh:
        write_npz(fresh / "recording.npz", _signals(recording))
        for number, scope in enumerate(getattr(recording, "scopes", None) or (), start=1):
            write_npz(fresh / f"scope_{number}.npz", _time_first(scope))
        if csv:
            write_csv(fresh / "recording.csv", _signals(recording))
        if plot and len(recording.time_s):
            drawn = {"overview.png": _overview(recording, expectations), **(pictures or {})}
            failure = next(filter(None, [_picture_failure(draw, fresh / name) for name, draw in drawn.items()]), None)
        resolved = getattr(recording, "resolved_text", None)
        if resolved is not None:
            (fresh / "resolved.toml").write_text(resolved, encoding="utf-8", newline="\n")
        if begun is not None:
            recording.timing["total_s"] = time.perf_counter() - begun
        content = json.dumps(metrics(recording, expectations, more), indent=2, allow_nan=False)
        (fresh / "metrics.json").write_text(content + "\n", encoding="utf-8", newline="\n")
    if failure is not None:
        raise failure
    return Path(folder)


def _overview(recording, expectations):
    """A function that draws the overview into a path."""

    def draw(path):
        from simcore.report.overview import draw_overview

        draw_overview(recording, path, expectations=expectations)

    return draw


def _picture_failure(draw, path):
    """Draw a picture; the error where that failed, else None."""
    try:
        draw(path)
    except OSError:
        raise
    except Exception as error:
        return error
    return None


def unwritable(folder):
    """folder of results, which need not exist => why it cannot be written, in words, or "". Nothing is touched."""
    folder = Path(os.path.abspath(folder))
    above = next(path for path in (folder, *folder.parents) if os.path.lexists(path))
    if not above.is_dir():
        return f"{above} is a file, not a folder"
    if not os.access(above, os.W_OK | os.X_OK):
        return f"{above} is a folder that may not be written"
    return ""


def _signals(recording):
    """Name and array of every signal, time first; a derived array is let go again once it is written."""
    forget = getattr(recording, "forget", None)
    yield "time_s", recording.time_s
    for name in recording.signals:
        if name != "time_s":
            yield name, recording[name]
            if forget is not None:
                forget(name)


def _time_first(scope):
    return sorted(scope.items(), key=lambda item: item[0] != "time_s")


@contextmanager
def replaced_folder(folder, ours=_OURS):
    """folder => context with an empty sibling to fill; left without an error, its files take the folder's place.

    ours: pattern of the names that such a result may have; older files of these names go when the new result has none.
    """
    folder = Path(os.path.abspath(folder))
    new_parent = not folder.parent.exists()
    folder.parent.mkdir(parents=True, exist_ok=True)
    fresh = folder.parent / f".{folder.name}.partial-{os.getpid()}"
    shutil.rmtree(fresh, ignore_errors=True)
    try:
        fresh.mkdir()
        yield fresh
        names = {path.name for path in fresh.iterdir()}
        try:
            _swap_in(fresh, names, folder, ours)
        except KeyboardInterrupt:
            # Half of a swap would mix two runs: finish what takes a moment, then stop.
            _swap_in(fresh, names, folder, ours)
            raise
    finally:
        shutil.rmtree(fresh, ignore_errors=True)
        if new_parent and not any(folder.parent.iterdir()):
            folder.parent.rmdir()


def _swap_in(fresh, names, folder, ours):
    """Move the named files from `fresh` into `folder`, the .json last; may be repeated after an interruption."""
    if not folder.exists():
        os.rename(fresh, folder)
        return
    for name in sorted(names, key=lambda name: name.endswith(".json")):
        if (fresh / name).exists():
            os.replace(fresh / name, folder / name)
    for path in folder.iterdir():
        if ours.fullmatch(path.name) and path.name not in names:
            path.unlink(missing_ok=True)
