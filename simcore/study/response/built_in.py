"""The built-in controller as the prediction needs it: its own gains, and the current references it takes for a torque."""

import math
from dataclasses import replace

import numpy as np

from controllers import Measured, TuningError
from controllers.foc_records import FOC_PARAMETERS
from controllers.operating_points import ConstantMachine
from simcore.loop import Bench
from simcore.plant.temperature import magnet_flux_Wb
from simcore.scenario import ScenarioError

_SETTLES = 6  # updates until the flux limit knows its own current and torque
# Cold: where [heat] derates, the loops are told for a drive that is not derated.
_NOTHING = Measured(*[math.nan] * len(Measured._fields))._replace(winding_degC=0.0, junction_degC=0.0, magnet_degC=0.0)
# What would stand between a torque and its references: slew, ripple and damper.
_APART = ("torque_slew_Nm_per_s", "torque_feed_forward", "torsion_damping_Nm_s")


def flux_of(machine):
    """(machine model) => object whose jets(id, iq) give psi_d, l_dd, l_dq, psi_q, l_qd, l_qq."""
    if machine.kind == "flux_map":
        return machine.map_data.tables
    return ConstantMachine(
        inductance_d_H=machine.inductance_d_H, inductance_q_H=machine.inductance_q_H, magnet_flux_Wb=magnet_flux_Wb(machine)
    )


def at_currents(flux, current_A):
    """(flux law, (d, q) [A]) => flux linkages (2,) [Wb], incremental inductances (2, 2) [H]."""
    psi_d, l_dd, l_dq, psi_q, l_qd, l_qq = (float(part) for part in flux.jets(float(current_A[0]), float(current_A[1])))
    return np.array([psi_d, psi_q]), np.array([[l_dd, l_dq], [l_qd, l_qq]])


class BuiltIn:
    """(scenario of the built-in controller) => its parameters and references, taken from the controller itself.

    Raises ScenarioError for a tuning that the controller refuses.
    """

    def __init__(self, scenario):
        bench = Bench(scenario)
        self.scenario, self.setup = scenario, bench.setup()
        self._reset(bench.controller, self.setup)
        self.parameters = bench.controller.compiled_step().parameters.view(FOC_PARAMETERS)[0, 0]
        self.flux = flux_of(scenario.controller_machine)
        self._asked = None

    def _reset(self, controller, setup):
        try:
            controller.reset(setup)
        except TuningError as error:
            raise ScenarioError([f"{self.scenario.path.name}: {problem}" for problem in error.problems]) from error

    def current_gains(self, current_A):
        """((d, q) [A]) => kp, ki, active resistance (2,): of a map they follow the believed inductances there."""
        p = self.parameters
        alpha, ki = float(p["current_bandwidth_rad_s"]), np.array([p["ki_d"], p["ki_q"]], dtype=float)
        if p["gains_given"]:
            return np.array([p["kp_d"], p["kp_q"]], dtype=float), ki, np.zeros(2)
        _, inductance = at_currents(self.flux, current_A)
        kp = alpha * np.diag(inductance)
        if not p["active_resistance"]:
            return kp, ki, np.zeros(2)
        resistance = float(p["machine"]["resistance_ohm"])
        active = np.maximum(kp - resistance, 0.0)
        return kp, alpha * (resistance + active), active

    @property
    def current_bandwidth_Hz(self):
        """What the current gains were made for; None where they were given."""
        p = self.parameters
        return None if p["gains_given"] else float(p["current_bandwidth_rad_s"]) / (2.0 * math.pi)

    def references(self, torque_Nm, speed_rpm, link_V):
        """(torque, speed, link voltage) => (id, iq) references (2,) [A] in torque mode, after a few updates."""
        controller = self._in_torque_mode()
        controller.compiled_step().state[:] = 0.0
        seen = _NOTHING._replace(
            ia_A=0.0, ib_A=0.0, ic_A=0.0, angle_electrical_rad=0.0, speed_rpm=float(speed_rpm), link_voltage_V=float(link_V),
            torque_reference_Nm=float(torque_Nm),
        )  # fmt: skip
        for _ in range(_SETTLES):
            command = controller.step(seen)
        return np.array([command.id_reference_A, command.iq_reference_A])

    def slopes(self, torque_Nm, speed_rpm, link_V, torque_step_Nm, speed_step_rpm):
        """(operating point, steps to either side) => d(id, iq)/d torque (2,) [A/Nm], d(id, iq)/d speed (2,) [A s/rad]."""
        up, down = (self.references(torque_Nm + s * torque_step_Nm, speed_rpm, link_V) for s in (1.0, -1.0))
        fast, slow = (self.references(torque_Nm, speed_rpm + s * speed_step_rpm, link_V) for s in (1.0, -1.0))
        return (up - down) / (2.0 * torque_step_Nm), (fast - slow) / (2.0 * speed_step_rpm * math.pi / 30.0)

    def _in_torque_mode(self):
        """A second controller whose references are asked at will: nothing of it is slewed."""
        if self._asked is None:
            self._asked = Bench(self.scenario).controller
            tuning = {key: value for key, value in self.setup.tuning.items() if key not in _APART}
            self._reset(self._asked, replace(self.setup, mode="torque", tuning=tuning))
        return self._asked
