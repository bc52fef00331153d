"""The result files of a loop response, written beside and swapped in: tune.json, response tables, pictures."""

import json
import re
from pathlib import Path

import numpy as np

from simcore.report.files import replaced_folder
from simcore.study.response.comparison import decibel
from simcore.study.response.told import document

OURS = re.compile(r"tune\.json|response(_\w+)?\.(csv|png)|operating_range\.(csv|png)")
COLUMNS = (
    "frequency_Hz", "predicted_dB", "predicted_deg", "measured_dB", "measured_deg", "coherence", "predicted_closed_dB",
    "predicted_closed_deg", "measured_closed_dB", "measured_closed_deg", "deviation_dB",
)  # fmt: skip


def write_response(response, folder, *, plot=True):
    """(Response, folder) => Path of the folder.

    Writes tune.json; response.csv (the current loop where its margin is least, else the first loop there is) and
    response_<loop>_<cut>.csv for every cut; operating_range.csv; pictures (plot). Other files of the folder stay.
    """
    failure = None
    with replaced_folder(folder, OURS) as fresh:
        tables = dict(_tables(response))
        for name, curves in tables.items():
            write_curves(fresh / f"response_{name}.csv", curves)
        if tables:
            loop = response.loops.get("current") or next(iter(response.loops.values()))
            write_curves(fresh / "response.csv", _main_curves(loop))
        if response.survey is not None:
            _write_range(fresh / "operating_range.csv", response.survey)
        if plot:
            failure = _draw(response, fresh)
        content = json.dumps(document(response), indent=2, allow_nan=False)
        (fresh / "tune.json").write_text(content + "\n", encoding="utf-8", newline="\n")
    if failure is not None:
        raise failure
    return Path(folder)


def _tables(response):
    for loop_name, loop in response.loops.items():
        for name, curves in loop.curves.items():
            yield loop_name if name == loop_name else f"{loop_name}_{name}", curves


def _main_curves(loop):
    """Curves of the axis with the least margin: of what was measured, where something was."""
    names = [name for name, curves in loop.curves.items() if loop.measured is None or np.isfinite(curves.coherence).any()]
    if loop.predicted is None:
        return loop.curves[loop.worst_name]
    known = [name for name in names if name in loop.predicted.cuts and name not in ("vector", "both")]

    def margin(name):
        found = loop.predicted.cuts[name].margins.phase_margin_deg
        return np.inf if found is None else found

    return loop.curves[min(known or names, key=margin)]


def write_curves(path, curves):
    """(path, Curves) => a table, a frequency a row (COLUMNS); open responses first, nan where there is nothing."""
    parts = [curves.frequency_Hz]
    for response in (curves.predicted_open, curves.measured_open):
        parts += [decibel(response), _degrees(response)]
    parts.append(curves.coherence)
    for response in (curves.predicted_closed, curves.measured_closed):
        parts += [decibel(response), _degrees(response)]
    parts.append(20.0 * np.log10(1.0 + curves.deviation))
    _write(path, COLUMNS, parts)


def _degrees(response):
    """Phase (n,) [deg], unwrapped from a first value in -180 to 180."""
    turn = np.full(len(response), np.nan)
    known = np.isfinite(response)
    turn[known] = np.degrees(np.unwrap(np.angle(response[known])))
    return turn


def _write_range(path, survey):
    figures = {name: values.ravel() for name, values in survey.figures.items() if name != "cut"}
    _write(path, tuple(figures), list(figures.values()))


def _write(path, names, parts):
    with open(path, "w", encoding="ascii", newline="\n") as file:
        file.write(",".join(names) + "\n")
        np.savetxt(file, np.column_stack(parts), fmt="%.9g", delimiter=",")


def _draw(response, folder):
    """The pictures; the error where one failed, else None."""
    from simcore.report.bode import draw_bode
    from simcore.report.margin_map import draw_margin_map

    try:
        for name in ("current", "speed"):
            if name in response.loops:
                draw_bode(response, name, folder / f"response_{name}.png")
        if response.survey is not None:
            draw_margin_map(response, folder / "operating_range.png")
    except OSError:
        raise
    except Exception as error:
        return error
    return None
