"""The list of faults: a TOML file with [[fault]] tables as a scenario has them, without their begin."""

import math
import tomllib
from pathlib import Path
from typing import Any, NamedTuple

from simcore.scenario import ScenarioError
from simcore.study.fault_study.places import OPTIONS

SHIPPED = "traction"
LIST_KEYS = ("name", "tolerance_time_s", "operating_points", "fault")
OWN_KEYS = ("name", "tolerance_time_s")
TOLERANCE_s = 0.1
# They act on a shaft that moves by itself, not on one whose speed is imposed.
# Devices desaturate or burst within microseconds: without a monitor these are looked at for a moment only.
SHORTS, BRIEF_s = ("switch_stuck_closed", "shoot_through", "phase_phase_short", "three_phase_short"), 0.01
OF_THE_SHAFT = ("shaft_locked", "shaft_broken", "load_torque_shock")


class FaultCase(NamedTuple):
    """name; tables: what goes into [[fault]], without at_s; tolerance_s: time allowed from fault to the reaction's state."""

    name: str
    table: dict
    tolerance_s: float

    @property
    def of_the_shaft(self):
        return self.table.get("kind") in OF_THE_SHAFT

    def looked_at_s(self, monitored):
        """(with the monitor or not) => time from the fault's begin within which it must be over, or is looked at [s]."""
        brief = not monitored and self.table.get("kind") in SHORTS
        return min(self.tolerance_s, BRIEF_s) if brief else self.tolerance_s


class FaultList(NamedTuple):
    """name and cases of a list; places: its own {"speed_rpm", "torque_Nm", "link_V": numbers}, where it gives them."""

    name: str
    cases: tuple
    places: dict = {}


def read_fault_list(given=None):
    """(file, or name of a shipped list; None: the traction faults) => FaultList.  Raises ScenarioError with every problem."""
    path = _find(given or SHIPPED)
    try:
        document = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise ScenarioError([f"{path.name}: cannot be read: {error.strerror or error}. Check the path."]) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ScenarioError([f"{path.name}: is not TOML: {error}. Mend it there."]) from error
    problems, cases = [], []
    for key in document:
        if key not in LIST_KEYS:
            problems.append(f"{path.name}: {key}: a list of faults has no such key. Known are {', '.join(LIST_KEYS)}.")
    most = _tolerance(path, "", document.get("tolerance_time_s", TOLERANCE_s), problems)
    tables = document.get("fault", [])
    if not isinstance(tables, list) or not tables or not all(isinstance(one, dict) for one in tables):
        problems.append(f"{path.name}: fault: a list of faults needs [[fault]] tables. Write one with its kind.")
        tables = []
    for k, table in enumerate(tables):
        cases.append(_case(path, k, table, most, problems))
    places = _places(path, document.get("operating_points", {}), problems)
    if problems:
        raise ScenarioError(problems)
    return FaultList(str(document.get("name", path.stem)), _told_apart(cases), places)


def _find(given):
    path = Path(given)
    if path.suffix == ".toml" or path.exists():
        return path
    import scenarios

    shipped = Path(scenarios.__file__).parent / "fault_lists" / f"{given}.toml"
    if not shipped.exists():
        known = ", ".join(sorted(one.stem for one in shipped.parent.glob("*.toml")))
        raise ScenarioError([f'--list "{given}": is neither a file nor a shipped list. Shipped are {known}.'])
    return shipped


def _places(path, table, problems):
    """[operating_points] of a list: speed_rpm, torque_Nm, link_V, each a list of numbers."""
    if not isinstance(table, dict):
        problems.append(f"{path.name}: operating_points: must be a table. Write [operating_points].")
        return {}
    for key, values in table.items():
        where = f"{path.name}: operating_points.{key}"
        if key not in OPTIONS:
            problems.append(f"{where}: is not known. Known are {', '.join(OPTIONS)}.")
        elif not isinstance(values, list) or not values or not all(map(_finite, values)):
            example = "600, 700" if key == "link_V" else "0, 50"
            problems.append(f"{where}: must be a list of numbers. Write {key} = [{example}].")
    return {key: tuple(map(float, values)) for key, values in table.items() if isinstance(values, list) and not problems}


def _finite(value):
    return isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)


def _tolerance(path, where, value, problems):
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0.0 < value <= 60.0:
        problems.append(f"{path.name}: {where}tolerance_time_s = {value!r}: must be above 0, at most 60 (s). Change it.")
        return TOLERANCE_s
    return float(value)


def _case(path, k, table, most, problems):
    where = f"fault[{k}]."
    if "at_s" in table or "until_s" in table:
        problems.append(f"{path.name}: {where}at_s: the study sets when a fault acts. Remove at_s and until_s.")
    own = {key: table[key] for key in OWN_KEYS if key in table}
    rest = {key: value for key, value in table.items() if key not in (*OWN_KEYS, "at_s", "until_s")}
    tolerance = _tolerance(path, where, own.get("tolerance_time_s", most), problems)
    return FaultCase(str(own.get("name", _words(rest))), rest, tolerance)


def _words(table: dict[str, Any]):
    """The kind, and what names the part."""
    named = [str(value) for key, value in table.items() if key != "kind" and isinstance(value, str)]
    return " ".join([str(table.get("kind", "fault")), *named])


def _told_apart(cases):
    """Names of their own: a second one of a name gets its number."""
    seen, found = {}, []
    for case in cases:
        seen[case.name] = seen.get(case.name, 0) + 1
        found.append(case if seen[case.name] == 1 else case._replace(name=f"{case.name} {seen[case.name]}"))
    return tuple(found)
