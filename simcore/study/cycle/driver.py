"""The driver: speed asked and driven => torque of the machine and of the friction brakes, a look every few milliseconds.

Plain floats: a closed loop asks some hundred thousand times.  Checked: tests/study/test_cycle_driver.py.
"""

import math

import numpy as np

PLACE_m = 0.25  # between two places of a slope
_ROLLS = 1e-3  # m/s below which the vehicle stands
_PATIENCE_S = 0.2  # before the friction brakes take over what the machine does not give: a torque takes its time to rise
_SHORT = 0.02  # of torque asked and greatest torque: what lacks more shows a drive at its limit


class Driver:
    """(Driver model, Vehicle, Cycle, step [s], number of steps, greatest torque of the machine [Nm], slope [%] over time or
    None, where the cycle has none of its own) => looks one after another.

    look(k, speed, given_Nm, charge, link_V) => torque asked of the machine and torque of the friction brakes at the rotor [Nm].
    speed [m/s] at the beginning of step k; given_Nm: what the drive makes of the last torque asked, NaN where it tells nothing;
    charge: 0..1.
    """

    def __init__(self, model, vehicle, cycle, step_s, count, greatest_Nm, grade_percent=None):
        at = np.arange(count + 1) * step_s
        asked = cycle.speed_at(at)
        self.asked = asked
        self._asked = asked.tolist()
        self._slope = _Slope(vehicle, cycle, at, asked, grade_percent)
        self.weights_N = []  # of the slope, one a look
        self._step_s, self._arm, self._eta = step_s, vehicle.arm_m, vehicle.gear_efficiency
        self._inertia = vehicle.inertia_kg
        self._f0, self._f1, self._f2 = vehicle.road_N
        rate = 2.0 * math.pi * model.speed_bandwidth_Hz
        self._kp, self._ki = rate, 0.25 * rate * rate
        self._brake_most_N = model.brake_deceleration_m_per_s2 * vehicle.inertia_kg
        self._hold_below, self._hold_factor = model.hold_below_kmh / 3.6, model.hold_factor
        self._stop_N = vehicle.inertia_kg * 1.0  # brakes a vehicle that rolls where it should stand, 1 m/s2
        regeneration = model.regeneration
        self._most_Nm = greatest_Nm if regeneration.max_torque_Nm is None else regeneration.max_torque_Nm
        self._most_W = math.inf if regeneration.max_power_W is None else regeneration.max_power_W
        self._most_A = math.inf if regeneration.max_charge_A is None else regeneration.max_charge_A
        self._none_below, self._full_above = regeneration.none_below_kmh / 3.6, regeneration.full_above_kmh / 3.6
        self._full_charge, self._band = regeneration.full_charge, regeneration.charge_band
        self._greatest_Nm = greatest_Nm
        self._sum = 0.0  # integral part [m/s2]
        self._last_Nm = self._short_s = 0.0

    @property
    def weight_Nm(self):
        """Torque of the slope at the rotor from the last look on [Nm], against forward motion uphill."""
        return self.weights_N[-1] * self._arm

    def look(self, k, speed, given_Nm, charge, link_V):
        """(step, speed [m/s], torque given for the last one asked [Nm], charge, link voltage [V]) => (torque, brake) [Nm]."""
        now, then = self._asked[k], self._asked[k + 1]
        weight = self._slope.weight_N(k, speed * self._step_s)
        self.weights_N.append(weight)
        if now <= 0.0 and then <= 0.0 and speed < self._hold_below:
            self._sum = self._last_Nm = self._short_s = 0.0
            return 0.0, (self._hold_factor * abs(weight) + self._stop_N) * self._arm
        if given_Nm != given_Nm:
            given_Nm = self._last_Nm
        last = abs(self._last_Nm)
        short = last - abs(given_Nm) > _SHORT * max(last, self._greatest_Nm) or last >= self._greatest_Nm
        self._short_s = self._short_s + self._step_s if short else 0.0
        error = now - speed
        if not (short and error * self._last_Nm > 0.0):
            self._sum += self._ki * error * self._step_s
        rolling = self._f0 + self._f1 * speed + self._f2 * speed * speed if then > 0.0 or speed > _ROLLS else 0.0
        wanted_N = rolling + weight + self._inertia * ((then - now) / self._step_s + self._kp * error + self._sum)
        if wanted_N >= 0.0:
            torque = min(wanted_N * self._arm / self._eta, self._greatest_Nm)
            brake = 0.0
            if speed <= _ROLLS and weight > 0.0 and given_Nm * self._eta < weight * self._arm:
                # Uphill the brakes hold until the machine carries the weight.
                brake = self._hold_factor * weight * self._arm
        else:
            # The limits of the step's middle: a long step would take them too late.
            middle = max(speed + 0.5 * (then - now), 0.0)
            given_Nm = given_Nm if self._short_s > _PATIENCE_S else -math.inf
            torque, brake = self._braking(-wanted_N, middle, given_Nm, charge, link_V)
        self._last_Nm = torque
        return torque, brake

    def _braking(self, force_N, speed, given_Nm, charge, link_V):
        """(force to brake with [N]) => torque of the machine (negative) and of the friction brakes [Nm]."""
        allowed = self._allowed_Nm(speed, charge, link_V)
        full = force_N * self._arm * self._eta
        torque = -min(full, allowed)
        done = -max(torque, given_Nm)  # what a drive at its limit gives
        if given_Nm > torque:
            # Asked for a little more than it gives, it shows when the limit goes.
            torque = max(torque, given_Nm - 2.0 * _SHORT * max(-given_Nm, self._greatest_Nm))
        missing_N = max(0.0, (full - max(done, 0.0)) / (self._eta * self._arm))
        return torque, min(missing_N, self._brake_most_N) * self._arm

    def _allowed_Nm(self, speed, charge, link_V):
        """Greatest braking torque that the limits leave the machine [Nm]."""
        if speed <= self._none_below:
            return 0.0
        share = 1.0
        if speed < self._full_above:
            share = (speed - self._none_below) / (self._full_above - self._none_below)
        if charge > self._full_charge - self._band:
            share *= max(0.0, (self._full_charge - charge) / self._band)
        omega = speed / self._arm
        power = min(self._most_W, self._most_A * link_V)
        return share * min(self._most_Nm, power / omega)


class _Slope:
    """The weight along the road: a cycle's slope lies where the cycle passes it, a scenario's comes with the time."""

    def __init__(self, vehicle, cycle, at, asked, grade_percent):
        self._way_m, self._by_way = 0.0, cycle.grade_percent is not None
        if self._by_way:
            mean = 0.5 * (asked[1:] + asked[:-1]) * np.diff(at)
            passed = np.concatenate([[0.0], np.cumsum(mean)])
            places = np.arange(0.0, passed[-1] + 2.0 * PLACE_m, PLACE_m)
            grade = np.interp(places, passed, np.interp(at, cycle.time_s, cycle.grade_percent))
        else:
            grade = np.zeros(len(at)) if grade_percent is None else np.array([grade_percent.at(t) for t in at])
        self._weight_N = vehicle.weight_N(grade).tolist()

    def weight_N(self, k, ahead_m):
        """(step, way of the coming step [m]) => force of the weight during it [N]; called once a step, in order."""
        if not self._by_way:
            return self._weight_N[k]
        place = (self._way_m + 0.5 * ahead_m) / PLACE_m
        self._way_m += ahead_m
        low = min(max(int(place), 0), len(self._weight_N) - 2)
        share = min(max(place - low, 0.0), 1.0)
        return self._weight_N[low] + share * (self._weight_N[low + 1] - self._weight_N[low])
