"""A plain dict as TOML text, for resolved.toml."""

import datetime
import math
import re

_BARE = re.compile(r"[A-Za-z0-9_-]+\Z")
_ESCAPES = {'"': '\\"', "\\": "\\\\", "\n": "\\n", "\r": "\\r", "\t": "\\t", "\b": "\\b", "\f": "\\f"}


def write_toml(document: dict) -> str:
    """TOML that reads back to an equal dict. Values: text, numbers, booleans, dates, lists, tables."""
    lines: list[str] = []
    _write_table(document, (), lines)
    return "\n".join(lines).lstrip("\n") + "\n"


def _write_table(table, path, lines):
    plain = {k: v for k, v in table.items() if not _has_header(v)}
    lines.extend(f"{_key(k)} = {_value(v)}" for k, v in plain.items())
    for name, value in table.items():
        if name in plain:
            continue
        header = ".".join(_key(p) for p in (*path, name))
        for entry in [value] if isinstance(value, dict) else value:
            if isinstance(value, list):
                lines.extend(["", f"[[{header}]]"])
            elif not entry or not all(map(_has_header, entry.values())):
                lines.extend(["", f"[{header}]"])
            _write_table(entry, (*path, name), lines)


def _has_header(value):
    return isinstance(value, dict) or (isinstance(value, list) and bool(value) and all(isinstance(e, dict) for e in value))


def _key(name):
    return name if _BARE.match(name) else _text(name)


def _text(value):
    def escape(c):
        if c in _ESCAPES:
            return _ESCAPES[c]
        return f"\\u{ord(c):04x}" if ord(c) < 0x20 or ord(c) == 0x7F else c

    return '"' + "".join(map(escape, value)) + '"'


def _value(value):
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, int):
        # Enormous integers have no decimal text in Python.
        return str(value) if value < 10**4000 else hex(value)
    if isinstance(value, float):
        if math.isfinite(value):
            text = repr(value)
            return text if any(c in text for c in ".e") else text + ".0"
        return "nan" if math.isnan(value) else "inf" if value > 0 else "-inf"
    if isinstance(value, (datetime.datetime, datetime.date, datetime.time)):
        return value.isoformat()
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(map(_value, value)) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_key(k)} = {_value(v)}" for k, v in value.items()) + "}"
    raise TypeError(f"no TOML for {type(value).__name__}")
