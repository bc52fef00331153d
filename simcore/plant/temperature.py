"""How resistance and magnet flux move with temperature."""

COPPER_ZERO_degC = 235.0


def resistance_ohm(machine):
    """(machine: stator_resistance_ohm at reference_temperature_degC, winding_temperature_degC) => phase resistance [ohm].

    R = R0 (235 + t)/(235 + t0) for copper: IEC 60034-1 (from memory).  Checked: tests/plant/test_temperature.py.
    """
    ratio = (COPPER_ZERO_degC + machine.winding_temperature_degC) / (COPPER_ZERO_degC + machine.reference_temperature_degC)
    return machine.stator_resistance_ohm * ratio


def magnet_flux_Wb(machine):
    """(machine: magnet_flux_Wb and its relative change a kelvin) => magnet flux linkage at the magnets' temperature [Wb]."""
    rise = machine.magnet_temperature_degC - machine.reference_temperature_degC
    return machine.magnet_flux_Wb * (1.0 + machine.magnet_temperature_coefficient_per_K * rise)
