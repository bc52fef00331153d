"""What the monitor noted in a run: trips, states, the deepest d current in a safe state, and which check at each row."""

import math

import numpy as np

from simcore.safety.monitor_records import CHECKS, EVENTS, IN_GATES_OFF, IN_SHORT_LOW, REACTIONS, STATES
from simcore.scenario.safety_limits import threshold_key

TRIPPED_NAMES = {0: "none", **{index + 1: name for index, name in enumerate(CHECKS)}}
STATE_NAMES = dict(enumerate(STATES))


def monitor_log(scenario, params, state):
    """(scenario, BENCH array of one, state record) => dict for metrics.json, None where no monitor ran.

    checks: number; trips: check, at_s, value, limit, unit, reaction, count; states: at_s, state, check; restarts; least d
    current and largest current vector [A] since the first safe state, with the part's limit.
    """
    if scenario.safety is None:
        return None
    safety, monitor, tick_s = params[0]["safety"], state["monitor"], scenario.tick_s
    trips = []
    for index, name in enumerate(CHECKS):
        memory, check = monitor["checks"][index], safety["checks"][index]
        if memory["tick"] >= 0:
            trips.append({
                "check": name, "at_s": float(memory["tick"] * tick_s), "value": float(memory["value"]),
                "limit": float(check["limit"]), "unit": unit_of(scenario.safety.check(name)),
                "reaction": REACTIONS[check["reaction"]], "count": int(memory["trips"]),
            })  # fmt: skip
    found = events(monitor)
    states = [
        {"at_s": float(tick * tick_s), "state": STATES[code], "check": TRIPPED_NAMES[by]} for tick, code, by in found
    ]
    safe = any(code == IN_GATES_OFF or code >= IN_SHORT_LOW for _, code, _ in found)
    limit_A = getattr(scenario.machine, "demagnetisation_current_A", None)
    return {
        "checks": int(safety["checks"]["on"].sum()),
        "trips": sorted(trips, key=lambda trip: trip["at_s"]),
        "states": states,
        "states_not_kept": max(0, int(monitor["event_count"]) - EVENTS),
        "restarts": int(monitor["restarts"]),
        "id_min_in_safe_state_A": float(monitor["least_id_A"]) if safe else math.nan,
        "id_min_at_s": float(monitor["least_id_tick"] * tick_s) if monitor["least_id_tick"] >= 0 else math.nan,
        "current_max_in_safe_state_A": float(monitor["largest_A"]) if safe else math.nan,
        "demagnetisation_limit_A": math.nan if limit_A is None else -limit_A,
    }


def unit_of(check):
    """(a check's table) => unit of its threshold, "" for a pure number."""
    unit = threshold_key(check).removeprefix("threshold_").removeprefix("high").strip("_").replace("_", " ")
    return "of full scale" if unit == "full scale" else unit


def events(monitor):
    """(monitor's state) => [(tick, state, check + 1), ...] of every change, in order."""
    count = min(int(monitor["event_count"]), EVENTS)
    return [(int(e["tick"]), int(e["state"]), int(e["by"])) for e in monitor["events"][:count]]


def stepped(found, ticks, which):
    """(events, ticks of the rows, 1: state, 2: check) => the code in force at each row, float64 (rows,)."""
    at = np.array([event[0] for event in found], dtype=np.int64)
    codes = np.array([0, *(event[which] for event in found)], dtype=np.float64)
    return codes[np.searchsorted(at, ticks, side="right")]
