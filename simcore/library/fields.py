"""The keys of any part with values, units and meanings, read from its model: a new kind is shown without further work."""

from pydantic import BaseModel

from simcore.library.wording import amount, plain


def given_fields(model):
    """(checked table) => nested dict of what it holds, as TOML would say it; what is absent or empty is left out."""
    return {name: _raw(value) for name, value in _held(model)}


def field_rows(model, skip=(), above=""):
    """(checked table, keys to leave out) => rows (key, value with its unit, meaning)."""
    rows = []
    for name, value in _held(model):
        field = type(model).model_fields[name]
        if name in skip or name == "kind":
            continue
        key = f"{above}{name}"
        if isinstance(value, BaseModel):
            rows += field_rows(value, (), f"{key}.")
        elif isinstance(value, dict):
            rows += [row for inner, one in value.items() for row in field_rows(one, (), f"{key}.{inner}.")]
        elif isinstance(value, tuple) and all(isinstance(one, BaseModel) for one in value):
            rows += [row for k, one in enumerate(value) for row in field_rows(one, (), f"{key}.{k}.")]
        else:
            rows.append((key, _text(value, (field.json_schema_extra or {}).get("unit", "")), field.description or ""))
    return rows


def _held(model):
    pairs = ((name, getattr(model, name)) for name in type(model).model_fields if name != "name")
    return [(name, value) for name, value in pairs if value is not None and value != () and value != {}]


def _points(value):
    """Pairs of a curve or profile, or None."""
    axis = getattr(value, "times", getattr(value, "degC", None))
    return None if axis is None else list(zip(axis, value.values, strict=True))


def _text(value, unit):
    unit = unit.replace("_per_", "/").replace("_", " ")
    points = _points(value)
    if points is None and isinstance(value, tuple) and value and isinstance(value[0], tuple):
        points = value
    if points is not None:
        if len(points) == 1:
            return amount(points[0][1], unit)
        return ", ".join(f"{plain(x)}: {amount(y, unit)}" for x, y in points)
    if isinstance(value, bool):
        return "true" if value else "false"
    return amount(value, unit) if isinstance(value, (int, float)) else str(value)


def _raw(value):
    points = _points(value)
    if points is not None:
        return points[0][1] if len(points) == 1 else [list(point) for point in points]
    if isinstance(value, BaseModel):
        return given_fields(value)
    if isinstance(value, dict):
        return {name: _raw(one) for name, one in value.items()}
    return [_raw(one) for one in value] if isinstance(value, (tuple, list)) else value
