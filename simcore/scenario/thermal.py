"""A thermal network as data sheets give it, Foster or Cauer, each turned into the other."""

import itertools
from typing import Annotated, Any

from pydantic import PlainValidator, WithJsonSchema, model_validator

from simcore.scenario.errors import show
from simcore.scenario.fields import Table, quantity, refuse
from simcore.scenario.profile import number_pairs

MOST_STAGES = 6
_ALIKE = 1e-3
_EXAMPLES = {
    "foster": "Write it as [[0.02, 1e-3], [0.08, 0.05]], K/W and s a stage",
    "cauer": "Write it as [[0.05, 0.02], [1.2, 0.08]], J/K and K/W a stage, from the junction",
}


def _reader(form, first, second):
    def read(raw: Any) -> tuple[tuple[float, float], ...]:
        """[[a, b], ...] => pairs of floats above 0, at most six."""
        if raw == ():
            return ()
        pairs = number_pairs(raw, first, second, _EXAMPLES[form])
        if len(pairs) > MOST_STAGES:
            raise refuse(f"has {len(pairs)} stages, more than {MOST_STAGES}", "Fit the curve with fewer")
        for k, stage in enumerate(pairs):
            for name, number in zip((first, second), stage, strict=True):
                if not 1e-9 <= number <= 1e9:
                    raise refuse(f"stage {k}: {name} {show(number)} must be above 0, from 1e-9 to 1e9", _EXAMPLES[form])
        return tuple(pairs)

    return read


_SCHEMA = WithJsonSchema(
    {
        "type": "array",
        "maxItems": MOST_STAGES,
        "items": {"type": "array", "items": {"type": "number", "exclusiveMinimum": 0}, "minItems": 2, "maxItems": 2},
    }
)
Foster = Annotated[tuple[tuple[float, float], ...], PlainValidator(_reader("foster", "K/W", "s")), _SCHEMA]
Cauer = Annotated[tuple[tuple[float, float], ...], PlainValidator(_reader("cauer", "J/K", "K/W")), _SCHEMA]


class Network(Table):
    """From the losses to the base. One of both forms is given; the other is computed from it."""

    foster: Foster = quantity("", "stages [[K/W, s], ...], resistance and time constant", ())
    cauer: Cauer = quantity("", "stages [[J/K, K/W], ...] from the junction to the base", ())

    @model_validator(mode="after")
    def _both_forms(self):
        if self.foster and self.cauer:
            raise refuse("gives foster and cauer as well", "Give one of both; the other follows from it")
        if not self.foster and not self.cauer:
            raise refuse("gives neither foster nor cauer", _EXAMPLES["foster"].replace("Write it as", "Write foster ="))
        taus = sorted(tau for _, tau in self.foster)
        for shorter, longer in itertools.pairwise(taus):
            if longer < shorter * (1.0 + _ALIKE):
                rule = f"two stages have the time constant {show(shorter)} (s); they are one"
                raise refuse(rule, "Add their resistances in one stage", ("foster",))
        from simcore.plant.thermal_network import cauer_to_foster, foster_to_cauer

        if self.foster:
            self.__dict__["cauer"] = foster_to_cauer(self.foster)
        else:
            self.__dict__["foster"] = cauer_to_foster(self.cauer)
        return self

    @property
    def resistance_K_per_W(self) -> float:
        """Rise a watt in the end [K/W]."""
        return sum(resistance for resistance, _ in self.foster)

    @property
    def shortest_s(self) -> float:
        """Shortest time constant [s]."""
        return min(tau for _, tau in self.foster)
