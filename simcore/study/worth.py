"""What a consumption, and a difference in it, is worth: range, battery energy, mass and price for equal range.

The figures behind the defaults: simcore/scenario/driver.py (Assumptions).  Checked: tests/reference/test_worth.py.
"""

from dataclasses import asdict, dataclass

from simcore.scenario.driver import Assumptions

USUAL_BATTERY_kWh = 60.0
_SOURCES = {
    "range_km": "assumed",
    "battery_kWh": "the scenario's battery, else 60 kWh assumed",
    "price_USD_per_kWh": "BloombergNEF battery price survey, December 2025: packs of battery-electric cars 99, all packs 108",
    "specific_energy_Wh_per_kg": "packs of recent cars reach 148 to 174 Wh/kg",
    "yearly_distance_km": "assumed",
}


@dataclass(frozen=True)
class Worth:
    """A consumption [kWh/100 km] at the assumptions: range_km with battery_kWh; energy, mass and price of the battery that
    drives the assumed range; energy of a year."""

    kWh_per_100km: float
    battery_kWh: float
    range_km: float
    needed_kWh: float
    mass_kg: float
    price_USD: float
    yearly_kWh: float


@dataclass(frozen=True)
class Difference:
    """Second less first of two Worths; consumption and range also in percent of the first."""

    kWh_per_100km: float
    consumption_percent: float
    range_km: float
    range_percent: float
    needed_kWh: float
    mass_kg: float
    price_USD: float
    yearly_kWh: float


def worth_of(kWh_per_100km, assumptions=None, battery_kWh=None):
    """(consumption [kWh/100 km] above 0, Assumptions, the scenario's own battery [kWh]) => Worth."""
    if not kWh_per_100km > 0.0:
        raise ValueError(f"a consumption of {kWh_per_100km:g} kWh/100 km has no range; it must be above 0")
    assumed = assumptions or Assumptions()
    battery = assumed.battery_kWh or battery_kWh or USUAL_BATTERY_kWh
    needed = kWh_per_100km * assumed.range_km / 100.0
    return Worth(
        kWh_per_100km=kWh_per_100km, battery_kWh=battery, range_km=100.0 * battery / kWh_per_100km, needed_kWh=needed,
        mass_kg=1000.0 * needed / assumed.specific_energy_Wh_per_kg, price_USD=needed * assumed.price_USD_per_kWh,
        yearly_kWh=kWh_per_100km * assumed.yearly_distance_km / 100.0,
    )  # fmt: skip


def difference(first, second):
    """(Worth, Worth) => Difference, second less first."""
    shared = [name for name in Difference.__dataclass_fields__ if hasattr(first, name)]
    less = {name: getattr(second, name) - getattr(first, name) for name in shared}
    return Difference(
        **less, consumption_percent=100.0 * less["kWh_per_100km"] / first.kWh_per_100km,
        range_percent=100.0 * less["range_km"] / first.range_km,
    )  # fmt: skip


def assumptions_told(assumptions, battery_kWh=None):
    """(Assumptions, the scenario's battery [kWh]) => {name: {"value", "source"}} for result files."""
    values = {**assumptions.model_dump(), "battery_kWh": assumptions.battery_kWh or battery_kWh or USUAL_BATTERY_kWh}
    default = Assumptions().model_dump()
    source = lambda name: _SOURCES[name] if getattr(assumptions, name) == default[name] else "[cycle.assumptions]"  # noqa: E731
    return {name: {"value": value, "source": source(name)} for name, value in values.items()}


_ROWS = (
    ("consumption", "kWh_per_100km", "{:.3f} kWh/100 km"),
    ("range with {battery_kWh:.4g} kWh", "range_km", "{:.1f} km"),
    ("battery for {range_km:.4g} km", "needed_kWh", "{:.3f} kWh"),
    ("its mass at {specific_energy_Wh_per_kg:.4g} Wh/kg", "mass_kg", "{:.2f} kg"),
    ("its price at {price_USD_per_kWh:.4g} USD/kWh", "price_USD", "{:.2f} USD"),
    ("energy of a year, {yearly_distance_km:.5g} km", "yearly_kWh", "{:.1f} kWh"),
)


def worth_lines(named, assumptions, battery_kWh=None):
    """({name: Worth}, Assumptions) => lines of a table: a column each, then the others' differences to the first."""
    from simcore.report.tables import columns

    told = {name: one["value"] for name, one in assumptions_told(assumptions, battery_kWh).items()}
    first = next(iter(named.values()))
    head = ["", *named, *(f"{name} less {next(iter(named))}" for name in list(named)[1:])]
    rows = [tuple(head)]
    for label, field, form in _ROWS:
        cells = [form.format(getattr(one, field)) for one in named.values()]
        signed = form.replace("{:", "{:+")
        cells += [signed.format(getattr(difference(first, other), field)) for other in list(named.values())[1:]]
        rows.append((label.format(**told), *cells))
    return columns(rows, right=tuple(range(1, len(head))))


def told(worth):
    """Worth or Difference => dict for result files."""
    return asdict(worth)
