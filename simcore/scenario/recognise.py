"""Is a TOML file a scenario?  Told from its text alone and quickly, without reading it as one; nothing heavy is imported."""

import re
import tomllib
from pathlib import Path

# The tables of a scenario (simcore.scenario.models; a test compares them).
TABLES = frozenset(
    """
    title machine inverter supply sensors load controller commands initial run fault expect scope baseline template
    safety tolerance driver cycle
    """.split()
)
_LARGEST_BYTES = 1_000_000
_LONGEST_CHAIN = 30
_HEADER = re.compile(r"^\s*\[\s*(\w+)", re.MULTILINE)
# Without [run] it may be a common base; a misspelt [machine] among the others is meant as one all the same.
_CORE, _ENOUGH = frozenset("machine inverter supply load controller commands run".split()), 4


def is_scenario_file(path, chain=0) -> bool:
    """True for a file with [machine] and [run], or one laid over such a file by `base`; a part is none.

    A file that is broken but has these headers, or enough others of a scenario, counts: its error is told instead of the
    file being passed over.
    """
    path = Path(path)
    try:
        if path.stat().st_size > _LARGEST_BYTES:
            return False
        text = path.read_bytes().decode("utf-8-sig", errors="replace")
    except (OSError, ValueError):
        return False
    try:
        document = tomllib.loads(text)
    except (ValueError, RecursionError):
        return _looks_like_one(_HEADER.findall(text))
    if _looks_like_one(name for name, table in document.items() if isinstance(table, dict)):
        return True
    base = document.pop("base", None)
    if not isinstance(base, str) or chain >= _LONGEST_CHAIN or not base.endswith(".toml"):
        return False
    if document and not document.keys() & TABLES:
        return False
    below = path.parent / base
    return is_scenario_file(below, chain + 1) if below.is_file() else bool(document)


def _looks_like_one(headers):
    found = _CORE.intersection(headers)
    return "run" in found and ("machine" in found or len(found) >= _ENOUGH)
