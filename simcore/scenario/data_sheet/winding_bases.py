"""Constants of a three-phase winding in the bases of data sheets, and back. Pure functions; every key names its unit.

Everything is led to one common basis: the equivalent star, one phase, peak values, mechanical speed. What fixes the magnet
(EMF, speed, torque constant) is led to p psi, the phase's peak EMF a mechanical rad/s [V s/rad], which needs no pole pairs.

Relations of balanced sinusoids: line-line = sqrt(3) phase in a star, peak = sqrt(2) rms, T = 1.5 p psi iq (peak). A delta's
winding carries the line-line voltage; its equivalent star has a third of resistance and inductance and 1/sqrt(3) of EMF and
flux (star-delta transformation, Kennelly, 1899, from memory), and its d axis lies 30 electrical degrees from the winding's.
Checked: tests/scenario/test_winding_bases.py.
"""

import math

from simcore.plant.temperature import COPPER_ZERO_degC

SQRT2, SQRT3 = math.sqrt(2.0), math.sqrt(3.0)
RAD_S_PER_RPM = 2.0 * math.pi / 60.0
STAR, DELTA = "star", "delta"

VOLTAGE = {
    "line_line_peak": "between two terminals, peak",
    "line_line_rms": "between two terminals, rms",
    "phase_peak": "of one phase winding, peak",
    "phase_rms": "of one phase winding, rms",
}
WAVE = {
    **VOLTAGE,
    "line_line_peak_to_peak": "between two terminals, crest to trough on an oscilloscope",
    "phase_peak_to_peak": "of one phase winding, crest to trough on an oscilloscope",
}
TORQUE = {
    "peak": "an ampere (peak) of sinusoidal line current across the magnet",
    "rms": "an ampere (rms) of sinusoidal line current across the magnet",
    "block": "an ampere of direct current with block commutation, the reciprocal of Kv in SI units",
}
FLUX = {
    "phase_peak": "of one phase winding, peak (the scaling of this program)",
    "phase_rms": "of one phase winding, rms",
    "power_invariant": "in power-invariant scaling: sqrt(3/2) of the peak value",
}
SERIES = {
    "phase": "of one phase winding",
    "line_line": "between two terminals, the third open",
    "one_to_two": "from one terminal to the two others joined",
}
INDUCTANCE = {
    **SERIES,
    "line_line_min": "between two terminals, least over a turn: twice the smaller of Ld and Lq, taken as Ld",
    "line_line_max": "between two terminals, greatest over a turn: twice the larger of Ld and Lq, taken as Lq",
}
CURRENT = {"peak": "of the sinusoidal line current, peak", "rms": "of the sinusoidal line current, rms"}

# Each quantity with its bases.
BASES = {
    "emf_constant_V_per_krpm": VOLTAGE,
    "emf_constant_V_s_per_rad": VOLTAGE,
    "speed_constant_rpm_per_V": VOLTAGE,
    "torque_constant_Nm_per_A": TORQUE,
    "magnet_flux_Wb": FLUX,
    "emf_V": WAVE,
    "no_load_voltage_V": VOLTAGE,
    "rated_voltage_V": VOLTAGE,
    "resistance_ohm": SERIES,
    "inductance_H": INDUCTANCE,
    "inductance_d_H": SERIES,
    "inductance_q_H": SERIES,
    "rated_current_A": CURRENT,
    "max_current_A": CURRENT,
}
# What is given as a reciprocal: rpm a volt.
RECIPROCAL = ("speed_constant_rpm_per_V",)


def voltage_factor(basis, connection=STAR):
    """(basis of a voltage, connection) => volts of the equivalent star's phase (peak) that one such volt is."""
    factor = SQRT2 if basis.endswith("rms") else 0.5 if basis.endswith("peak_to_peak") else 1.0
    across_lines = basis.startswith("line_line") or connection == DELTA
    return factor / SQRT3 if across_lines else factor


def series_factor(basis, connection=STAR):
    """(basis of R or L, connection) => ohm (henry) of the equivalent star's phase that one such ohm (henry) is."""
    if basis == "phase":
        return 1.0 / 3.0 if connection == DELTA else 1.0
    return 2.0 / 3.0 if basis == "one_to_two" else 0.5


def torque_factor(basis):
    """(basis of Kt) => p psi [V s/rad] that one Nm/A is: 1.5 p psi a peak ampere, sqrt(3) p psi with block commutation."""
    return {"peak": 1.0 / 1.5, "rms": 1.0 / (1.5 * SQRT2), "block": 1.0 / SQRT3}[basis]


def flux_factor(basis, connection=STAR):
    """(basis of a flux linkage, connection) => Wb of the equivalent star's phase (peak) that one such weber is."""
    if basis == "power_invariant":
        return math.sqrt(2.0 / 3.0)
    return voltage_factor(basis, connection)


def current_factor(basis):
    """(basis of a current) => peak amperes of the line that one such ampere is."""
    return SQRT2 if basis == "rms" else 1.0


def factor(quantity, basis, connection=STAR):
    """(quantity, basis, connection) => common basis a unit of it; of a reciprocal quantity, common basis x value."""
    if quantity == "emf_constant_V_per_krpm":
        return voltage_factor(basis, connection) / (1000.0 * RAD_S_PER_RPM)
    if quantity == "speed_constant_rpm_per_V":
        return voltage_factor(basis, connection) / RAD_S_PER_RPM
    bases = BASES[quantity]
    if bases is TORQUE:
        return torque_factor(basis)
    if bases is FLUX:
        return flux_factor(basis, connection)
    if bases in (SERIES, INDUCTANCE):
        return series_factor(basis, connection)
    return current_factor(basis) if bases is CURRENT else voltage_factor(basis, connection)


def to_common(quantity, basis, value, connection=STAR):
    """A data sheet's value => common basis: ohm, H, V, A, Wb of the equivalent star (phase, peak), or p psi [V s/rad]."""
    scale = factor(quantity, basis, connection)
    return scale / value if quantity in RECIPROCAL else scale * value


def from_common(quantity, basis, common, connection=STAR):
    """The inverse of to_common."""
    scale = factor(quantity, basis, connection)
    return scale / common if quantity in RECIPROCAL else common / scale


def at_temperature(resistance_ohm, from_degC, to_degC):
    """Copper resistance at one temperature => at another: (235 + t)/(235 + t0), IEC 60034-1 (from memory)."""
    return resistance_ohm * (COPPER_ZERO_degC + to_degC) / (COPPER_ZERO_degC + from_degC)
