"""Current sensors: gain x i + offset, low-pass, noise, round to nearest, clip; and sensors that fail.

Checked: tests/sensing/test_current.py, tests/safety/test_faults_of_sensors.py.
"""

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


@inlined
def failing_signal(sensor, phase, value_A, burst):
    """(sensor of that phase, its healthy signal [A], unit normal number) => the signal in front of the converter [A]."""
    if sensor.lost[phase]:
        return sensor.lost_A[phase]
    value_A += sensor.burst_rms_A[phase] * burst
    if sensor.saturation_A[phase] > 0.0:
        value_A = min(max(value_A, -sensor.saturation_A[phase]), sensor.saturation_A[phase])
    return value_A


@kernel
def sense_failing_currents(sensor, m, id_A, iq_A, sine, cosine, noise, burst):
    """sense_currents where a sensor fails; m: measurement with the last samples; noise, burst: three numbers each.

    Noise on top and saturation come before the converter; a held sample replaces what it gives.
    """
    ia, ib, ic = analogue_currents(sensor, id_A, iq_A, sine, cosine, noise[0], noise[1], noise[2])
    ia = m.ia_A if sensor.held[0] else convert(failing_signal(sensor, 0, ia, burst[0]), sensor.lsb_A, sensor.range_A)
    ib = m.ib_A if sensor.held[1] else convert(failing_signal(sensor, 1, ib, burst[1]), sensor.lsb_A, sensor.range_A)
    if sensor.phases == 3:
        ic = m.ic_A if sensor.held[2] else convert(failing_signal(sensor, 2, ic, burst[2]), sensor.lsb_A, sensor.range_A)
    else:
        ic = -ia - ib
    return ia, ib, ic
