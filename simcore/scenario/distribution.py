"""How one value scatters: normal, uniform, or any of a list; read from { normal_percent = 2 } and the like."""

from dataclasses import dataclass
from statistics import NormalDist
from typing import Annotated

from pydantic import Field, model_validator

from simcore.scenario.fields import Rows, Table, quantity, refuse, word

FORMS = ("normal", "normal_percent", "uniform", "uniform_percent", "list")
TAIL = 1e-6  # a normal distribution is drawn up to this probability on either side, 4.75 sigma
Pair = Annotated[tuple[float, float], Rows]


class DistributionTable(Table):
    """One of the five forms; `within` cuts a normal distribution, as sorting parts does."""

    normal: float | None = quantity("as key", "standard deviation about the nominal value", None, gt=0)
    normal_percent: float | None = quantity("percent", "standard deviation in percent of the nominal", None, gt=0, le=1000)
    uniform: Pair | None = quantity("as key", "least and greatest value", None)
    uniform_percent: float | None = quantity("percent", "largest deviation in percent of the nominal", None, gt=0, le=1000)
    values: Annotated[tuple[float, ...], Rows] | None = Field(
        None, alias="list", description="values, all equally likely", json_schema_extra={"unit": "as key", "minItems": 1}
    )
    within: Pair | None = word("least and greatest value that a normal distribution is cut to", None)

    @model_validator(mode="after")
    def _one_form(self):
        given = [name for name in FORMS if getattr(self, "values" if name == "list" else name) is not None]
        if len(given) != 1:
            rule = f"holds {' and '.join(given)}" if given else "holds no distribution"
            raise refuse(rule, "Write one of { normal = 1.0 }, { normal_percent = 2 }, { uniform = [a, b] }, "
                               "{ uniform_percent = 3 } or { list = [a, b] }")  # fmt: skip
        if self.values == ():
            raise refuse("is empty", "Give one value or more, all equally likely", ("list",))
        if self.within is not None and not given[0].startswith("normal"):
            raise refuse("belongs to a normal distribution", "Leave it out", ("within",))
        for name in ("uniform", "within"):
            pair = getattr(self, name)
            if pair is not None and not pair[0] < pair[1]:
                raise refuse("must rise from the least to the greatest value", "Exchange the two values", (name,))
        return self


@dataclass(frozen=True)
class Distribution:
    """A distribution about a nominal value: at(share) is the value below which that share of all values lies."""

    nominal: float
    low: float
    high: float
    sigma: float | None = None
    values: tuple[float, ...] | None = None

    @property
    def text(self):
        """In words, for tables."""
        if self.values is not None:
            return f"one of {', '.join(f'{value:g}' for value in self.values)}"
        if self.sigma is None:
            return f"uniform, {self.low:g} to {self.high:g}"
        whole = self.high - self.low > 2.0 * 0.999 * _REACH * self.sigma
        return f"normal, sigma {self.sigma:g}" + ("" if whole else f", within {self.low:g} to {self.high:g}")

    @property
    def ends(self):
        """The values at the ends of what is drawn; all values of a list."""
        return self.values if self.values is not None else (self.low, self.high)

    def at(self, share):
        """(share of all values, 0 to 1) => value."""
        if self.values is not None:
            return self.values[min(int(share * len(self.values)), len(self.values) - 1)]
        if self.sigma is None:
            return self.low + share * (self.high - self.low)
        normal = NormalDist(self.nominal, self.sigma)
        below, above = normal.cdf(self.low), normal.cdf(self.high)
        return min(max(normal.inv_cdf(below + share * (above - below)), self.low), self.high)


_REACH = NormalDist().inv_cdf(1.0 - TAIL)


def distribution_of(given, nominal):
    """(DistributionTable, nominal value) => Distribution."""
    if given.values is not None:
        return Distribution(nominal, min(given.values), max(given.values), values=given.values)
    if given.uniform is not None:
        return Distribution(nominal, *given.uniform)
    if given.uniform_percent is not None:
        reach = abs(nominal) * given.uniform_percent / 100.0
        return Distribution(nominal, nominal - reach, nominal + reach)
    sigma = given.normal if given.normal is not None else abs(nominal) * given.normal_percent / 100.0
    low, high = nominal - _REACH * sigma, nominal + _REACH * sigma
    if given.within is not None:
        low, high = max(low, given.within[0]), min(high, given.within[1])
    return Distribution(nominal, low, high, sigma)
