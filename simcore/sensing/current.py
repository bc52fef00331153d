"""Current sensors: gain x i + offset, low-pass, noise, round to nearest, clip."""

import cmath
import math

from simcore.kernel import inlined, kernel
from simcore.rotation import HALF_SQRT3


@kernel
def filter_currents(sensor, state, h, id_0, iq_0, id_1, iq_1, turned):
    """(dq currents at both ends of a step, electrical angle turned in it) => filtered dq currents, updated in place.

    First-order low-pass of the phase currents, written in the rotating frame: y' = w x - (w + j omega) y, exact for currents
    that move linearly in that frame.  Offset and gain pass a settled linear filter unchanged and are added afterwards.
    """
    w = sensor.bandwidth_rad_s
    rate = complex(w, turned / h)
    z = rate * h
    decay = cmath.exp(-z)
    x0 = complex(id_0, iq_0)
    x1 = complex(id_1, iq_1)
    y = complex(state.filtered_d_A, state.filtered_q_A)
    y = decay * y + (w / rate) * ((1.0 - decay) * x0 + (1.0 - (1.0 - decay) / z) * (x1 - x0))
    state.filtered_d_A = y.real
    state.filtered_q_A = y.imag


@inlined
def convert(value, lsb, limit):
    """(analogue value) => converter's value: rounded to the step, clipped to the range (0: not there)."""
    if lsb > 0.0:
        value = math.floor(value / lsb + 0.5) * lsb
    if limit > 0.0:
        value = min(max(value, -limit), limit)
    return value


@inlined
def analogue_currents(sensor, id_A, iq_A, sine, cosine, noise_a, noise_b, noise_c):
    """(filtered dq currents, true electrical angle, unit normal numbers) => ia, ib, ic in front of the converter [A]."""
    i_alpha = cosine * id_A - sine * iq_A
    i_beta = sine * id_A + cosine * iq_A
    ia = sensor.gain[0] * i_alpha + sensor.offset_A[0] + sensor.noise_rms_A * noise_a
    ib = sensor.gain[1] * (-0.5 * i_alpha + HALF_SQRT3 * i_beta) + sensor.offset_A[1] + sensor.noise_rms_A * noise_b
    ic = sensor.gain[2] * (-0.5 * i_alpha - HALF_SQRT3 * i_beta) + sensor.offset_A[2] + sensor.noise_rms_A * noise_c
    return ia, ib, ic


@inlined
def sense_currents(sensor, id_A, iq_A, sine, cosine, noise_a, noise_b, noise_c):
    """(filtered dq currents, true electrical angle, unit normal numbers) => reported ia, ib, ic [A]."""
    ia, ib, ic = analogue_currents(sensor, id_A, iq_A, sine, cosine, noise_a, noise_b, noise_c)
    ia = convert(ia, sensor.lsb_A, sensor.range_A)
    ib = convert(ib, sensor.lsb_A, sensor.range_A)
    ic = convert(ic, sensor.lsb_A, sensor.range_A) if sensor.phases == 3 else -ia - ib
    return ia, ib, ic
