"""Imperfections and the orders they make: what is expected, how it scales, and which the scenario switched on.

Orders are of the electrical frequency in the rotor frame. Offset 1 and gain 2 of current sensors: D.-W. Chung, S.-K. Sul, IEEE
Trans. Ind. Appl. 34(2), 1998; resolver: D. C. Hanselman, IEEE Trans. Ind. Electron. 37(6), 1990; dead time: S.-G. Jeong,
M.-H. Park, IEEE Trans. Ind. Electron. 38(2), 1991 (all from memory). Scalings follow from the machine's equations.
"""

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction

from simcore.study.explain.faults import faults_like
from simcore.study.explain.switched_on import (
    channel_offsets,
    clipped,
    devices,
    encoder_of,
    encoder_value,
    given,
    harmonics,
    link_errors,
    lost_counts,
    resolver_of,
    six_step,
)

SIXES = tuple(Fraction(k) for k in (6, 12, 18, 24))


@dataclass(frozen=True)
class Cause:
    """One imperfection: orders(scenario) => Fractions, in_tables(scenario) => its value as text, "" where it is off."""

    key: str
    words: str
    orders: Callable
    scales: str
    in_tables: Callable

    def switched_on(self, scenario):
        """=> its value and its faults on purpose as text, "" where it is off."""
        return "; ".join(filter(None, (self.in_tables(scenario), faults_like(self.key, scenario))))


def _resolver_order(multiple):
    def orders(scenario):
        resolver = resolver_of(scenario)
        return (multiple * Fraction(resolver.pole_pairs, scenario.machine.pole_pairs),) if resolver else ()

    return orders


def _turn_orders(scenario):
    return tuple(Fraction(k, scenario.machine.pole_pairs) for k in range(1, 13)) if encoder_of(scenario) else ()


def _emf_orders(scenario):
    listed = [h.order for h in scenario.machine.emf_harmonics]
    return tuple(sorted({Fraction(n - 1 if n % 3 == 1 else n + 1) for n in listed})) if listed else SIXES


def _cogging_orders(scenario):
    listed = tuple(Fraction(h.order, scenario.machine.pole_pairs) for h in scenario.machine.cogging)
    return listed or SIXES


def _fixed(*orders):
    return lambda scenario: tuple(Fraction(order) for order in orders)


def _none(_):
    return ()


_CURRENT, _POSITION, _LINK = ("sensors", "current"), ("sensors", "position"), ("sensors", "link_voltage")
_FOLLOWS = "the true current follows up to the loop's bandwidth"
_OF_ANGLE = "the same angle at any speed until the tracking loop filters it; volts grow with speed, torque ripple with current"
CAUSES = (
    Cause(
        "current_offset", "current sensor offset", _fixed(1),
        f"as large as the offset, whatever the torque; {_FOLLOWS}", given(*_CURRENT, "offset_A", unit="A"),
    ),
    Cause(
        "current_gain", "current sensor gain mismatch", _fixed(2),
        f"with the current; {_FOLLOWS}; unequal phases also shift the mean", given(*_CURRENT, "gain", plain=1.0),
    ),
    Cause(
        "current_lag", "current sensor's low-pass", _none,
        "no order: turns and shortens the current by speed over bandwidth", given(*_CURRENT, "bandwidth_Hz", unit="Hz"),
    ),
    Cause(
        "sampling_late", "current and angle sampled late in the tick", _none,
        "no order: what is seen is older by as much; currents carry more of the switching ripple",
        given(*_CURRENT, "sample_shift_s", unit="s"),
    ),
    Cause(
        "current_noise", "current sensor noise", _none,
        "no order: broad, with the loop's gain", given(*_CURRENT, "noise_rms_A", unit="A"),
    ),
    Cause(
        "current_steps", "steps of the current converter", _none,
        "no order of its own: broad, half a step", given(*_CURRENT, "adc_bits", plain=0, unit="bits"),
    ),
    Cause(
        "current_clipping", "current sensor clipped at its range", _fixed(6, 12),
        "sets in where a phase's peak reaches the range", clipped,
    ),
    Cause(
        "resolver_offset", "resolver channel offset", _resolver_order(1),
        _OF_ANGLE, channel_offsets,
    ),
    Cause(
        "resolver_amplitude", "resolver amplitude imbalance", _resolver_order(2),
        _OF_ANGLE, given(*_POSITION, "amplitude_imbalance"),
    ),
    Cause(
        "resolver_quadrature", "resolver quadrature error", _resolver_order(2),
        "as the amplitude imbalance, a quarter period apart, and as much in the mean of the angle",
        given(*_POSITION, "quadrature_error_deg", unit="deg"),
    ),
    Cause(
        "position_noise", "noise of the angle sensor", _none,
        "no order: broad up to the tracking loop's bandwidth; volts grow with speed", given(*_POSITION, "noise_rms"),
    ),
    Cause(
        "angle_offset", "angle offset (mounting)", _none,
        "no order: torque and id off by sine and cosine of the angle, unlike in both directions",
        given(*_POSITION, "mounting_offset_deg", unit="deg"),
    ),
    Cause(
        "encoder_lines", "coarse lines of the encoder", _none,
        "no low order: steps of a count; the speed's ripple grows towards standstill", encoder_value("lines", 0),
    ),
    Cause(
        "encoder_counts", "counts that the encoder loses, or a wrong number of lines", _turn_orders,
        "a part of every turn, or growing turn by turn without index", lost_counts,
    ),
    Cause(
        "dead_time", "dead time", lambda s: SIXES,
        "volts by link voltage and carrier, not by speed or current: less ripple with a faster loop or a larger current",
        given("inverter", "dead_time_s", unit="s"),
    ),
    Cause(
        "device_drop", "forward drop of switches and diodes", lambda s: SIXES,
        "as dead time, but volts of the devices: not by link voltage and carrier", devices("drop"),
    ),
    Cause(
        "device_resistance", "more resistance than believed (devices, warm winding)", _none,
        "no order: volts grow with the current", devices("resistance"),
    ),
    Cause(
        "minimum_pulse", "short pulses dropped", lambda s: SIXES,
        "only near the voltage limit or at small voltage", given("inverter", "minimum_pulse_s", unit="s"),
    ),
    Cause("overmodulation", "overmodulation up to six-step", lambda s: SIXES, "only beyond the linear limit", six_step),
    Cause(
        "link_voltage", "link voltage sensor's gain or offset", _none,
        "no order: all volts off by the same share", link_errors,
    ),
    Cause(
        "link_noise", "link voltage sensor's noise", _none,
        "no order: broad, along the voltage", given(*_LINK, "noise_rms_V", unit="V"),
    ),
    Cause(
        "emf_harmonics", "harmonics of the EMF", _emf_orders,
        "volts grow with speed; the torque ripple with the current", harmonics("emf_harmonics", "amplitude_percent", "%"),
    ),
    Cause(
        "cogging", "cogging torque", _cogging_orders,
        "the same torque whatever current and speed; the speed's ripple falls with speed squared",
        harmonics("cogging", "torque_Nm", "Nm"),
    ),
)  # fmt: skip
BY_KEY = {cause.key: cause for cause in CAUSES}


def causes_of(order, scenario):
    """(electrical order, scenario) => the causes that make such an order, switched-on ones first."""
    found = [cause for cause in CAUSES if order in cause.orders(scenario)]
    return sorted(found, key=lambda cause: not cause.switched_on(scenario))
