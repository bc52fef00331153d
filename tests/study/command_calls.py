"""A study's command as a user calls it, and what it leaves behind."""

import csv
from pathlib import Path

from click.testing import CliRunner

from simcore.cli import main


def called(*arguments):
    """(words after `drybench`) => exit status, stdout, stderr."""
    result = CliRunner().invoke(main, [*map(str, arguments)], catch_exceptions=False)
    return result.exit_code, result.stdout, result.stderr


def rows_of(path):
    """(CSV file) => its rows as dicts of text."""
    with open(path, newline="") as read:
        return list(csv.DictReader(read))


def left_in(folder):
    """(folder) => names in it, sorted."""
    return sorted(path.name for path in Path(folder).iterdir())
