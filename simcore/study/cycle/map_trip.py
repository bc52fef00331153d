"""A trip by the map: the same driver and vehicle, the drive's losses from a table, the battery from its equations."""

import math
import time

import numpy as np

from simcore.study.cycle.course import Course
from simcore.study.cycle.driver import Driver
from simcore.study.cycle.loss_table import RPM, loss_table
from simcore.study.cycle.road import KWH, Vehicle, wheel_energy
from simcore.study.machine_torque import greatest_torque

STEP_S = 0.05
PASSES = 3  # of battery and losses, which need each other
_WIDE = 0.06  # span of the link voltage from which on three voltages are looked at


class MapTrip:
    """(Scenario with a vehicle, Cycle) => the trip, ready to run; table: a LossTable to use instead of a new one."""

    def __init__(self, scenario, cycle, table=None):
        self.scenario, self.cycle, self.table = scenario, cycle, table
        self.vehicle = Vehicle.of(scenario.load)
        self.step_s = STEP_S
        self.looks = max(1, math.ceil(cycle.duration_s / STEP_S - 1e-9))
        greatest = greatest_torque(scenario)
        slope = scenario.load.grade_percent
        self.driver = Driver(scenario.driver, self.vehicle, cycle, STEP_S, self.looks, greatest, slope)
        self.battery = Battery(scenario.supply)

    def make_table(self, progress=None):
        """The losses over what this trip needs of speed and link voltage."""
        if self.table is None:
            fastest = max(1.05 * float(self.driver.asked.max()) / self.vehicle.arm_m * RPM, 60.0)
            self.table = loss_table(self.scenario, self._voltages(), fastest, progress)
        return self.table

    def _voltages(self):
        """Two or three link voltages that the trip stays between."""
        energy = wheel_energy(self.cycle, self.vehicle)
        used = 1.5 * energy.driving_J / KWH / self.battery.capacity_kWh if self.battery.capacity_kWh else 0.0
        begin, end = self.battery.open_V(self.battery.charge), self.battery.open_V(max(self.battery.charge - used, 0.0))
        sag = self.battery.resistance_ohm * 1.2 * max(energy.peak_W, -energy.least_W) / end
        low, high = max(min(begin, end) - sag, 0.5 * end), max(begin, end) + sag
        if high - low < 1e-6 * high:
            return [high]
        return np.linspace(low, high, 3 if high - low > _WIDE * high else 2).tolist()

    def run(self, progress=None):
        """=> Course, up to where the battery is empty."""
        begun = time.perf_counter()
        table = self.make_table(progress)
        speed, torque, asked, brake = self._roll(table)
        course = self._course(speed, torque, asked, brake, table)
        course.wall_s = time.perf_counter() - begun
        return course

    def _roll(self, table):
        """The vehicle on its way => speeds (n + 1,) [m/s], torque given, torque asked, brakes (n,) [Nm] at the rotor."""
        link_V = self.battery.open_V(self.battery.charge)
        most, least = (values.tolist() for values in table.limits_at(link_V))
        per_rpm, last = 1.0 / (table.speeds_rpm[1] - table.speeds_rpm[0]), len(most) - 1
        vehicle, driver, step = self.vehicle, self.driver, self.step_s
        arm, eta, inertia = vehicle.arm_m, vehicle.gear_efficiency, vehicle.inertia_kg
        f0, f1, f2 = vehicle.road_N
        to_rpm, charge = RPM / arm, self.battery.charge if self.battery.cells else 0.5
        speeds, torques, asks, brakes = [float(driver.asked[0])], [], [], []
        v, given = speeds[0], math.nan
        for k in range(self.looks):
            asked, brake = driver.look(k, v, given, charge, link_V)
            at = min(int(v * to_rpm * per_rpm + 0.5), last)
            given = min(max(asked, least[at]), most[at])
            pull = given * eta / arm if given > 0.0 else given / (eta * arm)
            dry, weight = f0 + brake / arm, driver.weight_Nm(k) / arm
            if v <= 0.0 and pull - weight <= dry:
                v = 0.0
            else:
                middle = v + 0.5 * step * (pull - weight - dry - f1 * v - f2 * v * v) / inertia
                middle = max(middle, 0.0)
                v = max(v + step * (pull - weight - dry - f1 * middle - f2 * middle * middle) / inertia, 0.0)
            speeds.append(v)
            torques.append(given)
            asks.append(asked)
            brakes.append(brake)
        return np.array(speeds), np.array(torques), np.array(asks), np.array(brakes)

    def _course(self, speeds, torque, asked, brake, table):
        vehicle, step, n = self.vehicle, self.step_s, self.looks
        length = np.full(n, step)
        mean = 0.5 * (speeds[1:] + speeds[:-1])
        shaft_W = torque * mean / vehicle.arm_m
        eta = vehicle.gear_efficiency
        gear_W = np.where(shaft_W > 0.0, (1.0 - eta) * shaft_W, (1.0 / eta - 1.0) * -shaft_W)
        climbing = np.array([self.driver.weight_Nm(k) for k in range(n)]) / vehicle.arm_m * mean
        kinetic_W = vehicle.inertia_kg * 0.5 * (speeds[1:] ** 2 - speeds[:-1] ** 2) / step
        # What neither moves nor lifts the vehicle is lost; the brakes' share is that of their force.
        lost = shaft_W - gear_W - climbing - kinetic_W
        brake_N = brake / vehicle.arm_m
        rolling_N = np.where(mean > 0.0, vehicle.resistance_N(mean), 0.0)
        brakes_W = np.where(mean > 0.0, lost * brake_N / np.maximum(brake_N + rolling_N, 1e-9), 0.0)
        speed_rpm = mean / vehicle.arm_m * RPM
        battery = self.battery.trip(lambda link_V: self._link(table, link_V, speed_rpm, torque, shaft_W), length)
        losses = {
            "battery": battery.loss_W, "auxiliary": np.full(n, float(self.scenario.supply.auxiliary_W)), **battery.stages,
            "gear": gear_W, "friction_brakes": brakes_W, "road_load": lost - brakes_W,
        }  # fmt: skip
        end = self._emptied(battery.charge)
        cut = slice(0, end)
        course = Course(
            mode="map", time_s=np.arange(n)[cut] * step, length_s=length[cut],
            speed_asked_kmh=self.driver.asked[:-1][cut] * 3.6, speed_kmh=speeds[:-1][cut] * 3.6,
            torque_Nm=torque[cut], torque_asked_Nm=asked[cut], brake_N=brake_N[cut],
            grade_percent=self.driver.grade_percent[:-1][cut], link_voltage_V=battery.link_V[cut],
            state_of_charge=battery.charge[:-1][cut], power_supply_W=battery.power_W[cut], power_link_W=battery.drive_W[cut],
            power_shaft_W=shaft_W[cut], losses_W={name: values[cut] for name, values in losses.items()},
            climbing_W=climbing[cut], kinetic_J=float(np.sum(kinetic_W[cut]) * step),
            closing_charge=float(battery.charge[min(end, n)]),
        )  # fmt: skip
        if end < n:
            course.ended, course.empty = "empty", True
        return course

    def _link(self, table, link_V, speed_rpm, torque, shaft_W):
        """(link voltage of every row) => losses of the drive by stage, power into its link [W]."""
        stages = table.losses_at(link_V, speed_rpm, torque)
        return stages, shaft_W + sum(stages.values())

    def _emptied(self, charge):
        """Row in which the battery is empty; the number of rows where it never is."""
        empty = np.flatnonzero(charge[1:] <= self.scenario.driver.empty_charge) if self.battery.cells else ()
        return int(empty[0]) + 1 if len(empty) else self.looks


class Battery:
    """A supply as the trip sees it: open-circuit voltage over charge, resistance and RC pair, or a plain source."""

    def __init__(self, supply):
        self.supply, self.cells = supply, supply.kind == "battery"
        self.resistance_ohm = supply.resistance_ohm
        self.charge = supply.state_of_charge if self.cells else math.nan
        self.capacity_C = supply.capacity_Ah * 3600.0 if self.cells else math.inf
        curve = supply.open_circuit_voltage_V if self.cells else None
        self._curve = (np.array(curve.degC), np.array(curve.values)) if self.cells else None
        self.capacity_kWh = self._energy_kWh() if self.cells else 0.0

    def _energy_kWh(self):
        """Energy of a full battery, open-circuit voltage times charge [kWh]."""
        at = np.linspace(0.0, 1.0, 1001)
        return float(np.trapezoid(np.interp(at, *self._curve), at)) * self.capacity_C / KWH

    def open_V(self, charge):
        """charge, number or array => open-circuit voltage [V]."""
        if not self.cells:
            return self.supply.voltage_V + 0.0 * np.nan_to_num(charge)
        return np.interp(charge, *self._curve)

    def trip(self, drive, length_s):
        """(function: link voltage => (stages, power into the drive), row lengths) => BatteryTrip."""
        n = len(length_s)
        open_V = np.full(n, float(self.open_V(self.charge)))
        link_V, pair_V = open_V.copy(), np.zeros(n)
        for _ in range(PASSES):
            stages, power = drive(link_V)
            taken = power + self.supply.auxiliary_W
            source = open_V - pair_V
            # u = U - R i and P = u i
            link_V = 0.5 * (source + np.sqrt(np.maximum(source * source - 4.0 * self.resistance_ohm * taken, 0.0)))
            current = taken / link_V
            charge = self.charge - np.concatenate([[0.0], np.cumsum(current * length_s)]) / self.capacity_C
            open_V = self.open_V(0.5 * (charge[1:] + charge[:-1])) if self.cells else open_V
            pair_V, pair_W = self._pair(current, length_s)
        loss = self.resistance_ohm * current**2 + pair_W
        # The pair's store is neither lost nor drawn: what leaves the cells is their voltage times the current.
        return BatteryTrip(stages, power, link_V, charge, open_V * current, loss)

    def _pair(self, current, length_s):
        """(current of each row) => mean voltage of the RC pair [V], power lost in it [W]."""
        tau = getattr(self.supply, "polarisation_time_constant_s", 0.0)
        if not self.cells or tau <= 0.0:
            return np.zeros(len(current)), np.zeros(len(current))
        from scipy.signal import lfilter

        step, r = float(length_s[0]), self.supply.polarisation_resistance_ohm
        decay = math.exp(-step / tau)
        after = lfilter([1.0 - decay], [1.0, -decay], r * current)
        before = np.concatenate([[0.0], after[:-1]])
        mean = r * current + (before - r * current) * (1.0 - decay) * tau / step
        return mean, mean**2 / r if r > 0.0 else 0.0 * mean


class BatteryTrip:
    """Battery.trip's answer: stages of loss, power into the drive, link voltage, charge (n + 1,), power of the cells, loss."""

    def __init__(self, stages, drive_W, link_V, charge, power_W, loss_W):
        self.stages, self.drive_W, self.link_V = stages, drive_W, link_V
        self.charge, self.power_W, self.loss_W = charge, power_W, loss_W
