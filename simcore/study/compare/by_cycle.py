"""Two variants over a drive cycle: energies, losses, temperatures, and what the difference is worth."""

from simcore.study.compare.result import Comparison, Row
from simcore.study.cycle.trips import drive_cycle
from simcore.study.worth import difference, told, worth_of


def compare_by_cycle(first, second, names, *, cycle, mode="map", progress=None):
    """(two Scenarios, their names, Cycle, "loop" or "map") => Comparison; progress(done, total)."""
    results = []
    for number, scenario in enumerate((first, second)):
        tell = None if progress is None else lambda what, done, total, n=number: progress(done + n * total, 2 * total)
        results.append(drive_cycle(scenario, cycle, mode, tell))
    one, other = (result.main for result in results)
    rows = [
        Row("net energy", "kWh", one["net_kWh"], other["net_kWh"]),
        Row("discharged", "kWh", one["discharged_kWh"], other["discharged_kWh"]),
        Row("regenerated", "kWh", one["regenerated_kWh"], other["regenerated_kWh"]),
        Row("consumption", "kWh/100 km", one["kWh_per_100km"], other["kWh_per_100km"]),
    ]
    rows += [Row(f"loss {name.replace('_', ' ')}", "kWh", value, other["losses_kWh"][name])
             for name, value in one["losses_kWh"].items() if value or other["losses_kWh"][name]]  # fmt: skip
    for name, extreme in one["temperatures_degC"].items():
        highest = extreme["max"], other["temperatures_degC"][name]["max"]
        if None not in highest:
            rows.append(Row(f"hottest {name.replace('_', ' ')}", "degC", *highest))
    rows.append(Row("greatest tracking error", "km/h", one["tracking_error_kmh"]["max"], other["tracking_error_kmh"]["max"]))
    worth = None
    if one["kWh_per_100km"] > 0.0 and other["kWh_per_100km"] > 0.0:
        assumed, battery = first.cycle.assumptions, results[0].battery_kWh
        pair = tuple(worth_of(figures["kWh_per_100km"], assumed, battery) for figures in (one, other))
        worth = {"first": told(pair[0]), "second": told(pair[1]), "second_less_first": told(difference(*pair))}
    sentences = [f"{name}: {course.ended}" for name, result in zip(names, results, strict=True)
                 for course in result.courses.values() if course.ended]  # fmt: skip
    return Comparison(first, names, "cycle", tuple(rows), tuple(sentences), parts=tuple(results), worth=worth)
