"""Whether a plan keeps its limits over the cycle, in words."""


def keeps_all(found, proof):
    """(PlanFound, Proof or None) => True unless the plan was seen beyond a limit over the cycle."""
    return not broken(found, proof)


def broken(found, proof):
    """(PlanFound, Proof or None) => names of the limits that were passed over the cycle."""
    if proof is None:
        return []
    names = []
    hottest = proof.hottest.junction_degC
    if found.most_degC is not None and hottest is not None and hottest > found.most_degC:
        names.append("junction")
    loop = proof.loop
    if loop is not None and loop.peak_V is not None and loop.peak_V > found.most_V:
        names.append("overshoot")
    if loop is not None and loop.slope_V_per_s is not None and loop.slope_V_per_s > found.most_slope_V_per_s:
        names.append("dv/dt")
    return names


def sentences(found, proof):
    """(PlanFound, Proof or None) => what is told of the limits: where none keeps them, what bound over the cycle."""
    told = []
    gaps = [(region, one) for region in found.regions for one in region.stretches if one.use is None]
    if gaps:
        region, one = min(gaps, key=lambda pair: pair[1].from_A)
        told.append(f"From {one.from_A:.4g} A on no setting keeps overshoot and slope at {region.to_V:.4g} V; "
                    f"{one.calmest} comes closest.")  # fmt: skip
    held = [one for one in found.stretches if one.use is not None and one.junction_A is not None]
    if held:
        told.append(f"For good no setting that keeps the others holds more than {held[0].junction_A:.4g} A below "
                    f"{found.most_degC:g} degC: the junction limit binds from there.")  # fmt: skip
    if proof is None:
        return told
    hottest, passed = proof.hottest, broken(found, proof)
    if "junction" in passed:
        told.append(f"No plan keeps the junction limit over {proof.cycle}: this one, the coolest that keeps the others, "
                    f"reaches {hottest.junction_degC:.1f} degC at {hottest.junction_at_s:.0f} s, "
                    f"{hottest.junction_degC - found.most_degC:.1f} K above {found.most_degC:g} degC.")  # fmt: skip
    elif found.most_degC is not None and hottest.junction_degC is not None:
        told.append(f"Over {proof.cycle} the junction limit does not bind: {hottest.junction_degC:.1f} degC at "
                    f"{hottest.junction_at_s:.0f} s, {found.most_degC - hottest.junction_degC:.1f} K in hand.")  # fmt: skip
    told += [line for line in _of_the_loop(found, proof.loop, passed)]
    return told


def _of_the_loop(found, loop, passed):
    if loop is None:
        yield "The plan was not driven in the closed loop."
        return
    parts = []
    if loop.peak_V is not None:
        word = "beyond" if "overshoot" in passed else "of"
        parts.append(f"worst turn-off {loop.peak_V:.0f} V {word} {found.most_V:.0f} V")
    if loop.slope_V_per_s is not None:
        limit = found.most_slope_V_per_s
        word = "" if limit == float("inf") else f" {'beyond' if 'dv/dt' in passed else 'of'} {limit * 1e-9:.3g} V/ns"
        parts.append(f"worst slope {loop.slope_V_per_s * 1e-9:.3g} V/ns{word}")
    if loop.driven.junction_degC is not None:
        parts.append(f"hottest junction {loop.driven.junction_degC:.1f} degC")
    yield f"In the closed loop over {loop.over}: {', '.join(parts)}."
    if loop.ended:
        yield f"That trip ended early: {loop.ended}."
