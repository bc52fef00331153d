"""How the scenarios of one call went: a line each at the end, and the words of caution."""

import math
from dataclasses import dataclass, field

from rich.console import Console

from simcore.report.tables import columns, say
from simcore.report.wording import CAUTION, number


@dataclass
class Outcome:
    """One scenario: exit status, a word or two, seconds spent, and its entry in the JSON document."""

    name: str
    status: int
    words: str
    told: dict = field(default_factory=dict)
    seconds: float = math.nan


def print_end(outcomes):
    """(outcomes) => None. A line a scenario where there were several; then, once, the words of caution."""
    console = Console(highlight=False)
    if len(outcomes) > 1:
        say(console, f"{len(outcomes)} scenarios", style="bold")
        rows = [
            (f"  {one.name}", one.words, number(one.seconds, "s", 3) if math.isfinite(one.seconds) else "")
            for one in outcomes
        ]
        for line in columns(rows, right=(2,)):
            console.print(line, soft_wrap=True, markup=False)
        console.print()
    say(console, CAUTION, hanging=0)
