"""[tolerance]: keys of the scenario and how their values scatter from drive to drive; checked against what each key allows."""

from dataclasses import dataclass

from pydantic import ValidationError

from simcore.scenario import index
from simcore.scenario.distribution import FORMS, Distribution, DistributionTable, distribution_of
from simcore.scenario.errors import NO_VALUE, ScenarioError, did_you_mean, one_of, place, show
from simcore.scenario.explain import explain, unknown_key
from simcore.scenario.fields import finite
from simcore.scenario.variation import Variation, value_of


@dataclass(frozen=True)
class Tolerance:
    """A key of the scenario, dotted (`sensors.current.offset_A.0` for an entry of a list), and its distribution."""

    key: str
    distribution: Distribution


def read_tolerances(report, scenario):
    """(report, Scenario that is right otherwise) => tuple of Tolerance; every problem goes to the report."""
    found = []
    for location, given in _leaves(scenario.resolved["tolerance"], ()):
        at = ("tolerance", *location)
        if any("." in part for part in location):
            report.problem(at, "a name of the key holds a dot", "Only names of letters, digits, _ and - can scatter")
            continue
        form = _form(report, at, given)
        nominal = _nominal(report, scenario, location, at)
        if form is None or nominal is None:
            continue
        if nominal == 0.0 and (form.normal_percent or form.uniform_percent):
            report.problem(at, "is in percent of a nominal value of 0", "Give normal = ... or uniform = [a, b]")
            continue
        distribution = distribution_of(form, nominal)
        if form.within is not None and not distribution.low < distribution.high:
            report.problem((*at, "within"), f"lies beyond 4.75 sigma of the nominal {show(nominal)}", "Widen one of them")
        elif _whole(location) and form.values is None:
            report.problem(at, "the key takes whole numbers", "Give list = [...]")
        else:
            found.append(Tolerance(".".join(location), distribution))
            _refuse_ends(report, scenario, found[-1], at)
    return tuple(found)


def _leaves(node, above):
    """Every (location, table that should be a distribution) below a table."""
    for name, inner in node.items():
        here = (*above, name)
        tables = isinstance(inner, dict) and inner and all(isinstance(below, dict) for below in inner.values())
        if tables or (isinstance(inner, dict) and index.table_path(here) in index.tables()):
            yield from _leaves(inner, here)
        else:
            yield here, inner


def _form(report, at, given):
    if not isinstance(given, dict):
        report.problem(at, "must be a distribution", "Write { normal_percent = 2 }, { uniform = [a, b] } or { list = [a, b] }")
        return None
    try:
        return DistributionTable.model_validate(given)
    except ValidationError as error:
        for wrong in error.errors(include_url=False):
            _explain(report, at, wrong)
    return None


def _explain(report, at, wrong):
    kind, where = wrong["type"], (*at, *wrong["loc"])
    if kind == "extra_forbidden":
        known = (*FORMS, "within")
        report.problem(where, "unknown form of a distribution", did_you_mean(where[-1], known, f"Known are {one_of(known)}"))
    elif kind in ("greater_than", "less_than_equal"):
        report.problem(where, "must be above 0" if kind == "greater_than" else "is too large", "Give a positive number")
    else:
        explain(report, [{**wrong, "loc": where}])


def _nominal(report, scenario, location, at):
    """The value that the scenario gives the key; None, and a problem, where it gives no number."""
    value = value_of(scenario, location)
    if value is NO_VALUE:
        free, above = index.find(location), value_of(scenario, location[:-1])
        if isinstance(above, (list, tuple)):
            report.problem(at, f"the list has {len(above)} entries", "Count them from 0")
        elif free is not None and index.is_map(free.field.annotation) or _known(scenario, location):
            where = place(location[:-1])
            report.problem(at, "the scenario does not give this key", f"Write its nominal value into [{where}]")
        else:
            report.problem(at, *unknown_key(report, location))
    elif isinstance(value, (list, tuple)):
        report.problem(at, f"the key is a list of {len(value)}", f"Name one entry, {place(location)}.0 for the first")
    elif not finite(value):
        report.problem(at, "the key is no number", "Only numbers scatter")
    else:
        return float(value)
    return None


def _known(scenario, location):
    """True for a key of the language that may stand in its table, given the table's kind."""
    kind = value_of(scenario, (*location[:-1], "kind"))
    keys = index.tables().get(index.table_path(location[:-1]), {}).get(location[-1], ())
    return any(key.kind in (None, kind) for key in keys)


def _whole(location):
    """True for a key of whole numbers."""
    kinds = index.tables().get(index.table_path(location[:-1]), {}).get(location[-1], ())
    return any(key.field.annotation in (int, int | None) for key in kinds)


def _refuse_ends(report, scenario, tolerance, at):
    """Each end of the distribution alone must be a scenario that is right."""
    ends = tolerance.distribution.ends
    try:
        varied = Variation(scenario, [tolerance.key], believe_nominal=True, label="[tolerance]")
    except ScenarioError as error:
        report.problem(at, error.problems[0], "Name another key")
        return
    for value in dict.fromkeys(float(f"{end:.6g}") for end in ends):
        try:
            varied.at([whole_where_wanted(tolerance.key, value)])
        except ScenarioError as error:
            why = error.problems[0].split(": ", 1)[1].split(". ")[0]
            what = "holds" if tolerance.distribution.values is not None else "reaches"
            cut = ", or cut it with within = [a, b]" if tolerance.distribution.sigma is not None else ""
            report.problem(at, f"{what} {show(value)}, which is refused ({why.rstrip('.')})", f"Narrow it{cut}")
            return


def whole_where_wanted(key, value):
    """(dotted key, value) => the value as the whole number that the key takes, where it is one."""
    return int(value) if value == int(value) and _whole(tuple(key.split("."))) else value
