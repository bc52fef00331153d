"""Measured less true angle: constant, once or twice a period of the resolver, a part of the turn, or noise."""

import numpy as np

from simcore.study.explain.truth.parts import SEEN, Candidate, Finding, fitted, taken_apart
from simcore.study.explain.truth.stage import rms

_LEFT = 0.05  # of the whole error: less is what a fit misses


def angle_findings(stage):
    """Stage => Findings of the angle sensor."""
    error, position = stage.error, stage.scenario.sensors.position
    if rms(error) < SEEN:
        return []
    if position.kind == "encoder":
        return _encoder(stage, error, position)
    picked, left = taken_apart(error, lambda values: _candidates(values, stage, position), 0.1 * SEEN)
    found = [Finding(one.cause, one.size, rms(one.part), stage.ripple_of_angle(one.part)) for one in picked]
    if rms(left) > max(SEEN, _LEFT * rms(error)):
        words = f"{np.degrees(rms(left)):.2g} deg electrical rms"
        found.append(Finding("position_noise", words, rms(left), stage.ripple_of_angle(left)))
    return found


def _candidates(error, stage, position):
    one = np.ones_like(error)
    mean, part = fitted(error, [one])
    yield Candidate("angle_offset", part, f"{np.degrees(mean[0]):+.2g} deg electrical")
    if position.kind != "resolver":
        return
    share = position.pole_pairs / stage.scenario.machine.pole_pairs
    x = stage.angle * share
    first, part = fitted(error, [np.cos(x), np.sin(x)])
    passed = abs(_tracked(stage, position, share))
    yield Candidate("resolver_offset", part, f"{100.0 * share * float(np.hypot(*first)) / passed:.2g} % of the amplitude")
    turned = _tracked(stage, position, 2.0 * share) * np.exp(2j * x)
    second, part = fitted(error, [turned.imag])
    yield Candidate("resolver_amplitude", part, f"{200.0 * share * abs(second[0]):.2g} %")
    third, part = fitted(error, [1.0 - turned.real])
    yield Candidate("resolver_quadrature", part, f"{np.degrees(2.0 * share * abs(third[0])):.2g} deg")


def _tracked(stage, position, order):
    """How the tracking loop passes an electrical order (complex)."""
    omega = 2.0 * np.pi * position.tracking_natural_frequency_Hz
    s = 1j * order * stage.omega_e
    wide = 2.0 * position.tracking_damping * omega * s + omega**2
    return wide / (s * s + wide)


def _encoder(stage, error, position):
    """A count is coarse by itself; beyond that an offset, or counts lost and a wrong number of lines."""
    count = 0.5 * np.pi * stage.scenario.machine.pole_pairs / (position.believed_lines or position.lines)
    # The angle lies somewhere in the count that was passed last.
    centred = error + 0.5 * count
    mean, ripple = float(np.mean(centred)), stage.ripple_of_angle(error)
    # Shaft and clock in step visit a few places of a count only: the range tells, and not the mean.
    if np.ptp(centred) < 1.02 * count:
        found = [Finding("encoder_lines", f"a count is {np.degrees(count):.2g} deg electrical", count / np.sqrt(12.0), ripple)]
        if np.max(np.abs(centred)) > 0.55 * count:
            found.append(Finding("angle_offset", f"{np.degrees(mean):+.2g} deg electrical", abs(mean)))
        return found
    words = f"up to {np.degrees(np.max(np.abs(centred))):.2g} deg electrical"
    return [Finding("encoder_counts", words, rms(centred), ripple)]
