"""From a scenario file to a checked Scenario: base, overrides, parts, models, checks between tables."""

from functools import cache
from pathlib import Path
from typing import Annotated, get_args

from pydantic import TypeAdapter, ValidationError

from simcore.scenario import parts
from simcore.scenario.checks import check_everything
from simcore.scenario.classes import locate_class
from simcore.scenario.controller import BELIEVED
from simcore.scenario.data_sheet.filling import fill_data_sheets
from simcore.scenario.errors import FileProblem, ScenarioError, file_label, sentence
from simcore.scenario.explain import explain
from simcore.scenario.index import strip_tags
from simcore.scenario.maps import load_map
from simcore.scenario.merge import Override, OverrideError, lay_over
from simcore.scenario.models import Scenario
from simcore.scenario.not_yet import refuse_what_is_not_yet
from simcore.scenario.report import Report
from simcore.scenario.template import cases_of, refuse_several
from simcore.scenario.tolerance import read_tolerances
from simcore.scenario.toml_file import read_with_base

# Lists of tables, whose right entries are checked beside wrong ones.
_LISTS = ("expect", "scope", "fault")
# Kinds that may be left out.
_DEFAULT_KINDS = {("supply",): "source", ("sensors", "position"): "ideal"}


def load_scenario(path, overrides=()) -> Scenario:
    """Read and check a scenario file.

    path: the TOML file. overrides: texts "table.key=value" laid over it, as --set gives them.
    Raises ScenarioError with all problems of the file at once, and for a template that stands for several scenarios.
    """
    return _single(_read(path), path, overrides)


def load_scenarios(path, overrides=()) -> tuple[Scenario, ...]:
    """Read and check every scenario that a file stands for: one, or a template's cases in their order.

    Overrides as for load_scenario; one that sets a key of the template takes it out of the cases, template=NAME chooses a
    case. Raises ScenarioError with all problems of all cases.
    """
    report = _read(path)
    found, problems = [], []
    for case in cases_of(report, overrides):
        try:
            found.append(_check(report.copy(), path, overrides, case))
        except ScenarioError as error:
            problems += [problem for problem in error.problems if problem not in problems]
    if problems:
        raise ScenarioError(problems)
    return tuple(found)


def scenario_from(document, path="scenario.toml", overrides=(), origins=None) -> Scenario:
    """Check a scenario given as a dict; relative paths count from the folder of `path` (which need not exist).

    origins: {location: label of what wrote the value there}, for the sentences about it.
    """
    report = Report(Path(path))
    report.document, report.origins = _plain(document), dict(origins or {})
    parts.remember_folder(report.document, Path(path).parent)
    return _single(report, path, overrides)


def _read(path):
    """(path) => Report with the file's document, laid over its bases."""
    path = Path(path)
    report = Report(path)
    try:
        report.document = read_with_base(path, parts.remember_folder, report.origins)
    except FileProblem as problem:
        raise ScenarioError([sentence(problem.file, (), problem.rule, problem.remedy)]) from None
    except ValueError as error:
        # A path that no file system takes (an embedded null).
        raise ScenarioError([sentence(file_label(path), (), f"cannot be read ({error})", "Check the path")]) from None
    return report


def _single(report, path, overrides):
    cases = cases_of(report, overrides)
    if len(cases) > 1:
        refuse_several(report, cases)
    return _check(report, path, overrides, *cases)


def _check(report, path, overrides, case):
    path = Path(path)
    failed = _override(report, overrides, path.parent, case)
    refuse_what_is_not_yet(report)
    unchecked = {at[0] for at in failed if len(at) == 1}
    told = fill_data_sheets(report, failed)
    beliefs = [name for name in BELIEVED if ("controller", name) not in failed and _overrides(report, name)]
    locate_class(report, path.parent)
    make_paths_absolute(report, path.parent)
    tables = _validate(report, unchecked, told)
    believed = _validate_beliefs(report, beliefs, tables, told)
    for machine, at in ((tables.get("machine"), ("machine",)), (believed.get("machine"), ("controller", "machine"))):
        load_map(report, machine, at)
    check_everything(report, tables, believed.get("machine"))
    report.stop_on_problems()
    scenario = tables["scenario"]
    scenario._path = path.absolute()
    scenario._case = case.name
    scenario._resolved = _plain(report.document)
    scenario._believed = believed
    scenario._findings = tuple(report.findings)
    if scenario.tolerance:
        scenario._tolerances = read_tolerances(report, scenario)
        report.stop_on_problems()
    return scenario


def _override(report, overrides, folder, case):
    """The case's values, overrides, then parts beneath; what goes into lists comes last, because the list may be the part's.

    Returns the tables whose part could not be laid.
    """
    read = []
    for text in overrides:
        try:
            read.append(Override(str(text)))
        except OverrideError as error:
            report.problems.append(error.sentence)
    read = [one for one in read if one.location[0] != "template"]
    layers = [(case.label, case.assignments), (f"{report.file} (--set)", read)]
    for label, assignments in layers:
        _apply(report, [one for one in assignments if not one.in_list], label)
    parts.remember_folder(report.document, folder)
    failed = parts.lay_parts(report, folder)
    for label, assignments in layers:
        _apply(report, [one for one in assignments if one.in_list], label)
    return failed


def _apply(report, overrides, label):
    for override in overrides:
        try:
            override.apply(report.document, report.origins, label)
        except OverrideError as error:
            report.problems.append(error.sentence)


def _overrides(report, name):
    """True where [controller.NAME] says something that can be laid over [NAME]."""
    override = report.value(("controller", name))
    return isinstance(override, dict) and bool(override) and isinstance(report.document.get(name), dict)


def make_paths_absolute(report, folder):
    """Turn the paths of flux maps absolute, relative to the file that names them (in place)."""
    for at in (("machine", "flux_map", "file"), ("controller", "machine", "flux_map", "file")):
        value = report.value(at)
        if isinstance(value, str) and value.strip():
            try:
                report.value(at[:-1])["file"] = parts.absolute(value, folder)
            except FileProblem as problem:
                report.problem(at, problem.rule, problem.remedy)


def with_default_kinds(document):
    """A document whose tables name their kind, also where it may be left out (a copy)."""
    out = dict(document)
    for at, kind in _DEFAULT_KINDS.items():
        here = out
        for name in at:
            if not isinstance(here.get(name), dict):
                break
            here[name] = dict(here[name])
            here = here[name]
        else:
            here.setdefault("kind", kind)
    return out


def _validate(report, unchecked, told):
    """Tables by name, None where wrong; "scenario" where all are right. List entries that are right stay, by index.

    unchecked: tables left alone; told: locations whose absence is told already.
    """
    document = with_default_kinds(report.document)
    checked = {k: v for k, v in document.items() if k not in unchecked}
    tables = {}
    try:
        scenario = Scenario.model_validate(checked)
    except ValidationError as error:
        errors = [e for e in error.errors(include_url=False) if not (e["type"] == "missing" and e["loc"][0] in unchecked)]
        explain(report, _not_told(errors, told))
        wrong = {e["loc"][0] for e in errors} | unchecked
        for name, field in Scenario.model_fields.items():
            if name in _LISTS:
                tables[name] = _entries(field, checked.get(name, []))
            elif name not in wrong:
                tables[name] = (
                    _adapter(name).validate_python(checked[name])
                    if name in checked
                    else field.get_default(call_default_factory=True)
                )
        return tables
    tables = {name: getattr(scenario, name) for name in Scenario.model_fields}
    return {**tables, **{name: dict(enumerate(tables[name])) for name in _LISTS}, "scenario": scenario}


def _entries(field, raw):
    """Right entries of a list of tables, by index."""
    adapter = TypeAdapter(get_args(field.annotation)[0])
    right = {}
    for k, entry in enumerate(raw if isinstance(raw, list) else []):
        try:
            right[k] = adapter.validate_python(entry)
        except ValidationError:
            continue
    return right


def _not_told(errors, told):
    return [e for e in errors if not (e["type"] == "missing" and strip_tags(e["loc"]) in told)]


def _validate_beliefs(report, names, tables, told):
    """The tables that the controller believes to be otherwise, by name; wrong ones are told and left out."""
    believed = {}
    for name in names:
        if tables.get(name) is None:
            continue
        merged = lay_over(report.document[name], report.document["controller"][name], {}, "", (name,))
        try:
            believed[name] = _adapter(name).validate_python(merged)
        except ValidationError as error:
            errors = [{**e, "loc": ("controller", name, *e["loc"])} for e in error.errors(include_url=False)]
            explain(report, _not_told(errors, told))
    return believed


@cache
def _adapter(name):
    """Validates one table on its own."""
    field = Scenario.model_fields[name]
    return TypeAdapter(Annotated[field.annotation, field])


def _plain(value):
    """Dicts and lists copied, remembered text as plain text."""
    if isinstance(value, dict):
        return {k: _plain(v) for k, v in value.items()}
    if isinstance(value, list):
        return [_plain(v) for v in value]
    return str(value) if isinstance(value, str) else value
