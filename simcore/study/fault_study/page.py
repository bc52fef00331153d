"""faults.html: one page that can go into a file as what it is, results of a simulation."""

import html

from simcore.report.results import drybench_version
from simcore.report.wording import CAUTION
from simcore.scenario.safety_limits import limits
from simcore.study.fault_study.case import BRIEF_s
from simcore.study.fault_study.job import HEALTHY, AFTER_s
from simcore.study.fault_study.rows import SAFETY_CAUTION, energy_rows, points_line, vehicle_rows, worst_rows
from simcore.study.fault_study.safe_states import sentences

_STYLE = (
    "body{font:14px sans-serif;margin:2em;max-width:90em}table{border-collapse:collapse}"
    "td,th{padding:2px 8px;border:1px solid #999}img{max-width:100%}"
)


def _text(value):
    return html.escape(f"{value:.5g}" if isinstance(value, float) else str(value))


def _table(head, rows):
    lines = ["".join(f"<th>{_text(cell)}</th>" for cell in head)]
    lines += ["".join(f"<td>{'-' if cell != cell else _text(cell)}</td>" for cell in row) for row in rows]
    return "<table>" + "".join(f"<tr>{line}</tr>" for line in lines) + "</table>"


def page(found, pictures=()):
    """(FaultStudy, names of pictures beside the page) => HTML: result, faults, monitor, misses, safe states, cautions."""
    title = f"Faults of {found.scenario.title or found.scenario.name}"
    parts = [f"<h1>{_text(title)}</h1>", f"<p>{_text(SAFETY_CAUTION)} {_text(CAUTION)}</p>", *_result(found), *_faults(found)]
    parts += [*_vehicle(found), *_coverage(found), *_monitor(found), *_safe_states(found)]
    parts += [f'<p><img src="{name}" alt="{name}"></p>' for name in pictures]
    parts += [f"<p>{_text(sentence)}</p>" for sentence in found.told]
    parts.append(f"<p>drybench {_text(drybench_version())}, {_text(found.list.name)}</p>")
    return f'<!doctype html><meta charset="utf-8"><title>{_text(title)}</title><style>{_STYLE}</style>{"".join(parts)}\n'


def _result(found):
    covered, total = found.covered
    yield (
        f"<p>{covered} of {total} faults are noticed within their tolerance time at every operating point; "
        f"{len(found.false_alarms)} false alarms in {len(found.healthy)} healthy runs.</p>"
    )
    yield f"<p>{_text(points_line(found))}</p>"
    yield "<h2>Not in time, with the reason</h2>"
    yield _table(("fault", "speed, rpm", "torque, Nm", "link, V", "why"), found.missed)
    if found.false_alarms:
        yield "<h2>False alarms</h2>"
        rows = [(*point.values[1:4], point.noticed_by, point.error) for point in found.false_alarms]
        yield _table(("speed, rpm", "torque, Nm", "link, V", "check", "broken off"), rows)


def _faults(found):
    yield "<h2>Faults with the monitor, worst operating point each</h2>"
    head = ("fault", "noticed by", "slowest notice, ms", "slowest safe state, ms", "allowed, ms", "peak current, A")
    yield _table((*head, "torque, Nm", "torque impulse, Nm s", "link, V", "least id, A"), worst_rows(found))
    head = ("fault", "peak current, A", "torque, Nm", "torque impulse, Nm s", "link, V", "least id, A", "into the link, J")
    head += ("into chopper or link short, J", "junction, degC", "winding, degC")
    for monitored in (True, False):
        yield f"<h2>Energy and temperatures {'with' if monitored else 'without'} the monitor</h2>"
        yield _table(head, energy_rows(found, monitored))
    if found.broken_off:
        yield "<h2>Runs that broke off, or whose link was empty</h2>"
        rows = [
            (found.case(point).name, *point.values[1:4], "yes" if point.monitored else "no", point.error)
            for point in found.broken_off
        ]
        yield _table(("fault", "speed, rpm", "torque, Nm", "link, V", "monitor", "why, or when"), rows)
        yield "<p>Of a solution that diverged no numbers are kept but the times.</p>"
    yield f"<p>Without monitor, shorts through the power stage are looked at for {1e3 * BRIEF_s:g} ms.</p>"


def _vehicle(found):
    rows = vehicle_rows(found)
    if not rows:
        return
    load = found.scenario.load
    yield "<h2>What the vehicle feels</h2>"
    yield (
        f"<p>{load.mass_kg:.5g} kg behind a gear of {load.gear_ratio:.4g} on wheels of {load.wheel_radius_m:.4g} m. Impulse: "
        "the torque that was not there before the fault, over gear and wheel, until the end of the run, "
        f"{1e3 * AFTER_s:g} ms beyond the time allowed; it holds the torque that a safe state no longer gives. Speed: how far "
        "it has left the straight line it was on. Wheel slip is left out.</p>"
    )
    yield _table(("fault", "impulse, N s", "speed, km/h", "impulse without monitor, N s", "speed without monitor, km/h"), rows)


def _coverage(found):
    checks = sorted({check for _, check in found.coverage})
    names = [case.name for case in found.list.cases if any(found.case(point) is case for point in found.monitored)]
    yield "<h2>First to notice, per cent of the operating points</h2>"
    shares = [[round(100.0 * found.coverage.get((name, check), 0.0)) for check in checks] for name in names]
    rows = [(name, *(share or "" for share in line)) for name, line in zip(names, shares, strict=True)]
    yield _table(("fault", *checks), rows)


def _monitor(found):
    """What the monitor was set to: limits that follow from ratings stand as numbers."""
    point = found.places.points[0]
    scenario = found.job.at(0, (HEALTHY, *point, 1, 0))
    tables = (scenario.safety, scenario.machine, scenario.inverter, scenario.supply, scenario.sensors)
    rows = []
    for name, (limit, _) in limits(*tables).items():
        check = scenario.safety.check(name)
        rows.append((name, limit, 1e3 * getattr(check, "debounce_s", 0.0), check.reaction))
    choice = scenario.safety.safe_state
    yield "<h2>The monitor</h2>"
    yield _table(("check", "limit, in the unit of its key", "debounce, ms", "reaction"), rows)
    yield (
        f"<p>Safe state by speed: active short circuit above {choice.active_short_above_rpm:.5g} rpm, gates off below "
        f"{choice.gates_off_below_rpm:.5g} rpm, between both what held before.</p>"
    )


def _safe_states(found):
    rows = [
        (point.values[1], reaction.replace("_", " "), point.values[3], point.torque_after_Nm, point.peak_current_A,
         point.id_min_A, point.link_voltage_max_V)
        for reaction, points in found.safe.items() for point in points
    ]  # fmt: skip
    yield "<h2>Safe states over speed</h2>"
    yield from (f"<p>{_text(sentence)}</p>" for sentence in sentences(found))
    head = ("speed, rpm", "safe state", "link before, V", "torque after, Nm", "peak current, A", "least id, A")
    yield _table((*head, "highest link, V"), sorted(rows))
