"""Resolver with its defects, and the type-II tracking loop that follows it (continuous hardware, stepped with the plant).

Channels: (1 + imbalance) sin(x) + offset_sin and cos(x + quadrature) + offset_cos with x = resolver angle; the loop's
detector is sin_channel cos(y) - cos_channel sin(y), its transfer (2 z wn s + wn^2)/(s^2 + 2 z wn s + wn^2).
Source: D. C. Hanselman, IEEE Trans. Ind. Electron. 37(6), 1990 (from memory).  Checked: tests/reference/test_resolver.py.
"""

import math

from simcore.kernel import inlined, kernel
from simcore.rotation import turn, wrap
from simcore.sensing.encoder import sense_encoder
from simcore.sensing.records import ENCODER, RESOLVER


@inlined
def channels(sensor, state, sine, cosine):
    """(sine and cosine of the resolver angle) => sine and cosine channel with all defects and this tick's noise."""
    channel_sin = (1.0 + sensor.amplitude_imbalance) * sine + sensor.offset_sin + state.noise_sin
    channel_cos = cosine * sensor.cos_quadrature - sine * sensor.sin_quadrature + sensor.offset_cos + state.noise_cos
    return channel_sin, channel_cos


@inlined
def _loop_rates(sensor, channel_sin, channel_cos, sine, cosine, speed):
    """(channels, sine and cosine of the tracked angle, tracked speed) => rates of tracked angle and speed."""
    error = channel_sin * cosine - channel_cos * sine
    wn = sensor.natural_frequency_rad_s
    return speed + 2.0 * sensor.damping * wn * error, wn * wn * error


@kernel
def track(sensor, state, h, theta_0, theta_1, omega_0, omega_1):
    """(mechanical angle [rad] and speed [rad/s] at both ends of a step) => tracking loop after the step (Runge-Kutta 4)."""
    to_end = sensor.pole_pairs * (theta_1 - theta_0)
    to_middle = 0.5 * to_end + 0.125 * sensor.pole_pairs * h * (omega_0 - omega_1)
    sine, cosine = math.sin(sensor.pole_pairs * theta_0), math.cos(sensor.pole_pairs * theta_0)
    sin_0, cos_0 = channels(sensor, state, sine, cosine)
    turned_sin, turned_cos = turn(sine, cosine, to_middle)
    sin_m, cos_m = channels(sensor, state, turned_sin, turned_cos)
    turned_sin, turned_cos = turn(sine, cosine, to_end)
    sin_1, cos_1 = channels(sensor, state, turned_sin, turned_cos)
    w = state.tracked_rad_s
    half = 0.5 * h
    sine, cosine = math.sin(state.tracked_rad), math.cos(state.tracked_rad)
    a1, b1 = _loop_rates(sensor, sin_0, cos_0, sine, cosine, w)
    turned_sin, turned_cos = turn(sine, cosine, half * a1)
    a2, b2 = _loop_rates(sensor, sin_m, cos_m, turned_sin, turned_cos, w + half * b1)
    turned_sin, turned_cos = turn(sine, cosine, half * a2)
    a3, b3 = _loop_rates(sensor, sin_m, cos_m, turned_sin, turned_cos, w + half * b2)
    turned_sin, turned_cos = turn(sine, cosine, h * a3)
    a4, b4 = _loop_rates(sensor, sin_1, cos_1, turned_sin, turned_cos, w + h * b3)
    state.tracked_rad += h / 6.0 * (a1 + 2.0 * (a2 + a3) + a4)
    state.tracked_rad_s = w + h / 6.0 * (b1 + 2.0 * (b2 + b3) + b4)


@kernel
def sense_position(sensor, state, theta, omega, interval_s):
    """(true mechanical angle [rad], speed [rad/s], time since the last sample [s]) => electrical angle in (-pi, pi]
    and mechanical speed as reported.  A late angle is carried back at the reported speed."""
    if sensor.kind == RESOLVER:
        speed = state.tracked_rad_s / sensor.pole_pairs
        angle = sensor.electrical_ratio * state.tracked_rad
    elif sensor.kind == ENCODER:
        counted, speed = sense_encoder(sensor, state, theta, interval_s)
        angle = sensor.machine_pole_pairs * counted
    else:
        speed = omega
        angle = sensor.machine_pole_pairs * theta
    angle += sensor.mounting_offset_rad
    if sensor.latency_s > 0.0:
        angle -= sensor.machine_pole_pairs * speed * sensor.latency_s
    return wrap(angle), speed
