"""Discontinuous modulators and the range up to six-step.

Limits: Holtz, Lotzkat, Khambadkone, IEEE Trans. Power Electron. 8(4) 1993; Holmes and Lipo 2003 (both from memory).  Ripple
polynomials: Hava, Kerkman, Lipo, IEEE Trans. Power Electron. 14(1) 1999, 49-61 (from memory).
"""

import math

import numpy as np
import pytest

from simcore.inverter.modulation import MODULATIONS, SIX_STEP, SVPWM, leg_duties, linear_limit, voltage_ceiling
from simcore.inverter.overmodulation import reshape

VDC = 400.0
SIX_STEP_V = 2.0 / math.pi * VDC
ANGLES = (np.arange(7200) + 0.5) * 2.0 * math.pi / 7200
HAVA = "Hava, Kerkman, Lipo, IEEE TPEL 14, 1999 [M]"
HOLTZ = "Holtz, Lotzkat, Khambadkone, IEEE TPEL 8, 1993 [M]"


def phase_a(modulation, volts):
    """Mean phase voltage over one turn of the request, from the duties."""
    duties = np.array([leg_duties(modulation, volts * math.cos(x), volts * math.sin(x), VDC) for x in ANGLES])
    return VDC * (2.0 * duties[:, 0] - duties[:, 1] - duties[:, 2]) / 3.0, duties


def harmonic(values, order):
    return 2.0 * abs(np.mean(values * np.exp(-1j * order * ANGLES)))


@pytest.mark.parametrize("share", [0.3, 0.9, 0.91, 0.93, 0.9514, 0.96, 0.98, 0.995, 0.9999])
def test_gain_stays_linear_up_to_six_step(share):
    voltage, duties = phase_a(SIX_STEP, share * SIX_STEP_V)
    assert harmonic(voltage, 1) == pytest.approx(share * SIX_STEP_V, rel=2e-4)
    assert duties.min() >= 0.0 and duties.max() <= 1.0


def test_at_its_end_it_is_six_step(verified):
    voltage, duties = phase_a(SIX_STEP, voltage_ceiling(SIX_STEP, VDC))
    verified("six-step fundamental, phase peak", HOLTZ, 2.0 / math.pi, harmonic(voltage, 1) / VDC, 1e-5, "Vdc")
    for order in (5, 7, 11):
        what = f"six-step harmonic {order} over the fundamental, phase voltage"
        verified(what, "closed form", 1.0 / order, harmonic(voltage, order) / harmonic(voltage, 1), 1e-3, row=order < 11)
    rms = math.sqrt(np.mean(voltage**2))
    distortion = math.sqrt(2.0 * rms**2 / harmonic(voltage, 1) ** 2 - 1.0)
    verified("six-step distortion THD", "closed form", 0.310842, distortion, 2e-4)
    assert set(np.unique(duties)) == {0.0, 1.0}


def test_the_circle_clipped_to_the_hexagon_ends_the_first_range(verified):
    """Angle kept, hexagon followed all round: fundamental sqrt(3) ln 3/pi Vdc."""
    vectors = np.array([reshape(0.605697 * VDC * math.cos(x), 0.605697 * VDC * math.sin(x), VDC) for x in ANGLES])
    assert np.abs(np.angle((vectors[:, 0] + 1j * vectors[:, 1]) * np.exp(-1j * ANGLES))).max() < 0.01
    fundamental = abs(np.mean((vectors[:, 0] + 1j * vectors[:, 1]) * np.exp(-1j * ANGLES))) / VDC
    verified("vector clipped to the hexagon, fundamental", HOLTZ, 0.605697, fundamental, 5e-5, "Vdc")


def test_the_range_is_monotone_and_smooth():
    shares = np.linspace(0.88, 1.0, 200)
    gains = np.array([harmonic(phase_a(SIX_STEP, share * SIX_STEP_V)[0], 1) for share in shares[::10]])
    assert np.all(np.diff(gains) > 0.0)
    sizes = shares * SIX_STEP_V
    paths = np.array([[reshape(v * math.cos(x), v * math.sin(x), VDC) for x in (0.1, 0.4)] for v in sizes])
    assert np.abs(np.diff(paths, axis=0)).max() < 0.05 * VDC


@pytest.mark.parametrize("name", ["dpwm1", "dpwm_min", "dpwm_max"])
def test_discontinuous_modulators_differ_from_space_vector_in_the_zero_sequence_only(name):
    for depth in (0.2, 0.8, 1.15):
        volts = 0.5 * VDC * depth
        mine, duties = phase_a(MODULATIONS[name], volts)
        np.testing.assert_allclose(mine, phase_a(SVPWM, volts)[0], atol=1e-9 * VDC)
        clamped = (duties == 0.0) | (duties == 1.0)
        np.testing.assert_allclose(clamped.mean(axis=0), 1.0 / 3.0, atol=1e-3)
    assert linear_limit(MODULATIONS[name], VDC) == pytest.approx(VDC / math.sqrt(3.0))


def mean_square_ripple(duties):
    """Mean square of phase a's volt-second error over half a carrier period, in (Vdc/2 Ts/2)^2, from the edges alone."""
    total = 0.0
    for row in duties:
        cuts = np.unique(np.concatenate([[0.0], row, [1.0]]))
        length = np.diff(cuts)
        legs = (cuts[:-1, None] < row[None, :]).astype(float)
        error = 2.0 * ((2.0 * legs[:, 0] - legs[:, 1] - legs[:, 2]) - (2.0 * row[0] - row[1] - row[2])) / 3.0
        start = np.concatenate([[0.0], np.cumsum(error * length)[:-1]])
        total += np.sum(length * (start**2 + start * error * length + (error * length) ** 2 / 3.0))
    return total / len(duties)


# f(M) at M = 0.8 and 1.0.
RIPPLE_F = {
    "svpwm": (0.236270, 0.284409),
    "dpwm1": (0.616888, 0.472896),
    "dpwm_min": (0.568302, 0.424520),
    "dpwm_max": (0.568302, 0.424520),
}


@pytest.mark.parametrize("name", RIPPLE_F)
def test_ripple_polynomial(verified, name):
    for depth, expected in zip((0.8, 1.0), RIPPLE_F[name], strict=True):
        duties = phase_a(MODULATIONS[name], 0.5 * VDC * depth)[1][::4]
        measured = 36.0 * mean_square_ripple(duties)
        what = f"ripple factor f of {name.replace('_', ' ').upper()}, M = {depth}"
        shown = name == "dpwm1" or (name == "dpwm_min" and depth == 0.8)
        verified(what, HAVA, expected, measured, 2e-3 * expected, row=shown)
