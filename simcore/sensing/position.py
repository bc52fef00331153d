"""Resolver with its defects, and the type-II tracking loop that follows it (continuous hardware, stepped with the plant).

Channels: (1 + imbalance) sin(x) + offset_sin and cos(x + quadrature) + offset_cos with x = resolver angle; the loop's detector is
sin_channel cos(y) - cos_channel sin(y), its transfer (2 z wn s + wn^2)/(s^2 + 2 z wn s + wn^2).
Source: D. C. Hanselman, IEEE Trans. Ind. Electron. 37(6), 1990 (from memory).  Checked: tests/reference/test_resolver.py.
"""

import math

from simcore.kernel import kernel
from simcore.sensing.records import RESOLVER

TWO_PI = 2.0 * math.pi


@kernel
def channels(sensor, state, angle):
    """(resolver angle [rad]) => sine and cosine channel with all defects and this tick's noise."""
    sine = math.sin(angle)
    cosine = math.cos(angle)
    channel_sin = (1.0 + sensor.amplitude_imbalance) * sine + sensor.offset_sin + state.noise_sin
    channel_cos = cosine * sensor.cos_quadrature - sine * sensor.sin_quadrature + sensor.offset_cos + state.noise_cos
    return channel_sin, channel_cos


@kernel
def _loop_rates(sensor, channel_sin, channel_cos, tracked, speed):
    error = channel_sin * math.cos(tracked) - channel_cos * math.sin(tracked)
    wn = sensor.natural_frequency_rad_s
    return speed + 2.0 * sensor.damping * wn * error, wn * wn * error


@kernel
def track(sensor, state, h, theta_0, theta_1, omega_0, omega_1):
    """(mechanical angle [rad] and speed [rad/s] at both ends of a step) => tracking loop after the step (Runge-Kutta 4)."""
    middle = 0.5 * (theta_0 + theta_1) + 0.125 * h * (omega_0 - omega_1)
    sin_0, cos_0 = channels(sensor, state, sensor.pole_pairs * theta_0)
    sin_m, cos_m = channels(sensor, state, sensor.pole_pairs * middle)
    sin_1, cos_1 = channels(sensor, state, sensor.pole_pairs * theta_1)
    y, w = state.tracked_rad, state.tracked_rad_s
    half = 0.5 * h
    a1, b1 = _loop_rates(sensor, sin_0, cos_0, y, w)
    a2, b2 = _loop_rates(sensor, sin_m, cos_m, y + half * a1, w + half * b1)
    a3, b3 = _loop_rates(sensor, sin_m, cos_m, y + half * a2, w + half * b2)
    a4, b4 = _loop_rates(sensor, sin_1, cos_1, y + h * a3, w + h * b3)
    state.tracked_rad = y + h / 6.0 * (a1 + 2.0 * (a2 + a3) + a4)
    state.tracked_rad_s = w + h / 6.0 * (b1 + 2.0 * (b2 + b3) + b4)


@kernel
def wrap(angle):
    """(angle [rad]) => the same angle in (-pi, pi]."""
    if angle > math.pi or angle <= -math.pi:
        angle -= TWO_PI * math.ceil(angle / TWO_PI - 0.5)
    return angle


@kernel
def sense_position(sensor, state, theta, omega):
    """(true mechanical angle [rad], speed [rad/s]) => electrical angle in (-pi, pi] and mechanical speed as reported."""
    if sensor.kind == RESOLVER:
        angle = sensor.electrical_ratio * state.tracked_rad + sensor.mounting_offset_rad
        return wrap(angle), state.tracked_rad_s / sensor.pole_pairs
    return wrap(sensor.machine_pole_pairs * theta + sensor.mounting_offset_rad), omega
