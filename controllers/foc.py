"""The built-in field-oriented controller: torque, speed, current and voltage mode."""

import math
from functools import cache

import numpy as np

from controllers.contract import COMMAND, MEASURED, Command, CompiledStep, Controller, step_signature
from controllers.foc_records import FOC_PARAMETERS, FOC_STATE, MODES
from controllers.foc_tables import machine_tables
from controllers.foc_tuning import read_tuning


@cache
def _compiled():
    from controllers.foc_kernel import foc_step
    from simcore.kernel import entry

    return entry(foc_step, step_signature())


class FieldOrientedController(Controller):
    """Field-oriented control by tables of least current, field weakening and MTPV, and a decoupled current loop.

    As a Python class it steps the same compiled update that the compiled run calls, so both give the same bits.
    """

    modes = tuple(MODES)

    def reset(self, setup):
        """(set-up) => parameters and tables; raises TuningError for a tuning it cannot work with."""
        tuning = read_tuning(setup)
        self._parameters = np.zeros((1, FOC_PARAMETERS.itemsize // 8))
        self._state = np.zeros((1, FOC_STATE.itemsize // 8))
        self._measured, self._command = np.zeros(1, MEASURED), np.zeros(1, COMMAND)
        p = self._parameters.view(FOC_PARAMETERS)[0, 0]
        for name, value in tuning.items():
            p[name] = value
        self._tables = machine_tables(p, setup, tuning)
        p["update_s"] = setup.update_s
        p["max_current_A"] = setup.machine.max_current_A
        p["max_speed_rad_s"] = setup.machine.max_speed_rpm * math.pi / 30.0

    @staticmethod
    def compiled_function():
        """The compiled step alone, loaded or compiled now; needs no set-up."""
        return _compiled()

    def compiled_step(self):
        """The same controller for the compiled run; shares this object's parameters and state."""
        return CompiledStep(_compiled(), self._parameters, self._state, self._tables)

    def step(self, measured):
        """(measured) => command, by the compiled update."""
        self._measured[0] = measured
        _compiled()(self._measured, self._command, self._parameters, self._state, self._tables, 0)
        c = self._command[0]
        return Command(
            float(c["duty_a"]), float(c["duty_b"]), float(c["duty_c"]), bool(c["gates_on"]), int(c["gate_setting"]), (),
            float(c["torque_reference_Nm"]), float(c["torque_estimate_Nm"]), float(c["id_reference_A"]),
            float(c["iq_reference_A"]), float(c["voltage_margin_V"]), int(c["binding_limit"]),
        )  # fmt: skip
