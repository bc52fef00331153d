"""What follows from a rehearsal: which variant, with how much current."""

import math
from dataclasses import dataclass

import numpy as np

from simcore.study.alignment.rehearsal import STUCK_DEG
from simcore.study.alignment.resting import SHARES

BETTER = 0.8  # of the resting edge, from which on another current is worth a word


@dataclass(frozen=True)
class Advice:
    """recommended: the Outcome to use as it was tried, or None where no variant brings every start to rest near the vector.

    needed_A: least current whose resting edge lies within the limit, None where there is none; checked: the Outcome of the
    recommended variant with that current, None where it was not run; best_A and best_deg: the current that holds best.
    """

    limit_deg: float
    edge_deg: float
    recommended: object
    needed_A: float | None
    best_A: float
    best_deg: float
    checked: object = None


def advise(resting, outcomes, limit_deg):
    """(Resting, Outcomes of one current, error allowed [deg]) => Advice, its check not yet made."""
    safe = [outcome for outcome in outcomes if outcome.safe]
    within = [outcome for outcome in safe if outcome.worst_deg <= limit_deg]
    # Within the limit the shortest will do, else the one that comes nearest.
    chosen = min(within, key=lambda o: (o.variant.steps, o.worst_deg), default=None)
    if chosen is None:
        chosen = min(safe, key=lambda o: o.worst_deg, default=None)
    lengths = [float(share) * resting.longest_A for share in SHARES]
    edges = [resting.edge_deg(length) for length in lengths]
    best = int(np.argmin(edges))
    edge_deg = resting.edge_deg(outcomes[0].current_A)
    return Advice(limit_deg, edge_deg, chosen, resting.needed_A(limit_deg), lengths[best], edges[best])


def surest(outcomes):
    """Outcomes => the simplest variant that brought every start to rest near the vector, None where none did.

    It is the one to try with a needed current: its error is the resting edge, not an average.
    """
    safe = [outcome for outcome in outcomes if outcome.safe and len(outcome.variant.read) == 1]
    return min(safe, key=lambda o: o.variant.steps, default=None)


def sentences(resting, outcomes, advice):
    """(Resting, Outcomes, Advice) => lines for the terminal and the document."""
    current_A = outcomes[0].current_A
    told = [_holding(resting)]
    told.append(f"With {current_A:.4g} A the rotor may rest {_edge(advice.edge_deg)} from the vector.")
    if advice.best_A < current_A and advice.best_deg < BETTER * advice.edge_deg:
        off = resting.turning_Nm(1.0, current_A) < 0.0
        told.append(
            f"A shorter vector holds better ({advice.best_A:.4g} A: {_edge(advice.best_deg)}): with Lq > Ld reluctance "
            f"{'pushes the rotor off a long one, it rests beside it' if off else 'weakens a long one'}."
        )
    stuck = [outcome for outcome in outcomes if outcome.count("stuck")]
    if stuck:
        names = ", ".join(outcome.variant.name for outcome in stuck)
        told.append(f"Opposite the vector a rotor may stay where it is, half a turn off: {names} left starts there.")
    moving = [outcome for outcome in outcomes if outcome.count("moving")]
    if moving:
        names = ", ".join(outcome.variant.name for outcome in moving)
        told.append(f"Still moving when the angle is read: {names}. Hold longer (--hold-s), or raise more slowly (--move-s).")
    return told + _recommendation(advice) + _needed(resting, advice)


def _holding(resting):
    parts = [("break-away torque", resting.stiction_Nm), ("cogging", resting.cogging_Nm), ("load", abs(resting.load_Nm))]
    given = [f"{words} {torque:.4g} Nm" for words, torque in parts if torque > 0.0]
    return f"What holds the rotor away from the vector: {', '.join(given)}." if given else "No friction holds the rotor."


def _edge(angle_deg):
    return f"up to {angle_deg:.3g} deg" if angle_deg < STUCK_DEG else "anywhere, 90 deg and more"


def _recommendation(advice):
    chosen = advice.recommended
    if chosen is None:
        return ["No variant brought every start to rest near its vector with this current: use more, or less friction."]
    reached = "within" if chosen.worst_deg <= advice.limit_deg else "beyond"
    return [
        f"Recommended: {chosen.variant.name} ({chosen.variant.words}) with {chosen.current_A:.4g} A; every start came to rest, "
        f"the worst {chosen.worst_deg:.2g} deg off, {reached} the {advice.limit_deg:g} deg that are allowed."
    ]


def _needed(resting, advice):
    allowed = f"Never more than {advice.limit_deg:g} deg off, read once, takes"
    if advice.needed_A is None:
        best = f"{advice.best_A:.4g} A holds best, {_edge(advice.best_deg)}" if advice.best_deg < STUCK_DEG else "none holds"
        return [f"{allowed} more than any current up to {resting.longest_A:.4g} A: {best}."]
    line = f"{allowed} {advice.needed_A:.4g} A"
    if advice.checked is not None:
        worst = advice.checked.worst_deg
        found = f"the worst start came within {worst:.2g} deg" if math.isfinite(worst) else "no start came to rest"
        line += f"; in the loop, {advice.checked.variant.name}: {found}"
    return [f"{line}."]
