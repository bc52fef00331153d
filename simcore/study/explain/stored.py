"""A recording read back: from a result folder, or from a file that recording.save wrote."""

import json
import math
import tomllib
from pathlib import Path

import numpy as np

from controllers.contract import BINDING_LIMITS
from simcore.loop.monitor_log import STATE_NAMES
from simcore.loop.signals import StoredRecording, load_recording
from simcore.scenario import ScenarioError
from simcore.scenario.errors import file_label
from simcore.scenario.reader import scenario_from

_NEEDED = ("recording.npz", "metrics.json", "resolved.toml")
_LEAST_SIGNALS = (
    "id_A", "iq_A", "id_measured_A", "iq_measured_A", "ia_A", "ib_A", "ic_A", "va_V", "vb_V", "vc_V", "duty_a", "duty_b",
    "duty_c", "torque_Nm", "speed_rpm", "speed_measured_rpm", "angle_deg", "angle_error_deg", "psi_d_Wb", "psi_q_Wb",
    "link_voltage_V", "link_voltage_measured_V", "loss_conduction_W",
)  # fmt: skip
_REMEDY = "Name a folder that drybench run wrote, such as results/torque_steps"


class _Kept:
    """What a folder tells besides the signals, under the names that StoredRecording copies."""

    def __init__(self, folder, metrics, text):
        self.resolved_text = text
        self.scenario = scenario_from(tomllib.loads(text), path=folder / f"{metrics['scenario']}.toml")
        self.row_s = float(metrics["summary"]["row_s"])
        self.audit, self.timing = metrics["audit"], metrics["timing"]
        self.closing, self.findings = metrics["summary"]["closing"], tuple(metrics["findings"])
        self.error, self.scopes = metrics.get("error"), ()
        # As the version that ran it named them.
        codes = metrics["summary"].get("binding_limit_codes") or {name: code for code, name in BINDING_LIMITS.items()}
        self.binding_names, self.state_names = {int(code): str(name) for name, code in codes.items()}, STATE_NAMES


def read_recording(path):
    """(folder that `drybench run` wrote, its recording.npz, or a file that recording.save wrote) => StoredRecording.

    Raises ScenarioError with one sentence where it is none of these, or its scenario can no longer be read (a controller
    or a flux map has gone).
    """
    path = Path(path)
    label = file_label(path)
    if path.is_file() and path.name == _NEEDED[0] and all((path.parent / name).is_file() for name in _NEEDED):
        path = path.parent
    try:
        recording = _saved(path, label) if path.is_file() else _folder(path, label)
    except ScenarioError:
        raise
    except Exception as error:
        said = f"{type(error).__name__}: {error}"
        raise ScenarioError([f"{label}: its files cannot be read back ({said}). Run the scenario again."]) from error
    absent = [name for name in _LEAST_SIGNALS if name not in recording.signals]
    if absent:
        raise ScenarioError([f"{label}: its recording holds no {absent[0]}, as an older version's. Run the scenario again."])
    return recording


def _saved(path, label):
    try:
        return load_recording(path)
    except ValueError as error:
        if isinstance(error, ScenarioError):
            raise
        raise ScenarioError([f"{label}: no recording kept by drybench. {_REMEDY}."]) from error


def _folder(folder, label):
    if not folder.is_dir():
        raise ScenarioError([f"{label}: no such folder. {_REMEDY}."])
    missing = [name for name in _NEEDED if not (folder / name).is_file()]
    if missing:
        raise ScenarioError([f"{label}: holds no {missing[0]}, so it is no result of a run. {_REMEDY}."])
    metrics = json.loads((folder / "metrics.json").read_text(encoding="utf-8"))
    kept = _Kept(folder, metrics, (folder / "resolved.toml").read_text(encoding="utf-8"))
    with np.load(folder / "recording.npz", allow_pickle=False) as arrays:
        columns = {name: arrays[name] for name in arrays.files}
    time_s = columns.pop("time_s")
    return StoredRecording(kept, time_s, columns, float(kept.closing.get("time_s", math.nan)))
