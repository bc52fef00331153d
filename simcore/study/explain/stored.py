"""A result folder read back as a recording."""

import json
import math
import tomllib
from pathlib import Path

import numpy as np

from controllers.contract import BINDING_LIMITS
from simcore.loop.recording import STATES
from simcore.loop.signals import StoredRecording
from simcore.scenario import ScenarioError
from simcore.scenario.errors import file_label
from simcore.scenario.reader import scenario_from

_NEEDED = ("recording.npz", "metrics.json", "resolved.toml")


class _Kept:
    """What a folder tells besides the signals, under the names that StoredRecording copies."""

    def __init__(self, folder, metrics, text):
        self.resolved_text = text
        self.scenario = scenario_from(tomllib.loads(text), path=folder / f"{metrics['scenario']}.toml")
        self.row_s = float(metrics["summary"]["row_s"])
        self.audit, self.timing = metrics["audit"], metrics["timing"]
        self.closing, self.findings = metrics["summary"]["closing"], tuple(metrics["findings"])
        self.error, self.scopes = metrics.get("error"), ()
        self.binding_names, self.state_names = BINDING_LIMITS, STATES


def read_results(folder):
    """(folder that `drybench run` wrote) => StoredRecording.

    Raises ScenarioError with one sentence where it is no such folder, or its scenario can no longer be read (a controller
    or a flux map has gone).
    """
    folder = Path(folder)
    label = file_label(folder)
    if not folder.is_dir():
        raise ScenarioError([f"{label}: no such folder. Name a folder that drybench run wrote, such as results/torque_steps."])
    missing = [name for name in _NEEDED if not (folder / name).is_file()]
    if missing:
        remedy = "Name a folder that drybench run wrote, such as results/torque_steps"
        raise ScenarioError([f"{label}: holds no {missing[0]}, so it is no result of a run. {remedy}."])
    try:
        metrics = json.loads((folder / "metrics.json").read_text(encoding="utf-8"))
        kept = _Kept(folder, metrics, (folder / "resolved.toml").read_text(encoding="utf-8"))
        with np.load(folder / "recording.npz", allow_pickle=False) as arrays:
            columns = {name: arrays[name] for name in arrays.files}
        time_s = columns.pop("time_s")
        closing_s = kept.closing.get("time_s")
        end_s = time_s[-1] + kept.row_s if closing_s is None and len(time_s) else closing_s or math.nan
    except ScenarioError:
        raise
    except Exception as error:
        said = f"{type(error).__name__}: {error}"
        raise ScenarioError([f"{label}: its files cannot be read back ({said}). Run the scenario again."]) from error
    return StoredRecording(kept, time_s, columns, float(end_s))
