"""One tick in named stages: sense, control, protect, switch, integrate, account, record.  Two shells run them (loop/run.py)."""

import math

from simcore.inverter.averaged import begin_averaged_tick
from simcore.inverter.faulty import begin_faults, begin_faulty_tick, end_faults
from simcore.inverter.switched import begin_switched_tick, enter_switched, turn_gates_off
from simcore.kernel import inlined, kernel
from simcore.loop.faulty_interval import advance_faulty
from simcore.loop.interval import advance_averaged, advance_switched
from simcore.loop.power import begin_power_tick, end_power_tick
from simcore.loop.power_rows import begin_power_row, end_power_row
from simcore.loop.profile import profile_at_tick
from simcore.loop.records import (
    CONTROLLER_CODE,
    DIVERGED,
    DUTY_NOT_A_NUMBER,
    DUTY_OUT_OF_RANGE,
    FREQUENCY,
    GATE_SETTING,
    GATES_OFF,
    ID,
    IQ,
    LOAD,
    MAP_LEFT,
    MAP_SLACK,
    MAX_DELAY,
    OK,
    POWER_SUMS_AT,
    RUN_REQUEST,
    RUNNING,
    SENSED_AT,
    SPEED,
    SUMS_AT,
    TORQUE,
    VD,
    VOLTAGE,
    VQ,
)
from simcore.plant.detail import terminal_currents
from simcore.plant.faulty_terminals import line_currents
from simcore.plant.fluxmap import map_distance
from simcore.plant.link import begin_battery_tick, end_battery_tick
from simcore.plant.machine import currents
from simcore.plant.records import RIG
from simcore.rotation import INV_SQRT3, TWO_PI, turn, wrap
from simcore.safety.monitor import enforce, prepare, protect
from simcore.safety.monitor_hardware import watch_tick
from simcore.sensing.current import sense_currents, sense_failing_currents
from simcore.sensing.link_voltage import sense_link_voltage
from simcore.sensing.noise import (
    BURST_AB,
    BURST_C,
    CURRENT_AB,
    CURRENT_C,
    LINK_VOLTAGE,
    RESOLVER,
    TEMPERATURE,
    normal_pair,
)
from simcore.sensing.position import sense_position
from simcore.sensing.records import RESOLVER as RESOLVER_KIND
from simcore.sensing.temperature import lagged, sense_temperature

RPM = 30.0 / math.pi
SPAN = MAX_DELAY + 1


@kernel
def fail(s, status, value):
    """(state, status code, offending value) => state marked, unless something failed before."""
    if s.status == OK:
        s.status = status
        s.status_tick = s.tick
        s.status_value = value


@kernel
def begin_tick(p, s, points, member):
    """(clock) => profiles and imposed speed of this tick, this tick's resolver noise, an empty sum."""
    tick = s.tick
    for index in range(LOAD + 1):
        if p.profiles[index].count > 1 or (tick == 0 and p.profiles[index].count == 1):
            value, at = profile_at_tick(p.profiles[index], points, s.profile_at[index], tick)
            s.profile_now[index] = value
            s.profile_at[index] = at
    after, _ = profile_at_tick(p.profiles[LOAD], points, s.profile_at[LOAD], tick + 1)
    now = s.profile_now[LOAD]
    if not p.profiles[LOAD].linear:
        after = now
    if p.shaft.kind == RIG:
        s.plant.omega = now / RPM
        s.drive.acceleration = (after - now) / (RPM * p.clock.tick_s)
    else:
        s.drive.load_torque_Nm = 0.5 * (now + after) + p.shaft.shock_Nm
    s.drive.auxiliary_W = p.link.auxiliary_W if s.plant.link_V >= p.link.auxiliary_off_V else 0.0
    if p.link.battery:
        begin_battery_tick(p.link, s.drive, s.plant, points, p.clock.tick_s, s.battery_A)
    if p.position.kind == RESOLVER_KIND and p.position.noise_rms > 0.0:
        first, second = normal_pair(p.clock.seed, member, tick, RESOLVER)
        s.sensors.noise_sin = p.position.noise_rms * first
        s.sensors.noise_cos = p.position.noise_rms * second


@kernel
def apply_command(p, s, table):
    """(duties that act from this tick on) => leg laws or edges of the tick."""
    if p.safety.active:
        enforce(s)
    if p.power.active:
        begin_power_tick(p, s, table)
    by_edges = 1 if p.inverter.switched != 0 or s.gates_on == 0 else 0
    if p.inverter.faults.active or s.legs.by_edges == 2:
        by_edges = 2 if p.inverter.faults.active else by_edges
        _begin_or_end_faults(p, s)
    if by_edges == 1:
        _begin_edges(p, s)
    elif by_edges == 0:
        begin_averaged_tick(p.inverter, s.drive, s.duties)
    s.legs.by_edges = by_edges


@kernel
def _take_place(p, s):
    """(duties of the first tick from edge to edge) => legs as they would stand there after averaged ones."""
    enter_switched(s.legs, s.duties, s.tick & 1)
    for leg in range(3):
        s.power.gate_seen[leg] = s.legs.gate[leg]


@kernel
def _begin_or_end_faults(p, s):
    """(faults of the power stage) => their legs' edges of the tick, or healthy legs again where none acts any more."""
    legs = s.legs
    if p.inverter.faults.active == 0:
        end_faults(legs, s.drive)
        return
    if legs.by_edges == 0:
        _take_place(p, s)
    if legs.by_edges != 2:
        begin_faults(legs)
    begin_faulty_tick(p.inverter, legs, s.duties, s.tick & 1, s.gates_on)


@kernel
def _begin_edges(p, s):
    """(gates, duties) => edges of the tick; legs that were averaged until now take their place first."""
    legs, odd = s.legs, s.tick & 1
    if legs.by_edges == 0:
        _take_place(p, s)
    if s.gates_on == 0:
        turn_gates_off(legs)
        legs.off = 1
    else:
        begin_switched_tick(p.inverter, legs, s.duties, odd)


@kernel
def record_state(p, s, table, row):
    """(state at the tick) => the row's state channels; starts the row's sums."""
    plant = s.plant
    id_A, iq_A = terminal_currents(p.machine, table, plant.psi_d, plant.psi_q, plant.omega, plant.theta)
    row[0], row[1], row[2], row[3], row[4], row[5] = plant.psi_d, plant.psi_q, id_A, iq_A, plant.omega, plant.theta
    row[6], row[7], row[8], row[9] = plant.link_V, s.duties[0], s.duties[1], s.duties[2]
    row[10], row[11], row[12] = plant.omega_load, plant.twist, plant.charge
    state = RUNNING if s.gates_on else GATES_OFF
    row[13] = (s.monitor.state if s.monitor.state != RUNNING else state) * 1.0
    sums = s.row
    sums.vd = sums.vq = sums.v_alpha = sums.v_beta = sums.link_C = sums.supply_C = 0.0
    sums.link_J = sums.terminal_J = sums.copper_J = sums.shaft_J = sums.viscous_J = sums.coulomb_J = 0.0
    sums.supply_loss_J = sums.supply_J = sums.iron_J = sums.shaft_loss_J = sums.chopper_J = sums.short_J = sums.below_V2 = 0.0
    if p.power.active:
        begin_power_row(p, s, row)


@kernel
def sense(p, s, m, table, member, shift_s):
    """(true state) => measurement m, and what the recording needs of it."""
    plant, latest = s.plant, s.latest
    angle = p.machine.pole_pairs * plant.theta
    sine, cosine = math.sin(angle), math.cos(angle)
    if p.current.bandwidth_rad_s > 0.0:
        id_A, iq_A = s.sensors.filtered_d_A, s.sensors.filtered_q_A
    else:
        id_A, iq_A = line_currents(p.machine, table, s.drive, plant)
    noise_a, noise_b, noise_c, noise_v = 0.0, 0.0, 0.0, 0.0
    if p.current.noise_rms_A > 0.0:
        noise_a, noise_b = normal_pair(p.clock.seed, member, s.tick, CURRENT_AB)
        if p.current.phases == 3:
            noise_c, _ = normal_pair(p.clock.seed, member, s.tick, CURRENT_C)
    if p.link_voltage.noise_rms_V > 0.0:
        noise_v, _ = normal_pair(p.clock.seed, member, s.tick, LINK_VOLTAGE)
    if p.current.failing:
        noise, burst = (noise_a, noise_b, noise_c), burst_noise(p, s, member)
        ia, ib, ic = sense_failing_currents(p.current, m, id_A, iq_A, sine, cosine, noise, burst)
    else:
        ia, ib, ic = sense_currents(p.current, id_A, iq_A, sine, cosine, noise_a, noise_b, noise_c)
    measured_angle, measured_omega = sense_position(
        p.position, s.sensors, plant.theta, plant.omega, p.clock.tick_s * p.clock.ticks_per_update
    )
    m.time_s = s.tick * p.clock.tick_s + shift_s
    m.ia_A, m.ib_A, m.ic_A = ia, ib, ic
    m.angle_electrical_rad = measured_angle
    m.speed_rpm = measured_omega * RPM
    if p.link_voltage.held == 0:
        m.link_voltage_V = sense_link_voltage(p.link_voltage, plant.link_V, noise_v)
    m.winding_degC, m.junction_degC, m.magnet_degC = p.winding_degC, p.junction_degC, p.magnet_degC
    if p.temperature_sensors:
        sense_temperatures(p, s, m, member)
    m.torque_reference_Nm = s.profile_now[TORQUE]
    m.speed_reference_rpm = s.profile_now[SPEED]
    m.id_reference_A = s.profile_now[ID]
    m.iq_reference_A = s.profile_now[IQ]
    m.vd_reference_V = s.profile_now[VD]
    m.vq_reference_V = s.profile_now[VQ]
    m.voltage_reference_V = s.profile_now[VOLTAGE]
    m.frequency_reference_Hz = s.profile_now[FREQUENCY]
    m.run_request = s.profile_now[RUN_REQUEST]
    m.legs_released = 1.0
    if p.safety.active:
        prepare(p, s, m)
    i_alpha = (2.0 * ia - ib - ic) * (1.0 / 3.0)
    i_beta = (ib - ic) * INV_SQRT3
    latest.angle_error_rad = wrap(measured_angle - angle)
    sine, cosine = turn(sine, cosine, latest.angle_error_rad)
    latest.id_A = cosine * i_alpha + sine * i_beta
    latest.iq_A = -sine * i_alpha + cosine * i_beta
    latest.speed_rpm = m.speed_rpm
    latest.link_V = m.link_voltage_V
    latest.winding_degC, latest.junction_degC = m.winding_degC, m.junction_degC


@kernel
def burst_noise(p, s, member):
    """(tick) => three unit normal numbers for the noise that comes on top of the current sensors' own."""
    a, b = normal_pair(p.clock.seed, member, s.tick, BURST_AB)
    c, _ = normal_pair(p.clock.seed, member, s.tick, BURST_C)
    return a, b, c


@kernel
def sense_temperatures(p, s, m, member):
    """(true temperatures) => what the sensors report of winding and junction."""
    interval_s = p.clock.tick_s * p.clock.ticks_per_update
    sensors = s.sensors
    sensors.winding_degC = lagged(p.winding, sensors.winding_degC, p.winding_degC, interval_s)
    sensors.junction_degC = lagged(p.junction, sensors.junction_degC, p.junction_degC, interval_s)
    first, second = 0.0, 0.0
    if p.winding.noise_rms_K > 0.0 or p.junction.noise_rms_K > 0.0:
        first, second = normal_pair(p.clock.seed, member, s.tick, TEMPERATURE)
    m.winding_degC = sense_temperature(p.winding, sensors.winding_degC, first)
    m.junction_degC = sense_temperature(p.junction, sensors.junction_degC, second)


@kernel
def take_command(p, s, c):
    """(command of this update) => duties and gates in the queue, or a failure."""
    low = min(c.duty_a, min(c.duty_b, c.duty_c))
    high = max(c.duty_a, max(c.duty_b, c.duty_c))
    total = c.duty_a + c.duty_b + c.duty_c
    if not math.isfinite(total):
        fail(s, DUTY_NOT_A_NUMBER, total)
    elif low < -1e-9 or high > 1.0 + 1e-9:
        fail(s, DUTY_OUT_OF_RANGE, low if low < -1e-9 else high)
    elif c.gate_setting < -1 or c.gate_setting >= max(p.power.settings, 1):
        fail(s, GATE_SETTING, c.gate_setting * 1.0)
    slot = (s.update + p.clock.delay_updates) % SPAN
    s.pending_setting[slot] = c.gate_setting if p.power.settings > 0 else -1
    s.pending[slot, 0] = min(max(c.duty_a, 0.0), 1.0)
    s.pending[slot, 1] = min(max(c.duty_b, 0.0), 1.0)
    s.pending[slot, 2] = min(max(c.duty_c, 0.0), 1.0)
    s.pending_gates[slot] = 1 if c.gates_on else 0


@kernel
def due_command(s):
    """(queue) => duties and gates that act from this update on."""
    slot = s.update % SPAN
    s.duties[0], s.duties[1], s.duties[2] = s.pending[slot, 0], s.pending[slot, 1], s.pending[slot, 2]
    s.power.asked = s.pending_setting[slot]
    s.gates_on = s.pending_gates[slot]


@inlined
def integrate(p, s, table, scopes, samples, from_s, to_s):
    """(legs, state) => state at to_s inside the tick."""
    start = s.tick * p.clock.tick_s
    if s.legs.by_edges == 1:
        advance_switched(p, s, table, scopes, samples, start, from_s, to_s)
    elif s.legs.by_edges == 2:
        advance_faulty(p, s, table, scopes, samples, start, from_s, to_s)
    else:
        advance_averaged(p, s, table, scopes, samples, start, from_s, to_s)


@kernel
def account(p, s, table):
    """(sums of the tick) => the audit and the row's sums; the tick's sums start anew.  Angles are wrapped, limits watched."""
    sums, row, audit, plant = s.sums, s.row, s.audit, s.plant
    drawn_J = 0.0
    if p.power.active:
        drawn_J = end_power_tick(p, s, table, s.legs.by_edges != 0)
    supply_J = sums.supply_J
    if supply_J >= 0.0:
        audit.supply_in_J += supply_J
    else:
        audit.supply_out_J -= supply_J
    shaft_J = sums.shaft_J if p.shaft.kind == RIG else sums.load_J
    if shaft_J >= 0.0:
        audit.shaft_out_J += shaft_J
    else:
        audit.shaft_in_J -= shaft_J
    audit.copper_J += sums.copper_J
    if p.link.battery:
        s.battery_A = sums.supply_C / p.clock.tick_s
        sums.supply_loss_J += end_battery_tick(p.link, plant, p.clock.tick_s, sums.supply_C)
    audit.auxiliary_J += s.drive.auxiliary_W * p.clock.tick_s
    audit.supply_loss_J += sums.supply_loss_J
    audit.iron_J += sums.iron_J
    audit.chopper_J += sums.chopper_J
    audit.short_J += sums.short_J
    audit.shaft_loss_J += sums.shaft_loss_J
    audit.conduction_J += sums.link_J - sums.terminal_J - drawn_J - sums.short_J + 0.5 * p.link.capacitance_F * sums.below_V2
    audit.viscous_J += sums.viscous_J
    audit.coulomb_J += sums.coulomb_J
    audit.magnetic_J += sums.magnetic_J
    row.vd += sums.vd
    row.vq += sums.vq
    row.v_alpha += sums.v_alpha
    row.v_beta += sums.v_beta
    row.link_C += sums.link_C
    row.supply_C += sums.supply_C
    row.link_J += sums.link_J
    row.terminal_J += sums.terminal_J
    row.copper_J += sums.copper_J
    row.shaft_J += sums.shaft_J
    row.viscous_J += sums.viscous_J
    row.coulomb_J += sums.coulomb_J
    row.supply_loss_J += sums.supply_loss_J
    row.supply_J += sums.supply_J
    row.iron_J += sums.iron_J
    row.shaft_loss_J += sums.shaft_loss_J
    row.chopper_J += sums.chopper_J
    row.short_J += sums.short_J
    sums.vd = sums.vq = sums.v_alpha = sums.v_beta = sums.link_C = sums.supply_C = sums.supply_loss_J = 0.0
    sums.link_J = sums.terminal_J = sums.copper_J = sums.shaft_J = sums.viscous_J = sums.coulomb_J = sums.load_J = 0.0
    sums.magnetic_J = sums.supply_J = sums.iron_J = sums.shaft_loss_J = sums.chopper_J = sums.short_J = sums.below_V2 = 0.0
    if plant.theta >= TWO_PI or plant.theta < 0.0:
        turns = math.floor(plant.theta / TWO_PI)
        plant.theta -= TWO_PI * turns
        s.sensors.turns += turns
    if abs(s.sensors.tracked_rad) > TWO_PI:
        s.sensors.tracked_rad = wrap_resolver(p, s.sensors.tracked_rad)
    size = abs(plant.psi_d) + abs(plant.psi_q)
    if not size < p.psi_limit_Wb:
        fail(s, DIVERGED, size)
    elif not abs(plant.link_V) < 1e6:
        fail(s, DIVERGED, plant.link_V)
    if p.machine.use_map:
        id_A, iq_A = currents(p.machine, table, plant.psi_d, plant.psi_q)
        distance = map_distance(table, p.machine.map_offset, id_A, iq_A)
        if distance > 0.0:
            if s.map_tick < 0:
                s.map_tick = s.tick
            s.map_distance = max(s.map_distance, distance)
            if distance > MAP_SLACK:
                fail(s, MAP_LEFT, distance)


@kernel
def wrap_resolver(p, tracked):
    """(tracked resolver angle) => the same shaft position within one mechanical turn of the resolver's count.

    A resolver turn is electrical_ratio electrical turns, a whole number, so whole resolver turns may be dropped.
    """
    return tracked - TWO_PI * math.floor(tracked / TWO_PI)


@kernel
def record_sensed(s, c, row):
    """(latest measurement and command) => the row's sensed channels."""
    latest = s.latest
    row[SENSED_AT] = latest.id_A
    row[SENSED_AT + 1] = latest.iq_A
    row[SENSED_AT + 2] = latest.angle_error_rad
    row[SENSED_AT + 3] = latest.speed_rpm
    row[SENSED_AT + 4] = latest.link_V
    row[SENSED_AT + 5] = c.torque_reference_Nm
    row[SENSED_AT + 6] = c.torque_estimate_Nm
    row[SENSED_AT + 7] = c.id_reference_A
    row[SENSED_AT + 8] = c.iq_reference_A
    row[SENSED_AT + 9] = c.voltage_margin_V
    row[SENSED_AT + 10] = c.binding_limit * 1.0
    row[SENSED_AT + 11] = latest.winding_degC
    row[SENSED_AT + 12] = latest.junction_degC


@kernel
def record_sums(s, row):
    """(sums of the row) => the row's integrals."""
    sums = s.row
    row[SUMS_AT] = sums.vd
    row[SUMS_AT + 1] = sums.vq
    row[SUMS_AT + 2] = sums.v_alpha
    row[SUMS_AT + 3] = sums.v_beta
    row[SUMS_AT + 4] = sums.link_C
    row[SUMS_AT + 5] = sums.supply_C
    row[SUMS_AT + 6] = sums.link_J
    row[SUMS_AT + 7] = sums.terminal_J
    row[SUMS_AT + 8] = sums.copper_J
    row[SUMS_AT + 9] = sums.shaft_J
    row[SUMS_AT + 10] = sums.viscous_J
    row[SUMS_AT + 11] = sums.coulomb_J
    row[SUMS_AT + 12] = sums.supply_loss_J
    row[SUMS_AT + 13] = sums.supply_J
    row[SUMS_AT + 14] = sums.iron_J
    row[SUMS_AT + 15] = sums.shaft_loss_J
    row[SUMS_AT + 16], row[SUMS_AT + 17] = sums.chopper_J, sums.short_J
    if row.shape[0] > POWER_SUMS_AT:
        end_power_row(s, row)


@inlined
def to_sample(p, s, m, table, points, scopes, samples, rows, member):
    """(state at the start of an update's first tick) => state at the sampling instant, measurement m taken there."""
    shift = p.clock.sample_shift_s
    begin_tick(p, s, points, member)
    if p.clock.delay_updates > 0:
        due_command(s)
        apply_command(p, s, table)
        if s.tick % p.clock.record_every == 0:
            record_state(p, s, table, rows[s.tick // p.clock.record_every])
        if shift > 0.0:
            integrate(p, s, table, scopes, samples, 0.0, shift)
    sense(p, s, m, table, member, shift)


@inlined
def after_command(p, s, m, c, table, points, scopes, samples, rows, extras, last_tick, member):
    """(command of this update) => state at the start of the next update, rows written on the way."""
    if p.safety.active:
        protect(p, s, m, c, table, s.profile_now[RUN_REQUEST])
    take_command(p, s, c)
    if s.status != OK:
        return
    shift = p.clock.sample_shift_s
    if p.clock.delay_updates == 0:
        due_command(s)
        apply_command(p, s, table)
        if s.tick % p.clock.record_every == 0:
            record_state(p, s, table, rows[s.tick // p.clock.record_every])
    for part in range(p.clock.ticks_per_update):
        if part > 0:
            if s.tick >= last_tick:
                break
            begin_tick(p, s, points, member)
            apply_command(p, s, table)
            if s.tick % p.clock.record_every == 0:
                record_state(p, s, table, rows[s.tick // p.clock.record_every])
            shift = 0.0
        integrate(p, s, table, scopes, samples, shift, p.clock.tick_s)
        row = s.tick // p.clock.record_every
        if s.tick % p.clock.record_every == 0:
            record_sensed(s, c, rows[row])
            for index in range(extras.shape[1]):
                extras[row, index] = c.extra[index]
        account(p, s, table)
        s.tick += 1
        if p.safety.active:
            watch_tick(p, s, table, member)
        if s.tick % p.clock.record_every == 0 or s.tick == last_tick:
            record_sums(s, rows[row])
        if s.status != OK:
            break
    s.update += 1


@kernel
def control_failed(s, code):
    """(code a compiled controller returned) => state marked."""
    if code != 0:
        fail(s, CONTROLLER_CODE, code * 1.0)
