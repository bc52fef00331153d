"""[supply]: what feeds the link."""

from typing import Literal

from simcore.scenario.fields import Table, quantity, word


class SourceSupply(Table):
    """A voltage source behind resistance and inductance. Both zero: the link stands stiff at the source's voltage."""

    name: str = word("name for tables and figures", "")
    kind: Literal["source"] = word("a constant voltage behind resistance and inductance", "source")
    voltage_V: float = quantity("V", "source voltage", gt=0, le=1e5)
    resistance_ohm: float = quantity("ohm", "resistance between source and link", 0.0, ge=0, le=1e4)
    inductance_H: float = quantity("H", "inductance between source and link", 0.0, ge=0, le=10)
