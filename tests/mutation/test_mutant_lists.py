"""The lists of mutants fit the sources: no line is broken here, see mutate.py for that."""

from mutants import KINDS, ROOMS, ROOT, all_mutants

MUTANTS = all_mutants()


def test_there_are_enough_in_every_room_and_of_every_kind():
    counted = [mutant for mutant in MUTANTS if not mutant.equivalent]
    assert len(counted) >= 150
    assert all(sum(mutant.room == room for mutant in counted) >= 20 for room in ROOMS)
    assert all(sum(mutant.kind == kind for mutant in counted) >= 10 for kind in KINDS)


def test_each_text_stands_once_in_its_file_and_the_change_is_one():
    sources = {file: (ROOT / file).read_text() for file in {mutant.file for mutant in MUTANTS}}
    wrong = [
        f"{m.at}: stands {sources[m.file].count(m.old)} times in {m.file}, must stand once. Rewrite: {m.text}"
        for m in MUTANTS
        if m.line(sources[m.file]) is None
    ]
    assert not wrong, "\n".join(wrong)
    assert not [m.at for m in MUTANTS if m.old == m.new]
    for mutant in MUTANTS:
        compile(mutant.applied(sources[mutant.file]), mutant.at, "exec")


def test_no_mutant_stands_twice_and_each_has_tests_that_exist():
    broken = [(mutant.file, mutant.old, mutant.new) for mutant in MUTANTS]
    assert len(set(broken)) == len(broken)
    assert not [path for m in MUTANTS for path in m.tests if not (ROOT / path).exists()]
