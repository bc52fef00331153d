"""Imperfections and the orders they make: what is expected, how it scales, and which the scenario switched on.

Orders are of the electrical frequency in the rotor frame. Offset 1 and gain 2 of current sensors: D.-W. Chung, S.-K. Sul, IEEE
Trans. Ind. Appl. 34(2), 1998; resolver: D. C. Hanselman, IEEE Trans. Ind. Electron. 37(6), 1990; dead time: S.-G. Jeong,
M.-H. Park, IEEE Trans. Ind. Electron. 38(2), 1991 (all from memory). Scalings follow from the machine's equations.
"""

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction

SIXES = tuple(Fraction(k) for k in (6, 12, 18, 24))


@dataclass(frozen=True)
class Cause:
    """One imperfection: orders(scenario) => Fractions, switched_on(scenario) => its value as text, "" where it is off."""

    key: str
    words: str
    orders: Callable
    scales: str
    switched_on: Callable


def _resolver(scenario):
    position = scenario.sensors.position
    return position if position.kind == "resolver" else None


def _encoder(scenario):
    position = scenario.sensors.position
    return position if position.kind == "encoder" else None


def _resolver_order(multiple):
    def orders(scenario):
        resolver = _resolver(scenario)
        return (multiple * Fraction(resolver.pole_pairs, scenario.machine.pole_pairs),) if resolver else ()

    return orders


def _turn_orders(scenario):
    return tuple(Fraction(k, scenario.machine.pole_pairs) for k in range(1, 13)) if _encoder(scenario) else ()


def _emf_orders(scenario):
    given = [h.order for h in scenario.machine.emf_harmonics]
    return tuple(sorted({Fraction(n - 1 if n % 3 == 1 else n + 1) for n in given})) if given else SIXES


def _cogging_orders(scenario):
    given = tuple(Fraction(h.order, scenario.machine.pole_pairs) for h in scenario.machine.cogging)
    return given or SIXES


def _fixed(*orders):
    return lambda scenario: tuple(Fraction(order) for order in orders)


def _none(_):
    return ()


def _given(*path, plain=0.0, unit=""):
    """The value at a path of the scenario as text where it differs from the plain one."""

    def told(scenario):
        here = scenario
        for name in path:
            here = getattr(here, name, None)
        if here is None or here == plain or here == (plain,) * 3:
            return ""
        values = here if isinstance(here, tuple) else (here,)
        return ", ".join(f"{value:g}" for value in values) + (f" {unit}" if unit else "")

    return told


def _devices(kind):
    def told(scenario):
        devices = scenario.inverter.devices
        if devices is None:
            return ""
        if kind == "resistance":
            return "channel resistance" if devices.kind == "mosfet" else "slope resistance"
        drops = [] if devices.kind == "mosfet" else ["switch threshold"]
        return " and ".join([*drops, *(["diode threshold"] if devices.diode is not None else [])])

    return told


def _encoder_value(name, plain):
    def told(scenario):
        encoder = _encoder(scenario)
        value = getattr(encoder, name, plain) if encoder else plain
        return "" if value in (plain, None) else f"{value:g}"

    return told


def _harmonics(name, value, unit):
    def told(scenario):
        given = getattr(scenario.machine, name)
        return ", ".join(f"{getattr(h, value):g} {unit} at {h.order}" for h in given if getattr(h, value))

    return told


def _six_step(scenario):
    return "six_step" if scenario.inverter.modulation == "six_step" else ""


_CURRENT, _POSITION, _LINK = ("sensors", "current"), ("sensors", "position"), ("sensors", "link_voltage")
CAUSES = (
    Cause(
        "current_offset", "current sensor offset", _fixed(1), "as large as the offset, whatever the torque; the loop lets the true "
        "current follow up to its bandwidth", _given(*_CURRENT, "offset_A", unit="A"),
    ),
    Cause(
        "current_gain", "current sensor gain mismatch", _fixed(2), "with the current; the loop lets the true current follow up to "
        "its bandwidth; unequal phases also shift the mean", _given(*_CURRENT, "gain", plain=1.0),
    ),
    Cause(
        "current_lag", "current sensor's low-pass", _none, "no order: turns and shortens the current by speed over bandwidth",
        _given(*_CURRENT, "bandwidth_Hz", unit="Hz"),
    ),
    Cause("current_noise", "current sensor noise", _none, "no order: broad, with the loop's gain",
          _given(*_CURRENT, "noise_rms_A", unit="A")),
    Cause("current_steps", "steps of the current converter", _none, "no order of its own: broad, half a step",
          _given(*_CURRENT, "adc_bits", plain=0, unit="bits")),
    Cause("current_clipping", "current sensor clipped at its range", _fixed(6, 12), "sets in where a phase's peak reaches the range",
          lambda s: _clipped(s)),
    Cause(
        "resolver_offset", "resolver channel offset", _resolver_order(1), "angle error independent of speed until the tracking loop "
        "filters it; volts grow with speed, torque ripple with current", lambda s: _pair(s, "offset_sin", "offset_cos"),
    ),
    Cause(
        "resolver_amplitude", "resolver amplitude imbalance", _resolver_order(2), "angle error independent of speed until the "
        "tracking loop filters it; volts grow with speed, torque ripple with current", _given(*_POSITION, "amplitude_imbalance"),
    ),
    Cause(
        "resolver_quadrature", "resolver quadrature error", _resolver_order(2), "as the amplitude imbalance, a quarter period apart, "
        "and as much in the mean of the angle", _given(*_POSITION, "quadrature_error_deg", unit="deg"),
    ),
    Cause("position_noise", "noise of the angle sensor", _none, "no order: broad up to the tracking loop's bandwidth; volts grow "
          "with speed", _given(*_POSITION, "noise_rms")),
    Cause("angle_offset", "angle offset (mounting)", _none, "no order: torque and id off by sine and cosine of the angle, unlike in "
          "both directions", _given(*_POSITION, "mounting_offset_deg", unit="deg")),
    Cause("encoder_lines", "coarse lines of the encoder", _none, "no low order: steps of a count; the speed's ripple grows towards "
          "standstill", _encoder_value("lines", 0)),
    Cause("encoder_counts", "counts that the encoder loses, or a wrong number of lines", _turn_orders, "a part of every turn, or "
          "growing turn by turn without index", lambda s: _lost(s)),
    Cause(
        "dead_time", "dead time", lambda s: SIXES, "volts by link voltage and carrier, not by speed or current: the ripple falls "
        "with a faster loop and, relative to the current, with its size", _given("inverter", "dead_time_s", unit="s"),
    ),
    Cause("device_drop", "forward drop of switches and diodes", lambda s: SIXES, "as dead time, but volts of the devices: not by "
          "link voltage and carrier", _devices("drop")),
    Cause("device_resistance", "more resistance than believed (devices, warm winding)", _none, "no order: volts grow with the "
          "current", _devices("resistance")),
    Cause("minimum_pulse", "short pulses dropped", _fixed(6, 12, 18, 24), "only near the voltage limit or at small voltage",
          _given("inverter", "minimum_pulse_s", unit="s")),
    Cause("overmodulation", "overmodulation up to six-step", lambda s: SIXES, "only beyond the linear limit", _six_step),
    Cause("link_voltage", "link voltage sensor's gain or offset", _none, "no order: all volts off by the same share",
          lambda s: _link(s)),
    Cause("link_noise", "link voltage sensor's noise", _none, "no order: broad, along the voltage",
          _given(*_LINK, "noise_rms_V", unit="V")),
    Cause("emf_harmonics", "harmonics of the EMF", _emf_orders, "volts grow with speed; the torque ripple with the current",
          _harmonics("emf_harmonics", "amplitude_percent", "%")),
    Cause("cogging", "cogging torque", _cogging_orders, "the same torque whatever current and speed; the speed's ripple falls with "
          "speed squared", _harmonics("cogging", "torque_Nm", "Nm")),
)  # fmt: skip
BY_KEY = {cause.key: cause for cause in CAUSES}


def _pair(scenario, first, second):
    resolver = _resolver(scenario)
    if resolver is None or not (getattr(resolver, first) or getattr(resolver, second)):
        return ""
    return f"{getattr(resolver, first):g}, {getattr(resolver, second):g}"


def _clipped(scenario):
    reach = scenario.sensors.current.range_A
    return f"{reach:g} A" if 0.0 < reach < scenario.machine.max_current_A else ""


def _lost(scenario):
    encoder = _encoder(scenario)
    if encoder is None:
        return ""
    wrong = encoder.believed_lines not in (None, encoder.lines)
    told = [f"{encoder.lost_counts_per_turn} a turn"] if encoder.lost_counts_per_turn else []
    return ", ".join([*told, *([f"{encoder.believed_lines} lines believed of {encoder.lines}"] if wrong else [])])


def _link(scenario):
    sensor = scenario.sensors.link_voltage
    told = [f"gain {sensor.gain:g}"] if sensor.gain != 1.0 else []
    return ", ".join([*told, *([f"offset {sensor.offset_V:g} V"] if sensor.offset_V else [])])


def causes_of(order, scenario):
    """(electrical order, scenario) => the causes that make such an order, switched-on ones first."""
    found = [cause for cause in CAUSES if order in cause.orders(scenario)]
    return sorted(found, key=lambda cause: not cause.switched_on(scenario))
