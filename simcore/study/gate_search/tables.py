"""A gate plan as a file, as a document and as tables for the terminal."""

from simcore.report.results import drybench_version, plain
from simcore.study.gate_search.verdict import broken, sentences


def plan_text(found):
    """(PlanFound) => a TOML file to write `base = ` into, or to copy the table from."""
    rules = ["    { " + ", ".join(_written(key, value) for key, value in rule.items()) + " }," for rule in found.rules]
    junction = "" if found.most_degC is None else f", junctions below {found.most_degC:g} degC"
    lines = [
        f"# Least switching loss of {found.scenario.name} below {found.most_V:g} V over a device{junction}, link up to "
        f"{found.link_V:g} V.",
        "[inverter.gate_plan]", f'default = "{found.default}"', "rules = [", *rules, "]", "",
    ]  # fmt: skip
    return "\n".join(lines)


def _written(key, value):
    return f'{key} = "{value}"' if key == "use" else f"{key} = {value:g}"


def as_document(found, proof):
    """(PlanFound, Proof or None) => the contents of gate_plan.json."""
    alone = {name: dict(zip(("overshoot_A", "dv_dt_A", "junction_A"), found.reached_at(name), strict=True))
             for name in found.loss_J}  # fmt: skip
    document = {
        "drybench": drybench_version(), "scenario": found.scenario.name, "default": found.default, "rules": list(found.rules),
        "limits": {"link_V": found.link_V, "most_V": found.most_V, "most_dv_dt_V_per_s": found.most_slope_V_per_s,
                   "most_junction_degC": found.most_degC, "ripple_A": found.ripple_A},
        "stretches": [_stretch(one) for one in found.stretches],
        "regions": [{"above_link_V": one.above_V, "to_link_V": one.to_V, "above_junction_degC": one.above_degC,
                     "stretches": [_stretch(part) for part in one.stretches]} for one in found.regions],
        "settings_reach_their_limits_at": alone,
        "cycle": [] if proof is None else [one._asdict() for one in proof.variants],
        "loop": None if proof is None or proof.loop is None else proof.loop._asdict() | {"driven": proof.loop.driven._asdict()},
        "limits_passed": broken(found, proof), "told": sentences(found, proof),
    }  # fmt: skip
    return plain(document)


def _stretch(one):
    return {"use": one.use, "from_A": one.from_A, "to_A": one.to_A, "ends_by": one.ends_by, "junction_from_A": one.junction_A}


def print_plan(found, proof, folder):
    """(PlanFound, Proof or None, results folder) => the tables."""
    from rich.console import Console

    from simcore.report.tables import columns, say
    from simcore.report.wording import CAUTION

    console = Console(highlight=False)
    slope = "" if found.most_slope_V_per_s == float("inf") else f", {found.most_slope_V_per_s * 1e-9:g} V/ns"
    junction = "" if found.most_degC is None else f", junctions at {found.most_degC:g} degC"
    say(console, f"{found.scenario.name}: gate plan of least switching loss", style="bold")
    say(console, f"Limits: {found.most_V:g} V over a device{slope}{junction}; link up to {found.link_V:g} V, edges up to "
                 f"{found.ripple_A:.3g} A above the amplitude.")  # fmt: skip
    for rows in (_regions(found), _alone(found)):
        for line in columns(rows):
            say(console, f"  {line}")
    if proof is not None:
        for line in columns(_driven(proof), right=(1, 2, 3, 4)):
            say(console, f"  {line}")
    else:
        say(console, "Not driven over a cycle: give --cycle, and a scenario whose load is a vehicle.")
    for line in sentences(found, proof):
        say(console, line)
    say(console, f"Results: {folder}")
    say(console, CAUTION)


def _regions(found):
    rows = [("link", "junction", "amplitude", "setting", "ended by")]
    for region in found.regions:
        hot = any(one.above_degC is not None and one.to_V == region.to_V for one in found.regions)
        junction = f"above {region.above_degC:g} degC" if region.above_degC is not None else "cooler" if hot else "any"
        link = f"to {region.to_V:.4g} V"
        for one in region.stretches:
            amplitude = f"{one.from_A:.4g} to {one.to_A:.4g} A"
            rows.append((link, junction, amplitude, one.use or "none keeps the limits", one.ends_by))
            link = junction = ""
    return rows


def _alone(found):
    rows = [(f"alone, at {found.link_V:.4g} V", "overshoot from", "dv/dt from", "junction from, for good")]
    for name in found.loss_J:
        rows.append((name, *("-" if at is None else f"{at:.4g} A" for at in found.reached_at(name))))
    return rows


def _driven(proof):
    rows = [(f"over {proof.cycle}, by the map", "net kWh", "kWh/100 km", "switching kWh", "junction degC")]
    every = list(proof.variants)
    if proof.loop is not None:
        part = "" if proof.loop.over == proof.cycle else f", {proof.loop.over}"
        every.append(proof.loop.driven._replace(name=f"plan in the loop{part}"))
    for one in every:
        hottest = "-" if one.junction_degC is None else f"{one.junction_degC:.1f}"
        rows.append((one.name, f"{one.net_kWh:.4f}", f"{one.kWh_per_100km:.4f}", f"{one.switching_kWh:.4f}", hottest))
    return rows
