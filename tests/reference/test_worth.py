"""What a consumption is worth: plain arithmetic at the figures of public surveys and usual cars."""

import pytest

from simcore.scenario.driver import Assumptions
from simcore.study.worth import assumptions_told, difference, worth_lines, worth_of

PRICE = "BloombergNEF battery price survey, December 2025, 99 USD/kWh"
MASS = "pack of 160 Wh/kg, between 148 and 174 Wh/kg of recent cars"


@pytest.mark.parametrize(("battery", "consumption", "kilometres"), [(60.0, 15.0, 400.0), (77.0, 17.0, 452.9412)])
def test_range(verified, battery, consumption, kilometres):
    found = worth_of(consumption, Assumptions(battery_kWh=battery))
    verified(f"range with {battery:g} kWh at {consumption:g} kWh/100 km", "arithmetic", kilometres, found.range_km, 1e-4, "km")


@pytest.mark.parametrize(
    ("percent", "energy", "price", "mass"), [(1.0, 0.640, 63.36, 4.0), (2.0, 1.280, 126.72, 8.0)]
)  # fmt: skip
def test_a_percent_less_at_400_km_and_16_kWh_per_100km(verified, percent, energy, price, mass):
    less = difference(worth_of(16.0), worth_of(16.0 * (1.0 - 0.01 * percent)))
    name = f"{percent:g} % less of 16 kWh/100 km at 400 km"
    verified(f"{name}: battery", "arithmetic", -energy, less.needed_kWh, 1e-9, "kWh")
    verified(f"{name}: price", PRICE, -price, less.price_USD, 1e-9, "USD")
    verified(f"{name}: mass", MASS, -mass, less.mass_kg, 1e-9, "kg")
    assert less.consumption_percent == pytest.approx(-percent)


def test_price_of_60_kWh_in_the_surveys_figures(verified):
    for price, total in ((99.0, 5940.0), (108.0, 6480.0)):
        found = worth_of(15.0, Assumptions(price_USD_per_kWh=price))
        verified(f"price of 60 kWh at {price:g} USD/kWh", "arithmetic", total, found.price_USD, 1e-9, "USD")


def test_range_follows_efficiency(verified):
    """At equal work on the road 92 % instead of 90 % stretches the range by 92/90."""
    more = difference(worth_of(15.0 / 0.90), worth_of(15.0 / 0.92))
    verified("range with 92 % instead of 90 % efficiency", "arithmetic", 2.2222, more.range_percent, 1e-4, "%")


def test_two_percent_of_a_year(verified):
    saved = difference(worth_of(16.0), worth_of(16.0 * 0.98))
    verified("2 % of 15000 km a year at 16 kWh/100 km", "arithmetic", -48.0, saved.yearly_kWh, 1e-9, "kWh")


def test_assumptions_name_their_source():
    told = assumptions_told(Assumptions(price_USD_per_kWh=120.0), 80.0)
    assert told["price_USD_per_kWh"] == {"value": 120.0, "source": "[cycle.assumptions]"}
    assert told["battery_kWh"]["value"] == 80.0
    assert "December 2025" in assumptions_told(Assumptions())["price_USD_per_kWh"]["source"]


def test_the_table_has_a_column_for_each_and_for_each_difference():
    lines = worth_lines({"brisk": worth_of(16.0), "calm": worth_of(15.84)}, Assumptions())
    assert lines[0].split("  ")[-1].strip() == "calm less brisk"
    assert any("63.36 USD" in line for line in lines)


def test_no_consumption_has_no_range():
    with pytest.raises(ValueError, match="above 0"):
        worth_of(0.0)
