"""Which parts there are: those that ship with drybench, and those in the current folder."""

from dataclasses import dataclass
from pathlib import Path

from simcore.scenario import parts
from simcore.scenario.errors import FileProblem, ScenarioError, did_you_mean, one_of, printable, sentence
from simcore.scenario.models import Scenario
from simcore.scenario.toml_file import read_toml

# Folder of the library => table of the scenario.
SHELVES = {
    "motors": "machine", "inverters": "inverter", "supplies": "supply", "loads": "load", "vehicles": "load", "safety": "safety",
}  # fmt: skip


@dataclass(frozen=True)
class Entry:
    """A part. name: as `part = ` takes it; shelf: its kind; file; own: True in the current folder, False in the library."""

    name: str
    shelf: str
    file: Path
    own: bool

    @property
    def table(self):
        """The scenario's table that takes it."""
        return SHELVES[self.shelf]


def find_entries(wanted=None, folder=None):
    """(kind, name of a part, or None for all; current folder) => entries, own ones first.

    Raises ScenarioError where it is neither a kind nor a part.
    """
    folder = Path.cwd() if folder is None else Path(folder)
    every = [*_own(folder), *_shipped()]
    if wanted is None or wanted in SHELVES:
        return [entry for entry in every if wanted in (None, entry.shelf)]
    plain = str(wanted).removesuffix(".toml")
    named = [entry for entry in every if entry.name == plain]
    return named or [_by_path(wanted, folder, every)]


def hidden_by(entry, entries):
    """True for a part of the library whose name means a part of the current folder."""
    return not entry.own and any(other.own and other.name == entry.name for other in entries)


def _shipped():
    names = [name for name in parts.shipped_parts() if name.partition("/")[0] in SHELVES]
    return [Entry(name, name.partition("/")[0], parts.library() / f"{name}.toml", False) for name in names]


def _own(folder):
    """Parts on shelves of the folder (motors/, parts/motors/), and files beside them that hold a part's keys."""
    found = []
    for above in ("", "parts/"):
        for shelf in SHELVES:
            for file in _toml_files(folder / above / shelf):
                found.append(Entry(f"{above}{shelf}/{file.stem}", shelf, file, True))
    for file in _toml_files(folder):
        shelf = shelf_of(file)
        if shelf:
            found.append(Entry(file.stem, shelf, file, True))
    # In the folder of the shipped scenarios the library itself lies below parts/.
    root = parts.library()
    return [entry for entry in found if root not in entry.file.resolve().parents]


def _toml_files(folder):
    try:
        return sorted(file for file in folder.glob("*.toml") if file.is_file())[:500]
    except OSError:
        return []


def shelf_of(file):
    """The shelf a file belongs on by its keys; "" for a scenario, and for what cannot be read."""
    try:
        document = read_toml(file)
    except FileProblem:
        return ""
    if any(isinstance(document.get(name), (dict, list)) for name in Scenario.model_fields):
        return ""
    counts = parts.keys_by_table(document)
    best = max(counts, key=counts.get)
    return next((shelf for shelf, table in SHELVES.items() if counts[best] and best == (table,)), "")


def _by_path(wanted, folder, every):
    """A part named by its path from the folder, or an error with near names."""
    try:
        file = parts.find_part(str(wanted), folder)
    except (FileProblem, ValueError):
        known = [*SHELVES, *(entry.name for entry in every)]
        remedy = did_you_mean(wanted, known, f"Kinds are {one_of(SHELVES)}")
        raise ScenarioError([f'parts: "{printable(str(wanted))}" is no kind of part and no part. {_stop(remedy)}']) from None
    shelf = next((part for part in reversed(file.parts[:-1]) if part in SHELVES), "") or shelf_of(file)
    if not shelf:
        raise ScenarioError([sentence(str(wanted), (), "holds no keys of a part", f"Kinds are {one_of(SHELVES)}")])
    return Entry(str(wanted).removesuffix(".toml"), shelf, file, parts.library() not in file.resolve().parents)


def _stop(remedy):
    return remedy if remedy.endswith("?") else f"{remedy}."
