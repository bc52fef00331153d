"""[machine]: a permanent-magnet machine with constant parameters or a flux map."""

from typing import Annotated, Literal

from pydantic import Field, PrivateAttr

from simcore.scenario.fields import Table, quantity, table, word


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


class ConstantsMachine(MachineCommon):
    """Constant inductances and magnet flux linkage."""

    kind: Literal["constants"] = word("constant inductances and magnet flux")
    inductance_d_H: float = quantity("H", "inductance along the magnet axis", gt=0, le=100)
    inductance_q_H: float = quantity("H", "inductance across the magnet axis", gt=0, le=100)
    magnet_flux_Wb: float = quantity("Wb", "flux linkage of the magnets (phase, peak)", ge=0, le=100)


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
