"""The C twin from Python: record layouts as a C header, compilation with gcc, and both loops on equal arrays."""

import ctypes
import hashlib
import shutil
import subprocess
from pathlib import Path
from typing import NamedTuple

import numpy as np

from controllers.c_header import c_checks, c_structs
from controllers.contract import COMMAND, MEASURED
from controllers.foc_records import FOC_PARAMETERS, FOC_STATE
from simcore import Bench
from simcore.inverter.records import CURVE, FAULTS, GATE, INVERTER, LEG_DEVICES, LEGS, NETWORK, POWER, POWER_STATE, RULE
from simcore.loop.records import AUDIT, BENCH, CLOCK, LATEST, PROFILE, ROW_CHANNELS, STATE
from simcore.loop.setup import build_parameters, build_state
from simcore.plant.records import DRIVE, LINK, MACHINE, PLANT_STATE, SHAFT, SUMS
from simcore.safety.monitor_records import CHECK, EVENT, MEMORY, MONITOR, SAFETY
from simcore.sensing.records import CURRENT_SENSOR, LINK_VOLTAGE_SENSOR, POSITION_SENSOR, SENSOR_STATE, TEMPERATURE_SENSOR

SOURCE = Path(__file__).with_name("twin.c")
# Parts before the records that hold them.
LAYOUTS = {
    "Machine": MACHINE, "Shaft": SHAFT, "Link": LINK, "Plant": PLANT_STATE, "Drive": DRIVE, "Sums": SUMS,
    "Faults": FAULTS, "Inverter": INVERTER, "Legs": LEGS, "Curve": CURVE, "LegDevices": LEG_DEVICES, "Gate": GATE,
    "Rule": RULE, "Check": CHECK, "Safety": SAFETY, "Memory": MEMORY, "Event": EVENT, "Monitor": MONITOR,
    "Network": NETWORK, "Power": POWER, "PowerState": POWER_STATE,
    "CurrentSensor": CURRENT_SENSOR, "PositionSensor": POSITION_SENSOR,
    "TemperatureSensor": TEMPERATURE_SENSOR, "LinkVoltageSensor": LINK_VOLTAGE_SENSOR,
    "SensorState": SENSOR_STATE, "Profile": PROFILE, "Clock": CLOCK, "Bench": BENCH,
    "Latest": LATEST, "Audit": AUDIT, "State": STATE, "Measured": MEASURED, "Command": COMMAND,
    "FocParameters": FOC_PARAMETERS, "FocState": FOC_STATE,
}  # fmt: skip

# Without contraction every operation rounds as in the compiled run; the quick one is what a C programmer would ship.
EXACT = ("-O3", "-ffp-contract=off")
QUICK = ("-O3", "-march=native")


def make_header(dtypes):
    """({C type name: aligned record dtype}, parts first) => C header of structs, offsets checked by C itself."""
    return "\n".join(["#include <stddef.h>", "#include <stdint.h>", "", c_structs(dtypes), c_checks(dtypes), ""])


def compile_twin(folder, flags=EXACT):
    """(folder, compiler flags) => callable twin_run; None where there is no gcc."""
    if shutil.which("gcc") is None:
        return None
    folder = Path(folder)
    key = hashlib.sha256(" ".join(flags).encode()).hexdigest()[:8]
    library = folder / f"twin-{key}.so"
    (folder / "layouts.h").write_text(make_header(LAYOUTS))
    command = ["gcc", "-std=c99", *flags, "-Wall", "-Wextra", "-Werror", "-shared", "-fPIC", f"-I{folder}"]
    subprocess.run([*command, str(SOURCE), "-o", str(library), "-lm"], check=True)
    run = ctypes.CDLL(str(library)).twin_run
    run.restype = ctypes.c_int64
    run.argtypes = [ctypes.c_void_p] * 7 + [ctypes.c_int64] * 3
    return run


class Loop(NamedTuple):
    """Everything one run works on: the bench's arrays and those of its field-oriented controller."""

    scenario: object
    common: tuple
    foc: object

    @property
    def state(self):
        """The bench's state record, array of one."""
        return self.common[1]

    @property
    def rows(self):
        """Recorded rows, array (rows, channels)."""
        return self.common[8]


def make_loop(scenario):
    """(scenario) => Loop at tick 0, arrays as simcore.loop.bench lays them out for the compiled run."""
    bench = Bench(scenario)
    bench.controller.reset(bench.setup())
    params, table, points, scopes, samples = build_parameters(scenario)
    states = build_state(scenario, params, table)
    rows = np.full((-(-scenario.ticks // scenario.record_every), len(ROW_CHANNELS)), np.nan)
    measured, commands = np.zeros(1, MEASURED), np.zeros(1, COMMAND)
    common = (params, states, measured, commands, table, points, scopes, samples, rows, np.zeros((len(rows), 0)))
    return Loop(scenario, common, bench.controller.compiled_step())


def run_drybench(loop):
    """(loop) => its arrays after all ticks of the scenario, by the compiled run."""
    from simcore.loop.run import compiled_run

    ticks, foc = loop.scenario.ticks, loop.foc
    compiled_run()(*loop.common, ticks, ticks, 0, foc.function, foc.parameters, foc.state, foc.tables)


def run_twin(twin, loop):
    """(twin_run, loop) => its arrays after all ticks of the scenario, by the C twin.  Returns its status."""
    params, states, _, _, _, points, _, _, rows, _ = loop.common
    arrays = (params, states, loop.foc.parameters, loop.foc.state, loop.foc.tables, points, rows)
    ticks = loop.scenario.ticks
    return twin(*(array.ctypes.data for array in arrays), rows.shape[1], ticks, ticks)
