"""The table of results: one row a mutant, kept between calls, and what it comes to."""

import ast
import csv
import hashlib
import os

from mutants import ROOMS, ROOT

COLUMNS = ("room", "file", "line", "kind", "old", "new", "outcome", "by", "seconds", "text", "state")


def state_of(mutant, source):
    """(mutant, its file's text) => hash of the function that it lies in: a row holds for the function it was made with."""
    line = mutant.line(source)
    around = [node for node in ast.parse(source).body if node.lineno <= line <= node.end_lineno]
    return hashlib.sha256(ast.dump(around[0]).encode()).hexdigest()[:12]


class Table:
    """Results by mutant, written anew after each.  again: all but the caught ones are not yet run.

    "passed" stands for one that its own tests let pass and that has not met all others yet.
    """

    def __init__(self, path, again=False):
        self.path, self.rows = path, {}
        self.states = {}
        if path.exists():
            with path.open(newline="") as file:
                for row in csv.DictReader(file):
                    if not (again and row["outcome"] != "caught"):
                        self.rows[row["file"], row["text"]] = row

    def _now(self, mutant):
        if mutant not in self.states:
            self.states[mutant] = state_of(mutant, (ROOT / mutant.file).read_text())
        return self.states[mutant]

    def __contains__(self, mutant):
        row = self.rows.get((mutant.file, mutant.text))
        return row is not None and row["state"] == self._now(mutant)

    def passed(self, mutants):
        """Those of the mutants that only their own tests let pass so far."""
        return [mutant for mutant in mutants if mutant in self and self[mutant]["outcome"] == "passed"]

    def __getitem__(self, mutant):
        return self.rows[mutant.file, mutant.text]

    def add(self, mutant, outcome, by, seconds, line):
        """(mutant, what became of it) => its row; the file is replaced as a whole."""
        old, new = mutant.change
        values = (mutant.room, mutant.file, line, mutant.kind, old, new, outcome, by, seconds, mutant.text)
        row = self.rows[mutant.file, mutant.text] = dict(zip(COLUMNS, (*values, self._now(mutant)), strict=True))
        self.path.parent.mkdir(parents=True, exist_ok=True)
        beside = self.path.with_name(self.path.name + ".part")
        with beside.open("w", newline="") as file:
            writer = csv.DictWriter(file, COLUMNS)
            writer.writeheader()
            writer.writerows(self.rows.values())
        os.replace(beside, self.path)
        return row


def summary(mutants, wanted, table):
    """(all mutants, those asked for, table) => lines to print, the survivors."""
    lines, survived = [], []
    for room in [room for room in ROOMS if any(mutant.room == room for mutant in wanted)]:
        done = [table[mutant] for mutant in wanted if mutant.room == room and mutant in table]
        through = [row for row in done if row["outcome"] in ("passed", "survived")]
        equivalent = sum(mutant.room == room and bool(mutant.equivalent) for mutant in mutants)
        survived += through
        share = 100.0 * (1.0 - len(through) / max(len(done), 1))
        lines.append(f"{room:12s} {len(done):4d} broken, {len(done) - len(through):4d} caught ({share:.1f} %), "
                     f"{equivalent} equivalent left out")  # fmt: skip
    done = sum(mutant in table for mutant in wanted)
    share = 100.0 * (1.0 - len(survived) / max(done, 1))
    lines.append(f"{'all':12s} {done:4d} broken, {done - len(survived):4d} caught ({share:.1f} %)")
    lines += [f"{row['outcome']}: {row['file']}:{row['line']} {row['kind']}: {row['text']}" for row in survived]
    return lines, survived
