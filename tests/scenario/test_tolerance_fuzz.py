"""Whatever stands in [tolerance], in --vary or in a key that varies: one kind of refusal, in whole sentences."""

import tomllib

from hypothesis import given
from hypothesis import strategies as st
from scenario_texts import good
from test_fuzz import NAMES, QUICK, TEXTS, VALUES, told

from simcore.scenario.axis import read_axes
from simcore.scenario.distribution import FORMS
from simcore.scenario.reader import scenario_from
from simcore.scenario.variation import Variation

KEYS = (
    ("machine", "magnet_flux_Wb"), ("machine", "pole_pairs"), ("sensors", "current", "offset_A", "0"), ("load", "speed_rpm"),
    ("commands", "torque_Nm", "1", "1"), ("run", "seed"), ("controller", "tuning", "current_bandwidth_Hz"), ("machine",),
    ("controller", "machine", "magnet_flux_Wb"), ("expect", "0", "max"), ("title",), ("tolerance", "machine"), ("base",),
)  # fmt: skip
FORM = st.dictionaries(st.one_of(st.sampled_from([*FORMS, "within"]), st.sampled_from(NAMES)), VALUES, max_size=3)


@st.composite
def tables(draw):
    """A table with distributions, right or wrong, at keys, right or wrong."""
    table = {}
    wrong = st.lists(st.sampled_from(NAMES), min_size=1, max_size=3)
    for key in draw(st.lists(st.one_of(st.sampled_from(KEYS), wrong), max_size=3)):
        here = table
        for part in key[:-1]:
            inner = here.setdefault(part, {})
            if not isinstance(inner, dict):
                break
            here = inner
        else:
            here[key[-1]] = draw(st.one_of(FORM, VALUES))
    return table


@QUICK
@given(tables())
def test_any_tolerance_table(table):
    told(lambda: scenario_from(good() | {"tolerance": table}, "bench.toml"))


@QUICK
@given(st.lists(st.one_of(TEXTS, st.sampled_from(NAMES), st.sampled_from(["machine.magnet_flux_Wb=", "a=["])), max_size=4))
def test_any_text_of_vary(parts):
    told(lambda: read_axes(["".join(parts)]))


@QUICK
@given(st.sampled_from(KEYS), VALUES, st.booleans())
def test_any_value_of_any_key(key, value, believe_nominal):
    scenario = scenario_from(good(), "bench.toml")
    told(lambda: Variation(scenario, [".".join(key)], believe_nominal=believe_nominal).at([value]))


def test_what_a_table_says_is_what_toml_reads():
    text = "[tolerance]\nsensors.current.offset_A.0 = { normal = 0.5 }\nmachine.magnet_flux_Wb = { uniform_percent = 2 }\n"
    scenario = scenario_from(good() | tomllib.loads(text), "bench.toml")
    assert [one.key for one in scenario.tolerances] == ["sensors.current.offset_A.0", "machine.magnet_flux_Wb"]
