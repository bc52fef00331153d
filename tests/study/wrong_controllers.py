"""A plain field-oriented controller in Python, and the ways to get one wrong: each keyword is one mistake."""

import cmath
import math

from controllers import Command, Controller
from controllers.foc import FieldOrientedController
from simcore.inverter.modulation import SVPWM, leg_duties

THIRD = cmath.exp(2j * math.pi / 3.0)


class PlainController(Controller):
    """id = 0 control by two PI loops, written with complex numbers: torque or current mode.

    clarke: factor of the Clarke transform; order, duty_order: phases as the currents come in and the duties go out;
    angle_sign, offset_deg: of the angle; park_sign, inverse_sign: of one transform's angle alone; axes: what becomes of the dq
    current that was asked for; feedback: sign of the error; advance: update periods by which the angle is turned ahead;
    torque_factor: of the torque's formula; clip: duties stay in 0 to 1.
    """

    def __init__(self, *, clarke=2.0 / 3.0, order="abc", duty_order="abc", angle_sign=1.0, offset_deg=0.0, park_sign=1.0,
                 inverse_sign=1.0, axes=lambda i: i, feedback=1.0, advance=1.5, torque_factor=1.5, clip=True,
                 use_angle=True):  # fmt: skip
        self.clarke, self.order, self.duty_order = clarke, order, duty_order
        self.angle_sign, self.offset, self.park_sign, self.inverse_sign = angle_sign, offset_deg, park_sign, inverse_sign
        self.axes, self.feedback, self.advance = axes, feedback, advance
        self.torque_factor, self.clip, self.use_angle = torque_factor, clip, use_angle

    def reset(self, setup):
        machine, self.mode, self.update_s = setup.machine, setup.mode, setup.update_s
        self.bandwidth = 2.0 * math.pi * 300.0
        self.pole_pairs, self.psi, self.resistance = machine.pole_pairs, machine.magnet_flux_Wb, machine.stator_resistance_ohm
        self.inductance = machine.inductance_d_H, machine.inductance_q_H
        self.integral = 0j

    def asked(self, measured):
        if self.mode == "torque":
            return self.axes(1j * measured.torque_reference_Nm / (self.torque_factor * self.pole_pairs * self.psi))
        return self.axes(complex(measured.id_reference_A, measured.iq_reference_A))

    def step(self, measured):
        phases = dict(zip("abc", (measured.ia_A, measured.ib_A, measured.ic_A), strict=True))
        ia, ib, ic = (phases[name] for name in self.order)
        angle = self.angle_sign * measured.angle_electrical_rad + math.radians(self.offset) if self.use_angle else 0.0
        speed = self.angle_sign * measured.speed_rpm * math.pi / 30.0 * self.pole_pairs if self.use_angle else 0.0
        current = self.clarke * (ia + ib * THIRD + ic * THIRD**2) * cmath.exp(-1j * self.park_sign * angle)
        error = self.feedback * (self.asked(measured) - current)
        self.integral += self.bandwidth * self.resistance * self.update_s * error
        volts = self.integral + self.bandwidth * complex(self.inductance[0] * error.real, self.inductance[1] * error.imag)
        volts += 1j * speed * (self.psi + self.inductance[0] * current.real + 1j * self.inductance[1] * current.imag)
        limit = measured.link_voltage_V / math.sqrt(3.0)
        if abs(volts) > limit and self.clip:
            self.integral *= limit / abs(volts)
            volts *= limit / abs(volts)
        volts *= cmath.exp(1j * self.inverse_sign * (angle + self.advance * self.update_s * speed))
        if self.clip:
            legs = dict(zip(self.duty_order, leg_duties(SVPWM, volts.real, volts.imag, measured.link_voltage_V), strict=True))
        else:
            along = {"a": 1.0 + 0.0j, "b": THIRD, "c": THIRD**2}
            legs = {
                name: 0.5 + (volts * along[name].conjugate()).real / measured.link_voltage_V if name != "a" else
                0.5 + volts.real / measured.link_voltage_V
                for name in "abc"
            }  # fmt: skip
        return Command(legs["a"], legs["b"], legs["c"])


class Miswired(Controller):
    """The built-in controller behind wrong wiring, for every mode: phases of the currents and duties, angle, gain."""

    def __init__(self, *, order="abc", duty_order="abc", angle_sign=1.0, offset_deg=0.0, gain=1.0):
        self.order, self.duty_order, self.angle_sign = order, duty_order, angle_sign
        self.offset, self.gain = math.radians(offset_deg), gain
        self.inside = FieldOrientedController()

    def reset(self, setup):
        self.inside.reset(setup)

    def step(self, measured):
        phases = dict(zip("abc", (measured.ia_A, measured.ib_A, measured.ic_A), strict=True))
        ia, ib, ic = (self.gain * phases[name] for name in self.order)
        angle = self.angle_sign * measured.angle_electrical_rad + self.offset
        seen = measured._replace(
            ia_A=ia, ib_A=ib, ic_A=ic, angle_electrical_rad=angle, speed_rpm=self.angle_sign * measured.speed_rpm
        )
        command = self.inside.step(seen)
        legs = dict(zip(self.duty_order, command[:3], strict=True))
        return command._replace(duty_a=legs["a"], duty_b=legs["b"], duty_c=legs["c"])
