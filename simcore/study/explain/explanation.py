"""All that is said of a run, as data: limits, orders in steady windows, guesses."""

from dataclasses import dataclass, field

from simcore.measure.errors import MeasureError
from simcore.study.explain.causes import BY_KEY, CAUSES, causes_of
from simcore.study.explain.faults import other_faults
from simcore.study.explain.guess import MeasuredGuesses
from simcore.study.explain.limits import limit_spans, margin_words, reason
from simcore.study.explain.orders import order_content
from simcore.study.explain.truth import true_findings
from simcore.study.explain.windows import steady_windows


@dataclass(frozen=True)
class Explanation:
    """spans: limits that bound. windows: steady ones. contents: an OrderContent each. findings: of the last window, by what a
    simulation knows. guesses: from measured signals."""

    scenario: object
    spans: list
    windows: list = field(default_factory=list)
    contents: list = field(default_factory=list)
    findings: list = field(default_factory=list)
    guesses: MeasuredGuesses = MeasuredGuesses([])

    def switched_on(self):
        """=> [(Cause, value as text)] of the imperfections that the scenario gives."""
        return [(cause, told) for cause in CAUSES if (told := cause.switched_on(self.scenario))]


def explain_recording(recording, *, short=False):
    """(recording; short: the last steady window only and no guesses from measured signals) => Explanation."""
    scenario, spans = recording.scenario, limit_spans(recording)
    try:
        windows = steady_windows(recording)[-1 if short else 0 :]
    except MeasureError:
        windows = []
    if not windows:
        none = MeasuredGuesses([], "there is no steady window to guess from")
        return Explanation(scenario, spans, guesses=none)
    guesses = MeasuredGuesses([]) if short else _measured(recording, windows)
    contents = [order_content(recording, window) for window in windows]
    return Explanation(scenario, spans, windows, contents, true_findings(recording, windows[-1]), guesses)


def _measured(recording, windows):
    # What fits is not loaded for the few lines after a run.
    from simcore.study.explain.guesses import measured_guesses

    return measured_guesses(recording, windows)


def as_dict(told):
    """Explanation => plain values for JSON."""
    scenario = told.scenario
    return {
        "scenario": scenario.name,
        "limits": [
            {**vars(span), "why": reason(span, scenario), "margin": margin_words(span)} for span in told.spans
        ],
        "windows": [
            {
                "from_s": window.from_s, "to_s": window.to_s, "speed_rpm": window.speed_rpm,
                "electrical_Hz": window.electrical_Hz,
                "orders": [
                    {
                        "electrical": float(order), "mechanical": float(order * scenario.machine.pole_pairs),
                        "amplitudes": {name: float(value) for name, value in content.row(order).items()},
                        "causes": [cause.key for cause in causes_of(order, scenario)],
                    }
                    for order in content.seen
                ],
            }
            for window, content in zip(told.windows, told.contents, strict=True)
        ],
        "guesses_simulation": [
            {"cause": one.cause, "words": BY_KEY[one.cause].words, "size": one.size, "torque_ripple_Nm": one.ripple_Nm}
            for one in told.findings
        ],
        "guesses_measured": [
            {"cause": one.cause.key, "words": one.cause.words, "size": one.size, "explains": one.share,
             "or": one.twin.key if one.twin else None}
            for one in told.guesses.guesses
        ],
        "switched_on": {cause.key: value for cause, value in told.switched_on()},
        "faults": other_faults(scenario),
    }  # fmt: skip
