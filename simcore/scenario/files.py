"""The scenario files that are meant by files and folders on the command line."""

import os
from pathlib import Path

from simcore.scenario.errors import ScenarioError


def scenario_files(paths):
    """(files and folders) => scenario files in order, each once; raises ScenarioError for what cannot be run."""
    files, problems = {}, []
    for given in paths:
        path = Path(given)
        found = [path]
        if not str(given).strip():
            problems.append("an empty path was given. Name a scenario file or a folder of them.")
            continue
        if path.is_dir():
            found = sorted(p for p in path.glob("*.toml") if p.is_file() and not p.name.startswith("."))
            if not found:
                problems.append(f"{given}: the folder holds no scenario files (*.toml). Name a scenario file.")
        for file in found:
            files.setdefault(os.path.realpath(file), file)
    stems = {}
    for file in files.values():
        other = stems.setdefault(file.stem, file)
        if other is not file:
            problems.append(
                f"{file}: has the same stem as {other}; their results would fall into one folder. Rename one, or run them "
                "one after the other with different --out."
            )
    if problems:
        raise ScenarioError(problems)
    return list(files.values())
