"""The whole scenario: one frozen model a table, in the order in which they are written."""

import math
from pathlib import Path
from typing import Annotated, Any

from pydantic import PrivateAttr

from simcore.scenario.baseline import Baseline
from simcore.scenario.controller import Commands, Controller, Initial
from simcore.scenario.driver import CycleTable, Driver
from simcore.scenario.expect import Expectation
from simcore.scenario.fault_kinds import FaultModel
from simcore.scenario.fields import Rows, Table, table, word
from simcore.scenario.inverter import Inverter
from simcore.scenario.load import LoadModel
from simcore.scenario.machine import MachineModel
from simcore.scenario.run import Run, Scope
from simcore.scenario.safety import Safety
from simcore.scenario.sensors import Sensors
from simcore.scenario.supply import SupplyModel
from simcore.scenario.template import TemplateField

ROWS_WITHOUT_DECIMATION = 200_000


class Scenario(Table):
    """A checked scenario. Attribute names are the keys of the language (`controller.class_` for class)."""

    title: str = word("title for tables and figures", "")
    machine: MachineModel = word("the machine")
    inverter: Inverter = word("the power stage")
    supply: SupplyModel = word("what feeds the link")
    sensors: Sensors = table("what the controller sees", Sensors)
    load: LoadModel = word("what the shaft is connected to")
    controller: Controller = table("who drives", Controller)
    commands: Commands = table("what is asked for", Commands)
    initial: Initial = table("state at the start", Initial)
    run: Run = word("length, solver and recording")
    fault: Annotated[tuple[FaultModel, ...], Rows] = word("what breaks on purpose, when and how far", ())
    driver: Driver = table("who follows a drive cycle, for `drybench cycle`", Driver)
    cycle: CycleTable = table("the drive cycle and what a difference is worth", CycleTable)
    safety: Safety | None = word("the monitor beside the controller; absent: none", None)
    expect: Annotated[tuple[Expectation, ...], Rows] = word("what the run must show", ())
    tolerance: dict[str, Any] = table("keys of the scenario and how their values scatter, for `drybench tolerance`", dict)
    scope: Annotated[tuple[Scope, ...], Rows] = word("waveforms inside the periods", ())
    baseline: Baseline = table("what a regression test compares", Baseline)
    template: TemplateField = word("values by key, each combination a scenario; or [[template]], a scenario each", ())

    _path: Path = PrivateAttr(default=Path("scenario.toml"))
    _case: str = PrivateAttr(default="")
    _resolved: dict = PrivateAttr(default_factory=dict)
    _tolerances: tuple = PrivateAttr(default=())
    _believed: dict = PrivateAttr(default_factory=dict)
    _findings: tuple = PrivateAttr(default=())

    @property
    def path(self) -> Path:
        """The file that was read, absolute."""
        return self._path

    @property
    def name(self) -> str:
        """Stem of the file, with the case where it is a template's: names the results folder."""
        return f"{self._path.stem}-{self._case}" if self._case else self._path.stem

    @property
    def case(self) -> str:
        """Name of the template's case, "" where the file is no template."""
        return self._case

    @property
    def resolved(self) -> dict:
        """The merged input as a plain dict, paths absolute; loads again to the same models from any folder."""
        return self._resolved

    @property
    def tolerances(self) -> tuple:
        """[tolerance] as it was read: one simcore.scenario.tolerance.Tolerance a key."""
        return self._tolerances

    @property
    def controller_machine(self):
        """The machine as the controller believes it: [machine] with [controller.machine] laid over."""
        return self._believed.get("machine", self.machine)

    @property
    def controller_inverter(self):
        """The inverter as the controller believes it: [inverter] with [controller.inverter] laid over."""
        return self._believed.get("inverter", self.inverter)

    @property
    def controller_load(self):
        """The load as the controller believes it: [load] with [controller.load] laid over."""
        return self._believed.get("load", self.load)

    @property
    def findings(self) -> tuple[str, ...]:
        """Sentences about things that are used as they are but should be told."""
        return self._findings

    @property
    def tick_s(self) -> float:
        """Half a carrier period [s]."""
        return 0.5 / self.inverter.switching_frequency_Hz

    @property
    def ticks(self) -> int:
        """Length of the run in ticks."""
        return round(self.run.duration_s / self.tick_s)

    @property
    def record_every(self) -> int:
        """Ticks between rows of the recording."""
        return self.run.record_every or max(1, math.ceil(self.ticks / ROWS_WITHOUT_DECIMATION))
