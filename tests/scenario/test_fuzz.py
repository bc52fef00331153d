"""Whatever stands in a file, the only thing that is raised is ScenarioError, with whole sentences."""

import copy
import os
import tempfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scenario_texts import GOOD, good, write

from simcore.scenario import ScenarioError, load_scenario
from simcore.scenario.fluxmap_csv import FileProblem, read_flux_map
from simcore.scenario.index import keys
from simcore.scenario.reader import scenario_from
from simcore.scenario.toml_text import write_toml

import tomllib  # isort: skip

# More of them on request: DRYBENCH_FUZZ=10000 python -m pytest tests/scenario/test_fuzz.py
EXAMPLES = int(os.environ.get("DRYBENCH_FUZZ", "250"))
QUICK = settings(deadline=None, max_examples=EXAMPLES, suppress_health_check=[HealthCheck.function_scoped_fixture])
NAMES = sorted({k.name for k in keys()} | {"part", "base", "fault", "x", "", "ünïcode", "a b", "{}", "%s", "0"})
# TOML cannot hold lone surrogates.
TEXTS = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
NUMBERS = st.one_of(
    st.integers(-(2**64), 2**64),
    st.just(10**400),
    st.just(-(10**400)),
    st.floats(),
    st.sampled_from([0, 1, -1, 1e308, 5e-324]),
)
# TOML has no second hour of a clock put back.
DATES = st.one_of(st.dates(), st.times().map(lambda t: t.replace(fold=0)))
SCALARS = st.one_of(NUMBERS, st.booleans(), TEXTS, st.sampled_from(NAMES), DATES)
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.one_of(
        st.lists(inner, max_size=4), st.dictionaries(st.one_of(st.sampled_from(NAMES), TEXTS), inner, max_size=4)
    ),
    max_leaves=8,
)


def places(value, at=()):
    """All places in a document."""
    yield at
    pairs = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, inner in pairs:
        yield from places(inner, (*at, key))


def wide(load, supply):
    """A right scenario with every other part of the bench."""
    document = good()
    document["load"], document["supply"] = load, supply
    document["machine"] |= {
        "iron_loss": {"frequency_Hz": 200.0, "hysteresis_W": 120.0, "eddy_W": 180.0},
        "cogging": [{"order": 24, "torque_Nm": 1.5}],
        "emf_harmonics": [{"order": 5, "amplitude_percent": 2.0, "phase_deg": 10.0}],
    }
    document["sensors"]["position"] = {"kind": "encoder", "lines": 1024, "lost_counts_per_turn": 1}
    document["fault"] = [
        {"kind": "current_sensor_stuck", "at_s": 0.01, "until_s": 0.1, "on_s": 0.01, "off_s": 0.02, "phase": "b"},
        {"kind": "encoder_counts_lost", "at_s": 0.02, "counts": 7},
        {"kind": "command_lost", "at_s": 0.02, "command": "torque_Nm", "reads": "zero"},
        {"kind": "switch_stuck_open", "at_s": 0.03, "leg": "a", "side": "upper"},
        {"kind": "link_short", "at_s": 0.05, "until_s": 0.06, "resistance_ohm": 5.0},
        {"kind": "load_torque_shock", "at_s": 0.05, "value_Nm": 20.0},
    ]
    document["sensors"]["winding_temperature"] = {"offset_K": 1.0, "time_constant_s": 0.5}
    return document


CHOPPER = {"resistance_ohm": 8.0, "on_above_V": 900.0, "off_below_V": 880.0}
STARTS = (
    good(),
    wide(
        {"kind": "two_mass", "inertia_kg_m2": 0.05, "load_inertia_kg_m2": 0.2, "stiffness_Nm_per_rad": 3e3,
         "backlash_deg": 0.5},
        {"kind": "rectifier", "line_voltage_V": 500.0, "resistance_ohm": 0.1, "inductance_H": 1e-3, "chopper": CHOPPER},
    ),
    wide(
        {"kind": "vehicle", "mass_kg": 1800.0, "road_load": {"F0_N": 120.0}, "wheel_radius_m": 0.32, "gear_ratio": 9.0,
         "grade_percent": [[0.0, 0.0], [0.1, 5.0]]},
        {"kind": "battery", "open_circuit_voltage_V": [[0.0, 600.0], [1.0, 760.0]], "resistance_ohm": 0.05,
         "capacity_Ah": 120.0,
         "polarisation_resistance_ohm": 0.02, "polarisation_time_constant_s": 1.0, "auxiliary_W": 300.0, "chopper": CHOPPER},
    ),
)  # fmt: skip
PLACES = [[p for p in places(start) if p] for start in STARTS]


@st.composite
def documents(draw):
    """A good scenario with some values replaced, removed, moved or added."""
    start = draw(st.integers(0, len(STARTS) - 1))
    document = copy.deepcopy(STARTS[start])
    for _ in range(draw(st.integers(1, 4))):
        place = draw(st.sampled_from(PLACES[start]))
        here = document
        try:
            for part in place[:-1]:
                here = here[part]
            here[place[-1]]
        except (KeyError, IndexError, TypeError):
            continue
        if not isinstance(here, (dict, list)):
            continue
        action = draw(st.sampled_from(["replace", "remove", "add", "scale"]))
        if action == "replace":
            here[place[-1]] = draw(VALUES)
        elif action == "remove":
            del here[place[-1]]
        elif action == "add" and isinstance(here, dict):
            here[draw(st.one_of(st.sampled_from(NAMES), TEXTS))] = draw(VALUES)
        elif action == "scale" and isinstance(here[place[-1]], float):
            here[place[-1]] = here[place[-1]] * draw(st.sampled_from([0, -1, 1e-9, 1e-3, 1e3, 1e9, 1e300]))
    return document


def canonical(value):
    """Equal for equal documents, whatever the order of keys; nan equals nan, 1 differs from 1.0."""
    if isinstance(value, dict):
        return sorted((k, canonical(v)) for k, v in value.items())
    return [canonical(v) for v in value] if isinstance(value, list) else repr(value)


def told(call):
    """Run a reading; a refusal must be whole sentences."""
    try:
        call()
    except ScenarioError as error:
        assert error.problems and all(isinstance(p, str) for p in error.problems)
        for problem in error.problems:
            assert problem.endswith((".", "?")) and problem.isprintable() and len(problem) < 2000, problem


@QUICK
@given(documents())
def test_a_spoiled_scenario_is_read_or_told(document):
    told(lambda: scenario_from(document, "bench.toml"))


EXTREMES = st.sampled_from([0.0, 5e-324, 1e-300, 1e-30, 1e-9, 1e-3, 0.5, 1.0, 10.0, 1e3, 1e5, 1e6, 1e12, 1e300])
NUMERIC = {
    "machine": ("stator_resistance_ohm", "inductance_d_H", "inductance_q_H", "max_current_A", "max_speed_rpm"),
    "inverter": ("switching_frequency_Hz", "dead_time_s", "minimum_pulse_s", "link_capacitance_F"),
    "supply": ("voltage_V", "resistance_ohm", "inductance_H"),
    "load": ("inertia_kg_m2", "viscous_Nm_s", "coulomb_Nm"),
    "run": ("duration_s",),
}


@QUICK
@given(st.fixed_dictionaries({t: st.dictionaries(st.sampled_from(ks), EXTREMES) for t, ks in NUMERIC.items()}))
def test_numbers_at_the_edge_of_all_ranges_are_read_or_told(changes):
    document = good()
    document["load"] = {"kind": "free", "inertia_kg_m2": 0.1}
    for table, numbers in changes.items():
        document[table].update(numbers)
    told(lambda: scenario_from(document, "bench.toml"))


@QUICK
@given(documents())
def test_a_document_survives_toml(document):
    assert canonical(tomllib.loads(write_toml(document))) == canonical(document)


@settings(QUICK, max_examples=100)
@given(st.one_of(TEXTS, st.binary(max_size=60), st.integers(0, len(GOOD)), st.tuples(st.integers(0, len(GOOD)), TEXTS)))
def test_any_bytes_are_read_or_told(spoil):
    if isinstance(spoil, int):
        data = GOOD[:spoil].encode()
    elif isinstance(spoil, tuple):
        data = (GOOD[: spoil[0]] + spoil[1] + GOOD[spoil[0] :]).encode()
    else:
        data = spoil if isinstance(spoil, bytes) else spoil.encode()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "bench.toml"
        path.write_bytes(data)
        told(lambda: load_scenario(path))


@settings(QUICK, max_examples=150)
@given(
    st.lists(
        st.one_of(
            TEXTS,
            st.builds(
                lambda place, value: f"{'.'.join(map(str, place))}={value}",
                st.sampled_from(sum(PLACES, [])),
                st.one_of(TEXTS, NUMBERS.map(lambda v: str(v)[:50])),
            ),
        ),
        max_size=3,
    )
)
def test_any_override_is_read_or_told(overrides):
    told(lambda: scenario_from(good(), "bench.toml", overrides))


@settings(QUICK, max_examples=100)
@given(st.one_of(TEXTS, st.lists(st.lists(st.one_of(TEXTS, NUMBERS.map(lambda v: str(v)[:40])), max_size=5), max_size=8)))
def test_any_map_file_is_read_or_told(content):
    text = content if isinstance(content, str) else "id_A,iq_A,psi_d_Wb,psi_q_Wb\n" + "\n".join(map(",".join, content))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "map.csv"
        path.write_bytes(text.encode())
        try:
            read_flux_map(path)
        except FileProblem as problem:
            assert problem.rule and problem.remedy


@pytest.mark.parametrize("path", ["a\0b.toml", "x" * 5000, ""])
def test_any_path_is_read_or_told(path):
    with pytest.raises(ScenarioError):
        load_scenario(path)


def test_a_part_of_any_content_is_told(tmp_path):
    write(tmp_path, "part = 3\nbase = 'self.toml'\n", "odd.toml")
    document = good()
    document["machine"] = {"part": "odd"}
    with pytest.raises(ScenarioError, match="self.toml"):
        load_scenario(write(tmp_path, document))


@pytest.mark.parametrize("start", range(len(STARTS)))
def test_what_is_spoiled_was_right(start):
    scenario_from(STARTS[start])
