"""Mutants: source lines that are each broken once, read from the lists (*.txt) beside this file.

A list belongs to a room. In it a source file stands on a line of its own, after it `tests:` with the test files that are tried
first, quickest first, then one mutant a line: its kind, and a text of that file with <<what stands there|what replaces it>> in
it. The text must occur once in its file; \\n in it is a line break. A line `equivalent:` below a mutant says why no test can
see it; such a mutant is neither run nor counted. # begins a comment.
"""

import re
from dataclasses import dataclass
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent.parent
ROOMS = ("plant", "inverter", "sensing", "controllers", "loop")
KINDS = ("sign", "factor", "index", "delay", "limit")
_CHANGE = re.compile(r"<<(.*?)\|(.*?)>>")


@dataclass(frozen=True, kw_only=True)
class Mutant:
    """One broken line. `old` and `new` are whole texts with what stands around the change; `at` is its place in the list."""

    room: str
    at: str
    file: str
    tests: tuple[str, ...]
    kind: str
    text: str
    old: str
    new: str
    equivalent: str = ""

    @property
    def change(self):
        """(what stands there, what replaces it)."""
        return _CHANGE.search(self.text).groups()

    def line(self, source):
        """(the file's text) => number of the line that is broken, None where the text does not occur once."""
        if source.count(self.old) != 1:
            return None
        before = _CHANGE.split(self.text)[0].replace("\\n", "\n")
        return source[: source.index(self.old)].count("\n") + before.count("\n") + 1

    def applied(self, source):
        """(the file's text) => the broken text."""
        return source.replace(self.old, self.new)


def _mutant(room, at, file, tests, line):
    kind, text = line.split(maxsplit=1)
    if kind not in KINDS or not file or not tests or not _CHANGE.search(text):
        raise ValueError(f"{at}: must be a kind ({', '.join(KINDS)}) and a text with <<old|new>>, below a file and its tests.")
    old, new = (_CHANGE.sub(group, text, count=1).replace("\\n", "\n") for group in (r"\1", r"\2"))
    return Mutant(room=room, at=at, file=file, tests=tests, kind=kind, text=text, old=old, new=new)


def read_list(room):
    """(room) => its mutants in the list's order.  Raises ValueError for a line that is none."""
    mutants, file, tests = [], "", ()
    path = HERE / f"{room}.txt"
    for number, line in enumerate(path.read_text().splitlines(), start=1):
        at = f"{path.name}:{number}"
        line = line.strip()
        if not line or line.startswith("#"):
            continue
        if line.startswith("tests:"):
            tests = tuple(line.split()[1:])
        elif line.startswith("equivalent:"):
            mutants[-1] = Mutant(**vars(mutants[-1]) | {"equivalent": line.partition(":")[2].strip()})
        elif line.endswith(".py") and " " not in line:
            file, tests = line, ()
        else:
            mutants.append(_mutant(room, at, file, tests, line))
    return mutants


def all_mutants(rooms=ROOMS):
    """(names of rooms) => the mutants of all of them."""
    return [mutant for room in rooms for mutant in read_list(room)]
