"""Junctions in the thermal steady state over the amplitude, one curve a gate setting: which currents a setting holds for good.

From the loss formulas, all legs turning: a rotor at rest that heats one device alone gets hotter.
"""

import math

import numpy as np

from simcore.study.power_formulas import OperatingPoint, settled_losses

AMPLITUDES = 9
RUNAWAY_degC = 1e4
# Voltage over the link's and angle of the current: an IGBT carries most in full drive, its diode in full braking.
_MOSFET, _IGBT = ((0.25, 0.0),), ((0.5, 0.0), (0.5, math.pi), (0.01, 0.0))
_TURNING_Hz = 100.0


def junction_limit_degC(scenario, given=None):
    """(Scenario, limit or None) => the junction that a plan keeps [degC]: the one at which torque begins to be reduced; None
    without [inverter.heat]."""
    heat = scenario.inverter.heat
    if heat is None:
        return None
    return scenario.inverter.derate_from_degC if given is None else given


def steady_junctions(scenario, amplitudes_A, link_V):
    """(Scenario with heat, amplitudes (n,), link voltage) => {setting: hottest junction held for good (n,) [degC]}."""
    inverter = scenario.inverter
    few = np.linspace(0.0, amplitudes_A[-1], AMPLITUDES)
    few[0] = 1e-3 * few[-1]  # a current so small that its direction still says which edges are hard
    points = _MOSFET if inverter.devices.kind == "mosfet" else _IGBT
    found = {}
    for name in inverter.gate_settings:
        hottest = [max(_held(inverter, name, link_V, amplitude, *point) for point in points) for amplitude in few]
        found[name] = np.interp(amplitudes_A, few, hottest)
    return found


def _held(inverter, name, link_V, amplitude_A, share, phase_rad):
    point = OperatingPoint(link_V, float(amplitude_A), share * link_V, phase_rad, _TURNING_Hz)
    held = settled_losses(inverter, point, gate_setting=name)
    return max(*held.switch_degC, *held.diode_degC) if held.settled else RUNAWAY_degC
