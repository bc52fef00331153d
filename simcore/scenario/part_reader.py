"""One part on its own, checked as far as its own table goes."""

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

from pydantic import TypeAdapter, ValidationError

from simcore.scenario import check_drive, check_gate, check_heat, check_plant, check_power, parts
from simcore.scenario.data_sheet.filling import fill_data_sheets
from simcore.scenario.errors import FileProblem, ScenarioError, file_label, sentence
from simcore.scenario.explain import explain
from simcore.scenario.index import strip_tags
from simcore.scenario.maps import load_map
from simcore.scenario.models import Scenario
from simcore.scenario.reader import make_paths_absolute, with_default_kinds
from simcore.scenario.report import Report
from simcore.scenario.toml_file import read_with_base


@dataclass(frozen=True)
class Part:
    """A part that was read.

    model: its table's model, None where keys are missing that the scenario must give; missing: their names; has_sheet: True
    where its constants come from a data sheet; findings: sentences about things that should be told.
    """

    model: object
    missing: tuple[str, ...]
    has_sheet: bool
    findings: tuple[str, ...]


def read_part(file, table) -> Part:
    """(TOML file, its table such as "machine") => Part. Raises ScenarioError with all problems of the file at once."""
    file = Path(file)
    report, origins = Report(file), {}
    try:
        document = read_with_base(file, parts.remember_in_machine, origins)
        parts.refuse_strange(document, (table,), file.stem)
    except FileProblem as problem:
        raise ScenarioError(
            [sentence(problem.__dict__.get("file", file_label(file)), (), problem.rule, problem.remedy)]
        ) from None
    report.document = {table: document}
    report.origins = {(table, *at): label for at, label in origins.items()}
    has_sheet = "data_sheet" in document
    told = fill_data_sheets(report)
    make_paths_absolute(report, file.parent)
    model, missing = _validate(report, table, told)
    if model is not None:
        load_map(report, model, (table,))
        rooms = (check_power, check_gate, check_heat, check_plant, check_drive)
        for check in [check for room in rooms for check in room.CHECKS]:
            if check.needs == (table,):
                check(report, model)
    report.stop_on_problems()
    return Part(model, missing, has_sheet, tuple(report.findings))


def _validate(report, table, told):
    """The table's model or None, and the keys that it lacks on its own."""
    document = with_default_kinds(report.document)[table]
    field = Scenario.model_fields[table]
    try:
        return TypeAdapter(Annotated[field.annotation, field]).validate_python(document), ()
    except ValidationError as error:
        errors = [{**e, "loc": (table, *e["loc"])} for e in error.errors(include_url=False)]
    lacking = [e for e in errors if e["type"] == "missing"]
    explain(report, [e for e in errors if e not in lacking])
    return None, tuple(".".join(map(str, strip_tags(e["loc"]))) for e in lacking if strip_tags(e["loc"]) not in told)
