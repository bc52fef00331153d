"""A data sheet's table as a model; a number whose basis is missing is refused with all its readings."""

from pydantic import ValidationError

from simcore.scenario.checking import short
from simcore.scenario.data_sheet.model import QUANTITIES, DataSheet
from simcore.scenario.data_sheet.readings import Source
from simcore.scenario.data_sheet.winding_bases import BASES, DELTA, STAR, from_common, to_common
from simcore.scenario.errors import show
from simcore.scenario.explain import explain
from simcore.scenario.fields import finite, is_number


def read_sheet(report, at):
    """(report, location of the sheet) => Source, or None where the sheet is wrong; then it is told why."""
    raw = report.value(at)
    bare = {name: value for name, value in raw.items() if name in QUANTITIES and (is_number(value) or value == {})}
    connection = DELTA if raw.get("connection") == DELTA else STAR
    for name, value in bare.items():
        report.problem((*at, name), *_without_basis(name, value, connection))
    try:
        sheet = DataSheet.model_validate({k: v for k, v in raw.items() if k not in bare})
    except ValidationError as error:
        explain(report, error.errors(include_url=False), at)
        return None
    if sheet.poles and sheet.poles % 2:
        report.problem((*at, "poles"), "must be even: poles come in pairs", f"Write {sheet.poles + 1}, or check the sheet")
        return None
    return None if bare else Source(sheet, at, raw, report.layer)


def _without_basis(name, value, connection):
    """Rule and remedy for a number without a basis: what it would be in each, measured in the first."""
    first, *others = [basis for basis in BASES[name] if not basis.endswith(("_min", "_max"))]
    if not finite(value) or value <= 0:
        return "has no basis", f"Write the number below its basis, {name}.{first} or {', '.join(others)}"
    unit = QUANTITIES[name][0].replace("_per_", "/").replace("_", " ")
    same = [short(from_common(name, first, to_common(name, basis, value, connection), connection)) for basis in others]
    readings = ", ".join(f"as {basis} {number}" for basis, number in zip(others, same, strict=True))
    words = first.replace("line_line", "line-line").replace("_", " ")
    rule = f"has no basis: read as {first} it is {short(value)} {unit} ({words}), {readings}"
    return rule, f"Write {name}.{first} = {show(value)}, or the basis that the sheet means"
