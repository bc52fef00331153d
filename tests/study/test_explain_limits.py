"""Which limit bound, when and why: spans of codes by hand, and a machine's closed forms at its current and voltage limit."""

import math

import numpy as np
import pytest
from explain_signals import TICK_S, turning

from controllers.contract import BINDING_LIMITS
from simcore.study.explain.explanation import explain_recording
from simcore.study.explain.limits import limit_spans, margin_words, reason
from simcore.study.explain.text import limit_lines


def bound(codes, **signals):
    recording = turning(1200.0, duration_s=len(codes) * TICK_S, binding_limit=np.array(codes), **signals)
    recording.scenario.machine.max_current_A = 300.0
    return recording


def told(recording):
    return [(s.name, round(s.from_s / TICK_S), round(s.to_s / TICK_S)) for s in limit_spans(recording)]


def test_spans_are_joined_over_short_gaps_and_told_in_order():
    # Twenty free rows part two spans no more than an instant does, twenty-one do.
    codes = [0] * 10 + [2] * 30 + [0] * 20 + [2] * 40 + [1] * 50 + [0] * 21 + [1] * 5
    assert told(bound(codes)) == [("voltage", 10, 100), ("current", 100, 150), ("current", 171, 176)]


def test_a_span_up_to_the_end_ends_with_the_run():
    (span,) = limit_spans(bound([0] * 10 + [4] * 90))
    assert span.to_s == pytest.approx(100 * TICK_S) and span.length_s == pytest.approx(90 * TICK_S)


def test_a_span_has_means_and_the_least_margin():
    margin = np.concatenate((np.zeros(50), np.linspace(3.0, 5.0, 50)))
    asked = np.concatenate((np.zeros(50), np.full(50, 80.0)))
    recording = bound([0] * 50 + [2] * 50, voltage_margin_V=margin, torque_Nm=60.0, torque_reference_Nm=asked,
                      link_voltage_V=400.0, id_A=-120.0)  # fmt: skip
    (span,) = limit_spans(recording)
    assert (span.margin_V, span.least_margin_V) == (pytest.approx(4.0), 3.0)
    words = reason(span, recording.scenario)
    assert words == "at 1200 rpm and 400 V on the link id was taken to -120 A to weaken the flux; torque 60 Nm of 80 Nm asked"
    assert margin_words(span) == "voltage margin 4 V in the mean, 3 V at least"


def test_what_was_not_recorded_is_not_told():
    (span,) = limit_spans(bound([2] * 50, torque_Nm=60.0, torque_reference_Nm=np.nan, voltage_margin_V=np.nan))
    assert margin_words(span) == "" and "asked" not in reason(span, bound([0]).scenario)


@pytest.mark.parametrize("name", [name for name in BINDING_LIMITS.values() if name != "none"])
def test_each_limit_of_the_contract_has_words_of_its_own(name):
    code = next(code for code, other in BINDING_LIMITS.items() if other == name)
    recording = bound([code] * 50, torque_Nm=60.0, link_voltage_V=400.0, winding_degC=150.0, junction_degC=90.0)
    (span,) = limit_spans(recording)
    assert span.name == name and len(reason(span, recording.scenario)) > len("torque 60 Nm")


def test_limits_that_the_table_gains_are_told_by_their_names():
    codes = [11] * 50 + [12] * 50
    recording = bound(codes, torque_Nm=60.0, winding_degC=150.0, junction_degC=90.0)
    recording.binding_names = {0: "none", 11: "winding_temperature", 12: "of_their_own"}
    hot, own = limit_spans(recording)
    assert reason(hot, recording.scenario) == (
        "less current was allowed because of heat, winding at 150 degC and junction at 90 degC; torque 60 Nm"
    )
    assert (own.name, reason(own, recording.scenario)) == ("of_their_own", "torque 60 Nm")
    recording.binding_names = {0: "none"}
    assert [span.name for span in limit_spans(recording)] == ["code_11", "code_12"]


def test_no_rows_and_no_report_are_no_limits():
    assert limit_spans(bound([])) == [] and limit_spans(turning(1200.0)) == []


def lines_of(recording):
    return "\n".join(limit_lines(explain_recording(recording, short=True), recording))


def test_at_the_current_limit_torque_and_margin_are_those_of_the_voltage_equation(run_scenario):
    from shared_benches import MACHINE_D

    commands = {"torque_Nm": [[0.0, 0.0], [0.01, 150.0]], "replace": True}
    recording = run_scenario(
        machine=MACHINE_D | {"replace": True}, commands=commands,
        controller={"mode": "torque", "tuning": {}, "replace": True}, run={"duration_s": 0.1},
    )  # fmt: skip
    span = max(limit_spans(recording), key=lambda one: one.length_s)
    # Torque 1.5 p psi I; omega = 1000 rpm; the linear limit of svpwm is Vdc/sqrt(3).
    torque, omega = 1.5 * 4 * 0.06 * 300.0, 1000.0 * math.pi / 30.0 * 4
    volts = math.hypot(omega * 0.25e-3 * 300.0, 0.01 * 300.0 + omega * 0.06)
    assert span.name == "current" and span.from_s == pytest.approx(0.01, abs=1e-3) and span.to_s == pytest.approx(0.1)
    assert span.torque_Nm == pytest.approx(torque, rel=0.01) and span.asked_Nm == pytest.approx(150.0)
    assert span.margin_V == pytest.approx(400.0 / math.sqrt(3.0) - volts, rel=0.01)
    told = lines_of(recording)
    assert "machine.max_current_A = 300 A" in told and "of 150 Nm asked" in told and "current: 90" in told


def test_at_the_voltage_limit_id_is_that_of_the_flux_circle(run_scenario):
    from shared_benches import MACHINE_D

    machine = MACHINE_D | {"stator_resistance_ohm": 1e-6, "replace": True}
    recording = run_scenario(
        machine=machine, commands={"torque_Nm": 20.0, "replace": True}, load={"speed_rpm": 10000.0},
        controller={"mode": "torque", "tuning": {"voltage_use": 0.9}, "replace": True}, run={"duration_s": 0.1},
    )  # fmt: skip
    span = max(limit_spans(recording), key=lambda one: one.length_s)
    # (psi + Ld id)^2 + (Lq iq)^2 = (V/omega)^2 with V = 0.9 Vdc/sqrt(3) and iq = T/(1.5 p psi).
    omega, iq = 10000.0 * math.pi / 30.0 * 4, 20.0 / (1.5 * 4 * 0.06)
    flux = 0.9 * 400.0 / math.sqrt(3.0) / omega
    expected = (math.sqrt(flux**2 - (0.25e-3 * iq) ** 2) - 0.06) / 0.25e-3
    assert span.name == "voltage" and span.id_A == pytest.approx(expected, rel=0.01)
    assert span.margin_V == pytest.approx(0.1 * 400.0 / math.sqrt(3.0), rel=0.05)
    assert "to weaken the flux; torque 19.98 Nm; voltage margin" in lines_of(recording)


def test_where_nothing_bound_the_least_margin_is_told(run_scenario):
    slow = {"tuning": {"current_bandwidth_Hz": 50}}
    told = lines_of(run_scenario(commands={"iq_A": 50.0}, run={"duration_s": 0.02}, controller=slow))
    assert told.startswith("  None bound; least voltage margin ")


def test_many_spans_are_cut_to_the_longest_three():
    codes = sum(([2] * length + [0] * 30 for length in (10, 50, 20, 40, 30)), [])
    recording = bound(codes, torque_Nm=60.0, voltage_margin_V=1.0)
    recording.scenario.record_every = 1
    told = lines_of(recording)
    assert "voltage: 7.5 ms in all, 50.0 % of the run" in told and "and 2 shorter ones" in told
    spans = [line.split(":")[0].strip() for line in told.splitlines()[1:4]]
    assert spans == ["2 ms to 4.5 ms", "8.5 ms to 10.5 ms", "12 ms to 13.5 ms"]
