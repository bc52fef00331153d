"""[machine]: a permanent-magnet machine with constant parameters or a flux map."""

from typing import Annotated, Literal

from pydantic import Field, PrivateAttr

from simcore.scenario.data_sheet.model import DataSheet
from simcore.scenario.fields import Rows, Table, quantity, table, word
from simcore.scenario.heat import MachineHeat
from simcore.scenario.profile import CurveField


class IronLoss(Table):
    """Iron loss at one frequency and flux linkage, split or to be split into hysteresis and eddy currents."""

    frequency_Hz: float = quantity("Hz", "electrical frequency at which the losses are given", 0.0, ge=0, le=1e5)
    hysteresis_W: float = quantity("W", "hysteresis loss there", 0.0, ge=0, le=1e7)
    eddy_W: float = quantity("W", "eddy-current loss there", 0.0, ge=0, le=1e7)
    no_load_W: CurveField | None = quantity(
        "W", "instead: measured loss over electrical frequency, [[Hz, W], ...], separated by least squares", None
    )
    flux_linkage_Wb: float | None = quantity(
        "Wb", "flux linkage at which the losses are given; by default the magnets'", None, gt=0, le=100
    )


class EmfHarmonic(Table):
    """A harmonic of the phase EMF."""

    order: int = quantity("", "order of the electrical frequency; 2 or more, no multiple of 3", ge=2, le=100)
    amplitude_percent: float = quantity("percent", "amplitude of the EMF's harmonic, of its fundamental", ge=0, le=100)
    phase_deg: float = quantity("deg", "phase of phase a's flux harmonic, psi_n cos(n theta + phase)", 0.0, ge=-360, le=360)


class CoggingHarmonic(Table):
    """An order of the cogging torque, torque_Nm sin(order x mechanical angle + phase)."""

    order: int = quantity("", "order of the mechanical turn, e.g. slots and poles' least common multiple", ge=1, le=10000)
    torque_Nm: float = quantity("Nm", "amplitude", ge=0, le=1e6)
    phase_deg: float = quantity("deg", "phase", 0.0, ge=-360, le=360)


class MachineCommon(Table):
    """Keys of every machine kind."""

    name: str = word("name for tables and figures", "")
    pole_pairs: int = quantity("", "pole pairs", ge=1, le=200)
    stator_resistance_ohm: float = quantity("ohm", "phase resistance at reference_temperature_degC", ge=0, le=1000)
    reference_temperature_degC: float = quantity(
        "degC", "temperature at which resistance and magnet flux are given", 25.0, ge=-60, le=300
    )
    winding_temperature_degC: float = quantity("degC", "temperature of the winding", 25.0, ge=-60, le=400)
    magnet_temperature_degC: float = quantity("degC", "temperature of the magnets", 25.0, ge=-60, le=400)
    magnet_temperature_coefficient_per_K: float = quantity(
        "per_K", "relative change of the magnet flux a kelvin", 0.0, ge=-0.01, le=0.01
    )
    max_current_A: float = quantity("A", "largest phase current (peak) the controller may ask for", gt=0, le=1e5)
    max_speed_rpm: float = quantity("rpm", "largest mechanical speed", gt=0, le=1e6)
    demagnetisation_current_A: float | None = quantity(
        "A", "d current against the magnets, a positive number, that begins to demagnetise them; absent: not known", None, gt=0,
        le=1e6,
    )
    iron_loss: IronLoss | None = word("hysteresis and eddy-current loss; absent: none", None)
    emf_harmonics: Annotated[tuple[EmfHarmonic, ...], Rows] = word("harmonics of the EMF", (), max_length=6)
    cogging: Annotated[tuple[CoggingHarmonic, ...], Rows] = word("cogging torque by order", (), max_length=6)
    heat: MachineHeat | None = word("heat in winding, iron and magnets; absent: temperatures stay as given", None)


class ConstantsMachine(MachineCommon):
    """Constant inductances and magnet flux linkage."""

    kind: Literal["constants"] = word("constant inductances and magnet flux")
    inductance_d_H: float = quantity("H", "inductance along the magnet axis", gt=0, le=100)
    inductance_q_H: float = quantity("H", "inductance across the magnet axis", gt=0, le=100)
    magnet_flux_Wb: float = quantity("Wb", "flux linkage of the magnets (phase, peak)", ge=0, le=100)
    data_sheet: DataSheet | None = word("the constants as a data sheet gives them; turned into the keys above", None)


class MapColumns(Table):
    """Names of the columns in the flux map file."""

    id_A: str = word("column of the d-axis current (A, peak)", "id_A", min_length=1)
    iq_A: str = word("column of the q-axis current (A, peak)", "iq_A", min_length=1)
    psi_d_Wb: str = word("column of the d-axis flux linkage (Wb)", "psi_d_Wb", min_length=1)
    psi_q_Wb: str = word("column of the q-axis flux linkage (Wb)", "psi_q_Wb", min_length=1)


class FluxMapFile(Table):
    """A flux map in a CSV file."""

    file: str = word(
        "CSV file, relative to the file that names it; ${NAME:-default} is read from the environment", min_length=1
    )
    columns: MapColumns = table("names of the columns", MapColumns)


class FluxMapMachine(MachineCommon):
    """Flux linkages read from a table over id and iq."""

    kind: Literal["flux_map"] = word("flux linkages from a table")
    flux_map: FluxMapFile = word("the table's file and columns")
    _map_data: object = PrivateAttr(default=None)

    @property
    def map_data(self):
        """The map that was read (simcore.scenario.fluxmap_csv.MapData)."""
        return self._map_data


MachineModel = Annotated[ConstantsMachine | FluxMapMachine, Field(discriminator="kind")]
