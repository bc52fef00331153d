"""A drive that stands where a closed form is asked: modulation depth and power factor given."""

import cmath
import math


def drive_at(depth, phase_rad, *, vdc, current_A, f1_Hz, inductance_H, resistance_ohm):
    """(M, angle by which the current lags the voltage, bench) => magnet flux [Wb], current vector [A, peak] of that point.

    M = |vd + j vq|/(Vdc/2) and cos(phi) = (vd id + vq iq)/(|v| |i|) are given; what voltage v and current leave,
    v - (R + j w L) i, is the magnet's j w psi and puts the q axis along itself.
    """
    w = 2.0 * math.pi * f1_Hz
    voltage = 0.5 * vdc * depth
    current = cmath.rect(current_A, -phase_rad)
    magnet = voltage - complex(resistance_ohm, w * inductance_H) * current
    return abs(magnet) / w, current * 1j * abs(magnet) / magnet
