"""Which imperfections a scenario switches on: each function gives the value as text, "" where it is off."""


def resolver_of(scenario):
    """The resolver's table, None for another sensor."""
    position = scenario.sensors.position
    return position if position.kind == "resolver" else None


def encoder_of(scenario):
    """The encoder's table, None for another sensor."""
    position = scenario.sensors.position
    return position if position.kind == "encoder" else None


def given(*path, plain=0.0, unit=""):
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


def devices(kind):
    """Drops or resistance of the devices."""
    def told(scenario):
        devices = scenario.inverter.devices
        if devices is None:
            return ""
        unlike = ", legs that differ" if any(devices.legs) else ""
        if kind == "resistance":
            return ("channel resistance" if devices.kind == "mosfet" else "slope resistance") + unlike
        drops = [] if devices.kind == "mosfet" else ["switch threshold"]
        told = " and ".join([*drops, *(["diode threshold"] if devices.diode is not None else [])])
        return told + unlike if told else ""

    return told


def encoder_value(name, plain):
    """A key of the encoder where it differs from the plain value."""
    def told(scenario):
        encoder = encoder_of(scenario)
        value = getattr(encoder, name, plain) if encoder else plain
        return "" if value in (plain, None) else f"{value:g}"

    return told


def harmonics(name, value, unit):
    """Harmonics of the machine that are not zero."""
    def told(scenario):
        given = getattr(scenario.machine, name)
        return ", ".join(f"{getattr(h, value):g} {unit} at {h.order}" for h in given if getattr(h, value))

    return told


def six_step(scenario):
    """Overmodulation, where the modulator does it."""
    return "six_step" if scenario.inverter.modulation == "six_step" else ""


def channel_offsets(scenario):
    """Offsets of the resolver's channels."""
    resolver = resolver_of(scenario)
    if resolver is None or not (resolver.offset_sin or resolver.offset_cos):
        return ""
    return f"{resolver.offset_sin:g}, {resolver.offset_cos:g}"


def clipped(scenario):
    """The current sensors' range, where currents may exceed it."""
    reach = scenario.sensors.current.range_A
    return f"{reach:g} A" if 0.0 < reach < scenario.machine.max_current_A else ""


def lost_counts(scenario):
    """Counts the encoder loses, and lines that are believed otherwise."""
    encoder = encoder_of(scenario)
    if encoder is None:
        return ""
    wrong = encoder.believed_lines not in (None, encoder.lines)
    told = [f"{encoder.lost_counts_per_turn} a turn"] if encoder.lost_counts_per_turn else []
    return ", ".join([*told, *([f"{encoder.believed_lines} lines believed of {encoder.lines}"] if wrong else [])])


def link_errors(scenario):
    """Gain and offset of the link voltage's sensor."""
    sensor = scenario.sensors.link_voltage
    told = [f"gain {sensor.gain:g}"] if sensor.gain != 1.0 else []
    return ", ".join([*told, *([f"offset {sensor.offset_V:g} V"] if sensor.offset_V else [])])
