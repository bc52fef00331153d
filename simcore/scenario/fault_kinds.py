"""All kinds of [[fault]], and those that are refused with the reason."""

from simcore.scenario.fault import fault_union
from simcore.scenario.fault_drive import DRIVE_FAULTS
from simcore.scenario.fault_inverter import INVERTER_FAULTS
from simcore.scenario.fault_sensors import SENSOR_FAULTS

FAULTS = SENSOR_FAULTS + DRIVE_FAULTS + INVERTER_FAULTS
FaultModel = fault_union(*FAULTS)

# kind => rule and remedy of its sentence.
REFUSED = {
    "turn_to_turn_short": (
        "is not modelled: what flows in shorted turns hangs on their own leakage and mutual inductances, which no key of "
        "[machine] tells, and a symmetric change of resistance and inductance would show another current, torque and heat",
        "Break the terminals instead, phase_phase_short or three_phase_short, or the magnets, magnet_demagnetised",
    ),
}
