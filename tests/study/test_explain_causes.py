"""Which orders an imperfection makes, and how large each is found: against handbook orders and the values that were put in."""

import re
from fractions import Fraction

import numpy as np
import pytest
from shared_benches import MACHINE_D, MACHINE_E

from simcore.study.explain.causes import BY_KEY, CAUSES, causes_of
from simcore.study.explain.explanation import explain_recording
from simcore.study.explain.faults import other_faults
from simcore.study.explain.text import switched_on_lines

RESOLVER = {"kind": "resolver", "pole_pairs": 2, "tracking_natural_frequency_Hz": 1000.0}
CURRENTS = {"id_A": -60.0, "iq_A": 120.0}


def orders(key, scenario):
    return tuple(BY_KEY[key].orders(scenario))


def test_orders_are_those_of_the_handbooks(make_scenario):
    """Chung, Sul 1998 (currents); Hanselman 1990 (resolver); Jeong, Park 1991 (dead time); all from memory."""
    harmonics = [{"order": n, "amplitude_percent": 1.0} for n in (5, 7, 11)]
    cogging = [{"order": 24, "torque_Nm": 0.5}, {"order": 12, "torque_Nm": 0.5}]
    scenario = make_scenario(machine={"emf_harmonics": harmonics, "cogging": cogging}, sensors={"position": RESOLVER})
    assert orders("current_offset", scenario) == (1,) and orders("current_gain", scenario) == (2,)
    # Two pole pairs of the resolver on four of the machine: half an electrical order, and one.
    assert orders("resolver_offset", scenario) == (Fraction(1, 2),)
    assert orders("resolver_amplitude", scenario) == orders("resolver_quadrature", scenario) == (1,)
    assert orders("dead_time", scenario)[:2] == (6, 12)
    # Harmonics 5 and 7 of a phase meet at 6 in the rotor frame, 11 comes to 12.
    assert orders("emf_harmonics", scenario) == (6, 12)
    # Cogging is given in orders of the turn.
    assert orders("cogging", scenario) == (6, 3)


def test_an_order_s_causes_are_told_with_those_switched_on_first(make_scenario):
    scenario = make_scenario(sensors={"position": RESOLVER | {"offset_sin": 0.01}}, inverter={"dead_time_s": 1e-6})
    assert [cause.key for cause in causes_of(Fraction(1, 2), scenario)] == ["resolver_offset"]
    assert causes_of(Fraction(6), scenario)[0].key == "dead_time"
    assert {cause.key for cause in causes_of(Fraction(1), scenario)} == {
        "current_offset", "resolver_amplitude", "resolver_quadrature",
    }  # fmt: skip
    assert causes_of(Fraction(5), scenario) == []


def test_without_such_a_sensor_it_makes_no_order(make_scenario):
    scenario = make_scenario()
    assert orders("resolver_offset", scenario) == orders("encoder_counts", scenario) == ()
    encoder = make_scenario(sensors={"position": {"kind": "encoder", "lines": 500, "lost_counts_per_turn": 2}})
    assert orders("encoder_counts", encoder)[:3] == (Fraction(1, 4), Fraction(1, 2), Fraction(3, 4))


def test_an_ideal_scenario_switches_nothing_on(make_scenario):
    assert [cause.key for cause in CAUSES if cause.switched_on(make_scenario())] == []


ON = {
    "current_offset": ({"sensors": {"current": {"offset_A": [1.0, 0.0, 0.0]}}}, "1, 0, 0 A"),
    "current_gain": ({"sensors": {"current": {"gain": [1.0, 1.01, 1.0]}}}, "1, 1.01, 1"),
    "current_lag": ({"sensors": {"current": {"bandwidth_Hz": 3000.0}}}, "3000 Hz"),
    "sampling_late": ({"sensors": {"current": {"sample_shift_s": 2e-6}}}, "2e-06 s"),
    "current_noise": ({"sensors": {"current": {"noise_rms_A": 0.5}}}, "0.5 A"),
    "current_steps": ({"sensors": {"current": {"adc_bits": 10, "range_A": 500.0}}}, "10 bits"),
    "current_clipping": ({"sensors": {"current": {"range_A": 100.0}}}, "100 A"),
    "resolver_offset": ({"sensors": {"position": RESOLVER | {"offset_cos": 0.01}}}, "0, 0.01"),
    "resolver_amplitude": ({"sensors": {"position": RESOLVER | {"amplitude_imbalance": 0.02}}}, "0.02"),
    "resolver_quadrature": ({"sensors": {"position": RESOLVER | {"quadrature_error_deg": 0.5}}}, "0.5 deg"),
    "position_noise": ({"sensors": {"position": RESOLVER | {"noise_rms": 0.002}}}, "0.002"),
    "angle_offset": ({"sensors": {"position": RESOLVER | {"mounting_offset_deg": 5.0}}}, "5 deg"),
    "encoder_lines": ({"sensors": {"position": {"kind": "encoder", "lines": 500}}}, "500"),
    "dead_time": ({"inverter": {"dead_time_s": 2e-6}}, "2e-06 s"),
    "minimum_pulse": ({"inverter": {"minimum_pulse_s": 2e-6}}, "2e-06 s"),
    "overmodulation": ({"inverter": {"modulation": "six_step"}}, "six_step"),
    "link_voltage": ({"sensors": {"link_voltage": {"gain": 1.02, "offset_V": 3.0}}}, "gain 1.02, offset 3 V"),
    "link_noise": ({"sensors": {"link_voltage": {"noise_rms_V": 1.0}}}, "1 V"),
    "emf_harmonics": ({"machine": {"emf_harmonics": [{"order": 5, "amplitude_percent": 2.0}]}}, "2 % at 5"),
    "cogging": ({"machine": {"cogging": [{"order": 24, "torque_Nm": 0.5}]}}, "0.5 Nm at 24"),
}


@pytest.mark.parametrize("key", ON)
def test_what_the_scenario_switches_on_is_told_with_its_value(key, make_scenario):
    tables, value = ON[key]
    told = {cause.key: text for cause in CAUSES if (text := cause.switched_on(make_scenario(**tables)))}
    assert told.pop(key) == value and set(told) <= {"encoder_lines"}


def test_lost_counts_and_wrong_lines_are_told(make_scenario):
    encoder = {"kind": "encoder", "lines": 500, "believed_lines": 512, "lost_counts_per_turn": 3}
    scenario = make_scenario(sensors={"position": encoder})
    assert BY_KEY["encoder_counts"].switched_on(scenario) == "3 a turn, 512 lines believed of 500"


def test_devices_are_told_by_what_they_are(make_scenario):
    igbt = {"kind": "igbt", "threshold_V": 0.8, "slope_ohm": 2e-3, "diode": {"threshold_V": 0.7}}
    told = {"device_drop": "switch threshold and diode threshold", "device_resistance": "slope resistance"}
    mosfet = {"kind": "mosfet", "on_resistance_ohm": 4e-3}
    for devices, expected in ((igbt, told), (mosfet, {"device_drop": "", "device_resistance": "channel resistance"})):
        scenario = make_scenario(inverter={"devices": devices})
        assert {key: BY_KEY[key].switched_on(scenario) for key in expected} == expected


def test_legs_that_differ_are_told(make_scenario):
    devices = {"kind": "mosfet", "on_resistance_ohm": 4e-3, "legs": [{}, {"on_resistance_ohm": 8e-3}, {}]}
    scenario = make_scenario(inverter={"devices": devices})
    assert BY_KEY["device_resistance"].switched_on(scenario) == "channel resistance, legs that differ"


def test_faults_on_purpose_are_told_with_their_cause_and_part_the_windows(run_scenario):
    fault = [{"kind": "current_sensor_offset", "at_s": 0.25, "phase": "a", "value_A": 3.0, "until_s": 0.5},
             {"kind": "supply_dip", "at_s": 0.75, "factor": 0.9}]  # fmt: skip
    told = explain_recording(run_scenario(fault=fault, commands=CURRENTS, load={"speed_rpm": 1200.0}, run={"duration_s": 1.0}))
    on = {cause.key: value for cause, value in told.switched_on()}
    assert on == {"current_offset": "current_sensor_offset (phase = a, value_A = 3) from 250 ms to 500 ms"}
    assert other_faults(told.scenario) == ["supply_dip (factor = 0.9) from 750 ms on"]
    assert switched_on_lines(told)[-1] == "  fault: supply_dip (factor = 0.9) from 750 ms on"
    ends = [round(window.to_s, 2) for window in told.windows]
    assert ends == [0.25, 0.5, 1.0] and causes_of(Fraction(1), told.scenario)[0].key == "current_offset"
    # The fault's vector of 2 A is there in the second window only; the loop follows it at 80 Hz by all but a hundredth.
    assert told.contents[1].row(Fraction(1))["iq_A"] == pytest.approx(2.0, rel=0.05)
    assert not told.contents[0].seen and not told.contents[2].seen and told.findings == []


# What is put in, and its size by closed form: unlike phases make a vector of 2/3 of one phase's; dead time Td Vdc fs a leg.
SIZES = {
    "current_offset": ({"sensors": {"current": {"offset_A": [1.5, 0.0, 0.0]}}}, 1.0),
    "current_gain": ({"sensors": {"current": {"gain": [1.03, 1.0, 1.0]}}}, 2.0),
    "current_lag": ({"sensors": {"current": {"bandwidth_Hz": 3000.0}}}, 3000.0),
    "current_noise": ({"sensors": {"current": {"noise_rms_A": 1.0}}}, np.sqrt(2.0 / 3.0)),
    "current_steps": ({"sensors": {"current": {"adc_bits": 8, "range_A": 512.0}}}, 4.0),
    "current_clipping": ({"sensors": {"current": {"range_A": 120.0}}}, 120.0),
    "resolver_offset": ({"sensors": {"position": RESOLVER | {"offset_sin": 0.01}}}, 1.0),
    "resolver_amplitude": ({"sensors": {"position": RESOLVER | {"amplitude_imbalance": 0.02}}}, 2.0),
    "resolver_quadrature": ({"sensors": {"position": RESOLVER | {"quadrature_error_deg": 1.0}}}, 1.0),
    "angle_offset": ({"sensors": {"position": RESOLVER | {"mounting_offset_deg": -5.0}}}, -5.0),
    "encoder_lines": ({"sensors": {"position": {"kind": "encoder", "lines": 400}}}, 360.0 / 1600 * 4),
    "dead_time": ({"inverter": {"dead_time_s": 2e-6}}, 2e-6 * 400.0 * 10000),
    "device_drop": ({"inverter": {"devices": {"kind": "igbt", "threshold_V": 1.5, "slope_ohm": 0.0,
                                              "diode": {"threshold_V": 1.5}}}}, 1.5),
    "device_resistance": ({"inverter": {"devices": {"kind": "mosfet", "on_resistance_ohm": 8e-3}}}, 8e-3),
    "link_voltage": ({"sensors": {"link_voltage": {"gain": 1.03}}}, 3.0),
    "link_noise": ({"sensors": {"link_voltage": {"noise_rms_V": 2.0}}}, 2.0),
    "emf_harmonics": ({"machine": {"emf_harmonics": [{"order": 5, "amplitude_percent": 3.0}]}}, 3.0),
}  # fmt: skip
# What measured signals cannot tell so closely, or not at all.
# Coarse steps leave orders by chance; where two phases were clipped at once the current is a guess.
_ALSO = {"current_steps": {"emf_harmonics"}, "current_clipping": {"current_noise"}, "encoder_lines": {"angle_offset"}}
_ROUGH = {"current_lag": 0.15, "emf_harmonics": 0.25, "current_noise": 0.25, "link_noise": 0.25}


def first_number(words):
    return float(re.search(r"[-+]?\d+\.?\d*(e[-+]?\d+)?", words).group())


@pytest.mark.parametrize("key", SIZES)
def test_a_single_imperfection_is_found_with_its_size(key, run_scenario):
    tables, expected = SIZES[key]
    recording = run_scenario(**{"commands": CURRENTS, "run": {"duration_s": 0.2}} | tables)
    told = explain_recording(recording)
    assert told.findings[0].cause == key
    assert first_number(told.findings[0].size) == pytest.approx(expected, rel=max(0.06, _ROUGH.get(key, 0.0)))
    first, *others = told.guesses.guesses
    assert {one.cause.key for one in others} <= _ALSO.get(key, set())
    assert key in {first.cause.key, first.twin and first.twin.key}
    assert np.isnan(first.share) or first.share > 0.99
    if first.cause.key == key:
        assert first_number(first.size) == pytest.approx(expected, rel=_ROUGH.get(key, 0.12))


@pytest.mark.parametrize("key", ["resolver_offset", "resolver_amplitude", "resolver_quadrature"])
def test_behind_a_slow_tracking_loop_a_resolver_s_size_is_found_all_the_same(key, run_scenario):
    # 3000 rpm: the second multiple of two pole pairs is 200 Hz, the loop's own frequency.
    tables, expected = SIZES[key]
    position = tables["sensors"]["position"] | {"tracking_natural_frequency_Hz": 200.0}
    told = explain_recording(
        run_scenario(sensors={"position": position}, commands=CURRENTS, load={"speed_rpm": 3000.0}, run={"duration_s": 0.2})
    )
    (found,), (guess,) = told.findings, told.guesses.guesses
    assert found.cause == guess.cause.key == key and guess.share > 0.99
    assert first_number(found.size) == pytest.approx(expected, rel=0.05) == first_number(guess.size)


@pytest.mark.parametrize("key", ["dead_time", "device_drop"])
def test_a_clamping_modulator_tells_dead_time_from_drops(key, run_scenario):
    # A leg that does not switch loses nothing to dead time, and its device's drop all the same.
    inverter = {"modulation": "dpwm1"} | SIZES[key][0]["inverter"]
    told = explain_recording(run_scenario(inverter=inverter, commands=CURRENTS, run={"duration_s": 0.2}))
    first = told.guesses.guesses[0]
    assert (first.cause.key, first.twin) == (key, None) and told.findings[0].cause == key
    assert first_number(first.size) == pytest.approx(SIZES[key][1], rel=0.05)


@pytest.mark.parametrize(
    ("wrong", "expected", "words"),
    [
        # Counts of 0.18 deg on four pole pairs; 505 lines believed of 500 lag by 5/505 of a turn at its end.
        ({"lost_counts_per_turn": 6}, 6 * 360.0 / 2000 * 4, "electrical for a part of the turn"),
        ({"believed_lines": 505}, 360.0 * 4 * 5 / 505, "electrical by the turn's end"),
    ],
)
def test_an_encoder_that_counts_wrong_is_found_with_its_size(wrong, expected, words, run_scenario):
    position = {"kind": "encoder", "lines": 500} | wrong
    told = explain_recording(run_scenario(sensors={"position": position}, commands=CURRENTS, run={"duration_s": 0.2}))
    first = told.guesses.guesses[0]
    assert told.findings[0].cause == first.cause.key == "encoder_counts" and first.size.endswith(words)
    assert first_number(first.size) == pytest.approx(expected, rel=0.1) and first.share > 0.9


def test_dropped_pulses_are_found_with_their_length(run_scenario):
    inverter = {"modulation": "dpwm_min", "minimum_pulse_s": 6e-6}
    told = explain_recording(run_scenario(inverter=inverter, commands=CURRENTS, run={"duration_s": 0.2}))
    found, guess = told.findings[0], told.guesses.guesses[0]
    assert found.cause == guess.cause.key == "minimum_pulse" and guess.share > 0.99
    for size in (found.size, guess.size):
        assert size.endswith(" us") and first_number(size) == pytest.approx(6.0, rel=0.2)


def test_a_slipped_encoder_is_told_to_less_than_its_count(run_scenario):
    # 200 lines make counts of 1.8 deg electrical; the middle of a count is the best guess.
    position = {"kind": "encoder", "lines": 200, "mounting_offset_deg": 6.0}
    told = explain_recording(run_scenario(sensors={"position": position}, commands=CURRENTS, run={"duration_s": 0.2}))
    size = next(one.size for one in told.guesses.guesses if one.cause.key == "angle_offset")
    assert first_number(size) == pytest.approx(6.0, abs=0.5)
    assert {one.cause for one in told.findings} == {"angle_offset", "encoder_lines"}


@pytest.mark.parametrize("key", ["current_gain", "dead_time", "resolver_amplitude"])
def test_one_control_update_a_period_is_understood(key, run_scenario):
    tables, expected = SIZES[key]
    inverter = {"update": "single"} | tables.get("inverter", {})
    told = explain_recording(run_scenario(**tables | {"inverter": inverter, "commands": CURRENTS, "run": {"duration_s": 0.2}}))
    (guess,) = told.guesses.guesses
    assert key == guess.cause.key == told.findings[0].cause and guess.share > 0.99
    assert first_number(guess.size) == pytest.approx(expected, rel=0.05)


def test_the_short_explanation_looks_at_the_last_window_alone(run_scenario):
    commands = {"id_A": 0.0, "iq_A": [[0.0, 50.0], [0.3, 100.0]]}
    recording = run_scenario(commands=commands, run={"duration_s": 0.6}, sensors={"current": {"offset_A": [1.5, 0.0, 0.0]}})
    whole, short = explain_recording(recording), explain_recording(recording, short=True)
    assert len(whole.windows) == 2 and [w.to_s for w in short.windows] == [whole.windows[-1].to_s]
    assert short.guesses.guesses == [] and short.findings == whole.findings


def test_cogging_is_found_by_its_torque_alone(run_scenario):
    recording = run_scenario(machine={"cogging": [{"order": 24, "torque_Nm": 0.5}]}, commands=CURRENTS, run={"duration_s": 0.2})
    told = explain_recording(recording)
    assert [one.cause for one in told.findings] == ["cogging"]
    assert first_number(told.findings[0].size) == pytest.approx(0.5, rel=0.01)
    # The machine's voltages are not touched.
    assert told.guesses.guesses == [] and "closes" in told.guesses.why_none


def test_two_imperfections_are_both_found(run_scenario):
    position = {"kind": "resolver", "pole_pairs": 1, "amplitude_imbalance": 0.02, "tracking_natural_frequency_Hz": 1000.0}
    recording = run_scenario(commands=CURRENTS, run={"duration_s": 0.3}, sensors={"position": position},
                             inverter={"dead_time_s": 2e-6}, machine=MACHINE_D | {"replace": True})  # fmt: skip
    told = explain_recording(recording)
    assert {one.cause for one in told.findings} == {"dead_time", "resolver_amplitude"}
    assert {one.cause.key for one in told.guesses.guesses} == {"dead_time", "resolver_amplitude"}


def test_dead_time_is_also_told_as_time(run_scenario):
    told = explain_recording(run_scenario(inverter={"dead_time_s": 2e-6}, commands=CURRENTS, run={"duration_s": 0.2}))
    assert told.findings[0].size == "8 V a leg, 2 us"
    assert told.guesses.guesses[0].size == "8 V a leg, as of 2 us of dead time"


def test_the_nearest_rival_is_another_cause_than_the_first(run_scenario):
    position = RESOLVER | {"pole_pairs": 4, "amplitude_imbalance": 0.01, "quadrature_error_deg": 0.5, "offset_sin": 0.005}
    slow = {"load": {"speed_rpm": 150.0}, "run": {"duration_s": 0.5}}
    recording = run_scenario(sensors={"position": position}, commands=CURRENTS, **slow)
    guesses = explain_recording(recording).guesses
    found = {one.cause.key for one in guesses.guesses}
    assert found == {"resolver_quadrature", "resolver_amplitude", "resolver_offset"}
    assert guesses.next_best[0].key != guesses.guesses[0].cause.key and guesses.next_best[1] < 1.0


def test_dead_time_is_measured_by_the_true_current_s_sign(run_scenario):
    # An offset of a quarter of the current moves its zero crossings by 14 deg as the controller sees them.
    recording = run_scenario(
        sensors={"current": {"offset_A": [15.0, 0.0, 0.0]}}, inverter={"dead_time_s": 2e-6},
        commands={"id_A": 0.0, "iq_A": 40.0}, run={"duration_s": 0.3},
    )  # fmt: skip
    guesses = {one.cause.key: one for one in explain_recording(recording).guesses.guesses}
    assert {"dead_time", "current_offset"} <= set(guesses) <= {"dead_time", "current_offset", "emf_harmonics"}
    assert first_number(guesses["dead_time"].size) == pytest.approx(8.0, rel=0.03)
    assert first_number(guesses["current_offset"].size) == pytest.approx(10.0, rel=0.03)


def test_torque_ripple_of_an_offset_is_that_of_the_closed_form(run_scenario):
    # With Ld = Lq an offset vector of length I ripples the torque by 1.5 p psi I at order 1: its rms over sqrt 2.
    recording = run_scenario(
        machine=MACHINE_D | {"replace": True}, commands={"id_A": 0.0, "iq_A": 100.0}, run={"duration_s": 0.4},
        load={"speed_rpm": 300.0}, sensors={"current": {"offset_A": [1.5, 0.0, 0.0]}},
    )  # fmt: skip
    told = explain_recording(recording)
    expected = 1.5 * 4 * 0.06 * 1.0
    assert told.findings[0].ripple_Nm == pytest.approx(expected / np.sqrt(2.0), rel=0.02)
    assert told.contents[-1].row(Fraction(1))["torque_Nm"] == pytest.approx(expected, rel=0.02)


def test_nothing_wrong_is_told_as_nothing(run_scenario):
    told = explain_recording(run_scenario(commands=CURRENTS, run={"duration_s": 0.2}, machine=MACHINE_E))
    assert told.findings == [] and told.guesses.guesses == [] and told.switched_on() == []
    assert all(content.seen == () for content in told.contents)
