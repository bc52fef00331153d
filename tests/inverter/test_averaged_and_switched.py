"""The averaged model is what the switched one tends to: same duties, same currents at the ends of ticks, ripple in between."""

import math
from functools import cache

import numpy as np
import pytest
from duty_source import run_duties

VDC, OMEGA_E = 400.0, 2.0 * math.pi * 100.0
SHIFTS = np.array([0.0, 2.0 * math.pi / 3.0, -2.0 * math.pi / 3.0])
SALIENT = {
    "pole_pairs": 1, "stator_resistance_ohm": 0.05, "inductance_d_H": 0.4e-3, "inductance_q_H": 0.9e-3, "magnet_flux_Wb": 0.1,
}  # fmt: skip
LENGTH_S = 0.02


@cache
def run(model, fs_Hz, shift_s=0.0, step_s=None, **inverter):
    """Salient magnet machine at 100 Hz, sine duties sampled every tick => Recording of 20 ms."""
    tick_s = 0.5 / fs_Hz

    def duties(update):
        return 0.5 - 0.19 * np.sin(OMEGA_E * (update + 0.5) * tick_s - SHIFTS + 0.15)

    return run_duties(
        duties,
        machine=SALIENT,
        inverter={"model": model, "switching_frequency_Hz": fs_Hz, **inverter},
        supply={"voltage_V": VDC},
        load={"kind": "rig", "speed_rpm": 6000},
        sensors={"current": {"sample_shift_s": shift_s}},
        run={"duration_s": LENGTH_S, "substeps": 8},
        scope=[{"from_s": 0.015, "to_s": LENGTH_S, "step_s": step_s}] if step_s else [],
    )


def worst_difference(fs_Hz):
    """=> largest distance of the current vectors at starts of carrier periods [A]."""
    averaged, switched = run("averaged", fs_Hz), run("switched", fs_Hz)
    distance = np.hypot(averaged["id_A"] - switched["id_A"], averaged["iq_A"] - switched["iq_A"])
    return np.max(distance[::2])


def test_difference_at_carrier_periods_falls_with_the_square_of_the_carrier_frequency():
    """What is left comes from resistance and rotation acting on the ripple, whose mean over a symmetrical pulse is zero."""
    differences = [worst_difference(fs_Hz) for fs_Hz in (4000, 8000, 16000, 32000)]
    orders = np.log2(np.array(differences[:-1]) / differences[1:])
    assert differences[0] < 1.0 and differences[-1] < 0.02
    assert np.all(orders > 1.7), orders


def test_ripple_vanishes_at_carrier_peaks_and_valleys():
    """Ripple of more than two amperes inside the tick, a fiftieth of it at its ends (current sampled there is the mean)."""
    averaged = run("averaged", 10000, step_s=1e-6).scopes[0]
    switched = run("switched", 10000, step_s=1e-6).scopes[0]
    ripple = switched["id_A"] - averaged["id_A"] + 1j * (switched["iq_A"] - averaged["iq_A"])
    at_ends = np.abs(ripple[::50])
    assert np.max(np.abs(ripple)) > 2.0
    assert np.max(at_ends) < 0.02 * np.max(np.abs(ripple))


def test_means_over_a_tick_agree():
    """Volt-seconds of a tick are the duty's, wherever the pulse lies."""
    averaged, switched = run("averaged", 10000), run("switched", 10000)
    for name in ("va_V", "vb_V", "vc_V"):
        assert switched[name] == pytest.approx(averaged[name], abs=1e-9), name


@pytest.mark.parametrize("model", ["averaged", "switched"])
def test_shifted_samples_are_the_currents_of_that_instant(model):
    """sample_shift_s = 15 us: what the controller sees is what the scope shows 15 us after the tick."""
    recording = run(model, 10000, shift_s=15e-6, step_s=5e-6)
    scope = recording.scopes[0]
    first = round(0.015 / 50e-6)
    for seen, true in (("controller_ia_A", "ia_A"), ("controller_ib_A", "ib_A"), ("id_measured_A", "id_A")):
        assert recording[seen][first:] == pytest.approx(scope[true][3::10], abs=1e-9), (seen, true)


def test_ripple_aliases_into_samples_as_the_instant_moves():
    """Ripple at the sample: next to nothing at the tick, growing as the instant moves away from it."""
    seen = []
    for shift_s in (0.0, 2e-6, 5e-6, 12e-6):
        switched, averaged = run("switched", 10000, shift_s=shift_s), run("averaged", 10000, shift_s=shift_s)
        error = switched["iq_measured_A"] - averaged["iq_measured_A"]
        seen.append(np.sqrt(np.mean(error[200:] ** 2)))
    assert seen[0] < 0.05
    assert np.all(np.diff(seen) > 0.1)


def test_shifting_the_sample_does_not_touch_the_plant():
    """Open loop: the instant of sampling changes what is seen, not what happens (it splits solver steps: 1e-7 A)."""
    plain, shifted = run("switched", 10000), run("switched", 10000, shift_s=13e-6)
    assert shifted["ia_A"] == pytest.approx(plain["ia_A"], abs=1e-6)
