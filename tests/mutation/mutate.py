"""Breaks one line after the other in a copy of the tree and sees whether the tests notice.

    python tests/mutation/mutate.py [--room plant ...] [--table mutants.csv] [--again] [--own]

The table is written after every mutant; a second call goes on where the first one stopped. A mutant counts as caught when a
test fails or hangs; at last, those that their own tests let pass meet the tests of all other mutants too (--own: not yet).
--again runs survivors anew, and what ran out of time.
What is compiled is compiled once, with all its mutants in it (mutant_switch.py).
"""

import argparse
import os
import shutil
import signal
import sys
import tempfile
from pathlib import Path

from mutant_table import Table, summary
from mutant_trial import Trial
from mutants import ROOMS, ROOT, all_mutants

LEFT_OUT = shutil.ignore_patterns(".git", "__pycache__", ".*_cache", "*.egg-info", "build", "dist", "results")


def _arguments():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--room", action="append", choices=ROOMS, help="only this room's list; may be given several times")
    table = ROOT / "build" / "mutants.csv"
    parser.add_argument("--table", type=Path, default=table, help="where results are kept and looked up")
    parser.add_argument("--again", action="store_true", help="run survivors anew, after tests were added")
    parser.add_argument("--own", action="store_true", help="leave those that their own tests let pass for later")
    return parser.parse_args()


def _run(trial, table, todo, widely=False):
    spent_s = 0.0
    for number, mutant in enumerate(todo, start=1):
        outcome, by, seconds = trial.of(mutant, widely)
        if outcome == "survived" and not widely:
            outcome = "passed"
        row = table.add(mutant, outcome, by, seconds, mutant.line(trial.sources[mutant.file]))
        spent_s += seconds
        left = spent_s / number * (len(todo) - number) / 60.0
        change = " -> ".join(mutant.change)
        print(
            f"[{number}/{len(todo)}, {left:.0f} min left] {outcome:8s} {mutant.file}:{row['line']} {mutant.kind}: "
            f"{change}  {by} ({seconds} s)",
            flush=True,
        )


def main():
    """Runs what is not in the table yet; exit status 0 when nothing survived, 1 otherwise."""
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    signal.signal(signal.SIGINT, signal.default_int_handler)
    arguments = _arguments()
    mutants = all_mutants()
    wanted = [m for m in mutants if m.room in (arguments.room or ROOMS) and not m.equivalent]
    table = Table(arguments.table, again=arguments.again)
    todo = [mutant for mutant in wanted if mutant not in table]
    if todo or not arguments.own and table.passed(wanted):
        with tempfile.TemporaryDirectory(prefix="drybench-mutants-") as folder:
            tree = Path(folder) / "tree"
            shutil.copytree(ROOT, tree, ignore=LEFT_OUT, symlinks=True)
            os.environ.setdefault("DRYBENCH_OUTSIDE_DATA", str(ROOT.parent / "shared" / "data"))
            trial = Trial(tree, Path(folder) / "cache", sorted({path for m in mutants for path in m.tests}))
            trial.prepare(todo + table.passed(wanted))
            try:
                _run(trial, table, todo)
                if not arguments.own:
                    _run(trial, table, table.passed(wanted), widely=True)
            finally:
                trial.server.end()
    lines, survived = summary(mutants, wanted, table)
    print(*lines, sep="\n")
    return 1 if survived else 0


if __name__ == "__main__":
    try:
        sys.exit(main())
    except KeyboardInterrupt:
        sys.exit("Stopped. What was done is in the table; the same command goes on from there.")
