"""Dead time in both inverter models against the square wave of Jeong and Park.

Source: S.-G. Jeong, M.-H. Park, IEEE Trans. Ind. Electron. 38(2), 1991, 108-114 (from memory): each leg loses dV = Td fs Vdc in
the direction of its current.  The harmonics of that square wave, phase to neutral and in dq, are derived beside the numbers.
"""

import cmath
import math
from functools import cache

import numpy as np
import pytest
from open_loop import component, constant_duties, run_duties, sine_duties

MODELS = ("averaged", "switched")
JEONG = "Jeong, Park, IEEE Trans. Ind. Electron. 38(2), 1991 [M]"
CASE = "dead time 2 us, 10 kHz, 400 V"
# The averaged model switches its sign inside a narrow band, the switched one at edges, once a carrier period.
F1_HZ, VDC, FS_HZ, DEAD_S = 10.0, 400.0, 10000.0, 2e-6
DV = 8.0
ROWS = 2000  # ticks a fundamental period
# A large reactance: fifth and seventh currents would shift the zero crossings (V5 / 5 omega L I = 0.3 %).
RESISTANCE, INDUCTANCE, CURRENT = 1.5, 40e-3, 60.0


@cache
def rotating(model):
    """(model) => one fundamental period, in rotation; the current of 60 A lies on the d axis.  Recording of its rows."""
    impedance = complex(RESISTANCE, 2.0 * math.pi * F1_HZ * INDUCTANCE)
    voltage = impedance * CURRENT + 4.0 / math.pi * DV  # what the dead time takes comes on top
    recording = run_duties(
        # Held over a tick: the voltage leads by half a tick so that its mean lies where it should.
        sine_duties(2.0 * abs(voltage) / VDC, F1_HZ, cmath.phase(voltage) + math.pi / ROWS),
        machine={"stator_resistance_ohm": RESISTANCE, "inductance_d_H": INDUCTANCE, "inductance_q_H": INDUCTANCE,
                 "max_current_A": 1.0},
        inverter={"switching_frequency_Hz": FS_HZ, "dead_time_s": DEAD_S, "model": model},
        supply={"voltage_V": VDC},
        load={"kind": "rig", "speed_rpm": 60.0 * F1_HZ},
        initial={"id_A": CURRENT},
        run={"duration_s": 0.2},
    )  # fmt: skip
    assert np.mean(recording["id_A"][ROWS:]) == pytest.approx(CURRENT, abs=0.05)
    assert np.mean(recording["iq_A"][ROWS:]) == pytest.approx(0.0, abs=0.05)
    return recording


def phase_error(recording, name, leg):
    """recording => voltage phase to neutral minus what the duties ask for, one period of tick means [V]."""
    duties = np.column_stack([recording[f"duty_{x}"] for x in "abc"])
    return (recording[name] - VDC * (duties[:, leg] - duties.mean(axis=1)))[ROWS:]


ANGLE = 2.0 * math.pi * (np.arange(ROWS) + 0.5) / ROWS
# Orders 1, 5, 7, 11 of phase voltage: 4/(h pi) dV.  Switched: the sign is taken once in 1000 carrier periods (0.5 % of h = 5).
PHASE_ORDERS = {1: 10.185916, 5: 2.037183, 7: 1.455131, 11: 0.925992}


@pytest.mark.parametrize("model, tolerance", [("averaged", 1e-3), ("switched", 1e-2)])
def test_phase_voltage_loses_a_square_wave_without_triplens(verified, model, tolerance):
    for leg, name in enumerate(("va_V", "vb_V", "vc_V")):
        error = phase_error(rotating(model), name, leg)
        for order, expected in PHASE_ORDERS.items():
            what = f"phase voltage error of order {order}, {CASE}, {model} inverter"
            verified(what, JEONG, expected, abs(component(error, ANGLE, order)), tolerance * expected, "V")
        for order in (0, 2, 3, 9):
            assert abs(component(error, ANGLE, order)) < 0.05, (name, order)


@pytest.mark.parametrize("model", MODELS)
def test_the_fundamental_is_lost_against_the_current(model):
    """Phase a's current is cos(angle): the error's fundamental is -10.186 V cos(angle), whatever the model."""
    lost = component(phase_error(rotating(model), "va_V", 0), ANGLE, 1)
    assert lost.real == pytest.approx(-10.185916, rel=2e-3)
    assert abs(lost.imag) < 0.08  # the fifth and seventh current shift the crossing by 0.4 degrees


@pytest.mark.parametrize("model, tolerance", [("averaged", 2e-3), ("switched", 1e-2)])
def test_in_dq_it_is_a_mean_and_orders_6_and_12(verified, model, tolerance):
    """Frame on the current: mean -(4/pi) dV; order 6k (4/pi) 2/(36k^2-1) in phase, (4/pi) 12k/(36k^2-1) in quadrature."""
    recording = rotating(model)
    vd, vq = recording["vd_V"][ROWS:], recording["vq_V"][ROWS:]
    impedance = complex(RESISTANCE, 2.0 * math.pi * F1_HZ * INDUCTANCE)
    assert np.mean(vd) == pytest.approx(impedance.real * CURRENT, abs=0.05)
    assert np.mean(vq) == pytest.approx(impedance.imag * CURRENT, abs=0.1)
    for order, in_phase, quadrature in ((6, 0.072757, 0.436539), (12, 0.017808, 0.213691)):
        what = f"voltage of order {order} in dq {{}} the current, {CASE}, {model} inverter"
        found, slack = abs(component(vd, ANGLE, order)), tolerance * 0.436539 * DV
        verified(what.format("in phase with"), JEONG + ", derived", in_phase * DV, found, slack, "V")
        found, slack = abs(component(vq, ANGLE, order)), tolerance * quadrature * DV
        verified(what.format("in quadrature to"), JEONG + ", derived", quadrature * DV, found, slack, "V")


@pytest.mark.parametrize("model, tolerance", [("averaged", 3e-3), ("switched", 3e-2)])
def test_fifth_and_seventh_harmonic_current_of_a_low_impedance(verified, model, tolerance):
    """800 V, 12 kHz, 1 us into 20 mohm and 0.3 mH at 100 Hz: 2.59324 A and 1.32323 A (Jeong and Park's square wave)."""
    impedance = complex(0.02, 2.0 * math.pi * 100.0 * 0.3e-3)
    voltage = impedance * 400.0 + 12.2231
    recording = run_duties(
        sine_duties(2.0 * abs(voltage) / 800.0, 100.0, cmath.phase(voltage) + math.pi / 240),
        machine={"stator_resistance_ohm": 0.02, "inductance_d_H": 0.3e-3, "inductance_q_H": 0.3e-3, "max_current_A": 1.0},
        inverter={"switching_frequency_Hz": 12000, "dead_time_s": 1e-6, "model": model},
        supply={"voltage_V": 800.0},
        load={"kind": "rig", "speed_rpm": 6000},
        initial={"id_A": 400.0},
        run={"duration_s": 0.15},
    )
    measured = [recording.measure("ia_A", "harmonic_amplitude", order=n, from_s=0.10, to_s=0.15) for n in (1, 5, 7)]
    assert measured[0] == pytest.approx(400.0, rel=5e-3)
    for name, expected, found, relative in (
        ("5th", 2.59324, measured[1], tolerance), ("7th", 1.32323, measured[2], 2.0 * tolerance),
    ):  # fmt: skip
        what = f"{name} harmonic current by dead time 1 us, 12 kHz, 800 V, 20 mohm, 0.3 mH, 100 Hz, {model} inverter"
        verified(what, JEONG + ", derived", expected, found, relative * expected, "A")


# Current directions (electrical angle of the current vector) and the sign of the currents in legs a, b, c there.
DIRECTIONS = {0: (1, -1, -1), 60: (1, 1, -1), 120: (-1, 1, -1), 180: (-1, 1, 1), 240: (-1, -1, 1), 300: (1, -1, 1)}


def held_current(model, direction_deg, duties=(0.5, 0.5, 0.5), amplitude=50.0, max_current=10.0):
    """Constant duties, a current vector that hardly changes within the run => Recording."""
    angle = math.radians(direction_deg)
    return run_duties(
        constant_duties(*duties),
        machine={"stator_resistance_ohm": 0.02, "inductance_d_H": 1.0, "inductance_q_H": 1.0,
                 "max_current_A": max_current},
        inverter={"switching_frequency_Hz": FS_HZ, "dead_time_s": DEAD_S, "model": model},
        supply={"voltage_V": VDC},
        initial={"id_A": amplitude * math.cos(angle), "iq_A": amplitude * math.sin(angle)},
        run={"duration_s": 0.004},
    )


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("direction, signs", DIRECTIONS.items())
def test_each_leg_loses_dv_in_the_direction_of_its_current(verified, model, direction, signs):
    """Zero voltage asked for: the legs give -dV sign(i); the vector is 4/3 dV long (Jeong and Park)."""
    recording = held_current(model, direction)
    expected = -DV * (np.array(signs) - np.mean(signs))
    means = np.array([np.mean(recording[name][2:]) for name in ("va_V", "vb_V", "vc_V")])
    assert means == pytest.approx(expected, rel=1e-3)
    vector = np.mean(recording["vd_V"][2:]) + 1j * np.mean(recording["vq_V"][2:])
    verified(f"length of the dead-time voltage vector, {CASE}", JEONG, 4.0 / 3.0 * DV, abs(vector), 4.0 / 3.0 * DV * 1e-3, "V")
    assert math.degrees(cmath.phase(-vector)) % 360.0 == pytest.approx(direction, abs=0.1)


@pytest.mark.parametrize("model", MODELS)
def test_dead_time_with_ideal_diodes_loses_no_energy(model):
    """The current runs against the error and returns dV (|ia| + |ib| + |ic|) to the link; nothing turns into heat."""
    recording = held_current(model, 0)
    returned = -DV * (50.0 + 25.0 + 25.0)
    for name in ("power_terminal_W", "power_link_W", "power_supply_W"):
        assert np.mean(recording[name][2:]) == pytest.approx(returned, rel=2e-3), name
    assert np.max(np.abs(recording["loss_conduction_W"])) < 1e-6
    assert np.mean(recording["link_current_A"][2:]) == pytest.approx(returned / VDC, rel=2e-3)
    assert abs(recording.audit["residual_relative"]) < 1e-6


@pytest.mark.parametrize("model", MODELS)
def test_a_leg_that_does_not_switch_loses_nothing(model):
    """Duties 1, 1/2, 0: only leg b errs, by -dV for its current out of the leg."""
    recording = held_current(model, 60, duties=(1.0, 0.5, 0.0))
    asked = VDC * (np.array([1.0, 0.5, 0.0]) - 0.5)
    error = np.array([np.mean(recording[name][4:]) for name in ("va_V", "vb_V", "vc_V")]) - asked
    assert error == pytest.approx([DV / 3.0, -2.0 * DV / 3.0, DV / 3.0], rel=2e-3)


def test_averaged_error_falls_equally_on_both_ticks_and_switched_on_one():
    """Mean dV a tick averaged; switched, current out of the leg delays the turn-on alone, which lies in odd ticks."""
    averaged, switched = held_current("averaged", 0), held_current("switched", 0)
    assert averaged["va_V"][2:] == pytest.approx(-4.0 / 3.0 * DV, rel=1e-3)
    # Odd ticks: leg a turns on late, -2 dV.  Even ticks: legs b and c turn off late, +2 dV each.
    assert switched["va_V"][3::2] == pytest.approx(-2.0 / 3.0 * 2.0 * DV, rel=1e-3)
    assert switched["vb_V"][3::2] == pytest.approx(1.0 / 3.0 * 2.0 * DV, rel=1e-3)
    assert switched["vb_V"][2::2] == pytest.approx(1.0 / 3.0 * 2.0 * DV, rel=1e-3)


@pytest.mark.parametrize("share", [0.1, 0.2, 0.5])
def test_smoothed_sign_is_within_one_percent_from_a_tenth_of_the_current_limit_on(share):
    """Two legs carry +-share x max_current_A, the third none: the error is at least 0.99 dV and never more than dV."""
    amplitude = share * 100.0 * 2.0 / math.sqrt(3.0)
    recording = held_current("averaged", -30, amplitude=amplitude, max_current=100.0)
    lost = -np.mean(recording["va_V"][2:20]) / DV
    assert 0.9895 <= lost <= 1.0
    assert -np.mean(recording["vb_V"][2:20]) / DV == pytest.approx(-lost, rel=1e-9)
    assert np.mean(recording["vc_V"][2:20]) == pytest.approx(0.0, abs=1e-2)


def test_smoothed_sign_is_odd_and_rises_steadily_through_zero():
    runs = [held_current("averaged", -30, amplitude=a, max_current=100.0) for a in (-4, -1, -0.2, 0.2, 1, 4)]
    lost = [-np.mean(run["va_V"][2:6]) / DV for run in runs]
    assert np.all(np.diff(lost) > 0.0)
    assert lost[:3] == pytest.approx([-x for x in lost[:2:-1]], rel=1e-2)
