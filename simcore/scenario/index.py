"""Every key of the language with its table, kind and description, read from the models."""

from dataclasses import dataclass
from functools import cache
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from annotated_types import Ge, Gt, Le, Lt, MinLen
from pydantic import BaseModel
from pydantic.fields import FieldInfo

from simcore.scenario.controller import BELIEVED
from simcore.scenario.errors import one_of

_DEVICES = ("inverter", "devices")


@dataclass(frozen=True)
class Key:
    """One key: path of its table, name, the kind it belongs to (None: any), and its field."""

    table: tuple[str, ...]
    name: str
    kind: str | None
    field: FieldInfo

    @property
    def dotted(self) -> str:
        return ".".join((*self.table, self.name))

    @property
    def unit(self) -> str:
        return (self.field.json_schema_extra or {}).get("unit", "")


def models_in(annotation) -> list[type[BaseModel]]:
    """Models anywhere inside an annotation, unions in the order of their members."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [model for inner in get_args(annotation) for model in models_in(inner)]


def kind_of(model) -> str | None:
    """The tag of a union member ("rig"), or None."""
    field = model.model_fields.get("kind")
    return get_args(field.annotation)[0] if field is not None else None


def is_map(annotation) -> bool:
    """True for a table whose keys are free names, such as gate_settings."""
    return get_origin(annotation) is dict


def choices(annotation) -> tuple[str, ...]:
    """Words of a Literal, or ()."""
    return get_args(annotation) if get_origin(annotation) is Literal else ()


@cache
def keys() -> tuple[Key, ...]:
    """All keys of a scenario."""
    from simcore.scenario.models import Scenario

    return tuple(_walk(Scenario, (), None))


def _walk(model, path, kind):
    for name, field in model.model_fields.items():
        name = field.alias or name
        yield Key(path, name, kind, field)
        inner = models_in(field.annotation)
        below = (*path, name, "*") if is_map(field.annotation) else (*path, name)
        for member in inner:
            yield from _walk(member, below, kind_of(member) if len(inner) > 1 else None)


@cache
def tables() -> dict[tuple[str, ...], dict[str, list[Key]]]:
    """Path of a table => its keys by name (a key may stand in several kinds)."""
    found: dict[tuple[str, ...], dict[str, list[Key]]] = {}
    for key in keys():
        found.setdefault(key.table, {}).setdefault(key.name, []).append(key)
    # A leg's own table knows the keys of the devices, and those of gate_settings.NAME.
    legs = (*_DEVICES, "legs")
    found |= {(*legs, *path[2:]): known for path, known in found.items() if path[:2] == _DEVICES}
    found[legs] = {name: known for name, known in found[_DEVICES].items() if name not in ("kind", "legs")}
    found[legs] |= {"gate_settings": found[("inverter",)]["gate_settings"]}
    found[(*legs, "gate_settings", "*")] = found[("inverter", "gate_settings", "*")]
    return found


def table_path(location) -> tuple[str, ...]:
    """('expect', 0) => ('expect',); names of free keys become '*'."""
    path: tuple[str, ...] = ()
    for part in location:
        if isinstance(part, int):
            continue
        path = (*path, "*") if (*path, "*") in tables() and (*path, part) not in tables() else (*path, part)
    return path[1:] if is_belief(path) else path


def is_belief(location) -> bool:
    """True at and below [controller.machine], [controller.inverter] and [controller.load]."""
    return len(location) > 1 and location[0] == "controller" and location[1] in BELIEVED


def find(location) -> Key | None:
    """The key at a location, whatever its kind, or None."""
    path = table_path(location)
    while path:
        found = tables().get(path[:-1], {}).get(path[-1])
        if found:
            return found[0]
        path = path[:-1]
    return None


def strip_tags(location) -> tuple:
    """Pydantic's location without the tags of discriminated unions ('load', 'free', 'inertia_kg_m2')."""
    from simcore.scenario.models import Scenario

    if is_belief(location):
        return ("controller", *strip_tags(location[1:]))
    out, members = [], [Scenario]
    parts = list(location)
    while parts:
        part = parts.pop(0)
        out.append(part)
        if isinstance(part, int):
            members = _without_tag(members, parts)
            continue
        field = next((f for m in members for n, f in m.model_fields.items() if part in (n, f.alias)), None)
        if field is None:
            continue
        members = _without_tag(models_in(field.annotation), parts)
    return tuple(out)


def _without_tag(members, parts):
    """(models, rest of a location) => the models that its tag leaves; the tag is taken off the rest, in place."""
    if len(members) > 1 and parts and parts[0] in [kind_of(m) for m in members]:
        tag = parts.pop(0)
        return [m for m in members if kind_of(m) == tag]
    return members


def range_text(field: FieldInfo) -> str:
    """'above 0, at most 100', '"step" or "linear"', or ''."""
    inner = choices(field.annotation)
    if inner:
        return one_of(inner)
    words = []
    for bound in field.metadata:
        if isinstance(bound, Gt):
            words.append(f"above {_plain(bound.gt)}")
        elif isinstance(bound, Ge):
            words.append(f"at least {_plain(bound.ge)}")
        elif isinstance(bound, Lt):
            words.append(f"below {_plain(bound.lt)}")
        elif isinstance(bound, Le):
            words.append(f"at most {_plain(bound.le)}")
        elif isinstance(bound, MinLen):
            words.append("not empty")
    return ", ".join(words)


def _plain(number) -> str:
    return f"{number:g}" if isinstance(number, float) or abs(number) < 10**6 else str(number)


def type_text(annotation) -> str:
    """What a value must be, in words."""
    if get_origin(annotation) is Annotated:
        return type_text(get_args(annotation)[0])
    if choices(annotation):
        return "one of these words"
    simple: dict[Any, str] = {float: "a number", int: "a whole number", str: "text", bool: "true or false"}
    if annotation in simple:
        return simple[annotation]
    members = [a for a in get_args(annotation) if a is not type(None)]
    if get_origin(annotation) is tuple:
        return "a list"
    if get_origin(annotation) is dict or models_in(annotation):
        return "a table"
    if get_origin(annotation) in (Union, type(int | None)) and len(members) == 1:
        return type_text(members[0])
    return {"Profile": "a number or profile", "Curve": "a number or curve"}.get(getattr(annotation, "__name__", ""), "a value")
