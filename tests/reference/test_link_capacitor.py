"""Current stress of the link capacitor: a switched drive in current mode against the closed form.

Source: J. W. Kolar, S. D. Round, IEE Proc. Electr. Power Appl. 153(4), 2006, 535-543 (volume and pages from memory):
I_C = I sqrt(2 M (sqrt3/(4 pi) + cos^2(phi) (sqrt3/pi - 9 M/16))) with I the phase current's rms, whatever the zero sequence;
mean link current 3/(2 sqrt2) M cos(phi) I.  It neglects the ripple of the phase currents and of the link.
"""

import cmath
import math

import numpy as np
import pytest
from point_of_load import drive_at

from simcore import Bench
from simcore.scenario.reader import scenario_from

KOLAR = "Kolar, Round, IEE Proc. EPA 153, 2006 [M]"
VDC, CURRENT, F1_HZ, FS_HZ = 400.0, 100.0, 50.0, 10000.0
INDUCTANCE, RESISTANCE = 10e-3, 0.01
# A crossover of 200 Hz, and an integral that forgets the start within 6 ms.
GAINS = {"kp_d_V_per_A": 12.0, "kp_q_V_per_A": 12.0, "ki_d_V_per_As": 2000.0, "ki_q_V_per_As": 2000.0}
# No whole fraction of a tick: the scope then meets the edges of each carrier period elsewhere.
STEP_S = 0.25e-6 * 1.0618034
# Zero sequences that reach M: sine up to 1, the others up to 2/sqrt(3).
KINDS = ("sine", "svpwm", "dpwm1")

# I_C / I by M, for cos(phi) = 0, 0.5, 0.8, 0.9, 1 (closed form, checked by integration of sine, SVPWM and DPWM1).
COSINES = (0.0, 0.5, 0.8, 0.9, 1.0)
STRESS = {
    0.2: (0.234804, 0.314668, 0.409235, 0.444200, 0.480275),
    0.4: (0.332063, 0.418965, 0.526637, 0.567210, 0.609368),
    0.6: (0.406692, 0.479111, 0.574125, 0.610934, 0.649610),
    0.8: (0.469608, 0.510943, 0.569467, 0.593173, 0.618593),
    1.0: (0.525038, 0.519691, 0.511239, 0.507511, 0.503311),
    1.15: (0.563040, 0.511933, 0.419965, 0.372843, 0.311862),
}
# Every cell once, the zero sequences in turn; three cells with each of them.
CELLS = [(depth, at, KINDS[(row + at) % 3]) for row, depth in enumerate(STRESS) for at in range(5)]
CELLS = [(depth, at, "svpwm" if depth > 1.0 and kind == "sine" else kind) for depth, at, kind in CELLS]
CELLS += [(depth, 3, kind) for depth in (0.4, 0.8, 1.0) for kind in KINDS if (depth, 3, kind) not in CELLS]


def at_point(depth, phase_rad, kind, resistance_ohm=0.0, inductance_H=0.0, capacitance_F=1e-3):
    """(M, lag of the current, modulator, supply's choke) => Recording in current mode, its scope over a fundamental period."""
    flux, current = drive_at(depth, phase_rad, vdc=VDC, current_A=CURRENT, f1_Hz=F1_HZ, inductance_H=INDUCTANCE,
                             resistance_ohm=RESISTANCE)  # fmt: skip
    document = {
        "machine": {
            "kind": "constants", "pole_pairs": 1, "stator_resistance_ohm": RESISTANCE, "inductance_d_H": INDUCTANCE,
            "inductance_q_H": INDUCTANCE, "magnet_flux_Wb": flux, "max_current_A": 200, "max_speed_rpm": 10000,
        },
        "inverter": {
            "switching_frequency_Hz": FS_HZ, "model": "switched", "modulation": kind, "link_capacitance_F": capacitance_F,
        },
        "supply": {"kind": "source", "voltage_V": VDC, "resistance_ohm": resistance_ohm, "inductance_H": inductance_H},
        "load": {"kind": "rig", "speed_rpm": 60.0 * F1_HZ},
        "controller": {"mode": "current", "tuning": GAINS},
        "commands": {"id_A": current.real, "iq_A": current.imag},
        "initial": {"id_A": current.real, "iq_A": current.imag},
        "run": {"duration_s": 0.06},
        "scope": [{"from_s": 0.04, "to_s": 0.06, "step_s": STEP_S}],
    }  # fmt: skip
    recording = Bench(scenario_from(document, path="link.toml")).run()
    # The drive stands where the formula is asked: M and phi from vd, vq, id, iq.
    v, i = (complex(mean(recording, f"{x}d_{unit}"), mean(recording, f"{x}q_{unit}")) for x, unit in (("v", "V"), ("i", "A")))
    assert abs(v) / (0.5 * VDC) == pytest.approx(depth, rel=5e-5)
    assert math.cos(cmath.phase(v) - cmath.phase(i)) == pytest.approx(math.cos(phase_rad), abs=1e-5)
    assert abs(i) == pytest.approx(CURRENT, rel=1e-5)
    return recording, recording.scopes[0]


def mean(recording, signal):
    return recording.measure(signal, "mean", from_s=0.04, to_s=0.06)


def capacitor_share(recording, scope):
    """=> rms of what a capacitor across a stiff link would carry, over the phase current's rms."""
    ripple = np.mean(scope["link_current_A"] ** 2) - mean(recording, "link_current_A") ** 2
    return math.sqrt(ripple) / (CURRENT / math.sqrt(2.0))


@pytest.mark.parametrize("depth, at, kind", CELLS)
def test_capacitor_current_of_a_switched_run(verified, depth, at, kind):
    expected = STRESS[depth][at]
    what = f"link capacitor current over phase current (rms), M = {depth}, cos(phi) = {COSINES[at]}, switched"
    found = capacitor_share(*at_point(depth, math.acos(COSINES[at]), kind))
    verified(what, KOLAR, expected, found, 2e-3 * expected, row=at in (0, 3))


@pytest.mark.parametrize("depth, at, kind", CELLS[::4])
def test_mean_link_current(verified, depth, at, kind):
    recording, scope = at_point(depth, math.acos(COSINES[at]), kind)
    expected = 3.0 / (2.0 * math.sqrt(2.0)) * depth * COSINES[at]
    found = mean(recording, "link_current_A") / (CURRENT / math.sqrt(2.0))
    what = f"mean link current over phase current (rms), M = {depth}, cos(phi) = {COSINES[at]}, switched"
    verified(what, KOLAR, expected, found, 5e-5, row=at == 3)
    assert np.mean(scope["link_current_A"]) == pytest.approx(mean(recording, "link_current_A"), abs=5e-4 * CURRENT)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_it_depends_on_the_square_of_the_cosine(sign):
    """A leading current and a braking drive stress the capacitor alike; the braking one returns its mean."""
    lag = sign * math.acos(0.8)
    driving, braking = at_point(0.8, lag, "svpwm"), at_point(0.8, math.pi - lag, "svpwm")
    for run in (driving, braking):
        assert capacitor_share(*run) == pytest.approx(STRESS[0.8][2], rel=2e-3)
    means = [mean(recording, "link_current_A") for recording, _ in (driving, braking)]
    assert means == pytest.approx([48.0, -48.0], abs=0.01)


def test_total_current_of_the_inverters_input(verified):
    """M = 0.8, cos(phi) = 0.9: 0.966982 of the phase current's rms, ripple and mean together (closed form)."""
    _, scope = at_point(0.8, math.acos(0.9), "svpwm")
    found = math.sqrt(np.mean(scope["link_current_A"] ** 2)) / (CURRENT / math.sqrt(2.0))
    what = "inverter input current over phase current (rms), M = 0.8, cos(phi) = 0.9, switched"
    verified(what, KOLAR, 0.966982, found, 1e-3)


@pytest.mark.parametrize("kind", KINDS)
def test_a_capacitor_behind_a_choke_carries_it(kind):
    """The mean comes through the choke, the rest out of the capacitor: what the link takes less what the supply gives."""
    recording, scope = at_point(0.8, math.acos(0.9), kind, resistance_ohm=0.05, inductance_H=100e-6)
    capacitor = scope["link_current_A"] - scope["supply_current_A"]
    assert abs(np.mean(capacitor)) < 0.05
    # The choke's share of the ripple at 20 kHz: 1/((2 pi 20 kHz)^2 L C) = 6e-4.
    expected = STRESS[0.8][3] * CURRENT / math.sqrt(2.0)
    assert np.sqrt(np.mean(capacitor**2)) == pytest.approx(expected, rel=5e-3)
    assert np.ptp(scope["link_voltage_V"]) < 0.01 * VDC


def test_the_table_is_the_closed_form():
    """Guards the table above, not the simulator."""
    for depth, row in STRESS.items():
        for cosine, expected in zip(COSINES, row, strict=True):
            inner = math.sqrt(3.0) / (4.0 * math.pi) + cosine**2 * (math.sqrt(3.0) / math.pi - 9.0 * depth / 16.0)
            assert math.sqrt(2.0 * depth * inner) == pytest.approx(expected, abs=1e-6)
