"""Every kind of fault and what it does."""

from simcore.safety.fault_effect import Effect
from simcore.safety.fault_effects_drive import DRIVE_EFFECTS
from simcore.safety.fault_effects_inverter import INVERTER_EFFECTS
from simcore.safety.fault_effects_sensors import SENSOR_EFFECTS

EFFECTS = SENSOR_EFFECTS | DRIVE_EFFECTS | INVERTER_EFFECTS


def effect_of(fault, bench):
    """(fault, Bench) => Effect."""
    found = EFFECTS[fault.kind](fault, bench)
    return found if isinstance(found, Effect) else Effect(tuple(found))
