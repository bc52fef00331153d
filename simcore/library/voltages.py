"""The link voltage at which a part's numbers are shown, where none was asked for: that of a supply from the library."""

from simcore.library.machine_limits import CEILINGS, Limits
from simcore.library.shelves import find_entries
from simcore.library.wording import amount
from simcore.scenario import ScenarioError
from simcore.scenario.part_reader import read_part

_OF_RATING = 0.8  # of a device's blocking voltage that a link uses at most: common practice, no source


def supply_voltages(folder=None):
    """=> [(voltage [V], name)] of all supplies that can be read, lowest first."""
    found = []
    for entry in find_entries("supplies", folder):
        try:
            model = read_part(entry.file, entry.table).model
        except ScenarioError:
            continue
        if model is not None:
            found.append((float(model.voltage_V), entry.name))
    return sorted(found)


def voltage_for_machine(machine, supplies):
    """The lowest supply that the EMF does not exceed up to max_speed_rpm, else the highest; None where there is none.

    => (link voltage [V], words).
    """
    if not supplies:
        return None
    limits = Limits.of(machine)
    fitting = [s for s in supplies if limits.emf_ceiling_rpm(CEILINGS["svpwm"] * s[0]) >= machine.max_speed_rpm]
    volt, name = fitting[0] if fitting else supplies[-1]
    why = "the lowest supply that the EMF does not exceed" if fitting else "the highest supply; the EMF exceeds it"
    return volt, f"{amount(volt, 'V')} of {name}, {why} up to {amount(machine.max_speed_rpm, 'rpm')}; --voltage takes another"


def voltage_for_inverter(inverter, supplies):
    """The highest supply within 80 % of the devices' rating; None where no rating or no such supply is known."""
    rating = inverter.devices.rated_voltage_V if inverter.devices is not None else 0.0
    fitting = [s for s in supplies if s[0] <= _OF_RATING * rating]
    if not fitting:
        return None
    volt, name = fitting[-1]
    return volt, f"{amount(volt, 'V')} of {name}, within 80 % of the devices' rating; --voltage takes another"
