"""[inverter.heat] and [machine.heat]: where losses raise temperatures."""

from typing import Annotated, Any, Literal

from pydantic import Field, PlainValidator, WithJsonSchema, model_validator

from simcore.scenario.errors import did_you_mean
from simcore.scenario.fields import Table, finite, quantity, refuse, word
from simcore.scenario.thermal import Network

DERATE_K = 15.0  # by default torque falls this far below a limit


def _read_initial(raw: Any) -> str | float:
    """(value of the key) => "coolant", "steady" or the junctions' temperature [degC]."""
    words = ("coolant", "steady")
    if raw in words:
        return raw
    if isinstance(raw, str) or not finite(raw):
        remedy = did_you_mean(raw, words, 'Write initial = "coolant", or initial = 80.0')
        raise refuse('must be "coolant", "steady" or a junction temperature (degC)', remedy)
    if not -60.0 <= raw <= 400.0:
        raise refuse("must be from -60 to 400 (degC)", "Give the junction temperature at the start")
    return float(raw)


Initial = Annotated[
    str | float,
    PlainValidator(_read_initial),
    WithJsonSchema({"anyOf": [{"enum": ["coolant", "steady"]}, {"type": "number"}]}),
]


class SinkFlow(Table):
    """Coolant flow: the resistance of the sink's last stage x (reference / flow) ^ exponent."""

    flow_l_per_min: float = quantity("l_per_min", "coolant flow", gt=0, le=1e4)
    reference_flow_l_per_min: float = quantity("l_per_min", "flow at which the sink's network is given", gt=0, le=1e4)
    exponent: float = quantity("", "power of the flow; 0.8 for turbulent flow in a channel", 0.8, ge=0, le=2)

    @property
    def factor(self) -> float:
        """Of the last stage's resistance."""
        return (self.reference_flow_l_per_min / self.flow_l_per_min) ** self.exponent


class InverterHeat(Table):
    """Junctions over their base, and the path that all devices share."""

    coolant_degC: float = quantity("degC", "temperature of the coolant", ge=-60, le=200)
    switch: Network = word("from each switch's junction to the base")
    diode: Network | None = word("the same of each diode; absent: its loss heats the switch's chip (body diode)", None)
    sink: Network | None = word("from the base of all devices to the coolant; absent: bases at the coolant's", None)
    sink_flow: SinkFlow | None = word("flow on which the sink's last stage depends", None)
    ticks_per_step: int = quantity("", "ticks between two steps of the temperatures", 1, ge=1, le=100_000)
    initial: Initial = word('"coolant", "steady" (computed) or the junctions\' temperature', "coolant")
    derate_from_degC: float | None = quantity(
        "degC", f"junction from which torque is reduced; by default {DERATE_K:g} K below the limit", None, ge=-60, le=400
    )

    @property
    def sink_at_flow(self) -> tuple[tuple[float, float], ...]:
        """The sink's Cauer stages [J/K, K/W] at the flow given; () without a sink."""
        if self.sink is None:
            return ()
        *first, (capacity, resistance) = self.sink.cauer
        return (*first, (capacity, resistance * (self.sink_flow.factor if self.sink_flow is not None else 1.0)))

    @model_validator(mode="after")
    def _flow_of_a_sink(self):
        if self.sink_flow is not None and self.sink is None:
            raise refuse("changes a sink that is not given", "Give sink = { cauer = [[J/K, K/W], ...] }", ("sink_flow",))
        return self


def _derate(limit):
    return Field(
        default_factory=lambda seen: seen[limit] - DERATE_K,
        description=f"temperature from which torque is reduced; by default {DERATE_K:g} K below {limit}",
        json_schema_extra={"unit": "degC"},
        ge=-60,
        le=400,
    )


class MachineHeat(Table):
    """Winding, iron and magnets: three heat capacities in a row to the coolant, the magnets beside the iron."""

    winding_J_per_K: float = quantity("J_per_K", "heat capacity of the winding", gt=0, le=1e8)
    iron_J_per_K: float = quantity("J_per_K", "heat capacity of the stator iron", gt=0, le=1e8)
    magnet_J_per_K: float = quantity("J_per_K", "heat capacity of magnets and rotor", gt=0, le=1e8)
    winding_to_iron_K_per_W: float = quantity("K_per_W", "thermal resistance", gt=0, le=1e4)
    iron_to_coolant_K_per_W: float = quantity("K_per_W", "thermal resistance", gt=0, le=1e4)
    magnet_to_iron_K_per_W: float = quantity("K_per_W", "thermal resistance", gt=0, le=1e4)
    coolant_degC: float = quantity("degC", "temperature of the coolant or the ambient", ge=-60, le=200)
    magnet_share: float = quantity("", "share of the iron loss that arises at the magnets", 0.0, ge=0, le=1)
    ticks_per_step: int = quantity("", "ticks between two steps of the temperatures", 10, ge=1, le=1_000_000)
    initial: Literal["given", "coolant", "steady"] = word(
        '"given": winding_temperature_degC and magnet_temperature_degC of [machine]; "coolant"; "steady" (computed)', "given"
    )
    max_winding_degC: float = quantity("degC", "highest winding temperature", 180.0, ge=-60, le=400)
    max_magnet_degC: float = quantity("degC", "highest magnet temperature", 150.0, ge=-60, le=400)
    derate_from_winding_degC: float = _derate("max_winding_degC")
    derate_from_magnet_degC: float = _derate("max_magnet_degC")

    @property
    def shortest_s(self) -> float:
        """Shortest time constant of a node on its own [s]: heat capacity over all that leads away from it."""
        winding, magnet = 1.0 / self.winding_to_iron_K_per_W, 1.0 / self.magnet_to_iron_K_per_W
        iron = winding + magnet + 1.0 / self.iron_to_coolant_K_per_W
        nodes = ((self.winding_J_per_K, winding), (self.iron_J_per_K, iron), (self.magnet_J_per_K, magnet))
        return min(capacity / conductance for capacity, conductance in nodes)
