"""Entry into an active short circuit at speed: sudden, or after the current has been led to -psi/Ld.

Sudden: references of tests/reference (flux equations solved independently; Welchko et al., 2003 [M]).  Led: the flux decays to
zero, so that the d current goes from its start to -psi/Ld and not beyond (derived here).
"""

import math

import numpy as np
import pytest
from safety_cases import LD, LQ, PSI, run

CHARACTERISTIC_A = PSI / LD  # 350 A
TOLD_s = 0.02


def shorted(entry, id_A=0.0, iq_A=0.0, speed_rpm=6000.0, demagnetisation_A=None, **more):
    """A short that is asked for at 20 ms, by a link that should have been empty."""
    machine = {"demagnetisation_current_A": demagnetisation_A} if demagnetisation_A else {}
    return run(
        machine=machine,
        load={"speed_rpm": speed_rpm},
        supply={"voltage_V": 1200},
        commands={"id_A": id_A, "iq_A": iq_A},
        run={"duration_s": 0.05, "substeps": 4},
        safety={
            "link_discharge": {"opened_at_s": 0.01, "within_s": 0.01, "reaction": "active_short_low"},
            "active_short": {"entry": entry, **more},
        },
    )  # fmt: skip


@pytest.mark.parametrize(
    "start, id_A, iq_A, least_A",
    [("no load", 0.0, 0.0, -685.6255), ("full torque", -242.456329, 318.142938, -1259.5008)],
)
def test_a_sudden_short_swings_as_deep_as_the_flux_equations_say(start, id_A, iq_A, least_A, verified):
    found = shorted("direct", id_A, iq_A)
    verified(
        f"least d current after a short by the monitor at 6000 rpm from {start}",
        "flux equations solved independently; Welchko et al., IEEE TEC 18, 2003 [M]", least_A,
        found.monitor["id_min_in_safe_state_A"], 12.0, "A",
    )  # fmt: skip
    assert found.monitor["id_min_in_safe_state_A"] == pytest.approx(found["id_A"].min(), abs=1e-9)
    assert found.monitor["id_min_at_s"] == pytest.approx(found.time_s[found["id_A"].argmin()], abs=1e-9)


@pytest.mark.parametrize("speed_rpm", [6000.0, -6000.0])
@pytest.mark.parametrize("id_A, iq_A", [(0.0, 0.0), (-242.456329, 318.142938), (-100.0, -300.0)])
def test_a_led_current_ends_at_the_characteristic_current_without_a_swing(id_A, iq_A, speed_rpm):
    found = shorted("shaped", id_A, iq_A, speed_rpm)
    states = [state["state"] for state in found.monitor["states"]]
    assert states == ["short_entry", "active_short_low"]
    assert -1.2 * CHARACTERISTIC_A < found.monitor["id_min_in_safe_state_A"] < -0.95 * CHARACTERISTIC_A
    assert found["id_A"][-1] == pytest.approx(-CHARACTERISTIC_A, rel=0.05)  # 5 % of the flux is left


def test_the_flux_decays_at_its_bandwidth_while_it_is_led():
    """psi' = -alpha psi: after 1 ms at 200 Hz exp(-0.4 pi) of it is left; the delay of one update is waited for first."""
    found = shorted("shaped", bandwidth_Hz=200.0)
    flux = np.hypot(PSI + LD * found["id_A"], LQ * found["iq_A"])
    begun = found.monitor["states"][0]["at_s"] + 50e-6
    left = np.interp(begun + 1e-3, found.time_s, flux) / np.interp(begun, found.time_s, flux)
    assert left == pytest.approx(math.exp(-2.0 * math.pi * 200.0 * 1e-3), abs=0.02)


def test_leading_ends_after_its_longest_time():
    found = shorted("shaped", bandwidth_Hz=1.0, shaping_s=2e-3)
    led, short = found.monitor["states"]
    assert short["state"] == "active_short_low" and short["at_s"] - led["at_s"] == pytest.approx(2e-3, abs=51e-6)


def test_a_check_that_doubts_the_sensors_shorts_at_once():
    found = run(
        load={"speed_rpm": 6000.0}, supply={"voltage_V": 700}, run={"duration_s": 0.02},
        sensors={"current": {"offset_A": [60.0, 0.0, 0.0]}},
        safety={"current_sum": {"reaction": "active_short_low"}, "active_short": {"entry": "shaped"}},
    )  # fmt: skip
    assert [state["state"] for state in found.monitor["states"]] == ["active_short_low"]


@pytest.mark.parametrize("limit_A, word", [(600.0, "BEYOND"), (800.0, "within")])
def test_the_deepest_d_current_is_told_beside_the_part_s_limit(limit_A, word):
    from simcore.report.monitor_lines import monitor_lines

    found = shorted("direct", demagnetisation_A=limit_A)
    assert found.monitor["demagnetisation_limit_A"] == -limit_A
    text = "\n".join(monitor_lines(found.monitor))
    assert f"{word} the part's demagnetisation limit of -{limit_A:.0f} A" in text
    assert "not STO" in text and "ISO 26262" in text
