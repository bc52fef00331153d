"""Two variants in one run each: expectations, energies and the power stage."""

from simcore.measure import judge
from simcore.measure.power_stage import power_stage
from simcore.study.compare.result import Comparison, Row

STAGE_UNITS = (("_W", "W"), ("_degC", "degC"), ("_V_per_s", "V/s"), ("_V", "V"))


def compare_by_run(first, second, names, *, progress=None):
    """(two Scenarios, their names) => Comparison; progress(done, total) in simulated time.  Raises RunError."""
    from simcore.loop import Bench

    found = []
    for number, scenario in enumerate((first, second)):
        tell = None if progress is None else lambda done, total, n=number: progress(done + n * total, 2 * total)
        found.append(Bench(scenario).run(tell))
    one, other = found
    rows = []
    for a, b in zip(judge(one, first.expect), judge(other, second.expect), strict=False):
        if (a["signal"], a["measure"]) == (b["signal"], b["measure"]) and a["value"] is not None and b["value"] is not None:
            rows.append(Row(f"{a['measure']} of {a['signal']}", "", float(a["value"]), float(b["value"])))
    for name in ("energy_in_J", "energy_out_J"):
        rows.append(Row(name.removesuffix("_J").replace("_", " "), "J", one.audit[name], other.audit[name]))
    for name, value in one.audit["losses_J"].items():
        if value or other.audit["losses_J"].get(name):
            rows.append(Row(f"loss {name.replace('_', ' ')}", "J", value, other.audit["losses_J"].get(name, 0.0)))
    stages = [power_stage(recording) for recording in found]
    if all(stage is not None for stage in stages):
        for name, value in stages[0].items():
            if value is not None and stages[1][name] is not None:
                ending, unit = next(pair for pair in STAGE_UNITS if name.endswith(pair[0]))
                rows.append(Row(name.removesuffix(ending).replace("_", " "), unit, value, stages[1][name]))
    told = [f"{name}: {finding}" for name, recording in zip(names, found, strict=True) for finding in recording.findings]
    return Comparison(first, names, "run", tuple(rows), tuple(told), parts=tuple(found))
