"""What a cycle says in the terminal."""

from simcore.report.tables import columns, say
from simcore.report.wording import number
from simcore.study.worth import worth_lines, worth_of

_WORDS = {
    "battery": "battery resistance", "auxiliary": "auxiliary load", "capacitor": "link capacitor", "conduction": "conduction",
    "switching": "switching", "gate": "gate drive", "copper": "copper", "iron": "iron", "gear": "gear",
    "friction_brakes": "friction brakes", "chopper": "chopper", "road_load": "road load", "climbing": "climbing",
    "kinetic": "left in motion", "stored": "left in link and machine",
}  # fmt: skip
_MOST_STRETCHES = 5


def stage_word(name):
    """Name of a stage of losses => words."""
    return _WORDS.get(name, name.replace("_", " "))


def print_cycle(result, console, gates=None):
    """(CycleResult, rich Console, {name: (Course, figures)} of gate settings) => None."""
    scenario, cycle = result.scenario, result.cycle
    say(console, f"{scenario.name}: {scenario.title}" if scenario.title else scenario.name, style="bold")
    say(console, f"{cycle.name}: {number(cycle.duration_s, 's')}, {cycle.distance_km:.3f} km")
    for text in result.course.told:
        say(console, f"Told: {text}")
    console.print()
    for line in energy_lines(result):
        console.print(f"  {line}", soft_wrap=True, markup=False)
    console.print()
    for sentence in sentences(result):
        say(console, sentence)
    if result.worth is None:
        return
    console.print()
    title = "What each gate setting is worth" if gates else "What this consumption, and one percent less of it, is worth"
    say(console, title, style="bold")
    for line in gate_table(result, gates) if gates else worth_table(result):
        console.print(f"  {line}", soft_wrap=True, markup=False)


def energy_lines(result):
    """CycleResult => lines: energies of each mode and losses by stage, in kWh."""
    modes = list(result.figures)
    rows = [("", *(f"{mode}, kWh" for mode in modes), *(("map less loop",) if result.compared else ()))]

    def row(label, values, share=True):
        cells = [f"{value:.5f}" for value in values]
        if result.compared:
            first, last = values[0], values[-1]
            cells.append(f"{100.0 * (last - first) / abs(first):+.3f} %" if share and abs(first) > 1e-9 else "")
        rows.append((label, *cells))

    every = list(result.figures.values())
    for label, key in (("discharged", "discharged_kWh"), ("regenerated", "regenerated_kWh"), ("net", "net_kWh")):
        row(label, [one[key] for one in every])
    for group, mark in (("losses_kWh", "loss"), ("uses_kWh", "for")):
        for name in every[0][group]:
            values = [one[group].get(name, 0.0) for one in every]
            if any(abs(value) > 1e-9 for value in values):
                row(f"  {mark} {stage_word(name)}", values)
    row("  unexplained", [one["unexplained_kWh"] for one in every], share=False)
    return columns(rows, right=tuple(range(1, len(rows[0]))))


def sentences(result):
    """CycleResult => what is told in words: consumption, efficiency, tracking, what ended the trip, agreement of the modes."""
    main, model = result.main, result.scenario.driver
    told = []
    if main["ended"]:
        at = number(main["duration_s"], "s")
        why = "the battery is empty" if result.course.empty else main["ended"]
        told.append(f"The trip ended at {at}, {main['distance_km']:.3f} km: {why}. What follows holds up to there.")
    per = main["kWh_per_100km"]
    told.append(f"{per:.4g} kWh/100 km over {main['distance_km']:.3f} km; {main['regenerated_kWh']:.4g} kWh came back.")
    ratio = main["efficiency"]
    percent = lambda value: f"{100.0 * value:.2f} %" if value == value else "none"  # noqa: E731
    told.append(
        f"Efficiency of the drive as energy ratios: {percent(ratio['drive_driving'])} driving, "
        f"{percent(ratio['drive_braking'])} braking, {percent(ratio['drive'])} in all."
    )
    told += tracking_sentences(main["tracking_error_kmh"], model)
    if main["state_of_charge"]["begin"] == main["state_of_charge"]["begin"]:
        charge = main["state_of_charge"]
        told.append(f"State of charge from {charge['begin']:.4f} to {charge['end']:.4f}.")
    if result.compared:
        told.append(
            f"The map gives {result.compared['net_percent']:+.3f} % of net energy against the loop, "
            f"{result.compared['drive_losses_percent']:+.2f} % of the drive's losses."
        )
    walls = ", ".join(f"{name} {number(one['wall_s'], 's', 3)}" for name, one in result.figures.items())
    told.append(f"Driven in: {walls}.")
    return told


def tracking_sentences(error, model):
    """(tracking figures, Driver model) => sentences."""
    if error["max"] is None:
        return []
    told = [f"Speed error: {error['max']:.3g} km/h at most, at {number(error['max_at_s'], 's')}; {error['rms']:.2g} km/h rms."]
    where = error["where"]
    if where:
        told.append(
            f"The cycle is not followed for {number(error['not_followed_s'], 's', 3)}, beyond {model.tolerance_kmh:g} km/h and "
            f"{model.tolerance_s:g} s:"
        )
    for one in where[:_MOST_STRETCHES]:
        told.append(
            f"  {one['from_s']:.1f} to {one['to_s']:.1f} s: off by {one['error_kmh']:+.2f} km/h at {one['at_s']:.1f} s, "
            f"where {one['asked_kmh']:.1f} km/h are asked."
        )
    if len(where) > _MOST_STRETCHES:
        told.append(f"  and {len(where) - _MOST_STRETCHES} more in cycle.json.")
    return told


def gate_table(result, gates):
    """(CycleResult, {name: (Course, figures)}) => lines: a column a gate setting, then differences to the scenario's own."""
    assumed = result.scenario.cycle.assumptions
    named = {name: worth_of(one["kWh_per_100km"], assumed, result.battery_kWh) for name, (_, one) in gates.items()
             if one["kWh_per_100km"] > 0.0}  # fmt: skip
    return worth_lines(named, assumed, result.battery_kWh)


def worth_table(result):
    """CycleResult => lines: its consumption beside one percent less."""
    worth, assumed = result.worth, result.scenario.cycle.assumptions
    less = worth_of(0.99 * worth.kWh_per_100km, assumed, result.battery_kWh)
    return worth_lines({"this": worth, "1 % less": less}, assumed, result.battery_kWh)
