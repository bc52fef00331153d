"""What a data sheet says about each constant of the machine: one reading a number, in a common basis.

A reading knows the key that it was written under, and what the same number would be in the other bases of its quantity, so
that two readings which contradict each other can name the mix-up.
"""

from dataclasses import dataclass, field

from simcore.scenario.data_sheet.winding_bases import BASES, RAD_S_PER_RPM, at_temperature, to_common

MAGNET = (
    "magnet_flux_Wb",
    "emf_constant_V_per_krpm",
    "emf_constant_V_s_per_rad",
    "emf_V",
    "speed_constant_rpm_per_V",
    "torque_constant_Nm_per_A",
    "no_load_voltage_V",
)
# A voltage that was measured at a speed, and the key of that speed.
AT_SPEED = {"emf_V": "emf_speed_rpm", "no_load_voltage_V": "no_load_speed_rpm"}


@dataclass(frozen=True)
class Source:
    """A data sheet: the model, its location, its dict as written (for the order), and layer_of(location) of the report."""

    sheet: object
    at: tuple
    raw: dict
    layer_of: object


@dataclass(frozen=True)
class Reading:
    """One number of the sheet, or a constant typed beside it.

    at: its location; value: as written; constant: ohm, H, Wb, A or a count in the machine's own basis; instead: what it would
    be under other keys, {"torque_constant_Nm_per_A.rms": constant}; layer: height of the file that wrote it.
    """

    at: tuple
    value: float
    constant: float
    instead: dict = field(default_factory=dict)
    layer: int = 0


def quantity_readings(source, name, scale=1.0):
    """(Source, quantity) => readings in the order written; scale turns the common basis into the machine's."""
    table, found = getattr(source.sheet, name), []
    if table is None:
        return found
    for basis in source.raw[name]:
        value = getattr(table, basis)
        constants = {other: scale * to_common(name, other, value, source.sheet.connection) for other in BASES[name]}
        instead = {f"{name}.{other}": constant for other, constant in constants.items() if other != basis}
        where = (*source.at, name, basis)
        found.append(Reading(where, value, constants[basis], instead, source.layer_of(where)))
    return found


def plain_reading(source, name, constant):
    """(Source, key without a basis, what it says in the machine's basis) => its reading in a list; none: an empty one."""
    value, where = getattr(source.sheet, name), (*source.at, name)
    return [] if value is None else [Reading(where, value, constant(value), {}, source.layer_of(where))]


def magnet_readings(source, pole_pairs):
    """=> readings of the magnet flux [Wb], the no-load speed last, for it is the least exact."""
    found = []
    for name in sorted((name for name in source.raw if name in MAGNET), key="no_load_voltage_V".__eq__):
        scale = 1.0 if name == "magnet_flux_Wb" else 1.0 / pole_pairs
        if name in AT_SPEED:
            speed = getattr(source.sheet, AT_SPEED[name])
            if speed is None:
                continue
            scale /= speed * RAD_S_PER_RPM
        found += quantity_readings(source, name, scale)
    return found


def resistance_readings(source, reference_degC):
    """=> readings of the phase resistance [ohm] at the machine's reference temperature."""
    measured = source.sheet.resistance_temperature_degC
    scale = 1.0 if measured is None else at_temperature(1.0, measured, reference_degC)
    return quantity_readings(source, "resistance_ohm", scale)


def inductance_readings(source):
    """=> readings of Ld, of Lq, and of their mean [H]."""
    both = quantity_readings(source, "inductance_H")
    along = quantity_readings(source, "inductance_d_H") + [r for r in both if r.at[-1] == "line_line_min"]
    across = quantity_readings(source, "inductance_q_H") + [r for r in both if r.at[-1] == "line_line_max"]
    return along, across, [r for r in both if r.at[-1] not in ("line_line_min", "line_line_max")]
