"""What a trip does: the states, their physics, the choice by speed, ramp, latch and restart."""

import math

import numpy as np
import pytest
from safety_cases import LD, LQ, PSI, P, R, blank_records, run, trip

from simcore.safety.monitor_reactions import choose, strongest
from simcore.safety.monitor_records import CHECKS, GATES_OFF, REACTIONS, SHORT_LOW

WELCHKO = "Welchko et al., IEEE TEC 18, 2003 [M]; closed form"
RAD_S = math.pi / 30.0


def names(recording):
    """=> states in the order in which they came, from the monitor's notes."""
    return [state["state"] for state in recording.monitor["states"]]


def code(recording, name):
    return {state: number for number, state in recording.state_names.items()}[name]


def shorted(speed_rpm):
    """id = -w^2 Lq psi/D, iq = -w R psi/D, D = R^2 + w^2 Ld Lq, long after terminals were shorted; and the torque."""
    w = P * speed_rpm * RAD_S
    d = R * R + w * w * LD * LQ
    id_A, iq_A = -w * w * LQ * PSI / d, -w * R * PSI / d
    return id_A, iq_A, 1.5 * P * ((PSI + LD * id_A) * iq_A - LQ * iq_A * id_A)


def over_current(reaction, speed_rpm, duration_s=0.4, record_every=4, **tables):
    """A current step to 200 A meets a limit of 150 A."""
    check = {"overcurrent": {"threshold_A": 150.0, "debounce_s": 0.0, "reaction": reaction}}
    return run(
        load={"speed_rpm": speed_rpm},
        supply={"voltage_V": 700},
        commands={"id_A": 0.0, "iq_A": [[0.0, 0.0], [0.01, 200.0]]},
        run={"duration_s": duration_s, "substeps": 4, "record_every": record_every},
        **{"safety": check, **tables},
    )


@pytest.mark.parametrize("side", ["low", "high"])
@pytest.mark.parametrize("speed_rpm", [101.1613, 6000.0])
def test_an_active_short_settles_at_its_closed_form(side, speed_rpm, verified):
    found = over_current(f"active_short_{side}", speed_rpm, duration_s=0.8)
    expected = dict(zip(("id_A", "iq_A", "torque_Nm"), shorted(speed_rpm), strict=True))
    for signal, value in expected.items():
        verified(
            f"{signal} of an active short circuit at {speed_rpm:g} rpm, entered by the monitor", WELCHKO, value,
            found[signal][-1], max(2e-3 * abs(value), 0.05), signal.rpartition("_")[2],
        )  # fmt: skip
    assert names(found) == [f"active_short_{side}"]
    duty = 0.0 if side == "low" else 1.0
    shorted_rows = found["state"] == code(found, f"active_short_{side}")
    assert shorted_rows.sum() > 100 and set(found["duty_a"][shorted_rows]) == {duty}


def test_an_active_short_brakes_most_where_the_closed_form_says(verified):
    """93.4 Nm at 101 rpm."""
    found = over_current("active_short_low", 101.1613, duration_s=0.8)
    verified("braking torque of an active short circuit at 101 rpm", WELCHKO, -93.435396, found["torque_Nm"][-1], 0.02, "Nm")


def test_gates_off_below_the_onset_leaves_no_current():
    found = over_current("gates_off", 3000.0, duration_s=0.05)
    late = found.time_s > 0.02
    assert names(found) == ["gates_off"]
    assert np.abs(found["ia_A"][late]).max() < 1e-6 and np.abs(found["torque_Nm"][late]).max() < 1e-6
    assert set(found["state"][late]) == {code(found, "gates_off")}
    assert {found.tripped_names[int(one)] for one in found["tripped_by"][late]} == {"overcurrent"}


def test_a_report_changes_nothing():
    found = over_current("report", 3000.0, duration_s=0.05)
    plain = over_current("report", 3000.0, duration_s=0.05, safety={"overspeed": {}})
    assert trip(found, "overcurrent") and not plain.monitor["trips"]
    for signal in ("id_A", "iq_A", "torque_Nm", "duty_a"):
        assert np.array_equal(found[signal], plain[signal])
    assert set(found["state"]) == {0.0}


# A link sensor that reads 200 V too much trips over-voltage from the first sample on.
MISREAD = {"link_voltage": {"offset_V": 200.0}}


def test_the_safe_state_follows_the_speed_with_hysteresis():
    """Above 3000 rpm short, below 2000 rpm off: up to 4000 rpm and down again, 1000 rpm each 10 ms."""
    found = run(
        sensors=MISREAD,
        supply={"voltage_V": 700},
        load={"speed_rpm": {"shape": "linear", "points": [[0.0, 1000.0], [0.03, 4000.0], [0.06, 1000.0]]}},
        run={"duration_s": 0.06},
        safety={
            "link_overvoltage": {"debounce_s": 0.0, "threshold_V": 850.0},
            "safe_state": {"active_short_above_rpm": 3000.0, "gates_off_below_rpm": 2000.0},
        },
    )  # fmt: skip
    assert names(found) == ["gates_off", "active_short_low", "gates_off"]
    short, off = (state["at_s"] for state in found.monitor["states"][1:])
    assert short == pytest.approx(0.02, abs=51e-6) and off == pytest.approx(0.05, abs=51e-6)


def test_in_the_band_the_choice_stays_what_it_was():
    safety, monitor = blank_records()
    safety["short_above_rpm"], safety["gates_below_rpm"], safety["short_side"] = 3000.0, 2000.0, SHORT_LOW
    chosen = []
    for speed_rpm in (2500.0, -2999.0, 3001.0, -2500.0, 2001.0, 1999.0, 2500.0):
        monitor["speed_rpm"] = speed_rpm
        chosen.append(choose.py_func(safety, monitor))
    off, short = GATES_OFF, SHORT_LOW
    assert chosen == [off, off, short, short, short, off, off]


def test_of_several_reactions_the_strongest_acts():
    order = [REACTIONS.index(name) for name in ("report", "derate", "ramp_down", "gates_off", "safe_state", "active_short_low")]
    assert order == sorted(order)
    for weak in range(len(CHECKS)):
        strong = (weak + 1) % len(CHECKS)
        safety, monitor = blank_records(
            **{CHECKS[weak]: {"reaction": order[2]}, CHECKS[strong]: {"reaction": order[3]}}
        )
        assert strongest.py_func(safety, monitor) == (0, -1)
        monitor["checks"][weak]["tripped"] = 1
        assert strongest.py_func(safety, monitor) == (order[2], weak)
        monitor["checks"][strong]["tripped"] = 1
        assert strongest.py_func(safety, monitor) == (order[3], strong)


def ramped(then, time_s=0.02, speed_rpm=1000.0, **tables):
    check = {"overcurrent": {"threshold_A": 150.0, "debounce_s": 0.0, "reaction": "ramp_down"},
             "ramp_down": {"time_s": time_s, "then": then}}  # fmt: skip
    return over_current("ramp_down", speed_rpm, duration_s=0.06, record_every=1, safety=check, **tables)


@pytest.mark.parametrize("then, last", [("hold", "ramp_down"), ("gates_off", "gates_off"), ("safe_state", "gates_off")])
def test_a_ramp_down_leads_the_request_along_a_line_to_zero(then, last):
    """200 A to none in 20 ms, read off the reference that the controller reports."""
    found = ramped(then)
    at = trip(found, "overcurrent")["at_s"]
    reference = np.interp(at + np.array([5e-3, 10e-3, 15e-3, 21e-3]), found.time_s, found["iq_reference_A"])
    # The controller sees the first cut request at the next sample.
    assert reference == pytest.approx([150.0, 100.0, 50.0, 0.0], abs=200.0 * 100e-6 / 20e-3)
    assert names(found)[-1] == last
    if last != "ramp_down":
        assert found.monitor["states"][-1]["at_s"] == pytest.approx(at + 0.02, abs=101e-6)


def test_derating_leaves_a_share_of_the_request():
    """Tripped by 200 A, let go below 150 A: the request is brought towards 40 % and back."""
    check = {"overcurrent": {"threshold_A": 150.0, "debounce_s": 0.0, "reaction": "derate"},
             "derating": {"torque_share": 0.4}, "ramp_down": {"time_s": 0.02}}  # fmt: skip
    found = over_current("derate", 1000.0, duration_s=0.1, record_every=1, safety=check)
    held = found["iq_A"][found.time_s > 0.03]
    assert held.max() < 170.0 and held.min() > 130.0
    assert {"running", "derating"} == set(names(found))
    assert found["iq_reference_A"].min() >= 0.4 * 200.0 or found["iq_reference_A"][0] == 0.0


# A drive that runs away to over-speed, is let go, and is braked by its load to standstill.
AWAY = {
    "machine": {"max_speed_rpm": 1000, "magnet_flux_Wb": 0.07},
    "load": {"replace": True, "kind": "free", "inertia_kg_m2": 0.01, "coulomb_Nm": 8.0,
             "torque_Nm": [[0.0, -100.0], [0.012, 0.0]]},
    "commands": {"iq_A": 5.0},
}  # fmt: skip


def away(restart, run_request=None, duration_s=0.4):
    commands = {"iq_A": 5.0} | ({"run_request": run_request} if run_request else {})
    limits = {"overspeed": {"threshold_rpm": 1000.0, "debounce_s": 0.0, "reaction": "gates_off"}}
    return run(**{**AWAY, "commands": commands}, run={"duration_s": duration_s}, safety={**limits, "restart": restart})


def test_a_latched_drive_stays_off_for_good():
    found = away({"rule": "never"})
    assert names(found) == ["gates_off"] and found.monitor["restarts"] == 0
    assert abs(found["speed_rpm"][-1]) < 1e-6 and found["iq_A"][-1] == pytest.approx(0.0, abs=1e-6)


def test_a_drive_comes_back_after_its_time_at_standstill():
    """The shaft slows down by friction alone, 8 Nm on 0.01 kg m2; 50 ms below 10 rpm, then it runs again."""
    found = away({"rule": "at_standstill", "after_s": 0.05, "below_rpm": 10.0})
    assert names(found) == ["gates_off", "running"] and found.monitor["restarts"] == 1
    back = found.monitor["states"][1]["at_s"]
    slow = found.time_s[np.flatnonzero((np.abs(found["speed_rpm"]) <= 10.0) & (found.time_s > 0.02))[0]]
    assert back == pytest.approx(slow + 0.05, abs=101e-6)
    assert found["iq_A"][-1] == pytest.approx(5.0, abs=0.05)


def test_a_drive_comes_back_when_it_is_asked_to():
    """run_request goes to 0 and back: once while the check still has something against it, once not."""
    request = [[0.0, 1], [0.02, 0], [0.03, 1], [0.3, 0], [0.35, 1]]
    found = away({"rule": "on_request"}, request)
    off = found.time_s[np.flatnonzero(found["speed_rpm"] > 1000.0)[-1]]
    assert names(found) == ["gates_off", "running"]
    assert found.monitor["states"][1]["at_s"] == pytest.approx(max(0.03, off + 50e-6), abs=101e-6)


def test_without_a_request_nothing_comes_back():
    assert names(away({"rule": "on_request"})) == ["gates_off"]
