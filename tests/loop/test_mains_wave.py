"""The mains wave at the right instant: a rectifier behind a resistance against an independent solution of its circuit."""

import math

import numpy as np
from scipy.integrate import solve_ivp

LINE_V, OHM, FARAD, LOAD_W = 280.0, 2.0, 100e-6, 1500.0


def source(t):
    """Largest of the six line-line voltages, u_ab at its crest at time zero."""
    return max(abs(math.sqrt(2.0) * LINE_V * math.cos(100.0 * math.pi * t + k * math.pi / 3.0)) for k in range(3))


def test_the_link_follows_the_mains_without_lag(run_scenario):
    """C dv/dt = max(source - v, 0)/R - P/v; a mains wave late by one solver step of 50 us would be off by up to 3 V."""
    recording = run_scenario(
        supply={"replace": True, "kind": "rectifier", "line_voltage_V": LINE_V, "resistance_ohm": OHM, "auxiliary_W": LOAD_W},
        inverter={"link_capacitance_F": FARAD}, machine={"magnet_flux_Wb": 1e-9}, load={"replace": True, "kind": "locked"},
        controller={"replace": True, "mode": "voltage"}, commands={"replace": True, "vd_V": 0.0},
        run={"duration_s": 0.025, "substeps": 1},
    )  # fmt: skip
    time_s = recording.time_s
    rate = lambda t, v: (max(source(t) - v[0], 0.0) / OHM - LOAD_W / v[0]) / FARAD  # noqa: E731
    start = [recording["link_voltage_V"][0]]
    answer = solve_ivp(rate, (0.0, time_s[-1]), start, t_eval=time_s, max_step=2e-5, rtol=1e-8)
    settled = time_s > 0.005
    assert np.ptp(answer.y[0][settled]) > 20.0
    off = recording["link_voltage_V"][settled] - answer.y[0][settled]
    # A step in which conduction begins or ends is off by some tenths, and RC forgets it.
    assert np.max(np.abs(off)) < 1.0 and np.median(np.abs(off)) < 0.1
