"""A trip by the map: the same driver and vehicle, the drive's losses from a table, the battery from its equations."""

import math
import time

import numpy as np

from simcore.study.cycle.battery import Battery
from simcore.study.cycle.course import Course
from simcore.study.cycle.driver import Driver
from simcore.study.cycle.loss_table import RPM, loss_table
from simcore.study.cycle.road import KWH, Vehicle, wheel_energy
from simcore.study.cycle.warming import Warming
from simcore.study.machine_torque import greatest_torque

STEP_S = 0.05
_WIDE = 0.06  # span of the source's voltage from which on three voltages are looked at


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
        """Two or three voltages of the source between which the trip stays."""
        energy = wheel_energy(self.cycle, self.vehicle, grade=self.scenario.load.grade_percent)
        used = 1.5 * energy.driving_J / KWH / self.battery.capacity_kWh if self.battery.capacity_kWh else 0.0
        begin, end = self.battery.open_V(self.battery.charge), self.battery.open_V(max(self.battery.charge - used, 0.0))
        sag = self.battery.pair_ohm * 1.2 * max(energy.peak_W, -energy.least_W) / end
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
        # Charge on the way, losses left out: it only opens or shuts regeneration.
        per_watt, auxiliary = step / (link_V * self.battery.capacity_C), self.scenario.supply.auxiliary_W
        for k in range(self.looks):
            asked, brake = driver.look(k, v, given, charge, link_V)
            at = min(int(v * to_rpm * per_rpm + 0.5), last)
            given = min(max(asked, least[at]), most[at])
            pull = given * eta / arm if given > 0.0 else given / (eta * arm)
            dry, weight = f0 + brake / arm, driver.weights_N[-1]
            if v <= 0.0 and pull - weight <= dry:
                v = 0.0
            else:
                middle = v + 0.5 * step * (pull - weight - dry - f1 * v - f2 * v * v) / inertia
                middle = max(middle, 0.0)
                v = max(v + step * (pull - weight - dry - f1 * middle - f2 * middle * middle) / inertia, 0.0)
            charge -= (given * v / arm + auxiliary) * per_watt
            speeds.append(v)
            torques.append(given)
            asks.append(asked)
            brakes.append(brake)
        return np.array(speeds), np.array(torques), np.array(asks), np.array(brakes)

    def _course(self, speeds, torque, asked, brake, table):
        n, arm, step = self.looks, self.vehicle.arm_m, self.step_s
        length = np.full(n, step)
        mean = 0.5 * (speeds[1:] + speeds[:-1])
        shaft_W = torque * mean / arm
        road, climbing, kinetic_W = self._mechanical(speeds, mean, shaft_W, brake / arm)
        warming = Warming(self.scenario, table.at, step)
        battery, warm = self._settled(table, warming, mean / arm * RPM, torque, shaft_W, length)
        auxiliary = np.full(n, float(self.scenario.supply.auxiliary_W))
        losses = {"battery": battery.loss_W, "auxiliary": auxiliary, **battery.stages, **road}
        end = self._emptied(battery.charge)
        cut = slice(0, end)
        driver = self.driver
        course = Course(
            mode="map", time_s=np.arange(n)[cut] * step, length_s=length[cut], speed_asked_kmh=driver.asked[:-1][cut] * 3.6,
            speed_kmh=speeds[:-1][cut] * 3.6, torque_Nm=torque[cut], torque_asked_Nm=asked[cut], brake_N=brake[cut] / arm,
            grade_percent=self.vehicle.grade_percent(driver.weights_N)[cut], link_voltage_V=battery.link_V[cut],
            state_of_charge=battery.charge[:-1][cut], power_supply_W=battery.power_W[cut], power_link_W=battery.drive_W[cut],
            power_shaft_W=shaft_W[cut], losses_W={name: values[cut] for name, values in losses.items()},
            temperatures_degC={name: values[cut] for name, values in warm.items()}, climbing_W=climbing[cut],
            kinetic_J=float(np.sum(kinetic_W[cut]) * step), closing_charge=float(battery.charge[min(end, n)]),
        )  # fmt: skip
        if end < n:
            course.ended, course.empty = "empty", True
        return course

    def _mechanical(self, speeds, mean, shaft_W, brake_N):
        """=> losses of gear, brakes and road, power of climbing, power into motion, each (n,) [W]."""
        vehicle, eta = self.vehicle, self.vehicle.gear_efficiency
        gear_W = np.where(shaft_W > 0.0, (1.0 - eta) * shaft_W, (1.0 / eta - 1.0) * -shaft_W)
        climbing = np.array(self.driver.weights_N) * mean
        kinetic_W = vehicle.inertia_kg * 0.5 * (speeds[1:] ** 2 - speeds[:-1] ** 2) / self.step_s
        # What neither moves nor lifts the vehicle is lost; the brakes' share is that of their force.
        lost = shaft_W - gear_W - climbing - kinetic_W
        rolling_N = np.where(mean > 0.0, vehicle.resistance_N(mean), 0.0)
        brakes_W = np.where(mean > 0.0, lost * brake_N / np.maximum(brake_N + rolling_N, 1e-9), 0.0)
        return {"gear": gear_W, "friction_brakes": brakes_W, "road_load": lost - brakes_W}, climbing, kinetic_W

    def _settled(self, table, warming, speed_rpm, torque, shaft_W, length):
        """=> BatteryTrip and temperatures: losses depend on both, and both on losses."""
        warm = {}

        def drive(source_V):
            warmth = warming.warmth(warm) if warm else None
            stages = table.losses_at(source_V, speed_rpm, torque, warmth)
            warm.update(warming.temperatures(stages))
            return stages, shaft_W + sum(stages.values())

        return self.battery.trip(drive, length), warm

    def _emptied(self, charge):
        """Row in which the battery is empty; the number of rows where it never is."""
        empty = np.flatnonzero(charge[1:] <= self.scenario.driver.empty_charge) if self.battery.cells else ()
        return int(empty[0]) + 1 if len(empty) else self.looks
