"""A controller of one's own: spins the field and lets the rotor follow.  Used by own_controller.toml."""

from math import cos, pi

from controllers import Command, Controller


class Spin(Controller):
    signals = ("field_rad",)  # recorded as controller_field_rad

    def reset(self, setup):
        self.setup, self.field_rad = setup, 0.0

    def step(self, measured):
        omega = self.setup.machine.pole_pairs * measured.speed_reference_rpm * pi / 30
        self.field_rad = (self.field_rad + omega * self.setup.update_s) % (2 * pi)
        volt = self.setup.tuning["standstill_V"] + self.setup.machine.magnet_flux_Wb * abs(omega)
        duties = (0.5 + volt * cos(self.field_rad - k * 2 * pi / 3) / measured.link_voltage_V for k in range(3))
        return Command(*(min(max(duty, 0.0), 1.0) for duty in duties), extra=(self.field_rad,))
