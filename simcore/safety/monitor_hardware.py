"""What hardware watches once a tick, beside the controller: comparators on the phase currents, and the gate drivers.

A comparator sees the sensor's signal in front of the converter: gain, offset, filter and noise, neither steps nor range.
Checked: tests/safety/test_monitor_currents.py.
"""

import math

from simcore.kernel import kernel
from simcore.plant.detail import terminal_currents
from simcore.rotation import HALF_SQRT3
from simcore.safety.monitor_gates import gate_delay, switch_voltage
from simcore.safety.monitor_judge import above
from simcore.safety.monitor_reactions import overridden, react
from simcore.safety.monitor_records import DESATURATION, GATE_FEEDBACK, HARDWARE, OVERCURRENT_FAST
from simcore.sensing.current import analogue_currents, failing_signal
from simcore.sensing.noise import BURST_AB, BURST_C, CURRENT_AB, CURRENT_C, normal_pair

HARDWARE_COUNT = len(HARDWARE)


@kernel
def largest_analogue(p, s, id_A, iq_A, member):
    """(true currents at the tick [A]) => largest phase current that the sensors show before their converters [A]."""
    angle = p.machine.pole_pairs * s.plant.theta
    if p.current.bandwidth_rad_s > 0.0:
        id_A, iq_A = s.sensors.filtered_d_A, s.sensors.filtered_q_A
    noise_a, noise_b, noise_c = 0.0, 0.0, 0.0
    if p.current.noise_rms_A > 0.0:
        # The draws of this tick's sample: it is the same signal.
        noise_a, noise_b = normal_pair(p.clock.seed, member, s.tick, CURRENT_AB)
        if p.current.phases == 3:
            noise_c, _ = normal_pair(p.clock.seed, member, s.tick, CURRENT_C)
    ia, ib, ic = analogue_currents(p.current, id_A, iq_A, math.sin(angle), math.cos(angle), noise_a, noise_b, noise_c)
    if p.current.failing:
        burst_a, burst_b = normal_pair(p.clock.seed, member, s.tick, BURST_AB)
        burst_c, _ = normal_pair(p.clock.seed, member, s.tick, BURST_C)
        ia, ib = failing_signal(p.current, 0, ia, burst_a), failing_signal(p.current, 1, ib, burst_b)
        ic = failing_signal(p.current, 2, ic, burst_c)
    largest = max(abs(ia), abs(ib))
    return max(largest, abs(ic)) if p.current.phases == 3 else largest


@kernel
def phase_currents(id_A, iq_A, angle):
    """(dq currents [A], electrical angle) => true ia, ib, ic [A]."""
    sine, cosine = math.sin(angle), math.cos(angle)
    i_alpha, i_beta = cosine * id_A - sine * iq_A, sine * id_A + cosine * iq_A
    return i_alpha, -0.5 * i_alpha + HALF_SQRT3 * i_beta, -0.5 * i_alpha - HALF_SQRT3 * i_beta


@kernel
def tripped_count(monitor):
    """(memories) => how many of the hardware checks have tripped."""
    count = 0
    for index in range(HARDWARE_COUNT):
        count += monitor.checks[index].tripped
    return count


@kernel
def watch_tick(p, s, table, member):
    """(state at the start of a tick) => hardware checks judged; what they ask for acts from this tick on."""
    safety, monitor, plant = p.safety, s.monitor, s.plant
    id_A, iq_A = terminal_currents(p.machine, table, plant.psi_d, plant.psi_q, plant.omega, plant.theta)
    before = tripped_count(monitor)
    if safety.checks[OVERCURRENT_FAST].on:
        value = largest_analogue(p, s, id_A, iq_A, member)
        if s.legs.by_edges == 2:
            value = max(value, s.legs.line_peak_A)  # shorts between terminals flow between the ticks
        above(safety, monitor, OVERCURRENT_FAST, value, s.tick)
    if safety.checks[DESATURATION].on:
        ia, ib, ic = phase_currents(id_A, iq_A, p.machine.pole_pairs * plant.theta)
        above(safety, monitor, DESATURATION, switch_voltage(p.inverter, s.legs, plant.link_V, ia, ib, ic), s.tick)
    if safety.checks[GATE_FEEDBACK].on:
        value, monitor.gate_wait_s = gate_delay(p.inverter, s.legs, s.gates_on, monitor.gate_wait_s)
        above(safety, monitor, GATE_FEEDBACK, value, s.tick)
    if tripped_count(monitor) != before:
        react(safety, monitor, s.tick)
    if overridden(monitor.state):
        monitor.largest_A = max(monitor.largest_A, math.sqrt(id_A * id_A + iq_A * iq_A))
        if id_A < monitor.least_id_A:
            monitor.least_id_A, monitor.least_id_tick = id_A, s.tick
