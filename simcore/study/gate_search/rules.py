"""From regions of link voltage, junction and current to the rules of a gate plan, and what rules choose.

A rule asks for more than a current, more than a link voltage, more than a junction: where the limits are tighter.  The bounds
give way downwards by their hysteresis, so that a setting that keeps the limits there is held longer and never left too late.
"""

import numpy as np

from simcore.scenario.gate import MOST_RULES

LEAST_STEP_A = 1.0
CURRENT_SHARE, LINK_SHARE = 0.02, 0.005
HYSTERESIS_K = 4.0


def choose(rules, default, amplitude_A, link_V, junction_degC):
    """(rules as the language has them, currents, link voltages, junctions, arrays that broadcast) => names of settings in
    force, without hysteresis."""
    chosen = np.full(np.broadcast(amplitude_A, link_V, junction_degC).shape, default, dtype=object)
    for rule in reversed(rules):
        holds = np.asarray(amplitude_A) > rule.get("above_current_A", -np.inf)
        holds = holds & (np.asarray(link_V) > rule.get("above_link_V", -np.inf))
        holds = holds & (np.asarray(junction_degC) > rule.get("above_junction_degC", -np.inf))
        chosen[np.broadcast_to(holds, chosen.shape)] = rule["use"]
    return chosen


def rules_of(regions, top_A, hysteresis_A=None):
    """(Regions, tightest first, the last one without bounds; greatest amplitude) => default, rules; ones that change nothing
    are left out.  Without any setting that keeps the limits the calmest one stays."""
    wider_A = max(LEAST_STEP_A, CURRENT_SHARE * top_A) if hysteresis_A is None else hysteresis_A
    rules = []
    for region in regions:
        for one in reversed(region.stretches):
            rules.append(_rule(one, region, wider_A))
    default = rules.pop()["use"]
    bounds = tuple(rules)
    wanted = _on_the_grid(rules, default, bounds, top_A)
    for k in reversed(range(len(rules))):
        fewer = rules[:k] + rules[k + 1 :]
        if (_on_the_grid(fewer, default, bounds, top_A) == wanted).all():
            rules = fewer
    return default, tuple(rules)


def too_many(rules):
    """Whether the language has no room for them."""
    return len(rules) > MOST_RULES


def _rule(stretch, region, wider_A):
    rule = {"use": stretch.use or stretch.calmest}
    if stretch.from_A > 0.0:
        rule |= {"above_current_A": round(stretch.from_A, 3), "hysteresis_A": round(min(wider_A, 0.5 * stretch.from_A), 3)}
    if region.above_V is not None:
        rule |= {"above_link_V": round(region.above_V, 3), "hysteresis_V": round(LINK_SHARE * region.above_V, 3)}
    if region.above_degC is not None:
        rule |= {"above_junction_degC": round(region.above_degC, 3), "hysteresis_K": HYSTERESIS_K}
    return rule


def _on_the_grid(rules, default, bounds, top_A):
    """What the rules choose on either side of every bound of `bounds`."""
    axes = []
    for key, most in (("above_current_A", top_A), ("above_link_V", None), ("above_junction_degC", None)):
        edges = sorted({rule[key] for rule in bounds if key in rule})
        ends = [(edges[0] if edges else 0.0) - 1.0, *edges, most or (edges[-1] + 1.0 if edges else 1.0)]
        axes.append(np.array([0.5 * (a + b) for a, b in zip(ends, ends[1:], strict=False)]))
    return choose(rules, default, axes[0][:, None, None], axes[1][None, :, None], axes[2][None, None, :])
