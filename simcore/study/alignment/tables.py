"""What a rehearsal says in the terminal."""

from simcore.report.tables import columns, say
from simcore.report.wording import number
from simcore.study.alignment.advice import sentences

_HEAD = ("variant", "vector at", "rests off by", "worst", "stuck", "moving", "settled", "read after")


def print_alignment(rehearsal, outcomes, advice, console):
    """(Rehearsal, Outcomes, Advice, rich Console) => None."""
    scenario, starts = rehearsal.scenario, len(outcomes[0].starts)
    say(console, f"{scenario.name}: {scenario.title}" if scenario.title else scenario.name, style="bold")
    say(console, f"Alignment with {outcomes[0].current_A:.4g} A from {starts} angles all around; angles in electrical degrees")
    console.print()
    for line in columns([_HEAD, *map(_row, outcomes)], right=(1, 3, 4, 5, 6, 7)):
        console.print(f"  {line}", soft_wrap=True, markup=False)
    console.print()
    for sentence in sentences(rehearsal.resting, outcomes, advice):
        say(console, sentence)


def _row(outcome):
    errors = outcome.errors_deg
    span = f"{errors.min():+.2f} to {errors.max():+.2f} deg" if len(errors) else "none"
    return (
        outcome.variant.name, f"{outcome.variant.vector_deg:g} deg", span,
        f"{outcome.worst_deg:.2f} deg" if len(errors) else "-", _count(outcome, "stuck"), _count(outcome, "moving"),
        number(outcome.settle_s, "s", 3) if len(errors) else "-", number(outcome.routine_s, "s", 3),
    )  # fmt: skip


def _count(outcome, state):
    count = outcome.count(state)
    return f"{count} of {len(outcome.starts)}" if count else "-"
