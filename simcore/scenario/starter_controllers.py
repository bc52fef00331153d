"""The three starters of a controller: one small current controller in Python, compiled, and in C, each operation alike."""

_HEAD = """\
A controller of drybench: two PI laws hold the currents at their references in the rotor's frame. To use it, write into a
scenario beside this file:
  [controller]
  class = "{class_}"
  tuning = {{ kp_V_per_A = 0.1, ki_V_per_As = 10.0 }}
  [commands]
  iq_A = [[0.0, 0.0], [0.01, 20.0]]
"""


def _head(class_, begin="# "):
    return "".join(f"{begin}{line}\n" for line in _HEAD.format(class_=class_).splitlines())


PYTHON = '''\
import math

from controllers import Command, Controller


class {klass}(Controller):
    signals = ("vd_V", "vq_V")  # own variables, recorded as controller_vd_V and controller_vq_V

    def reset(self, setup):  # before every run: take the set-up, forget what was
        self.kp = setup.tuning.get("kp_V_per_A", 0.1)
        self.ki = setup.tuning.get("ki_V_per_As", 10.0) * setup.update_s
        self.advance_s = (setup.delay_updates + 0.5) * setup.update_s
        self.pole_pairs = setup.machine.pole_pairs
        self.sum_d = self.sum_q = 0.0

    def step(self, measured):  # once an update: what the sensors say => duties that act delay_updates later
        sine, cosine = math.sin(measured.angle_electrical_rad), math.cos(measured.angle_electrical_rad)
        alpha = (2.0 * measured.ia_A - measured.ib_A - measured.ic_A) / 3.0
        beta = (measured.ib_A - measured.ic_A) / math.sqrt(3.0)
        id_A, iq_A = cosine * alpha + sine * beta, cosine * beta - sine * alpha
        id_wanted = measured.id_reference_A if math.isfinite(measured.id_reference_A) else 0.0  # not commanded: not a number
        iq_wanted = measured.iq_reference_A if math.isfinite(measured.iq_reference_A) else 0.0

        vd = self.kp * (id_wanted - id_A) + self.sum_d
        vq = self.kp * (iq_wanted - iq_A) + self.sum_q
        link = max(measured.link_voltage_V, 1.0)
        limit, size = link / math.sqrt(3.0), math.sqrt(vd * vd + vq * vq)
        if size > limit:  # no more than the link gives; the integrals wait
            vd, vq = vd * (limit / size), vq * (limit / size)
        else:
            self.sum_d += self.ki * (id_wanted - id_A)
            self.sum_q += self.ki * (iq_wanted - iq_A)

        # The rotor turns on until the duties act: the vector is put where the d axis will be then.
        ahead = self.advance_s * self.pole_pairs * (measured.speed_rpm * (math.pi / 30.0))
        sine, cosine = math.sin(measured.angle_electrical_rad + ahead), math.cos(measured.angle_electrical_rad + ahead)
        alpha, beta = cosine * vd - sine * vq, sine * vd + cosine * vq
        a = alpha
        b = -0.5 * alpha + 0.5 * math.sqrt(3.0) * beta
        c = -0.5 * alpha - 0.5 * math.sqrt(3.0) * beta
        zero = -0.5 * (max(a, b, c) + min(a, b, c))
        duties = (min(max(0.5 + (v + zero) / link, 0.0), 1.0) for v in (a, b, c))
        return Command(*duties, extra=(vd, vq), id_reference_A=id_wanted, iq_reference_A=iq_wanted)
'''

COMPILED = '''\
import math

from controllers import CompiledController


class {klass}(CompiledController):
    parameters = ("kp", "ki", "advance_s", "pole_pairs")  # filled in before the run
    state = ("sum_d", "sum_q")  # zero when a run begins
    signals = ("vd_V", "vq_V")  # own variables, recorded as controller_vd_V and controller_vq_V

    def prepare(self, setup, p, s):  # in Python, before every run: the set-up => parameters
        p.kp = setup.tuning.get("kp_V_per_A", 0.1)
        p.ki = setup.tuning.get("ki_V_per_As", 10.0) * setup.update_s
        p.advance_s = (setup.delay_updates + 0.5) * setup.update_s
        p.pole_pairs = setup.machine.pole_pairs

    @staticmethod
    def update(p, s, m, c):  # compiled by numba: measurement m and state s => command c, which acts delay_updates later
        sine, cosine = math.sin(m.angle_electrical_rad), math.cos(m.angle_electrical_rad)
        alpha = (2.0 * m.ia_A - m.ib_A - m.ic_A) / 3.0
        beta = (m.ib_A - m.ic_A) / math.sqrt(3.0)
        id_A, iq_A = cosine * alpha + sine * beta, cosine * beta - sine * alpha
        id_wanted = m.id_reference_A if math.isfinite(m.id_reference_A) else 0.0  # not commanded: not a number
        iq_wanted = m.iq_reference_A if math.isfinite(m.iq_reference_A) else 0.0

        vd = p.kp * (id_wanted - id_A) + s.sum_d
        vq = p.kp * (iq_wanted - iq_A) + s.sum_q
        link = max(m.link_voltage_V, 1.0)
        limit, size = link / math.sqrt(3.0), math.sqrt(vd * vd + vq * vq)
        if size > limit:  # no more than the link gives; the integrals wait
            vd, vq = vd * (limit / size), vq * (limit / size)
        else:
            s.sum_d += p.ki * (id_wanted - id_A)
            s.sum_q += p.ki * (iq_wanted - iq_A)

        # The rotor turns on until the duties act: the vector is put where the d axis will be then.
        ahead = p.advance_s * p.pole_pairs * (m.speed_rpm * (math.pi / 30.0))
        sine, cosine = math.sin(m.angle_electrical_rad + ahead), math.cos(m.angle_electrical_rad + ahead)
        alpha, beta = cosine * vd - sine * vq, sine * vd + cosine * vq
        leg_a = alpha
        leg_b = -0.5 * alpha + 0.5 * math.sqrt(3.0) * beta
        leg_c = -0.5 * alpha - 0.5 * math.sqrt(3.0) * beta
        zero = -0.5 * (max(leg_a, leg_b, leg_c) + min(leg_a, leg_b, leg_c))
        c.duty_a = min(max(0.5 + (leg_a + zero) / link, 0.0), 1.0)
        c.duty_b = min(max(0.5 + (leg_b + zero) / link, 0.0), 1.0)
        c.duty_c = min(max(0.5 + (leg_c + zero) / link, 0.0), 1.0)
        c.extra[0], c.extra[1] = vd, vq
        c.id_reference_A, c.iq_reference_A = id_wanted, iq_wanted
'''

C = """\
#include <math.h>

#include "drybench_controller.h"

static const double PI = 3.14159265358979323846;

/* Everything that changes lives here: several instances run at once, each with a block of its own. */
typedef struct {
    double kp, ki, advance_s, pole_pairs;
    double sum_d, sum_q;
} State;

DRYBENCH_EXPORT uint64_t drybench_layout(void) { return DRYBENCH_LAYOUT; }
DRYBENCH_EXPORT int64_t drybench_state_bytes(void) { return sizeof(State); }

/* Own variables, recorded as controller_vd_V and controller_vq_V. */
DRYBENCH_EXPORT const char *drybench_signals(void) { return "vd_V,vq_V"; }

/* Before every run; the block is all zero. Returns a sentence where the set-up cannot be used. */
DRYBENCH_EXPORT const char *drybench_reset(void *state, const drybench_setup *setup)
{
    State *s = state;
    s->kp = drybench_number(setup, "tuning.kp_V_per_A", 0.1);
    s->ki = drybench_number(setup, "tuning.ki_V_per_As", 10.0) * setup->update_s;
    s->advance_s = ((double)setup->delay_updates + 0.5) * setup->update_s;
    s->pole_pairs = drybench_number(setup, "machine.pole_pairs", 0.0);
    if (s->pole_pairs < 1.0)
        return "machine.pole_pairs is missing";
    return NULL;
}

static double largest(double a, double b) { return a > b ? a : b; }
static double smallest(double a, double b) { return a < b ? a : b; }
static double in_range(double duty) { return smallest(largest(duty, 0.0), 1.0); }

/* Once an update: measurement m and state => command c, which acts delay_updates later. */
DRYBENCH_EXPORT int64_t drybench_step(const drybench_measured *m, drybench_command *c, void *state)
{
    State *s = state;
    double sine = sin(m->angle_electrical_rad), cosine = cos(m->angle_electrical_rad);
    double alpha = (2.0 * m->ia_A - m->ib_A - m->ic_A) / 3.0;
    double beta = (m->ib_A - m->ic_A) / sqrt(3.0);
    double id_A = cosine * alpha + sine * beta, iq_A = cosine * beta - sine * alpha;
    double id_wanted = isfinite(m->id_reference_A) ? m->id_reference_A : 0.0; /* not commanded: not a number */
    double iq_wanted = isfinite(m->iq_reference_A) ? m->iq_reference_A : 0.0;

    double vd = s->kp * (id_wanted - id_A) + s->sum_d;
    double vq = s->kp * (iq_wanted - iq_A) + s->sum_q;
    double link = largest(m->link_voltage_V, 1.0);
    double limit = link / sqrt(3.0), size = sqrt(vd * vd + vq * vq);
    if (size > limit) { /* no more than the link gives; the integrals wait */
        vd = vd * (limit / size);
        vq = vq * (limit / size);
    } else {
        s->sum_d += s->ki * (id_wanted - id_A);
        s->sum_q += s->ki * (iq_wanted - iq_A);
    }

    /* The rotor turns on until the duties act: the vector is put where the d axis will be then. */
    double ahead = s->advance_s * s->pole_pairs * (m->speed_rpm * (PI / 30.0));
    sine = sin(m->angle_electrical_rad + ahead);
    cosine = cos(m->angle_electrical_rad + ahead);
    alpha = cosine * vd - sine * vq;
    beta = sine * vd + cosine * vq;
    double leg_a = alpha;
    double leg_b = -0.5 * alpha + 0.5 * sqrt(3.0) * beta;
    double leg_c = -0.5 * alpha - 0.5 * sqrt(3.0) * beta;
    double zero = -0.5 * (largest(largest(leg_a, leg_b), leg_c) + smallest(smallest(leg_a, leg_b), leg_c));
    c->duty_a = in_range(0.5 + (leg_a + zero) / link);
    c->duty_b = in_range(0.5 + (leg_b + zero) / link);
    c->duty_c = in_range(0.5 + (leg_c + zero) / link);
    c->extra[0] = vd;
    c->extra[1] = vq;
    c->id_reference_A = id_wanted;
    c->iq_reference_A = iq_wanted;
    return 0;
}
"""

COMPILE = "gcc -O2 -std=c99 -Wall -ffp-contract=off -fPIC -shared -o {library} {source} -lm"


def python_text(name, klass):
    """(module, class) => text of NAME.py."""
    return _head(f"{name}:{klass}") + PYTHON.replace("{klass}", klass)


def compiled_text(name, klass):
    """(module, class) => text of NAME.py, compiled on first use."""
    return _head(f"{name}:{klass}") + COMPILED.replace("{klass}", klass)


def c_text(source, library):
    """(file names) => text of NAME.c."""
    command = COMPILE.format(source=source, library=library)
    head = _head(library, " * ").replace(" * A controller", "/* A controller", 1)
    return (
        f"{head} * Compile it after every change (-ffp-contract=off: each operation rounds as it does in Python):\n"
        f" *   {command}\n */\n{C}"
    )
