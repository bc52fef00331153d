"""[run], [[scope]]: how long, how finely, and what is recorded."""

from pydantic import model_validator

from simcore.scenario.fields import Table, quantity, refuse


class Run(Table):
    """Length, solver and recording."""

    duration_s: float = quantity("s", "length of the run, rounded to whole ticks", gt=0, le=1e6)
    record_every: int | None = quantity(
        "", "ticks between rows of the recording; by default as few as keep it below 200 000 rows", None, ge=1, le=10**9
    )
    substeps: int = quantity("", "RK4 steps a tick; switched: at least one an interval", 2, ge=1, le=1000)
    seed: int = quantity("", "seed of all noise", 1, ge=0, le=2**63 - 1)


class Scope(Table):
    """Waveforms inside the periods."""

    from_s: float = quantity("s", "begin", ge=0, le=1e6)
    to_s: float = quantity("s", "end", gt=0, le=1e6)
    step_s: float = quantity("s", "time between samples", gt=0, le=1)

    @model_validator(mode="after")
    def _in_order(self):
        if self.to_s <= self.from_s:
            raise refuse(f"must be later than from_s = {self.from_s:g} (s)", "Exchange them or widen the window", ("to_s",))
        return self
