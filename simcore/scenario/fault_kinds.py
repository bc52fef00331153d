"""All kinds of [[fault]]."""

from simcore.scenario.fault import fault_union
from simcore.scenario.fault_drive import DRIVE_FAULTS
from simcore.scenario.fault_sensors import SENSOR_FAULTS

FAULTS = SENSOR_FAULTS + DRIVE_FAULTS
FaultModel = fault_union(*FAULTS)
