"""What the loss formulas say of a checked [inverter] at one operating point, at given temperatures or once they settle."""

import math
from dataclasses import dataclass

import numpy as np

from simcore.inverter import loss_formulas as formulas

_STEPS = 300
_SETTLED_K = 1e-9


@dataclass(frozen=True)
class OperatingPoint:
    """Of the inverter. amplitude_A: peak phase current; voltage_V: peak phase voltage at the terminals, its fundamental;
    phase_rad: angle by which the current lags it."""

    link_V: float
    amplitude_A: float
    voltage_V: float
    phase_rad: float
    electrical_Hz: float

    @property
    def depth(self) -> float:
        """M, phase voltage over half the link voltage."""
        return 2.0 * self.voltage_V / self.link_V

    @property
    def terminal_W(self) -> float:
        """Power into the machine [W]."""
        return 1.5 * self.voltage_V * self.amplitude_A * math.cos(self.phase_rad)


@dataclass(frozen=True)
class InverterLosses:
    """Means over a turn [W]; switches and diodes in the order upper a, lower a, upper b, ...; their temperatures [degC].

    beyond_A: how far the currents reach beyond the tables of energies. settled: False where temperatures ran away.
    """

    conduction_W: float
    switching_W: float
    gate_W: float
    capacitor_W: float
    switch_W: tuple[float, ...]
    diode_W: tuple[float, ...]
    switch_degC: tuple[float, ...]
    diode_degC: tuple[float, ...]
    beyond_A: float
    settled: bool = True

    @property
    def inverter_W(self) -> float:
        """All of them."""
        return self.conduction_W + self.switching_W + self.gate_W + self.capacitor_W


def losses_at(inverter, point, *, gate_setting=None, switch_degC=None, diode_degC=None) -> InverterLosses:
    """(checked [inverter], OperatingPoint) => InverterLosses with junctions held, by default at devices.junction_degC.

    gate_setting: a name, by default the one in force; switch_degC, diode_degC: six each.  Overmodulation is not covered.
    """
    devices = inverter.devices
    at = devices.junction_degC if devices is not None else 25.0
    switch_degC, diode_degC = switch_degC or (at,) * 6, diode_degC or (at,) * 6
    name = gate_setting or inverter.gate_setting
    turns = point.electrical_Hz and inverter.switching_frequency_Hz / abs(point.electrical_Hz)
    # A turn is the same in either direction; "six_step" is the space vector as long as that reaches.
    modulation = "svpwm" if inverter.modulation == "six_step" else inverter.modulation
    turn = formulas.leg_turn(modulation, point.depth, point.amplitude_A, point.phase_rad, turns or math.inf)
    held, hard, driver_W, beyond = [], [], 0.0, 0.0
    for leg in range(3):
        of_leg = switch_degC[2 * leg : 2 * leg + 2], diode_degC[2 * leg : 2 * leg + 2]
        held.append(_conduction(inverter, inverter.leg_devices(leg), turn, *of_leg))
        setting = inverter.leg_gate_settings(leg).get(name)
        hard.append(_switching(inverter, setting, turn, point.link_V, *of_leg))
        if setting is not None:
            share = float(np.mean(turn.switching))
            driver_W += 2.0 * share * setting.gate_charge_C * setting.gate_swing_V * inverter.switching_frequency_Hz
            tables = (setting.energy_on_J, setting.energy_off_J, setting.energy_recovery_J)
            beyond = max([beyond, *(point.amplitude_A - table[-1][0] for table in tables if table)])
    ripple_A = formulas.capacitor_current_A(point.amplitude_A, point.depth, point.phase_rad)
    both = [[a + b for a, b in zip(*pair, strict=True)] for pair in zip(held, hard, strict=True)]
    return InverterLosses(
        conduction_W=sum(map(sum, held)),
        switching_W=sum(map(sum, hard)),
        gate_W=driver_W,
        capacitor_W=inverter.link_capacitor_resistance_ohm * ripple_A**2,
        switch_W=tuple(w for leg in both for w in leg[:2]),
        diode_W=tuple(w for leg in both for w in leg[2:]),
        switch_degC=tuple(switch_degC),
        diode_degC=tuple(diode_degC),
        beyond_A=beyond,
    )


def _conduction(inverter, devices, turn, switch_degC, diode_degC):
    """Of one leg; each side by the temperature of its own devices."""
    if devices is None:
        return (0.0,) * 4
    dead = 2.0 * inverter.dead_time_s * inverter.switching_frequency_Hz
    found = []
    for side in range(2):
        switch, diode = _laws(devices, switch_degC[side], diode_degC[side])
        found.append(
            formulas.conduction(turn, switch, diode, synchronous=devices.kind == "mosfet", dead_share=dead),
        )
    return found[0].switch_upper, found[1].switch_lower, found[0].diode_upper, found[1].diode_lower


def _laws(devices, switch_degC, diode_degC):
    """(devices, temperatures) => power at a current of switch and diode."""
    if devices.kind == "mosfet":
        ohm, factors = devices.on_resistance_ohm.at(switch_degC), devices.on_resistance_over_current
        x, y = np.array(factors).T if factors else ((0.0,), (1.0,))

        def switch(current):
            return ohm * np.interp(current, x, y) * current**2
    else:
        volt, slope = devices.threshold_V.at(switch_degC), devices.slope_ohm.at(switch_degC)

        def switch(current):
            return volt * current + slope * current**2

    given = devices.diode
    diode_V, diode_ohm = (given.threshold_V.at(diode_degC), given.slope_ohm.at(diode_degC)) if given is not None else (0.0, 0.0)
    return switch, lambda current: diode_V * current + diode_ohm * current**2


def _switching(inverter, setting, turn, link_V, switch_degC, diode_degC):
    if setting is None or not setting.has_energies:
        return (0.0,) * 4
    found = []
    for side in range(2):
        # The recovery of a diode is that of its own side.
        switch = _scale(setting, link_V, switch_degC[side], "")
        diode = _scale(setting, link_V, diode_degC[side], "diode_")

        def scaled(points, factor):
            return lambda current: factor * formulas.energy_at(points, current)

        energies = scaled(setting.energy_on_J, switch), scaled(setting.energy_off_J, switch)
        recovery = scaled(setting.energy_recovery_J, diode)
        found.append(formulas.switching(turn, inverter.switching_frequency_Hz, *energies, recovery))
    return found[0].switch_upper, found[1].switch_lower, found[0].diode_upper, found[1].diode_lower


def _scale(setting, link_V, degC, whose):
    """(V / V_ref)^k (1 + a (T - T_ref)) of the switch ("") or the diode ("diode_")."""
    exponent = getattr(setting, f"{whose}voltage_exponent")
    per_K = getattr(setting, f"{whose}temperature_coefficient_per_K")
    warmer = max(0.0, 1.0 + per_K * (degC - setting.reference_temperature_degC))
    return (link_V / setting.reference_voltage_V) ** exponent * warmer


def settled_losses(inverter, point, *, gate_setting=None) -> InverterLosses:
    """(checked [inverter] with heat, OperatingPoint) => InverterLosses once the mean temperatures have settled.

    Losses and temperatures are repeated in turn to their fixed point; junction ripple over the electrical turn is left out.
    """
    heat = inverter.heat
    if heat is None:
        return losses_at(inverter, point, gate_setting=gate_setting)
    sink = sum(resistance for _, resistance in heat.sink_at_flow)
    switch = diode = (heat.coolant_degC,) * 6
    for _ in range(_STEPS):
        found = losses_at(inverter, point, gate_setting=gate_setting, switch_degC=switch, diode_degC=diode)
        base = heat.coolant_degC + sink * (sum(found.switch_W) + sum(found.diode_W))
        if heat.diode is None:
            together = tuple(a + b for a, b in zip(found.switch_W, found.diode_W, strict=True))
            new = tuple(base + heat.switch.resistance_K_per_W * w for w in together)
            warmer = new, new
        else:
            warmer = (
                tuple(base + heat.switch.resistance_K_per_W * w for w in found.switch_W),
                tuple(base + heat.diode.resistance_K_per_W * w for w in found.diode_W),
            )
        moved = max(abs(a - b) for a, b in zip((*switch, *diode), (*warmer[0], *warmer[1]), strict=True))
        switch, diode = warmer
        if moved < _SETTLED_K:
            return found
        if moved > 1e6:
            break
    return InverterLosses(**{**found.__dict__, "settled": False})
