"""[[fault]]: what breaks on purpose, when, and for how long. One model a kind; several faults may act at once."""

from typing import Annotated, ClassVar, Union

from pydantic import Field, model_validator

from simcore.scenario.fields import Table, quantity, refuse


class Fault(Table):
    """A fault at one moment, or from then on to the end of the run."""

    at_s: float = quantity("s", "begin; acts from the first control update at or after it", ge=0, le=1e6)

    caution: ClassVar[str] = ""
    momentary: ClassVar[bool] = False  # it happens at one update

    @property
    def own_keys(self):
        """Names of the keys that say what breaks and how far."""
        return [name for name in type(self).model_fields if name not in ("kind", "at_s", "until_s", "on_s", "off_s")]

    @property
    def title(self):
        """The fault in words, `current_sensor_offset (phase = a, value_A = 5)`."""
        told = [f"{name} = {_told(getattr(self, name))}" for name in self.own_keys if getattr(self, name) is not None]
        return f"{self.kind} ({', '.join(told)})" if told else self.kind

    @property
    def span_s(self):
        """Begin and end of the whole fault [s]; the end is infinite where none is given."""
        until = getattr(self, "until_s", None)
        return self.at_s, float("inf") if until is None else until


class Lasting(Fault):
    """A fault that may end, and come and go."""

    until_s: float | None = quantity("s", "end; absent: the end of the run", None, gt=0, le=1e6)
    on_s: float | None = quantity("s", "intermittent: how long it lasts each time", None, gt=0, le=1e6)
    off_s: float | None = quantity("s", "intermittent: how long it stays away in between", None, gt=0, le=1e6)

    @model_validator(mode="after")
    def _in_order(self):
        if self.until_s is not None and self.until_s <= self.at_s:
            raise refuse(f"must be later than at_s = {self.at_s:g} (s)", "Exchange them, or leave until_s out", ("until_s",))
        if (self.on_s is None) != (self.off_s is None):
            given, other = ("off_s", "on_s") if self.on_s is None else ("on_s", "off_s")
            raise refuse("stands alone; an intermittent fault needs on_s and off_s (s)", f"Add {other}", (given,))
        if self.on_s is not None and self.until_s is not None and self.on_s >= (self.until_s - self.at_s) * (1.0 - 1e-9):
            rule = f"is no shorter than the fault itself, {self.until_s - self.at_s:g} s, so that it never goes off (s)"
            raise refuse(rule, "Shorten on_s, or leave on_s and off_s out", ("on_s",))
        return self


def _told(value):
    return f"{value:g}" if isinstance(value, float) else str(value)


def fault_union(*kinds):
    """Models => the annotation of one entry of [[fault]]."""
    return Annotated[Union[kinds], Field(discriminator="kind")]  # noqa: UP007
