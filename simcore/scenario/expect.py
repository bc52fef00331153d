"""[[expect]]: a measure of a signal and its limit."""

from pydantic import Field, field_validator, model_validator

from simcore.scenario.errors import did_you_mean, one_of
from simcore.scenario.fields import Table, quantity, refuse, word
from simcore.scenario.signals import CODES, KEYS_OF_MEASURES, MEASURES, OWN_PREFIX, SIGNALS, STEP_MEASURES


class Expectation(Table):
    """What the run must show."""

    signal: str = word("name of a recorded signal", examples=["torque_Nm"])
    measure: str = word("how a number is made of it", examples=list(MEASURES))
    from_s: float | None = quantity("s", "begin of the window; absent: the start", None, ge=0, le=1e6)
    to_s: float | None = quantity("s", "end of the window, not part of it; absent: the end", None, gt=0, le=1e6)
    step_at_s: float | None = quantity("s", "time of the step, for step measures", None, ge=0, le=1e6)
    band_percent: float = quantity("percent", "band of settling_time_s, in percent of the step", 2.0, gt=0, le=100)
    order: float | None = quantity("", "order of harmonic_amplitude, of the electrical frequency", None, ge=0, le=1e5)
    fundamental_Hz: float | None = quantity("Hz", "fundamental, needed where the electrical speed is zero", None, gt=0, le=1e9)
    min: float | None = quantity("as signal", "smallest value allowed", None)
    max: float | None = quantity("as signal", "largest value allowed", None)
    equal: float | None = quantity("as signal", "value wanted, with tolerance", None)
    tolerance: float | None = Field(
        None,
        ge=0,
        description="largest distance from equal; codes (binding_limit, state, tripped_by) need none",
        json_schema_extra={"unit": "as signal"},
    )

    @field_validator("signal")
    @classmethod
    def _known_signal(cls, name):
        if name not in SIGNALS and not (name.startswith(OWN_PREFIX) and len(name) > len(OWN_PREFIX)):
            raise refuse("unknown signal", did_you_mean(name, SIGNALS, f"Known are {', '.join(SIGNALS)}"))
        return name

    @field_validator("measure")
    @classmethod
    def _known_measure(cls, name):
        if name not in MEASURES:
            raise refuse("unknown measure", did_you_mean(name, MEASURES, f"Known are {one_of(MEASURES)}"))
        return name

    @model_validator(mode="after")
    def _complete(self):
        if self.equal is None and self.min is None and self.max is None:
            raise refuse("has no limit", "Add min, max, or equal with tolerance")
        if self.equal is not None and (self.min is not None or self.max is not None):
            raise refuse("stands together with min or max", "Keep either equal with tolerance, or min and max", ("equal",))
        if self.equal is not None and self.tolerance is None and self.signal not in CODES:
            raise refuse("has no tolerance", "Add tolerance = ... in the signal's unit", ("equal",))
        if self.equal is None and self.tolerance is not None:
            raise refuse("belongs to equal, which is not given", "Add equal, or remove tolerance", ("tolerance",))
        if self.min is not None and self.max is not None and self.min > self.max:
            raise refuse(f"is above max = {self.max:g}, so that nothing passes", "Exchange min and max", ("min",))
        if self.measure in STEP_MEASURES and self.step_at_s is None:
            raise refuse(f"{self.measure} needs the time of the step", "Add step_at_s = ... (s)", ("measure",))
        if self.measure == "harmonic_amplitude" and self.order is None:
            raise refuse("harmonic_amplitude needs an order", "Add order = ..., of the electrical frequency", ("measure",))
        for key, measures in KEYS_OF_MEASURES.items():
            if getattr(self, key) is not None and self.measure not in measures:
                raise refuse(f"does not belong to {self.measure}, only to {one_of(measures)}", "Leave it out", (key,))
        if self.from_s is not None and self.to_s is not None and self.to_s <= self.from_s:
            raise refuse(f"must be later than from_s = {self.from_s:g} (s)", "Exchange them or widen the window", ("to_s",))
        return self
