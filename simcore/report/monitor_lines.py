"""What the monitor noted, in lines for the terminal."""

import math

from simcore.report.wording import code_text, number

CAUTION = (
    "Gates off corresponds to STO of IEC 61800-5-2; an active short circuit is not STO, its braking torque remains. Nothing "
    "here is certified: limits, debounce and reactions belong into your functional-safety process, and the times against the "
    "fault-tolerant time interval (ISO 26262) of each hazard."
)


def monitor_lines(log):
    """(log of loop/monitor_log.py) => lines; none where no monitor ran."""
    if not log:
        return []
    count = log["checks"]
    if not log["trips"]:
        return [f"Monitor: {count} check{'s' * (count > 1)}, none tripped."]
    lines = [f"Monitor: {len(log['trips'])} of {count} checks tripped"]
    lines += [f"  {trip_text(trip)}" for trip in log["trips"]]
    lines += [f"  {text}" for text in (_states(log), _current(log), _restarts(log)) if text]
    return [*lines, f"  {CAUTION}"]


def trip_text(trip):
    """(trip) => check, instant, value, limit and reaction in words."""
    unit = trip.get("unit", "")
    again = f", {trip['count']} times in all" if trip["count"] > 1 else ""
    return (
        f"{code_text(trip['check'])} at {number(trip['at_s'], 's')}: {number(trip['value'], unit, 4)}, limit "
        f"{number(trip['limit'], unit, 4)}{again}; reaction {code_text(trip['reaction'])}"
    )


def _states(log):
    if not log["states"]:
        return ""
    told = [f"{code_text(state['state'])} from {number(state['at_s'], 's')}" for state in log["states"][:6]]
    more = len(log["states"]) - 6 + log["states_not_kept"]
    return f"States: {', '.join(told)}{f', and {more} changes more' if more > 0 else ''}."


def _current(log):
    least, limit = log["id_min_in_safe_state_A"], log["demagnetisation_limit_A"]
    if not math.isfinite(least):
        return ""
    text = f"Most negative d current in the safe state: {number(least, 'A', 4)}"
    text += f" at {number(log['id_min_at_s'], 's')}" if math.isfinite(log["id_min_at_s"]) else ""
    if not math.isfinite(limit):
        return f"{text}; machine.demagnetisation_current_A is not given."
    verdict = "within" if least >= limit else "BEYOND"
    return f"{text}, {verdict} the part's demagnetisation limit of {number(limit, 'A', 4)}."


def _restarts(log):
    count = log["restarts"]
    return f"The drive came back {'once' if count == 1 else f'{count} times'}." if count else ""
