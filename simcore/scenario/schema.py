"""The language for editors and docs: JSON schema and a table of all keys, both read from the models."""

from pydantic_core import PydanticUndefined

from simcore.scenario import index
from simcore.scenario.errors import show
from simcore.scenario.models import Scenario

_WHOLE = ("fault", "expect", "scope")
_PARTS = {
    "machine": "motors/yard_tractor",
    "inverter": "inverters/sic_800v",
    "supply": "supplies/NAME",
    "load": "loads/NAME",
    "safety": "safety/traction",
}


def json_schema() -> dict:
    """JSON schema of a scenario file, for TOML editors.

    Nothing is required in it but what an entry of a list needs (a fault, an expectation, a scope): keys may come from a part
    or a base.
    """
    schema = Scenario.model_json_schema(by_alias=True)
    whole = {model.__name__ for table in _WHOLE for model in index.models_in(Scenario.model_fields[table].annotation)}
    for name, model in schema["$defs"].items():
        if name not in whole:
            model.pop("required", None)
    schema.pop("required", None)
    _loosen_unions(schema)
    for table, example in _PARTS.items():
        for model in index.models_in(Scenario.model_fields[table].annotation):
            schema["$defs"][model.__name__]["properties"]["part"] = {
                "type": "string",
                "description": f"a part laid beneath this table: beside the file, else from the library; {example}",
            }
    schema["properties"]["base"] = {"type": "string", "description": "scenario file that this one is laid over"}
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    schema["title"] = "drybench scenario"
    return schema


def _loosen_unions(node):
    """oneOf by kind => anyOf, since the kind may stand in the part; kind keys stay checked by their constants."""
    if isinstance(node, dict):
        if "discriminator" in node and "oneOf" in node:
            node["anyOf"] = node.pop("oneOf")
            del node["discriminator"]
        for inner in node.values():
            _loosen_unions(inner)
    elif isinstance(node, list):
        for inner in node:
            _loosen_unions(inner)


def field_table() -> list[dict[str, str]]:
    """Rows of the docs table: key, kind, unit, range, default, meaning."""
    rows: dict[tuple, dict[str, str]] = {}
    for key in index.keys():
        field = key.field
        if index.models_in(field.annotation) and not index.is_map(field.annotation):
            continue
        row = {
            "key": key.dotted,
            "kind": "",
            "unit": key.unit,
            "range": index.range_text(field) or index.type_text(field.annotation),
            "default": _default(field),
            "meaning": field.description or "",
        }
        # A key that several kinds share is one row.
        kinds = rows.setdefault(tuple(row.values()), {**row, "kind": []})["kind"]
        if key.kind:
            kinds.append(key.kind)
    return [{**row, "kind": ", ".join(row["kind"])} for row in rows.values()]


def _default(field):
    if field.is_required():
        return "required"
    if field.default is PydanticUndefined:
        return "see meaning" if field.default_factory_takes_validated_data else "empty"
    if field.default is None:
        return "absent"
    return show(list(field.default) if isinstance(field.default, tuple) else field.default)
