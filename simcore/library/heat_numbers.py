"""Heat of a part in figures: its thermal networks in both forms, a machine's time constants and what it stands at rest."""

import math

from simcore.library.wording import amount, plain
from simcore.plant.temperature import COPPER_ZERO_degC
from simcore.report.tables import columns


def heat_numbers(inverter):
    """(checked [inverter]) => dict of its networks; None without heat."""
    heat = inverter.heat
    if heat is None:
        return None
    networks = {"switch": heat.switch, "diode": heat.diode, "sink": heat.sink}
    numbers = {
        "coolant_degC": heat.coolant_degC,
        "derate_from_degC": inverter.derate_from_degC,
        "max_junction_degC": inverter.devices.max_junction_degC,
        "networks": {name: _network(network) for name, network in networks.items() if network is not None},
    }
    sink = sum(resistance for _, resistance in heat.sink_at_flow)
    # A switch that alone is warm, and all six switches alike.
    numbers["one_switch_K_per_W"] = heat.switch.resistance_K_per_W + sink
    numbers["each_of_six_K_per_W"] = heat.switch.resistance_K_per_W + 6.0 * sink
    warm = inverter.devices.max_junction_degC - heat.coolant_degC
    numbers["each_of_six_most_W"] = warm / numbers["each_of_six_K_per_W"]
    return numbers


def _network(network):
    return {
        "resistance_K_per_W": network.resistance_K_per_W,
        "foster_K_per_W_and_s": [list(stage) for stage in network.foster],
        "cauer_J_per_K_and_K_per_W": [list(stage) for stage in network.cauer],
    }


def heat_lines(numbers):
    """(numbers of heat_numbers) => lines."""
    rows = [("Heat", "sum K/W", "Foster K/W", "s", "Cauer J/K", "K/W")]
    for name, network in numbers["networks"].items():
        both = zip(network["foster_K_per_W_and_s"], network["cauer_J_per_K_and_K_per_W"], strict=True)
        for k, (foster, cauer) in enumerate(both):
            first = (f"  {name}", plain(network["resistance_K_per_W"])) if k == 0 else ("", "")
            rows.append((*first, *map(plain, foster), *map(plain, cauer)))
    lines = columns(rows, right=range(1, 6))
    if "diode" not in numbers["networks"]:
        lines.append("  diode: on the switch's chip")
    lines.append(
        f"  coolant {plain(numbers['coolant_degC'])} degC; torque reduced from {plain(numbers['derate_from_degC'])} degC, "
        f"none at {plain(numbers['max_junction_degC'])} degC: {amount(numbers['each_of_six_most_W'], 'W')} a switch, "
        f"all six alike"
    )
    return lines


def machine_heat_numbers(machine):
    """(checked [machine]) => time constants [s] and what the winding carries at rest for ever; None without heat.

    Losses of the winding alone: rise = P (winding to iron + iron to coolant), P = 1.5 R I^2 with R at the limit.
    """
    heat = machine.heat
    if heat is None:
        return None
    way = heat.winding_to_iron_K_per_W + heat.iron_to_coolant_K_per_W
    watts = (heat.max_winding_degC - heat.coolant_degC) / way
    hot = (COPPER_ZERO_degC + heat.max_winding_degC) / (COPPER_ZERO_degC + machine.reference_temperature_degC)
    ohm = machine.stator_resistance_ohm * hot
    return {
        "winding_s": heat.winding_J_per_K * heat.winding_to_iron_K_per_W,
        "iron_s": heat.iron_J_per_K * heat.iron_to_coolant_K_per_W,
        "magnet_s": heat.magnet_J_per_K * heat.magnet_to_iron_K_per_W,
        "most_copper_W": watts,
        "continuous_current_A": math.sqrt(watts / (1.5 * ohm)) if ohm > 0.0 else math.inf,
        "max_winding_degC": heat.max_winding_degC,
        "coolant_degC": heat.coolant_degC,
    }


def machine_heat_lines(numbers):
    """(numbers of machine_heat_numbers) => lines."""
    return [
        f"Heat: time constants {amount(numbers['winding_s'], 's')} of the winding against the iron, "
        f"{amount(numbers['magnet_s'], 's')} of the magnets, {amount(numbers['iron_s'], 's')} of the iron",
        f"  at rest {amount(numbers['continuous_current_A'], 'A')} peak for ever: "
        f"{amount(numbers['most_copper_W'], 'W')} of copper loss hold the winding at "
        f"{plain(numbers['max_winding_degC'])} degC, coolant {plain(numbers['coolant_degC'])} degC",
    ]
