"""One update of the current loop in a frame that stands: the vector lies where it is commanded, whatever the rotor does."""

from controllers.foc_kernel import foc_update
from controllers.foc_records import FOC_PARAMETERS, FOC_STATE
from simcore.kernel import kernel


@kernel
def standing_update(p, s, m, c, tables):
    """(parameters, state, measurement, tables) => command; angle and speed are taken for 0, the record stays as it is."""
    angle, speed = m.angle_electrical_rad, m.speed_rpm
    m.angle_electrical_rad = 0.0
    m.speed_rpm = 0.0
    code = foc_update(p, s, m, c, tables)
    m.angle_electrical_rad = angle
    m.speed_rpm = speed
    return code


def standing_step(measured, commands, parameters, state, tables, member):
    """The published compiled signature around standing_update (controllers.contract.step_signature)."""
    p = parameters[member].view(FOC_PARAMETERS)[0]
    s = state[member].view(FOC_STATE)[0]
    return standing_update(p, s, measured[member], commands[member], tables)
