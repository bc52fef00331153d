"""The monitor that runs beside any controller: it sees the measurement and the command, and may take the legs away from it.

Once an update: checks, reactions, restart (`protect`); what it decides acts from the next tick on, or at once where the
command does.  Once a tick: hardware (monitor_hardware.py).  Checked: tests/safety.
"""

import math

from simcore.kernel import kernel
from simcore.safety.monitor_currents import check_currents
from simcore.safety.monitor_drive import check_commands, check_temperatures, check_timing, check_torque
from simcore.safety.monitor_entry import lead_current
from simcore.safety.monitor_link import check_link
from simcore.safety.monitor_model import check_model
from simcore.safety.monitor_position import check_position
from simcore.safety.monitor_reactions import move_share, overridden, react, restart, trust_speed
from simcore.safety.monitor_records import IN_GATES_OFF, IN_SHORT_HIGH, IN_SHORT_LOW
from simcore.sensing.position import channels


@kernel
def enforce(s):
    """(state of the monitor) => duties and gates of the tick, where it has taken them from the controller."""
    state = s.monitor.state
    if state == IN_GATES_OFF:
        s.gates_on = 0
    elif overridden(state):
        s.gates_on = 1
        for leg in range(3):
            s.duties[leg] = 0.0 if state == IN_SHORT_LOW else (1.0 if state == IN_SHORT_HIGH else s.monitor.duties[leg])


@kernel
def prepare(p, s, m):
    """(sampling instant, measurement) => the resolver's channels for the monitor; requests as the controller may see them.

    In a safe state they are none, and the controller is asked to rest and told that its legs are held.
    """
    monitor, share = s.monitor, s.monitor.share
    angle = p.position.pole_pairs * s.plant.theta
    monitor.channel_sin, monitor.channel_cos = channels(p.position, s.sensors, math.sin(angle), math.cos(angle))
    if share < 1.0:
        m.torque_reference_Nm *= share
        m.speed_reference_rpm *= share
        m.id_reference_A *= share
        m.iq_reference_A *= share
        m.vd_reference_V *= share
        m.vq_reference_V *= share
        m.voltage_reference_V *= share
        m.frequency_reference_Hz *= share
    if overridden(monitor.state):
        m.run_request, m.legs_released = 0.0, 0.0


@kernel
def protect(p, s, m, c, table, run_request):
    """(measurement, command of this update, what the scenario asks) => checks judged, reaction chosen."""
    safety, monitor, tick = p.safety, s.monitor, s.tick
    if safety.delay_updates == 0:
        _keep_applied(s)
    check_currents(safety, monitor, m, tick)
    check_position(safety, monitor, m, s.sensors.tracked_rad, tick)
    check_link(safety, monitor, m, s.update, tick)
    estimate_Nm = check_model(safety, monitor, m, table, tick)
    check_torque(safety, monitor, m, c, estimate_Nm, not overridden(monitor.state), tick)
    check_temperatures(safety, monitor, m, tick)
    check_commands(safety, monitor, p.profiles, s.profile_now, tick)
    check_timing(safety, monitor, p.clock.delay_updates, p.clock.frozen, tick)
    trust_speed(monitor, m.speed_rpm)
    restart(safety, monitor, run_request)
    react(safety, monitor, tick)
    lead_current(safety, monitor, m, table)
    move_share(safety, monitor)
    monitor.last_A[0], monitor.last_A[1], monitor.last_A[2] = m.ia_A, m.ib_A, m.ic_A
    monitor.last_rad = m.angle_electrical_rad
    if safety.delay_updates > 0:
        _keep_applied(s)
    monitor.started = 1


@kernel
def _keep_applied(s):
    """(duties in force) => what acts until the next sample, or has acted since the last one where commands act at once."""
    s.monitor.applied[0], s.monitor.applied[1], s.monitor.applied[2] = s.duties[0], s.duties[1], s.duties[2]
    s.monitor.driven = s.gates_on
