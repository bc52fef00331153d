"""[baseline]: what a regression test of the scenario compares, and how closely."""

from typing import Annotated

from pydantic import field_validator

from simcore.scenario.errors import did_you_mean
from simcore.scenario.fields import Rows, Table, quantity, refuse, word
from simcore.scenario.signals import CODES, OWN_PREFIX, SIGNALS

DEFAULT_SIGNALS = ("torque_Nm", "speed_rpm", "id_A", "iq_A", "link_voltage_V", "voltage_margin_V")


class Baseline(Table):
    """Signals of the fingerprint and the tolerance that a new baseline is written with."""

    signals: Annotated[tuple[str, ...], Rows] = word(
        "signals whose course is kept, besides the measures of [[expect]]", DEFAULT_SIGNALS, examples=[["torque_Nm", "iq_A"]]
    )
    tolerance: float = quantity("", "of the largest value of the measure or signal; 1e-6 is a millionth", 1e-6, ge=0, le=1)
    stretches: int = quantity("", "parts of the run of which least and greatest values are kept", 50, ge=1, le=1000)

    @field_validator("signals")
    @classmethod
    def _known_signals(cls, names):
        for name in names:
            own = name.startswith(OWN_PREFIX) and len(name) > len(OWN_PREFIX)
            if name in CODES or (name not in SIGNALS and not own):
                known = [signal for signal in SIGNALS if signal not in CODES]
                raise refuse(f'"{name}" is no signal of numbers', did_you_mean(name, known, f"Known are {', '.join(known)}"))
        if len(set(names)) < len(names):
            raise refuse("names a signal twice", "Name each once")
        return names
