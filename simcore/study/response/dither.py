"""A controller wrapped so that a voltage is added to what it asks for: the loop cut at the controller's output.

The injected voltage comes over the commands vd_V and vq_V, in the rotor's frame in the middle of the period in which it acts;
the wrapped controller does not see it. Python, compiled and C controllers alike.
"""

import math

from controllers import Controller
from controllers.contract import step_signature
from simcore.kernel import kernel
from simcore.rotation import INV_SQRT3, SQRT3


@kernel
def dithered(duty_a, duty_b, duty_c, vd, vq, angle, link_V):
    """(duties, voltage in the rotor's frame [V], electrical angle of that frame, link voltage) => duties with it added.

    Where a leg would leave 0..1 all three are shifted alike, which the machine does not feel.
    """
    if not (math.isfinite(vd + vq) and link_V > 0.0):
        return duty_a, duty_b, duty_c
    cosine, sine = math.cos(angle), math.sin(angle)
    alpha, beta = (cosine * vd - sine * vq) / link_V, (sine * vd + cosine * vq) / link_V
    duty_a += alpha
    duty_b += -0.5 * alpha + 0.5 * SQRT3 * beta
    duty_c += -0.5 * alpha - 0.5 * SQRT3 * beta
    low = min(duty_a, min(duty_b, duty_c))
    high = max(duty_a, max(duty_b, duty_c))
    shift = 0.0
    if low < 0.0:
        shift = -low
    elif high > 1.0:
        shift = 1.0 - high
    return (
        min(max(duty_a + shift, 0.0), 1.0), min(max(duty_b + shift, 0.0), 1.0), min(max(duty_c + shift, 0.0), 1.0),
    )  # fmt: skip


def duty_vector(duty_a, duty_b, duty_c):
    """(duties) => alpha, beta of their vector per volt of link voltage."""
    return (2.0 * duty_a - duty_b - duty_c) / 3.0, (duty_b - duty_c) * INV_SQRT3


class Dithered(Controller):
    """(controller, pole pairs, advance [s] from the sample to the middle of its action) => the same, open to an injection."""

    def __init__(self, inner, pole_pairs, advance_s):
        self.inner, self.pole_pairs, self.advance_s = inner, float(pole_pairs), float(advance_s)
        self.signals, self.modes = inner.signals, inner.modes
        if hasattr(inner, "compiled_step"):
            self.compiled_function = self._compiled
            self.compiled_step = self._compiled_step
        self._made = None

    def reset(self, setup):
        """As the wrapped one."""
        self.inner.reset(setup)

    def step(self, measured):
        """The wrapped one's command with the injected voltage added."""
        command = self.inner.step(measured._replace(vd_reference_V=math.nan, vq_reference_V=math.nan))
        omega_e = measured.speed_rpm * math.pi / 30.0 * self.pole_pairs
        duties = dithered.py_func(
            *(float(duty) for duty in command[:3]), measured.vd_reference_V, measured.vq_reference_V,
            measured.angle_electrical_rad + self.advance_s * omega_e, measured.link_voltage_V,
        )  # fmt: skip
        return command._replace(duty_a=duties[0], duty_b=duties[1], duty_c=duties[2])

    def _compiled(self):
        if self._made is None:
            self._made = _wrapped(self.inner.compiled_function(), self.pole_pairs, self.advance_s)
        return self._made

    def _compiled_step(self):
        return self.inner.compiled_step()._replace(function=self._compiled())


def _wrapped(inner, pole_pairs, advance_s):
    """(compiled step, pole pairs, advance) => a compiled step around it, made for this call."""
    from numba import njit

    rad_s = math.pi / 30.0 * pole_pairs

    @njit(step_signature(), error_model="numpy")
    def step(measured, commands, parameters, state, tables, member):
        m, c = measured[member], commands[member]
        vd, vq = m.vd_reference_V, m.vq_reference_V
        m.vd_reference_V = math.nan
        m.vq_reference_V = math.nan
        code = inner(measured, commands, parameters, state, tables, member)
        angle = m.angle_electrical_rad + advance_s * rad_s * m.speed_rpm
        c.duty_a, c.duty_b, c.duty_c = dithered(c.duty_a, c.duty_b, c.duty_c, vd, vq, angle, m.link_voltage_V)
        return code

    return step
