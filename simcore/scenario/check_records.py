"""Expectations and scopes against the run."""

from simcore.scenario.check_timing import MOST_ROWS
from simcore.scenario.checking import needs, short, tick_of


@needs("expect", "run", "inverter")
def windows(report, expect, run, inverter):
    # The run is rounded to whole ticks, so a window may end half a tick later.
    end = run.duration_s + 0.5 * tick_of(inverter)
    for k, wanted in expect.items():
        for key in ("from_s", "to_s", "step_at_s"):
            value = getattr(wanted, key)
            beyond = value is not None and (value > end if key == "to_s" else value >= run.duration_s)
            if beyond:
                report.problem(
                    ("expect", k, key),
                    f"lies outside the run, which ends at {short(run.duration_s)} (s)",
                    "Move the window into the run, or raise run.duration_s",
                )
        if wanted.step_at_s is not None and wanted.to_s is not None and wanted.to_s <= wanted.step_at_s:
            report.problem(
                ("expect", k, "to_s"),
                f"must be later than step_at_s = {short(wanted.step_at_s)} (s)",
                "Widen the window",
            )
        if "band_percent" in wanted.model_fields_set and wanted.measure != "settling_time_s":
            report.finding(("expect", k, "band_percent"), f'has no effect on "{wanted.measure}", only on "settling_time_s"')


@needs("scope", "run", "inverter")
def scopes(report, scope, run, inverter):
    tick = tick_of(inverter)
    end = run.duration_s + 0.5 * tick
    for k, asked in scope.items():
        at = ("scope", k)
        if asked.to_s > end:
            report.problem(
                (*at, "to_s"),
                f"lies outside the run, which ends at {short(run.duration_s)} (s)",
                "Move the scope into the run, or raise run.duration_s",
            )
        if asked.step_s > tick:
            report.problem(
                (*at, "step_s"),
                f"must not be longer than a tick, {short(tick)} (s)",
                "Scopes look inside a tick; shorten it",
            )
        rows = (asked.to_s - asked.from_s) / asked.step_s
        if rows > MOST_ROWS:
            needed = short((asked.to_s - asked.from_s) / MOST_ROWS)
            report.problem(
                (*at, "step_s"),
                f"would write {rows:.3g} rows, more than {MOST_ROWS}",
                f"Set step_s = {needed} or more, or shorten the window",
            )
        if inverter.model == "averaged":
            report.finding(at, 'inverter.model = "averaged" has no ripple inside a tick; "switched" shows it')


CHECKS = (windows, scopes)
