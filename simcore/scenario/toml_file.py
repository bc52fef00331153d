"""A TOML file as a dict, with sentences for everything that can be wrong with it; `base` chains merged."""

import os
import re
import tomllib
from pathlib import Path

from simcore.scenario.errors import FileProblem, existing_text, file_label, printable, too_deep
from simcore.scenario.merge import lay_over

_PLACE = re.compile(r"\s*\(at (line (\d+), column (\d+)|end of document)\)\Z")
_LONGEST_CHAIN = 30
_LARGEST_BYTES = 10_000_000
_TOO_DEEP = ("nested too deeply", "Write tables under [headers] instead")


def read_toml(path):
    """The file's dict. FileProblem where it cannot be read or is not TOML."""
    text = existing_text(path, _LARGEST_BYTES)
    if not text.strip():
        raise FileProblem("the file is empty", "`drybench new scenario NAME` writes one to begin with")
    try:
        document = tomllib.loads(text)
    except RecursionError:
        raise FileProblem(*_TOO_DEEP) from None
    except (ValueError, OverflowError) as error:
        message = str(error)
        found = _PLACE.search(message)
        message = printable(_PLACE.sub("", message))
        if found and found.group(2):
            where = f"line {found.group(2)}, column {found.group(3)}: "
        else:
            where = f"line {text.count(chr(10)) + 1} (end of file): " if found else ""
        raise FileProblem(f"{where}not TOML: {message}", "Mend the line; text stands in quotes, tables in [brackets]") from None
    if too_deep(document):
        raise FileProblem(*_TOO_DEEP)
    return document


def read_with_base(path, remember, origins):
    """The file's dict laid over its `base` chain.

    remember(document, folder) turns relative paths absolute before they meet others. origins notes each key's file.
    FileProblem carries `.file`, the label of the file it speaks of.
    """
    chain, seen = [], []
    current = Path(path)
    while current is not None:
        real = Path(os.path.realpath(current))
        if real in seen:
            loop = " -> ".join(p.name for p in [*seen[seen.index(real) :], real])
            raise _named(FileProblem(f"base comes back to itself ({loop})", "Remove one base"), chain[-1][0])
        if len(seen) >= _LONGEST_CHAIN:
            raise _named(FileProblem(f"more than {_LONGEST_CHAIN} files start from another", "Shorten the chain"), current)
        try:
            document = read_toml(current)
        except FileProblem as problem:
            if chain:
                problem = FileProblem(f'base = "{printable(str(chain[-1][2]))}": {problem.rule}', problem.remedy)
                raise _named(problem, chain[-1][0]) from None
            raise _named(problem, current) from None
        seen.append(real)
        base = document.pop("base", None)
        if base is not None and (not isinstance(base, str) or not base.strip() or "\0" in base):
            raise _named(FileProblem("base must be the name of a file", 'Write base = "other.toml"'), current)
        remember(document, current.parent)
        chain.append((current, document, base))
        current = None if base is None else current.parent / base
    merged = {}
    for file, document, _ in reversed(chain):
        merged = lay_over(merged, document, origins, file_label(file))
    return merged


def _named(problem, file):
    problem.file = file_label(file)
    return problem
