/* The averaged closed loop in plain C99: the measure of drybench's speed, and a second program that must give the same bits.

   Written from the equations, in the order of operations the kernels state, so that without contraction of a * b + c every
   number agrees. The record layouts come from layouts.h, which c_twin.make_header writes from the NumPy dtypes.

   In: constants machine, ideal legs or dead time and device drops, source with resistance, inductance and link capacitor, rig,
   free (with friction and stiction) and locked shaft, current sensors with bandwidth, noise and converter, resolver with tracking
   loop, link-voltage sensor, field-oriented controller in torque mode, rows and energy audit.
   Left out: iron loss, EMF harmonics and cogging, two masses, drag and gear, diodes and chopper, batteries, encoders, sensors of
   temperature, flux maps, switched legs, scopes, the other controller modes, ramp-down, dead-time compensation, active resistance,
   torsional damping, torque feed-forward, and the search for the instant of standstill, so a free shaft with dry friction must not
   pass through standstill. twin_run answers -1 where asked for a flux map, switched legs, scopes or more of the controller. */

#include <math.h>
#include <stdint.h>

#include "layouts.h"

enum { RIG, FREE, LOCKED };
enum { STIFF, CAPACITOR, CAPACITOR_AND_CHOKE };
enum { OK, CONTROLLER_CODE, DUTY_NOT_A_NUMBER, DUTY_OUT_OF_RANGE, DIVERGED };
enum { TORQUE, SPEED, ID, IQ, VD, VQ, VOLTAGE, FREQUENCY, RUN_REQUEST, LOAD, PROFILES };
enum { SINE, THIRD_HARMONIC, SVPWM };
enum { BIND_NONE, BIND_CURRENT, BIND_VOLTAGE, BIND_VOLTAGE_AND_CURRENT, BIND_MTPV, BIND_MODULATOR, BIND_SLEW };
enum { CURRENT_AB, CURRENT_C, RESOLVER_NOISE, LINK_VOLTAGE_NOISE };
enum { STATES = 6, INTEGRALS = 12, QUEUE = 9, RESOLVER = 1, SENSED_AT = 14, SUMS_AT = 27 };

static const double PI = 3.141592653589793;
#define TWO_PI (2.0 * PI)
#define RPM (30.0 / PI)
#define RAD_S (PI / 30.0)
#define SQRT3 1.7320508075688772
#define HALF_SQRT3 (0.5 * SQRT3)
#define INV_SQRT3 (1.0 / SQRT3)

static inline double least(double a, double b) { return b < a ? b : a; }
static inline double most(double a, double b) { return b > a ? b : a; }
static inline double clip(double x, double low, double high) { return least(most(x, low), high); }

/* ---- angles ---- */

static inline void turn(double sine, double cosine, double angle, double *sine_out, double *cosine_out)
{
    double s, c;
    if (fabs(angle) < 0.3) {
        double x2 = angle * angle;
        s = angle + angle * x2 * (-1.0 / 6.0 + x2 * (1.0 / 120.0 + x2 * (-1.0 / 5040.0 + x2 * (1.0 / 362880.0
            + x2 * (-1.0 / 39916800.0)))));
        c = 1.0 + x2 * (-0.5 + x2 * (1.0 / 24.0 + x2 * (-1.0 / 720.0 + x2 * (1.0 / 40320.0 + x2 * (-1.0 / 3628800.0)))));
    } else {
        s = sin(angle);
        c = cos(angle);
    }
    *sine_out = sine * c + cosine * s;
    *cosine_out = cosine * c - sine * s;
}

static inline double wrap(double angle)
{
    if (angle > PI || angle <= -PI)
        angle -= TWO_PI * ceil(angle / TWO_PI - 0.5);
    return angle;
}

/* ---- noise: splitmix64 by counter, Box-Muller ---- */

#define GOLDEN UINT64_C(0x9E3779B97F4A7C15)

static inline uint64_t mix(uint64_t word)
{
    word = (word ^ (word >> 30)) * UINT64_C(0xBF58476D1CE4E5B9);
    word = (word ^ (word >> 27)) * UINT64_C(0x94D049BB133111EB);
    return word ^ (word >> 31);
}

static void normal_pair(int64_t seed, int64_t member, int64_t tick, uint64_t channel, double *first, double *second)
{
    uint64_t stream = mix((uint64_t)seed * GOLDEN + (uint64_t)member + GOLDEN);
    uint64_t word = stream + ((uint64_t)tick * 8 + channel) * GOLDEN * 2;
    double u = (double)(int64_t)(mix(word + GOLDEN) >> 11) * 0x1p-53;
    double angle = TWO_PI * ((double)(int64_t)(mix(word + GOLDEN + GOLDEN) >> 11) * 0x1p-53);
    double radius = sqrt(-2.0 * log(1.0 - u));
    *first = radius * cos(angle);
    *second = radius * sin(angle);
}

/* ---- plant ---- */

typedef struct {
    double slope[STATES];         /* of psi_d, psi_q, omega, theta, link_V, supply_A */
    double integrand[INTEGRALS];  /* vd, vq, v_alpha, v_beta, link, supply; supply loss, link, terminal, copper, shaft; omega^2 */
} Stage;

static inline double leg_law(const Drive *drive, int leg, double current_A, double link_V, double *share)
{
    double sigma = current_A / sqrt(current_A * current_A + drive->sign_band2_A2);
    double drop = (drive->threshold_V[leg] + drive->threshold_skew_V[leg] * sigma) * sigma;
    drop += (drive->slope_ohm[leg] + drive->slope_skew_ohm[leg] * sigma) * current_A;
    *share = least(most(drive->u[leg] - drive->dead_error[leg] * sigma, 0.0), 1.0);
    return *share * link_V - drop;
}

static inline Stage stage(const Bench *p, const Drive *drive, int64_t stuck, const double x[STATES], double sine, double cosine)
{
    const Machine *machine = &p->machine;
    const Link *link = &p->link;
    double omega = x[2], link_V = x[4];
    double omega_e = machine->pole_pairs * omega;
    double id = (x[0] - machine->magnet_flux_Wb) / machine->inductance_d_H;
    double iq = x[1] / machine->inductance_q_H;
    double i_alpha = cosine * id - sine * iq;
    double i_beta = sine * id + cosine * iq;
    double v_alpha, v_beta, link_A, supply_A;
    if (drive->ideal) {
        v_alpha = drive->u_alpha * link_V;
        v_beta = drive->u_beta * link_V;
        link_A = 1.5 * (drive->u_alpha * i_alpha + drive->u_beta * i_beta);
    } else {
        double ia = i_alpha, ib = -0.5 * i_alpha + HALF_SQRT3 * i_beta, ic = -0.5 * i_alpha - HALF_SQRT3 * i_beta;
        double share_a, share_b, share_c;
        double va = leg_law(drive, 0, ia, link_V, &share_a);
        double vb = leg_law(drive, 1, ib, link_V, &share_b);
        double vc = leg_law(drive, 2, ic, link_V, &share_c);
        v_alpha = (2.0 * va - vb - vc) * (1.0 / 3.0);
        v_beta = (vb - vc) * INV_SQRT3;
        link_A = share_a * ia + share_b * ib + share_c * ic;
    }
    double vd = cosine * v_alpha + sine * v_beta;
    double vq = -sine * v_alpha + cosine * v_beta;
    double torque = 1.5 * machine->pole_pairs * (x[0] * iq - x[1] * id);

    Stage k;
    k.slope[0] = vd - machine->resistance_ohm * id + omega_e * x[1];
    k.slope[1] = vq - machine->resistance_ohm * iq - omega_e * x[0];
    k.slope[2] = 0.0;
    if (p->shaft.kind == FREE && !stuck)
        k.slope[2] = (torque - (p->shaft.viscous_Nm_s * omega + drive->friction_Nm + drive->load_torque_Nm)) / p->shaft.inertia_kg_m2;
    else if (p->shaft.kind == RIG)
        k.slope[2] = drive->acceleration;
    k.slope[3] = omega;
    k.slope[4] = k.slope[5] = 0.0;
    supply_A = link_A;
    if (link->kind == CAPACITOR_AND_CHOKE) {
        supply_A = x[5];
        k.slope[4] = (supply_A - link_A) / link->capacitance_F;
        k.slope[5] = (drive->source_V - link_V - link->resistance_ohm * supply_A) / link->inductance_H;
    } else if (link->kind == CAPACITOR) {
        supply_A = (drive->source_V - link_V) / link->resistance_ohm;
        k.slope[4] = (supply_A - link_A) / link->capacitance_F;
    }
    k.integrand[0] = vd;
    k.integrand[1] = vq;
    k.integrand[2] = v_alpha;
    k.integrand[3] = v_beta;
    k.integrand[4] = link_A;
    k.integrand[5] = supply_A;
    k.integrand[6] = link->resistance_ohm * supply_A * supply_A;
    k.integrand[7] = link_A * link_V;
    k.integrand[8] = 1.5 * (vd * id + vq * iq);
    k.integrand[9] = 1.5 * machine->resistance_ohm * (id * id + iq * iq);
    k.integrand[10] = torque * omega;
    k.integrand[11] = p->shaft.kind == FREE ? p->shaft.viscous_Nm_s * omega * omega : 0.0;
    return k;
}

static inline Stage stage_after(const Bench *p, const Drive *drive, int64_t stuck, const double x[STATES], const Stage *before,
                                double step, double sine, double cosine)
{
    double moved[STATES], s, c;
    for (int i = 0; i < STATES; i++)
        moved[i] = x[i] + step * before->slope[i];
    turn(sine, cosine, p->machine.pole_pairs * step * before->slope[3], &s, &c);
    return stage(p, drive, stuck, moved, s, c);
}

static void runge_kutta_4(const Bench *p, const Drive *drive, int64_t stuck, double x[STATES], double integrals[INTEGRALS], double h)
{
    double half = 0.5 * h, s = h / 6.0, angle = p->machine.pole_pairs * x[3];
    double sine = sin(angle), cosine = cos(angle);
    Stage k1 = stage(p, drive, stuck, x, sine, cosine);
    Stage k2 = stage_after(p, drive, stuck, x, &k1, half, sine, cosine);
    Stage k3 = stage_after(p, drive, stuck, x, &k2, half, sine, cosine);
    Stage k4 = stage_after(p, drive, stuck, x, &k3, h, sine, cosine);
    for (int i = 0; i < STATES; i++)
        x[i] += s * (k1.slope[i] + 2.0 * (k2.slope[i] + k3.slope[i]) + k4.slope[i]);
    for (int i = 0; i < INTEGRALS; i++)
        integrals[i] = s * (k1.integrand[i] + 2.0 * (k2.integrand[i] + k3.integrand[i]) + k4.integrand[i]);
}

static void settle_friction(const Bench *p, State *s)
{
    Plant *plant = &s->plant;
    double coulomb = p->shaft.coulomb_Nm;
    plant->stuck = 0;
    if (plant->omega != 0.0) {
        s->drive.friction_Nm = plant->omega > 0.0 ? coulomb : -coulomb;
        return;
    }
    double id = (plant->psi_d - p->machine.magnet_flux_Wb) / p->machine.inductance_d_H;
    double iq = plant->psi_q / p->machine.inductance_q_H;
    double applied = 1.5 * p->machine.pole_pairs * (plant->psi_d * iq - plant->psi_q * id) - s->drive.load_torque_Nm;
    if (fabs(applied) <= p->shaft.stiction_Nm && p->shaft.stiction_Nm > 0.0) {
        plant->stuck = 1;
        s->drive.friction_Nm = 0.0;
    } else {
        s->drive.friction_Nm = applied > 0.0 ? coulomb : -coulomb;
    }
}

static void step_plant(const Bench *p, State *s, double h)
{
    Plant *plant = &s->plant;
    Sums *sums = &s->sums;
    double x[STATES] = {plant->psi_d, plant->psi_q, plant->omega, plant->theta, plant->link_V, plant->supply_A};
    double q[INTEGRALS];
    runge_kutta_4(p, &s->drive, plant->stuck, x, q, h);
    double turned = x[3] - plant->theta;
    plant->psi_d = x[0];
    plant->psi_q = x[1];
    plant->omega = x[2];
    plant->theta = x[3];
    plant->link_V = x[4];
    plant->supply_A = x[5];
    sums->vd += q[0];
    sums->vq += q[1];
    sums->v_alpha += q[2];
    sums->v_beta += q[3];
    sums->link_C += q[4];
    sums->supply_C += q[5];
    sums->supply_J += s->drive.source_V * q[5];
    sums->supply_loss_J += q[6];
    sums->link_J += q[7];
    sums->terminal_J += q[8];
    sums->copper_J += q[9];
    sums->shaft_J += q[10];
    if (p->shaft.kind != RIG) {
        sums->viscous_J += q[11];
        sums->coulomb_J += s->drive.friction_Nm * turned;
        sums->load_J += s->drive.load_torque_Nm * turned;
    }
}

/* ---- sensors ---- */

typedef struct { double re, im; } Complex;

static inline Complex times(Complex a, Complex b)
{
    return (Complex){a.re * b.re - a.im * b.im, a.re * b.im + a.im * b.re};
}

static inline Complex over(Complex a, Complex b) /* Smith's division */
{
    if (fabs(b.re) >= fabs(b.im)) {
        double ratio = b.im / b.re, size = b.re + b.im * ratio;
        return (Complex){(a.re + a.im * ratio) / size, (a.im - a.re * ratio) / size};
    }
    double ratio = b.re / b.im, size = b.re * ratio + b.im;
    return (Complex){(a.re * ratio + a.im) / size, (a.im * ratio - a.re) / size};
}

static void filter_currents(const CurrentSensor *sensor, SensorState *state, double h, Complex x0, Complex x1, double turned)
{
    double w = sensor->bandwidth_rad_s;
    Complex rate = {w, turned / h}, z = {rate.re * h, rate.im * h};
    double size = exp(-z.re);
    Complex decay = {size * cos(-z.im), size * sin(-z.im)}, rest = {1.0 - decay.re, 0.0 - decay.im};
    Complex share = over(rest, z), before = times(decay, (Complex){state->filtered_d_A, state->filtered_q_A});
    Complex held = times(rest, x0), ramp = times((Complex){1.0 - share.re, 0.0 - share.im}, (Complex){x1.re - x0.re, x1.im - x0.im});
    Complex driven = times(over((Complex){w, 0.0}, rate), (Complex){held.re + ramp.re, held.im + ramp.im});
    state->filtered_d_A = before.re + driven.re;
    state->filtered_q_A = before.im + driven.im;
}

static inline double convert(double value, double lsb, double limit)
{
    if (lsb > 0.0)
        value = floor(value / lsb + 0.5) * lsb;
    if (limit > 0.0)
        value = clip(value, -limit, limit);
    return value;
}

static inline double tracking_error(const PositionSensor *sensor, const SensorState *state, double sine, double cosine,
                                    double tracked_sine, double tracked_cosine)
{
    double channel_sin = (1.0 + sensor->amplitude_imbalance) * sine + sensor->offset_sin + state->noise_sin;
    double channel_cos = cosine * sensor->cos_quadrature - sine * sensor->sin_quadrature + sensor->offset_cos + state->noise_cos;
    return channel_sin * tracked_cosine - channel_cos * tracked_sine;
}

static void track(const PositionSensor *sensor, SensorState *state, double h, double theta_0, double theta_1, double omega_0,
                  double omega_1)
{
    double wn = sensor->natural_frequency_rad_s, damp = 2.0 * sensor->damping * wn, wn2 = wn * wn;
    double angle = sensor->pole_pairs * theta_0, half = 0.5 * h, w = state->tracked_rad_s;
    double to_end = sensor->pole_pairs * (theta_1 - theta_0);
    double to_middle = 0.5 * to_end + 0.125 * sensor->pole_pairs * h * (omega_0 - omega_1);
    double sine = sin(angle), cosine = cos(angle), sin_m, cos_m, sin_1, cos_1, s, c;
    double tracked_sine = sin(state->tracked_rad), tracked_cosine = cos(state->tracked_rad);
    turn(sine, cosine, to_middle, &sin_m, &cos_m);
    turn(sine, cosine, to_end, &sin_1, &cos_1);
    double e = tracking_error(sensor, state, sine, cosine, tracked_sine, tracked_cosine);
    double a1 = w + damp * e, b1 = wn2 * e;
    turn(tracked_sine, tracked_cosine, half * a1, &s, &c);
    e = tracking_error(sensor, state, sin_m, cos_m, s, c);
    double a2 = w + half * b1 + damp * e, b2 = wn2 * e;
    turn(tracked_sine, tracked_cosine, half * a2, &s, &c);
    e = tracking_error(sensor, state, sin_m, cos_m, s, c);
    double a3 = w + half * b2 + damp * e, b3 = wn2 * e;
    turn(tracked_sine, tracked_cosine, h * a3, &s, &c);
    e = tracking_error(sensor, state, sin_1, cos_1, s, c);
    double a4 = w + h * b3 + damp * e, b4 = wn2 * e;
    state->tracked_rad += h / 6.0 * (a1 + 2.0 * (a2 + a3) + a4);
    state->tracked_rad_s = w + h / 6.0 * (b1 + 2.0 * (b2 + b3) + b4);
}

static void sense(const Bench *p, State *s, Measured *m, int64_t member, double shift_s)
{
    const CurrentSensor *current = &p->current;
    const Plant *plant = &s->plant;
    double angle = p->machine.pole_pairs * plant->theta, sine = sin(angle), cosine = cos(angle);
    double noise_a = 0.0, noise_b = 0.0, noise_c = 0.0, noise_v = 0.0, unused, id, iq;
    if (current->bandwidth_rad_s > 0.0) {
        id = s->sensors.filtered_d_A;
        iq = s->sensors.filtered_q_A;
    } else {
        id = (plant->psi_d - p->machine.magnet_flux_Wb) / p->machine.inductance_d_H;
        iq = plant->psi_q / p->machine.inductance_q_H;
    }
    if (current->noise_rms_A > 0.0) {
        normal_pair(p->clock.seed, member, s->tick, CURRENT_AB, &noise_a, &noise_b);
        if (current->phases == 3)
            normal_pair(p->clock.seed, member, s->tick, CURRENT_C, &noise_c, &unused);
    }
    if (p->link_voltage.noise_rms_V > 0.0)
        normal_pair(p->clock.seed, member, s->tick, LINK_VOLTAGE_NOISE, &noise_v, &unused);
    double i_alpha = cosine * id - sine * iq, i_beta = sine * id + cosine * iq;
    double ia = current->gain[0] * i_alpha + current->offset_A[0] + current->noise_rms_A * noise_a;
    double ib = current->gain[1] * (-0.5 * i_alpha + HALF_SQRT3 * i_beta) + current->offset_A[1] + current->noise_rms_A * noise_b;
    double ic = current->gain[2] * (-0.5 * i_alpha - HALF_SQRT3 * i_beta) + current->offset_A[2] + current->noise_rms_A * noise_c;
    ia = convert(ia, current->lsb_A, current->range_A);
    ib = convert(ib, current->lsb_A, current->range_A);
    ic = current->phases == 3 ? convert(ic, current->lsb_A, current->range_A) : -ia - ib;

    double reported = p->position.machine_pole_pairs * plant->theta, omega = plant->omega;
    if (p->position.kind == RESOLVER) {
        reported = p->position.electrical_ratio * s->sensors.tracked_rad;
        omega = s->sensors.tracked_rad_s / p->position.pole_pairs;
    }
    reported = wrap(reported + p->position.mounting_offset_rad);
    m->time_s = s->tick * p->clock.tick_s + shift_s;
    m->ia_A = ia;
    m->ib_A = ib;
    m->ic_A = ic;
    m->angle_electrical_rad = reported;
    m->speed_rpm = omega * RPM;
    m->link_voltage_V = convert(p->link_voltage.gain * plant->link_V + p->link_voltage.offset_V + p->link_voltage.noise_rms_V * noise_v,
                                p->link_voltage.lsb_V, p->link_voltage.range_V);
    m->winding_degC = p->winding_degC;
    m->junction_degC = p->junction_degC;
    m->torque_reference_Nm = s->profile_now[TORQUE];
    m->speed_reference_rpm = s->profile_now[SPEED];
    m->id_reference_A = s->profile_now[ID];
    m->iq_reference_A = s->profile_now[IQ];
    m->vd_reference_V = s->profile_now[VD];
    m->vq_reference_V = s->profile_now[VQ];
    m->voltage_reference_V = s->profile_now[VOLTAGE];
    m->frequency_reference_Hz = s->profile_now[FREQUENCY];
    m->run_request = s->profile_now[RUN_REQUEST];
    m->magnet_degC = p->magnet_degC;
    m->legs_released = 1.0;

    i_alpha = (2.0 * ia - ib - ic) * (1.0 / 3.0);
    i_beta = (ib - ic) * INV_SQRT3;
    s->latest.angle_error_rad = wrap(reported - angle);
    turn(sine, cosine, s->latest.angle_error_rad, &sine, &cosine);
    s->latest.id_A = cosine * i_alpha + sine * i_beta;
    s->latest.iq_A = -sine * i_alpha + cosine * i_beta;
    s->latest.speed_rpm = m->speed_rpm;
    s->latest.link_V = m->link_voltage_V;
    s->latest.winding_degC = m->winding_degC;
    s->latest.junction_degC = m->junction_degC;
}

/* ---- field-oriented controller, torque mode ---- */

static double flux_limit(double voltage, double resistance, double current, double omega_e, double torque, double pole_pairs)
{
    double ri = resistance * current;
    double left = voltage * voltage - ri * ri;
    left -= 2.0 * resistance * omega_e * torque / (1.5 * pole_pairs);
    return sqrt(most(left, 0.0) / most(omega_e * omega_e, 1e-6));
}

static double least_flux_place(const double *fluxes, double flux, int64_t cells)
{
    if (!(flux > fluxes[0]))
        return 0.0;
    int64_t low = 0, high = cells;
    while (high - low > 1) {
        int64_t middle = (low + high) / 2;
        if (fluxes[middle] <= flux)
            low = middle;
        else
            high = middle;
    }
    return (double)low + least((flux - fluxes[low]) / most(fluxes[high] - fluxes[low], 1e-300), 1.0);
}

static inline int64_t node_left(double place, int64_t cells)
{
    int64_t node = (int64_t)place;
    node = node < 0 ? 0 : node;
    return node < cells - 1 ? node : cells - 1;
}

static int64_t references(const Machine *machine, const double *table, double request, double psi_limit, double *id_out,
                          double *iq_out, double *granted_out)
{
    int64_t torque_cells = (int64_t)table[1], flux_cells = (int64_t)table[2];
    const double *side = table + (request >= 0.0 ? 4 : 6), *low = table + (int64_t)side[1], *top = low + torque_cells + 1;
    const double *grid = top + torque_cells + 1;
    double max_current = table[3], sign = request >= 0.0 ? 1.0 : -1.0, greatest = side[0];
    double share = fabs(request) / greatest, w = 1.0, factor = 1.5 * machine->pole_pairs;
    double psi_m = machine->magnet_flux_Wb, l_d = machine->inductance_d_H, l_q = machine->inductance_q_H;
    int64_t binding = BIND_NONE;
    if (share > 1.0) {
        share = 1.0;
        binding = BIND_CURRENT;
    }
    double x = 0.5 * (1.0 + sqrt(share) - sqrt(most(1.0 - share, 0.0))) * (double)torque_cells;
    int64_t i = node_left(x, torque_cells);
    double fraction = x - (double)i;
    double lowest = low[i] + fraction * (low[i + 1] - low[i]);
    double wanted = top[i] + fraction * (top[i + 1] - top[i]);
    int cut = psi_limit < lowest;
    if (cut) {
        x = least_flux_place(low, psi_limit, torque_cells);
        double y = 2.0 * (x / (double)torque_cells) - 1.0;
        double root = 0.5 * (y + sqrt(2.0 - y * y));
        share = root * root;
        w = 0.0;
    } else if (psi_limit < wanted) {
        w = sqrt((psi_limit - lowest) / (wanted - lowest));
        binding = BIND_VOLTAGE;
    }
    double granted = sign * share * greatest;

    /* bilinear in the grid, then Newton steps along the torque's gradient until the torque is right */
    w *= (double)flux_cells;
    i = node_left(x, torque_cells);
    int64_t j = node_left(w, flux_cells), row = 2 * (flux_cells + 1);
    const double *at = grid + i * row + 2 * j, *up = at + row;
    double fx = x - (double)i, fw = w - (double)j;
    double c00 = (1.0 - fx) * (1.0 - fw), c01 = (1.0 - fx) * fw, c10 = fx * (1.0 - fw), c11 = fx * fw;
    double id = (c00 * at[0] + c01 * at[2]) + (c10 * up[0] + c11 * up[2]);
    double iq = (c00 * at[1] + c01 * at[3]) + (c10 * up[1] + c11 * up[3]);
    double enough = 2e-3 * greatest, far = 0.1 * max_current;
    int found = 0;
    for (int step_number = 0; step_number < 5 && !found; step_number++) {
        double psi_d = psi_m + l_d * id, psi_q = l_q * iq;
        double error = granted - factor * (psi_d * iq - psi_q * id);
        double along_d = factor * (l_d * iq - psi_q), along_q = factor * (psi_d - l_q * id);
        double square = along_d * along_d + along_q * along_q;
        double step = error / most(square, 1e-300);
        if (step * step * square > far * far)
            step = copysign(far, error) / sqrt(square);
        id += step * along_d;
        iq += step * along_q;
        found = fabs(error) < enough;
    }

    double current = sqrt(id * id + iq * iq);
    if (cut)
        binding = current > 0.9995 * max_current ? BIND_VOLTAGE_AND_CURRENT : BIND_MTPV;
    if (current > max_current || !found) {
        double shrink = least(max_current / most(current, 1e-300), 1.0);
        id *= shrink;
        iq *= shrink;
        granted = 1.5 * machine->pole_pairs * ((psi_m + l_d * id) * iq - (l_q * iq) * id);
    }
    *id_out = id;
    *iq_out = iq;
    *granted_out = granted;
    return binding;
}

static void limit_voltage(double *vd, double *vq, double limit, double steer)
{
    double square = *vd * *vd + *vq * *vq;
    if (square <= limit * limit)
        return;
    double size = sqrt(square), push = clip(steer * (size / limit - 1.0), -0.2, 0.2);
    double share = limit / (size * sqrt(1.0 + push * push)), d = *vd;
    *vd = share * (d - push * *vq);
    *vq = share * (*vq + push * d);
}

static double integrate_error(double integral, double ki, double kp, double error, double clamped, double requested, double update_s)
{
    double drive = error;
    if (kp > 0.0)
        drive += (clamped - requested) / kp;
    return integral + ki * update_s * drive;
}

static void leg_duties(int64_t modulation, double v_alpha, double v_beta, double link_V, Command *c)
{
    c->duty_a = c->duty_b = c->duty_c = 0.5;
    if (!(link_V > 0.0))
        return;
    double a = v_alpha, b = -0.5 * v_alpha + HALF_SQRT3 * v_beta, cc = -0.5 * v_alpha - HALF_SQRT3 * v_beta;
    double zero = 0.0, scale = 1.0 / link_V;
    if (modulation == SVPWM) {
        zero = -0.5 * (most(a, most(b, cc)) + least(a, least(b, cc)));
    } else if (modulation == THIRD_HARMONIC) {
        double amplitude2 = a * a + v_beta * v_beta;
        if (amplitude2 > 0.0)
            zero = -(4.0 * a * a * a / amplitude2 - 3.0 * a) / 6.0;
    }
    c->duty_a = clip(0.5 + (a + zero) * scale, 0.0, 1.0);
    c->duty_b = clip(0.5 + (b + zero) * scale, 0.0, 1.0);
    c->duty_c = clip(0.5 + (cc + zero) * scale, 0.0, 1.0);
}

static void control(const FocParameters *p, FocState *s, const Measured *m, Command *c, const double *tables)
{
    const Machine *machine = &p->machine;
    double i_alpha = (2.0 * m->ia_A - m->ib_A - m->ic_A) * (1.0 / 3.0), i_beta = (m->ib_A - m->ic_A) * INV_SQRT3;
    double sine = sin(m->angle_electrical_rad), cosine = cos(m->angle_electrical_rad);
    double id = cosine * i_alpha + sine * i_beta, iq = -sine * i_alpha + cosine * i_beta;
    double omega_e = machine->pole_pairs * (m->speed_rpm * RAD_S);
    double psi_d = machine->inductance_d_H * id + machine->magnet_flux_Wb, psi_q = machine->inductance_q_H * iq;
    double limit = p->modulation == SINE ? 0.5 * m->link_voltage_V : m->link_voltage_V / SQRT3;

    int64_t binding = BIND_NONE;
    double request = isfinite(m->torque_reference_Nm) ? m->torque_reference_Nm : 0.0, slewed = request;
    if (p->torque_step_Nm > 0.0) {
        slewed = clip(request, s->slewed_Nm - p->torque_step_Nm, s->slewed_Nm + p->torque_step_Nm);
        if (slewed != request)
            binding = BIND_SLEW;
    }
    s->slewed_Nm = slewed;
    s->ramp_x = request; /* where a ramp-down would begin */
    s->ramp_y = 0.0;
    s->started = 1;
    double psi_limit = flux_limit(p->voltage_use * limit, machine->resistance_ohm, s->reference_A, omega_e, s->granted_Nm,
                                  machine->pole_pairs);
    double id_reference, iq_reference;
    int64_t limited = references(machine, tables + p->reference_offset, slewed, psi_limit, &id_reference, &iq_reference,
                                 &s->granted_Nm);
    if (p->torque_step_Nm > 0.0 && fabs(s->granted_Nm) < fabs(slewed))
        s->slewed_Nm = s->granted_Nm;
    s->reference_A = sqrt(id_reference * id_reference + iq_reference * iq_reference);
    if (limited != BIND_NONE)
        binding = limited;

    double kp_d = p->kp_d, kp_q = p->kp_q;
    if (!p->gains_given) {
        kp_d = p->current_bandwidth_rad_s * machine->inductance_d_H;
        kp_q = p->current_bandwidth_rad_s * machine->inductance_q_H;
    }
    double error_d = id_reference - id, error_q = iq_reference - iq;
    double requested_d = kp_d * error_d + s->integral_d_V, requested_q = kp_q * error_q + s->integral_q_V;
    if (p->decoupling) {
        requested_d -= omega_e * psi_q;
        requested_q += omega_e * psi_d;
    }
    double vd = requested_d, vq = requested_q;
    double alpha = p->current_bandwidth_rad_s;
    limit_voltage(&vd, &vq, limit, alpha * omega_e / (omega_e * omega_e + 0.0625 * alpha * alpha));
    s->integral_d_V = integrate_error(s->integral_d_V, p->ki_d, kp_d, error_d, vd, requested_d, p->update_s);
    s->integral_q_V = integrate_error(s->integral_q_V, p->ki_q, kp_q, error_q, vq, requested_q, p->update_s);
    double margin = limit - sqrt(requested_d * requested_d + requested_q * requested_q);
    if (margin < 0.0 && binding == BIND_NONE)
        binding = BIND_MODULATOR;

    turn(sine, cosine, p->advance_s * omega_e, &sine, &cosine);
    leg_duties(p->modulation, cosine * vd - sine * vq, sine * vd + cosine * vq, m->link_voltage_V, c);
    c->gates_on = 1;
    c->gate_setting = -1;
    c->torque_reference_Nm = NAN;
    c->torque_estimate_Nm = 1.5 * machine->pole_pairs * (psi_d * iq - psi_q * id);
    c->id_reference_A = id_reference;
    c->iq_reference_A = iq_reference;
    c->voltage_margin_V = margin;
    c->binding_limit = binding;
}

/* ---- one tick ---- */

static void fail(State *s, int64_t status, double value)
{
    if (s->status != OK)
        return;
    s->status = status;
    s->status_tick = s->tick;
    s->status_value = value;
}

static double profile_value(const Profile *profile, const double *points, int64_t *at, int64_t tick)
{
    points += profile->start;
    while (*at + 1 < profile->count && points[2 * (*at + 1)] <= (double)tick)
        ++*at;
    points += 2 * *at;
    if (profile->linear && *at + 1 < profile->count && (double)tick > points[0])
        return points[1] + (points[3] - points[1]) * ((double)tick - points[0]) / (points[2] - points[0]);
    return points[1];
}

static void begin_tick(const Bench *p, State *s, const double *points, int64_t member)
{
    for (int index = 0; index < PROFILES; index++)
        if (p->profiles[index].count > 1 || s->tick == 0)
            s->profile_now[index] = profile_value(&p->profiles[index], points, &s->profile_at[index], s->tick);
    int64_t at = s->profile_at[LOAD];
    double now = s->profile_now[LOAD], after = profile_value(&p->profiles[LOAD], points, &at, s->tick + 1);
    if (!p->profiles[LOAD].linear)
        after = now;
    if (p->shaft.kind == RIG) {
        s->plant.omega = now / RPM;
        s->drive.acceleration = (after - now) / (RPM * p->clock.tick_s);
    } else {
        s->drive.load_torque_Nm = 0.5 * (now + after);
    }
    if (p->position.kind == RESOLVER && p->position.noise_rms > 0.0) {
        double first, second;
        normal_pair(p->clock.seed, member, s->tick, RESOLVER_NOISE, &first, &second);
        s->sensors.noise_sin = p->position.noise_rms * first;
        s->sensors.noise_cos = p->position.noise_rms * second;
    }
}

static void apply_duties(const Inverter *inverter, State *s)
{
    Drive *drive = &s->drive;
    double vt = inverter->switch_threshold_V, rt = inverter->switch_slope_ohm;
    double vd = inverter->diode_threshold_V, rd = inverter->diode_slope_ohm;
    for (int leg = 0; leg < 3; leg++) {
        double duty = s->duties[leg], shortest = 0.5 * inverter->minimum_pulse_s, error = 0.0, diode = 0.0;
        if (duty * inverter->tick_s < shortest)
            duty = 0.0;
        else if ((1.0 - duty) * inverter->tick_s < shortest)
            duty = 1.0;
        if (0.0 < duty && duty < 1.0) {
            error = 0.5 * inverter->dead_time_s / inverter->tick_s;
            diode = least(1.0, inverter->dead_time_s / inverter->tick_s);
        }
        drive->u[leg] = duty;
        drive->dead_error[leg] = error;
        if (inverter->is_mosfet) {
            drive->threshold_V[leg] = diode * vd;
            drive->threshold_skew_V[leg] = 0.0;
            drive->slope_ohm[leg] = (1.0 - diode) * rt + diode * rd;
            drive->slope_skew_ohm[leg] = 0.0;
        } else {
            drive->threshold_V[leg] = 0.5 * (vt + vd);
            drive->threshold_skew_V[leg] = (duty - 0.5) * (vt - vd);
            drive->slope_ohm[leg] = 0.5 * (rt + rd);
            drive->slope_skew_ohm[leg] = (duty - 0.5) * (rt - rd);
        }
    }
    drive->open_leg = -1;
    drive->ideal = inverter->ideal;
    drive->sign_band2_A2 = inverter->sign_band_A * inverter->sign_band_A;
    drive->u_alpha = (2.0 * drive->u[0] - drive->u[1] - drive->u[2]) * (1.0 / 3.0);
    drive->u_beta = (drive->u[1] - drive->u[2]) * INV_SQRT3;
}

static void take_command(const Bench *p, State *s, const Command *c)
{
    double low = least(c->duty_a, least(c->duty_b, c->duty_c)), high = most(c->duty_a, most(c->duty_b, c->duty_c));
    double total = c->duty_a + c->duty_b + c->duty_c;
    if (!isfinite(total))
        fail(s, DUTY_NOT_A_NUMBER, total);
    else if (low < -1e-9 || high > 1.0 + 1e-9)
        fail(s, DUTY_OUT_OF_RANGE, low < -1e-9 ? low : high);
    double *slot = s->pending[(s->update + p->clock.delay_updates) % QUEUE];
    slot[0] = clip(c->duty_a, 0.0, 1.0);
    slot[1] = clip(c->duty_b, 0.0, 1.0);
    slot[2] = clip(c->duty_c, 0.0, 1.0);
}

static void due_command(State *s)
{
    for (int leg = 0; leg < 3; leg++)
        s->duties[leg] = s->pending[s->update % QUEUE][leg];
}

static void integrate(const Bench *p, State *s, double from_s, double to_s)
{
    double span = to_s - from_s;
    if (span <= 0.0)
        return;
    double whole = ceil(span / p->clock.solver_step_s - 1e-9);
    int64_t steps = whole > 1.0 ? (int64_t)whole : 1;
    double h = span / (double)steps;
    const Machine *machine = &p->machine;
    Plant *plant = &s->plant;
    for (int64_t step = 0; step < steps; step++) {
        if (p->shaft.kind == FREE)
            settle_friction(p, s);
        double theta = plant->theta, omega = plant->omega;
        Complex before = {(plant->psi_d - machine->magnet_flux_Wb) / machine->inductance_d_H, plant->psi_q / machine->inductance_q_H};
        step_plant(p, s, h);
        if (p->current.bandwidth_rad_s > 0.0) {
            Complex after = {(plant->psi_d - machine->magnet_flux_Wb) / machine->inductance_d_H, plant->psi_q / machine->inductance_q_H};
            filter_currents(&p->current, &s->sensors, h, before, after, machine->pole_pairs * (plant->theta - theta));
        }
        if (p->position.kind == RESOLVER)
            track(&p->position, &s->sensors, h, theta, plant->theta, omega, plant->omega);
    }
}

static void account(const Bench *p, State *s)
{
    Sums *sums = &s->sums, *row = &s->row;
    Audit *audit = &s->audit;
    Plant *plant = &s->plant;
    double supply_J = sums->supply_J, shaft_J = p->shaft.kind == RIG ? sums->shaft_J : sums->load_J;
    if (supply_J >= 0.0)
        audit->supply_in_J += supply_J;
    else
        audit->supply_out_J -= supply_J;
    if (shaft_J >= 0.0)
        audit->shaft_out_J += shaft_J;
    else
        audit->shaft_in_J -= shaft_J;
    audit->copper_J += sums->copper_J;
    audit->supply_loss_J += sums->supply_loss_J;
    audit->conduction_J += sums->link_J - sums->terminal_J;
    audit->viscous_J += sums->viscous_J;
    audit->coulomb_J += sums->coulomb_J;
    audit->magnetic_J += sums->magnetic_J;
    row->vd += sums->vd;
    row->vq += sums->vq;
    row->v_alpha += sums->v_alpha;
    row->v_beta += sums->v_beta;
    row->link_C += sums->link_C;
    row->supply_C += sums->supply_C;
    row->link_J += sums->link_J;
    row->terminal_J += sums->terminal_J;
    row->copper_J += sums->copper_J;
    row->shaft_J += sums->shaft_J;
    row->viscous_J += sums->viscous_J;
    row->coulomb_J += sums->coulomb_J;
    row->supply_loss_J += sums->supply_loss_J;
    row->supply_J += sums->supply_J;
    *sums = (Sums){0};
    if (plant->theta >= TWO_PI || plant->theta < 0.0)
    {
        double turns = floor(plant->theta / TWO_PI);
        plant->theta -= TWO_PI * turns;
        s->sensors.turns += turns;
    }
    if (fabs(s->sensors.tracked_rad) > TWO_PI)
        s->sensors.tracked_rad -= TWO_PI * floor(s->sensors.tracked_rad / TWO_PI);
    double size = fabs(plant->psi_d) + fabs(plant->psi_q);
    if (!(size < p->psi_limit_Wb))
        fail(s, DIVERGED, size);
    else if (!(fabs(plant->link_V) < 1e6))
        fail(s, DIVERGED, plant->link_V);
}

/* ---- rows ---- */

static void record_state(const Bench *p, State *s, double *row)
{
    const Plant *plant = &s->plant;
    row[0] = plant->psi_d;
    row[1] = plant->psi_q;
    row[2] = (plant->psi_d - p->machine.magnet_flux_Wb) / p->machine.inductance_d_H;
    row[3] = plant->psi_q / p->machine.inductance_q_H;
    row[4] = plant->omega;
    row[5] = plant->theta;
    row[6] = plant->link_V;
    row[7] = s->duties[0];
    row[8] = s->duties[1];
    row[9] = s->duties[2];
    row[10] = plant->omega_load;
    row[11] = plant->twist;
    row[12] = plant->charge;
    row[13] = 0.0; /* running */
    s->row = (Sums){0};
}

static void record_sensed(const State *s, const Command *c, double *row)
{
    row[0] = s->latest.id_A;
    row[1] = s->latest.iq_A;
    row[2] = s->latest.angle_error_rad;
    row[3] = s->latest.speed_rpm;
    row[4] = s->latest.link_V;
    row[5] = c->torque_reference_Nm;
    row[6] = c->torque_estimate_Nm;
    row[7] = c->id_reference_A;
    row[8] = c->iq_reference_A;
    row[9] = c->voltage_margin_V;
    row[10] = (double)c->binding_limit;
    row[11] = s->latest.winding_degC;
    row[12] = s->latest.junction_degC;
}

static void record_sums(const Sums *sums, double *row)
{
    row[0] = sums->vd;
    row[1] = sums->vq;
    row[2] = sums->v_alpha;
    row[3] = sums->v_beta;
    row[4] = sums->link_C;
    row[5] = sums->supply_C;
    row[6] = sums->link_J;
    row[7] = sums->terminal_J;
    row[8] = sums->copper_J;
    row[9] = sums->shaft_J;
    row[10] = sums->viscous_J;
    row[11] = sums->coulomb_J;
    row[12] = sums->supply_loss_J;
    row[13] = sums->supply_J;
    row[14] = row[15] = row[16] = row[17] = 0.0; /* iron, gear, chopper, shorts: left out here */
}

/* (bench, state, controller, profile points, reference tables) => state at until_tick, rows (rows, columns) filled. */
int64_t twin_run(const Bench *p, State *s, const FocParameters *foc, FocState *foc_state, const double *tables, const double *points,
                 double *rows, int64_t columns, int64_t until_tick, int64_t last_tick)
{
    if (p->machine.use_map || p->inverter.switched || p->scopes || foc->mode != 0 || foc->machine.use_map || foc->compensation
        || foc->active_resistance || foc->damping_Nm_s > 0.0 || foc->ripples)
        return -1;
    Measured m;
    Command c;
    int64_t every = p->clock.record_every;
    while (s->tick < until_tick && s->status == OK) {
        int undelayed = p->clock.delay_updates == 0;
        double shift = p->clock.sample_shift_s;
        begin_tick(p, s, points, 0);
        if (!undelayed) {
            due_command(s);
            apply_duties(&p->inverter, s);
            if (s->tick % every == 0)
                record_state(p, s, rows + s->tick / every * columns);
            if (shift > 0.0)
                integrate(p, s, 0.0, shift);
        }
        sense(p, s, &m, 0, shift);
        control(foc, foc_state, &m, &c, tables);
        take_command(p, s, &c);
        if (undelayed) {
            due_command(s);
            apply_duties(&p->inverter, s);
            if (s->tick % every == 0)
                record_state(p, s, rows + s->tick / every * columns);
        }
        for (int64_t part = 0; part < p->clock.ticks_per_update; part++) {
            if (part > 0) {
                if (s->tick >= last_tick)
                    break;
                begin_tick(p, s, points, 0);
                apply_duties(&p->inverter, s);
                if (s->tick % every == 0)
                    record_state(p, s, rows + s->tick / every * columns);
                shift = 0.0;
            }
            integrate(p, s, shift, p->clock.tick_s);
            double *row = rows + s->tick / every * columns;
            if (s->tick % every == 0)
                record_sensed(s, &c, row + SENSED_AT);
            account(p, s);
            s->tick++;
            if (s->tick % every == 0 || s->tick == last_tick)
                record_sums(&s->row, row + SUMS_AT);
            if (s->status != OK)
                break;
        }
        s->update++;
    }
    return s->status;
}
