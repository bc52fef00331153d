"""The contract every controller keeps: what it is told at the start, what it sees at an update, what it answers.

Compiled controllers share the layouts MEASURED and COMMAND and the signature STEP; Python classes see the same as named tuples.
"""

from abc import ABC, abstractmethod
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

NAN = float("nan")
EXTRA_SIGNALS = 16

BINDING_LIMITS = {
    0: "none",
    1: "current",
    2: "voltage",
    3: "voltage_and_current",
    4: "mtpv",
    5: "modulator",
    6: "torque_slew",
    7: "speed",
    8: "ramp_down",
    9: "temperature",
    10: "link_voltage",
}


class Measured(NamedTuple):
    """What the sensors report at the sampling instant, and the commands in force there (SI, angle in (-pi, pi]).

    A command that the scenario does not give is NaN.  run_request: 1 run, 0 ramp down.  magnet_degC: what a thermal model
    of the machine would tell, here the true temperature.  legs_released: 1 what is commanded acts, 0 a monitor holds the legs
    in a safe state; a controller that integrates an error should then start anew.
    """

    time_s: float
    ia_A: float
    ib_A: float
    ic_A: float
    angle_electrical_rad: float
    speed_rpm: float
    link_voltage_V: float
    winding_degC: float
    junction_degC: float
    torque_reference_Nm: float
    speed_reference_rpm: float
    id_reference_A: float
    iq_reference_A: float
    vd_reference_V: float
    vq_reference_V: float
    voltage_reference_V: float
    frequency_reference_Hz: float
    run_request: float
    magnet_degC: float
    legs_released: float


class Command(NamedTuple):
    """What a controller answers.  Duty 1 is the upper switch on for the whole tick.

    gates_on False turns all six switches off from the update at which the command acts; the diodes go on conducting.
    `extra` carries the values of the class's `signals`, in that order.  The last six are reports for the recording and
    may stay away.
    """

    duty_a: float
    duty_b: float
    duty_c: float
    gates_on: bool = True
    gate_setting: int = -1
    extra: tuple = ()
    torque_reference_Nm: float = NAN
    torque_estimate_Nm: float = NAN
    id_reference_A: float = NAN
    iq_reference_A: float = NAN
    voltage_margin_V: float = NAN
    binding_limit: int = 0


@dataclass(frozen=True, kw_only=True)
class Setup:
    """What a controller is told before the run.

    `machine` is the controller's belief about the machine (the scenario's, unless [controller.machine] overrides it): an
    object whose attributes are the scenario's keys, such as machine.stator_resistance_ohm; `inverter` likewise.  `tuning` is a
    dict of the scenario's [controller.tuning].
    """

    update_s: float
    tick_s: float
    delay_updates: int
    machine: Any
    inverter: Any
    inertia_kg_m2: float | None
    tuning: dict
    mode: str


class ContractError(ValueError):
    """A controller that no run can use (it does not compile, its library is of another layout): wrong input.

    One sentence an item.
    """

    def __init__(self, *problems):
        super().__init__("\n".join(problems))
        self.problems = tuple(problems)


class TuningError(ContractError):
    """A tuning the controller cannot work with: wrong input, not a failed run.  One sentence an item."""


class Controller(ABC):
    """A controller in Python: `reset(setup)` before the run, `step(measured)` once an update.

    Wrap, do not subclass, a concrete one.
    """

    signals: tuple[str, ...] = ()
    modes: tuple[str, ...] | None = None  # None: any

    @abstractmethod
    def reset(self, setup: Setup) -> None:
        """Forget everything of an earlier run and take the set-up."""

    @abstractmethod
    def step(self, measured: Measured) -> Command:
        """Samples of update k => the command that acts from update k + delay_updates on."""


class CompiledStep(NamedTuple):
    """What compiled_step() of a controller hands to the compiled run, after reset.

    function: compiled for step_signature(). parameters and state: float64 arrays of one row a member. tables: 1-D float64.
    """

    function: Any
    parameters: np.ndarray
    state: np.ndarray
    tables: np.ndarray


def _doubles(*names):
    return [(name, "f8") for name in names]


MEASURED = np.dtype(_doubles(*Measured._fields), align=True)
COMMAND = np.dtype(
    [
        *_doubles("duty_a", "duty_b", "duty_c"),
        ("gates_on", "i8"),
        ("gate_setting", "i8"),
        *_doubles("torque_reference_Nm", "torque_estimate_Nm", "id_reference_A", "iq_reference_A", "voltage_margin_V"),
        ("binding_limit", "i8"),
        ("extra", "f8", (EXTRA_SIGNALS,)),
    ],
    align=True,
)


def blank_command():
    """One COMMAND record as a run begins: gates on, no gate setting chosen, nothing reported."""
    command = np.zeros(1, COMMAND)
    for name, default in Command._field_defaults.items():
        if name != "extra":
            command[name] = default
    return command


def told_command(record, signals):
    """(a COMMAND record, how many own signals) => the named tuple that a Python controller would answer."""
    values = record.item()
    told = dict(zip(COMMAND.names, values, strict=True))
    told["extra"] = tuple(told["extra"][:signals].tolist())
    told["gates_on"] = bool(told["gates_on"])
    return Command(**told)


def step_signature():
    """The eager numba signature of a compiled step.

    int64 step(measured, command, parameters, state, tables, member): arrays of one MEASURED and one COMMAND record a member;
    the controller's own parameters and state as 2-D float64 arrays (a row a member, viewed as its own record if it likes)
    and 1-D tables.  Returns 0, or a code of its own that ends the run.
    """
    from numba import from_dtype, types

    record_array = lambda dtype: types.Array(from_dtype(dtype), 1, "C")  # noqa: E731
    block = types.Array(types.float64, 2, "C")
    return types.int64(
        record_array(MEASURED), record_array(COMMAND), block, block, types.Array(types.float64, 1, "C"), types.int64
    )
