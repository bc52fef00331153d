"""Parts: TOML files laid beneath a table; and paths that remember the file that named them."""

import os
import re
from pathlib import Path

import simcore
from simcore.scenario import index
from simcore.scenario.controller import BELIEVED
from simcore.scenario.errors import FileProblem, file_label, near, one_of, printable
from simcore.scenario.merge import lay_beneath
from simcore.scenario.toml_file import read_with_base

TABLES = (("machine",), ("inverter",), ("supply",), ("load",), ("safety",), *(("controller", name) for name in BELIEVED))
_VARIABLE = re.compile(r"\$\{([A-Za-z_]\w*)(?::-([^}]*))?\}")


def library() -> Path:
    """Folder of the shipped parts: beside the installed package's own folder, never found by import name."""
    return Path(simcore.__file__).resolve().parent.parent / "scenarios" / "parts"


class Named(str):
    """Text from a file that remembers the folder of that file."""

    folder: Path

    def __new__(cls, text, folder):
        named = super().__new__(cls, text)
        named.folder = Path(folder)
        return named


def remember_folder(document, folder):
    """Mark every path of a scenario's dict with the folder of its file (in place)."""
    for path in TABLES:
        table = _table(document, path)
        if table is not None:
            _mark(table, "part", folder)
            remember_in_machine(table, folder)
    controller = _table(document, ("controller",))
    if controller is not None:
        _mark(controller, "class", folder)
    _mark_template(document.get("template"), folder)


def _mark_template(value, folder):
    """Mark every text below [template]: any of them may become a path."""
    inner = enumerate(value) if isinstance(value, list) else value.items() if isinstance(value, dict) else ()
    for key, part in inner:
        if type(part) is str:
            value[key] = Named(part, folder)
        else:
            _mark_template(part, folder)


def remember_in_machine(table, folder):
    """Mark the paths of a [machine] table or of a part's top level (in place)."""
    inner = table.get("flux_map")
    if isinstance(inner, dict):
        _mark(inner, "file", folder)


def _mark(table, key, folder):
    if type(table.get(key)) is str:
        table[key] = Named(table[key], folder)


def _table(document, path):
    for name in path:
        document = document.get(name) if isinstance(document, dict) else None
    return document if isinstance(document, dict) else None


def lay_parts(report, folder):
    """Replace each `part` in the report's document by the part's keys, laid beneath.

    Returns the tables whose part could not be laid: what they lack is not known.
    """
    failed = set()
    for path in TABLES:
        table = _table(report.document, path)
        if table is None or "part" not in table:
            continue
        at = (*path, "part")
        named = table["part"]
        if not isinstance(named, str) or not named.strip() or "\0" in named:
            report.problem(at, "must be the name of a part", _example(path))
            failed.add(path)
            continue
        try:
            file = find_part(named, getattr(named, "folder", folder), shelf(path))
            origins = {}
            part = read_with_base(file, remember_in_machine, origins)
            refuse_strange(part, path, named)
        except FileProblem as problem:
            label = getattr(problem, "file", None)
            if label:
                report.problem((), problem.rule, problem.remedy, file=label)
            else:
                report.problem(at, problem.rule, problem.remedy)
            failed.add(path)
            continue
        beneath = {}
        merged = lay_beneath({k: v for k, v in table.items() if k != "part"}, part, beneath, file_label(file), path)
        # What lies beneath stands first: the order of `origins` is the order of the layers.
        report.origins = {**beneath, **report.origins}
        table.clear()
        table.update(merged)
    return failed


def shelf(path):
    """Folder of the library where the parts of a table lie: "motors" for [machine]; such a folder need not exist."""
    irregular = {"machine": "motors", "inverter": "inverters", "supply": "supplies", "safety": "safety"}
    return irregular.get(path[-1], f"{path[-1]}s")


def _of_shelf(folder):
    return [name for name in shipped_parts() if name.startswith(f"{folder}/")]


def _example(path):
    """A remedy with a part that exists; where the library has none of the kind, without one."""
    shipped = _of_shelf(shelf(path))
    if not shipped:
        return "Name a TOML file beside the scenario; the library has no such parts"
    return f'Write part = "{shipped[0]}"'


def find_part(name, folder, kind="") -> Path:
    """The part's file: beside the file that names it, else in the shipped library. FileProblem lists near names.

    kind: the library's folder of such parts, for the list of what there is.
    """
    relative = name if name.endswith(".toml") else f"{name}.toml"
    places = [Path(folder), library()]
    for place in places:
        candidate = place / relative
        try:
            if candidate.is_file():
                return candidate
        except (OSError, ValueError):
            continue
    beside, shipped = _names(Path(folder), Path(relative).parent), shipped_parts()
    known, plain = beside + shipped, relative.removesuffix(".toml")
    close = near(plain, known) or near(Path(plain).name, [Path(k).name for k in known])
    close = [next(k for k in known if k == c or Path(k).name == c) for c in close]
    fitting = beside + (_of_shelf(kind) if kind else shipped)
    listed = f"Known are {', '.join(fitting[:12])}" if fitting else "Name a TOML file beside the scenario"
    remedy = f"Did you mean {one_of(close)}?" if close else listed
    raise FileProblem("no such part beside the file or in the parts library", remedy)


def shipped_parts() -> list[str]:
    """Names of all parts in the library, as `part = ` takes them."""
    root = library()
    return sorted(p.relative_to(root).with_suffix("").as_posix() for p in root.rglob("*.toml")) if root.is_dir() else []


def _names(folder, below):
    try:
        inner = folder / below
        found = sorted(inner.glob("*.toml"))[:200] if str(below) != "." and inner.is_dir() else []
    except (OSError, ValueError):
        return []
    return [(below / p.stem).as_posix() for p in found]


def refuse_strange(part, path, name):
    """A part whose keys stand below a header, or that is a part of another table: one sentence instead of many."""
    table = path[-1]
    if "part" in part:
        raise FileProblem(f'the part "{printable(name)}" names a part itself', 'Start it from another by base = "other.toml"')
    if isinstance(part.get(table), dict):
        raise FileProblem(
            f'the part "{printable(name)}" has its keys below [{table}]',
            "Write them at the top of the file, without header",
        )
    counts = keys_by_table(part)
    best = max(counts, key=counts.get)
    if counts[best] > counts.get((table,), 0) and counts.get((table,), 0) == 0:
        raise FileProblem(f'the part "{printable(name)}" holds keys of [{best[0]}]', f"Name it in [{best[0]}]")


def keys_by_table(part):
    """(dict of a part) => how many of its keys each table of the language knows, {("machine",): 5, ...}."""
    names = set(part) - {"kind", "name"}
    return {path: len(names & set(known)) for path, known in index.tables().items() if len(path) == 1}


def expand_variables(text):
    """`${NAME:-default}` from the environment. FileProblem where NAME is unset and has no default."""

    def one(match):
        value = os.environ.get(match.group(1), match.group(2))
        if value is None:
            rule = f"the environment variable {match.group(1)} is not set"
            raise FileProblem(rule, f"Set it, or write a default: ${{{match.group(1)}:-folder}}")
        return value

    return _VARIABLE.sub(one, text)


def absolute(text, folder) -> str:
    """Absolute path of a text, relative to the folder it remembers (or the one given)."""
    return os.path.abspath(os.path.join(getattr(text, "folder", folder), os.path.expanduser(expand_variables(text))))
