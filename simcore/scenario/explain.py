"""Pydantic's errors in our sentences: key, value, rule, remedy."""

from simcore.scenario import index
from simcore.scenario.errors import NO_VALUE, did_you_mean, near, one_of, place, show
from simcore.scenario.fault_kinds import REFUSED
from simcore.scenario.fields import number_remedy
from simcore.scenario.unit_slips import unit_slip

_BOUNDS = {
    "greater_than": ("must be above {gt}", "gt"),
    "greater_than_equal": ("must be at least {ge}", "ge"),
    "less_than": ("must be below {lt}", "lt"),
    "less_than_equal": ("must be at most {le}", "le"),
}
_MOST_LISTED = 8  # kinds beside a near one
_TABLE_TYPES = ("model_type", "model_attributes_type", "dict_type")
_NUMBER_TYPES = ("float_type", "int_type", "int_from_float", "int_parsing_size", "finite_number")


def explain(report, errors, prefix=()):
    """Add one problem an error; prefix is laid before each location (a table validated on its own)."""
    for error in errors:
        location = index.strip_tags((*prefix, *error["loc"]))
        kind = error["type"]
        if kind == "missing" and isinstance(location[-1], int):
            # One entry of a list of fixed length.
            kind, location = "too_short", location[:-1]
        context = error.get("ctx", {})
        if kind == "default_factory_not_called":
            # Another key of the table is wrong and told already.
            continue
        if kind == "rule":
            where = (*location, *context["at"])
            report.problem(where, context["rule"], context["remedy"])
        else:
            rule, remedy = _rule_and_remedy(report, kind, context, location)
            report.problem(location, rule, remedy)


def _rule_and_remedy(report, kind, context, location):
    if kind == "extra_forbidden":
        return unknown_key(report, location)
    key = index.find(location)
    field = key.field if key else None
    unit = f" ({key.unit})" if key and key.unit else ""
    meaning = field.description if field else ""
    allowed = index.range_text(field) if field else ""
    if kind == "missing":
        return "is missing", _how_to_add(location, key, allowed)
    if kind in ("union_tag_not_found", "union_tag_invalid"):
        return _kind_rule(report, kind, location)
    if kind in _BOUNDS:
        text, bound = _BOUNDS[kind]
        rule = text.format(**{bound: index._plain(context[bound])}) + unit
        slip = " Check the unit" if kind.startswith("less") else ""
        return rule, f"{meaning[:1].upper()}{meaning[1:]}: give a number {allowed}.{slip}"
    if kind == "literal_error":
        value = report.value(location)
        return f"must be {allowed}", did_you_mean(value, index.choices(field.annotation), f"Write one of {allowed}")
    if kind in _TABLE_TYPES:
        return "must be a table", f"Write {_header(location)} and its keys below"
    if kind in _NUMBER_TYPES:
        return _number_rule(report, kind, location, field, unit)
    if kind in ("tuple_type", "list_type"):
        return "must be a list", _list_remedy(field, location)
    if kind in ("too_short", "too_long", "missing_argument"):
        return "has the wrong number of entries", _list_remedy(field, location)
    if kind == "string_type":
        return "must be text", 'Write it in quotes, "like this"'
    if kind == "string_too_short":
        return "must not be empty", f"Give {meaning}"
    if kind == "bool_type":
        return "must be true or false", "Write true or false, without quotes"
    wanted = index.type_text(field.annotation) if field else "another value"
    return f"must be {wanted}{unit}", f"Give {meaning or 'a value'} {allowed}".rstrip()


def _number_rule(report, kind, location, field, unit):
    value = report.value(location)
    whole = kind.startswith("int")
    wanted = "a whole number" if whole else "a number"
    if kind == "finite_number":
        return f"must be finite{unit}", "Give a number"
    if isinstance(value, bool):
        return f"must be {wanted}{unit}, not true or false", f"Give {wanted}"
    if isinstance(value, str):
        return f"must be {wanted}{unit}, not text", number_remedy(value)
    if whole and isinstance(value, float):
        near_by = f"Write {round(value)}" if abs(value) < 1e15 else "Give a smaller number"
        return f"must be a whole number{unit}", near_by
    return f"must be {wanted}{unit}", f"Give {wanted} {index.range_text(field)}".rstrip() if field else f"Give {wanted}"


def _header(location):
    """[machine], or [[expect]] for a table of a list."""
    name = place([p for p in location if not isinstance(p, int)])
    return f"[[{name}]]" if len(location) > 1 and isinstance(location[-1], int) else f"[{name}]"


def _list_remedy(field, location):
    if field is None:
        return "Check the entries"
    if index.models_in(field.annotation):
        return f"Write each entry below its own header {_header((*location, 0))}"
    default = show(list(field.default)) if isinstance(field.default, tuple) and field.default else "[[0.0, 1.0], [1.0, 2.0]]"
    return f"{field.description[:1].upper()}{field.description[1:]}, for example {default}"


def _how_to_add(location, key, allowed):
    if key is None:
        return "Add it"
    if len(location) == 1:
        return f"Add [{location[0]}]: {key.field.description}"
    if index.models_in(key.field.annotation):
        return f"Add {_header(location)}: {key.field.description}"
    unit = f" ({key.unit})" if key.unit else ""
    limits = f", {allowed}" if allowed else ""
    return f"Add {location[-1]} = ... to {_header(location[:-1])}: {key.field.description}{unit}{limits}"


def _kind_rule(report, kind, location):
    members = index.models_in(index.find(location).field.annotation)
    kinds = [index.kind_of(m) for m in members]
    at_kind = (*location, "kind")
    value = report.value(at_kind)
    if location[0] == "fault" and isinstance(value, str) and value in REFUSED:
        rule, remedy = REFUSED[value]
        return f"kind = {show(value)} {rule}", remedy
    if kind == "union_tag_not_found" or value is NO_VALUE:
        listed = one_of(kinds) if len(kinds) <= _MOST_LISTED else f'..., for example "{kinds[0]}",'
        return "has no kind", f"Add kind = {listed} to {_header(location)}"
    if len(kinds) > _MOST_LISTED:
        known = f"Known kinds are {', '.join(kinds)}"
        return f"kind = {show(value)} is not known", did_you_mean(value, kinds, known)
    return f"kind = {show(value)} is not known; it must be {one_of(kinds)}", did_you_mean(value, kinds, "Write one of these")


def unknown_key(report, location):
    """Rule and remedy of a key that the table does not have: another kind's, another unit, another table's, a slip."""
    *table_location, name = location
    path = index.table_path(table_location)
    here = index.tables().get(path, {})
    rule = f"unknown key in {_header(tuple(table_location))}" if table_location else "unknown table or key"
    if name in here:
        kinds = [k.kind for k in here[name]]
        kind = report.value((*table_location, "kind"))
        if not isinstance(kind, str):
            return f"belongs to kind = {one_of(kinds)}", f"Remove it, or set kind = {one_of(kinds)}"
        return f"belongs to kind = {one_of(kinds)}, not {show(kind)}", f"Remove it, or set kind = {one_of(kinds)}"
    slip = unit_slip(name, here, report.value(location))
    if slip:
        return rule, slip
    elsewhere = [k.dotted for k in index.keys() if k.name == name and k.name not in ("kind", "name")]
    elsewhere = list(dict.fromkeys(elsewhere))
    if elsewhere:
        return rule, f"It belongs to another table. Did you mean {one_of(elsewhere[:3])}?"
    close = near(name, here)
    if close:
        return rule, f"Did you mean {one_of(close)}?"
    for key in index.keys():
        slip = unit_slip(name, {key.name: [key]}, report.value(location)) if key.unit else ""
        if slip:
            return rule, f"{slip.rstrip('?.')}, in [{'.'.join(key.table)}]?"
    far = {k.name: k.dotted for k in index.keys()}
    close = near(name, far, cutoff=0.75)
    if close:
        return rule, f"Did you mean {one_of([far[c] for c in close])}?"
    listed = ", ".join(sorted(here)) if here else ""
    return rule, f"Remove it. Known keys are {listed}" if listed else "Remove it"
