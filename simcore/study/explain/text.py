"""An explanation in the terminal: limits, a table of orders, how their causes scale, first guesses."""

import math

from simcore.measure.limits import limits_reported, lowest_voltage_margin, negative_margin_share
from simcore.report.tables import columns, say
from simcore.report.wording import NOT_REPORTED, code_text, margin_text, number, share_text
from simcore.study.explain.causes import BY_KEY, causes_of
from simcore.study.explain.faults import other_faults
from simcore.study.explain.limits import margin_words, reason
from simcore.study.explain.orders import SIGNALS

_LISTED_SPANS, _LISTED_ORDERS, _LISTED_GUESSES = 3, 10, 3
_HEADS = ("id A", "iq A", "torque Nm", "speed rpm", "angle error deg")
_SHORT = dict(zip(SIGNALS, _HEADS, strict=True))


def print_explanation(told, recording, console):
    """(Explanation, its recording, rich Console) => None."""
    say(console, f"{told.scenario.name}: where it was limited, and what its ripple says", style="bold")
    console.print()
    for title, lines in (
        ("Limits", limit_lines(told, recording)),
        *((window_title(w), order_lines(told, content)) for w, content in zip(told.windows, told.contents, strict=True)),
        ("How these causes scale", scale_lines(told)),
        ("First guess, by what only a simulation knows (true beside measured signals)", finding_lines(told)),
        ("First guess from measured currents, angle, link voltage and duties alone", guess_lines(told)),
        ("Switched on in the scenario", switched_on_lines(told)),
    ):
        if lines:
            say(console, title, style="bold")
            for line in lines:
                say(console, line, hanging=4)
            console.print()


def print_short(told, recording, console, folder):
    """(Explanation without the measured guesses, its recording, rich Console, result folder) => None. For the end of a run."""
    lines = short_lines(told, recording)
    if lines:
        for line in lines:
            say(console, line)
        say(console, f"More on limits and ripple: drybench explain {folder}")


def short_lines(told, recording):
    """=> lines: when limits bound, the torque's strongest orders in the last steady window, what likely makes them."""
    lines = []
    if told.spans and limits_reported(recording):
        longest = sorted(sorted(told.spans, key=lambda span: -span.length_s)[:_LISTED_SPANS], key=lambda span: span.from_s)
        when = [f"{code_text(s.name)} {number(s.from_s, 's', 4)} to {number(s.to_s, 's', 4)}" for s in longest]
        more = f" and {len(told.spans) - len(longest)} shorter" if len(told.spans) > len(longest) else ""
        lines.append(f"Limits bound: {', '.join(when)}{more}.")
    if told.windows:
        window, content = told.windows[-1], told.contents[-1]
        rows = [(content.row(order).get("torque_Nm", 0.0), order) for order in content.seen]
        strongest = sorted((row for row in rows if row[0] > 0.0), reverse=True)[:_LISTED_SPANS]
        ripple = ", ".join(f"{order} ({number(float(value), 'Nm', 2)})" for value, order in strongest)
        steady = f"Torque ripple, steady at {number(window.speed_rpm, 'rpm', 4)}: "
        steady += f"electrical order {ripple}" if ripple else "no order above noise"
        lines.append(f"{steady}{_likely_words(told, [order for _, order in strongest])}.")
    return lines


def _likely_words(told, strongest):
    """The first findings; where rows are too wide to look at the power stage, what of it is switched on instead."""
    found = [f"{BY_KEY[one.cause].words} ({one.size})" for one in told.findings[:2]]
    words = f"; likely {', '.join(found)}" if found else ""
    if told.scenario.record_every == 1 or not strongest:
        return words
    seen = {one.cause for one in told.findings}
    causes = [c for c in causes_of(strongest[0], told.scenario) if c.switched_on(told.scenario) and c.key not in seen]
    return f"{words}; order {strongest[0]} may be {' or '.join(c.words for c in causes)}" if causes else words


def limit_lines(told, recording):
    """Each limit that bound: share of the run, its longest spans, why, and the margin."""
    if not limits_reported(recording):
        return [f"  {NOT_REPORTED}"]
    if not told.spans:
        margin = margin_text(*lowest_voltage_margin(recording), negative_margin_share(recording))
        return [f"  None bound{f'; {margin}' if margin else ''}."]
    whole = max(float(recording.time_s[-1] - recording.time_s[0]) + recording.row_s, 1e-300)
    lines = []
    for name in dict.fromkeys(span.name for span in told.spans):
        spans = [span for span in told.spans if span.name == name]
        total = sum(span.length_s for span in spans)
        lines.append(f"  {code_text(name)}: {number(total, 's', 3)} in all, {share_text(total / whole)} of the run")
        longest = sorted(sorted(spans, key=lambda span: -span.length_s)[:_LISTED_SPANS], key=lambda span: span.from_s)
        for span in longest:
            when = f"{number(span.from_s, 's', 4)} to {number(span.to_s, 's', 4)}"
            margin = margin_words(span)
            lines.append(f"    {when}: {reason(span, told.scenario)}{f'; {margin}' if margin else ''}.")
        if len(spans) > len(longest):
            lines.append(f"    and {len(spans) - len(longest)} shorter ones")
    return lines


def window_title(window):
    """SteadyWindow => heading of its orders."""
    when = f"{number(window.from_s, 's', 4)} to {number(window.to_s, 's', 4)}"
    speed = f"{number(window.speed_rpm, 'rpm', 4)}, {number(window.electrical_Hz, 'Hz', 3)} electrical"
    return f"Orders from {when}, steady at {speed} (amplitudes)"


def order_lines(told, content):
    """A row an order that stands above noise, the strongest where there are many, each with its causes beneath."""
    if not content.seen:
        return ["  none above noise"]
    pole_pairs = told.scenario.machine.pole_pairs
    names = [name for name in SIGNALS if any(name in content.row(order) for order in content.seen)]
    strength = {order: content.strength(order) for order in content.seen}
    chosen = sorted(sorted(content.seen, key=lambda order: -strength[order])[:_LISTED_ORDERS])
    head = ("electrical", "mechanical", *(_SHORT[name] for name in names))
    rows = [head] + [
        (str(order), str(order * pole_pairs), *(_amplitude(content.row(order).get(name)) for name in names)) for order in chosen
    ]
    table = columns(rows, right=range(len(head)))
    lines, before = [f"  {table[0]}"], ""
    for order, row in zip(chosen, table[1:], strict=True):
        words = _causes_words(order, told.scenario)
        lines += [f"  {row}", f"      {words if words != before else 'as above'}"]
        before = words
    if len(content.seen) > len(chosen):
        lines.append(f"  and {len(content.seen) - len(chosen)} weaker ones")
    return lines


def _amplitude(value):
    return "-" if value is None else number(float(value), digits=3)


def _causes_words(order, scenario):
    causes = causes_of(order, scenario)
    on = [cause.words for cause in causes if cause.switched_on(scenario)]
    off = [cause.words for cause in causes if not cause.switched_on(scenario)]
    told = [f"switched on: {', '.join(on)}"] if on else []
    told += [f"{'others' if on else 'usual causes'}: {', '.join(off)}"] if off else []
    return "; ".join(told) or "no usual cause: a sum or difference of others, or the load"


def scale_lines(told):
    """A line a cause that makes one of the orders seen, or that was found."""
    scenario = told.scenario
    keys = [cause.key for content in told.contents for order in content.seen for cause in causes_of(order, scenario)
            if cause.switched_on(scenario)]  # fmt: skip
    keys += [one.cause for one in told.findings[:_LISTED_GUESSES]] + [one.cause.key for one in told.guesses.guesses[:1]]
    return [f"  {BY_KEY[key].words}: {BY_KEY[key].scales}." for key in dict.fromkeys(keys)]


def finding_lines(told):
    """Ranked, with size and torque ripple."""
    if not told.windows:
        return ["  There is no steady window to guess from."]
    lines = [f"  {k}. {finding_words(one)}" for k, one in enumerate(told.findings[: 2 * _LISTED_GUESSES], start=1)]
    if told.scenario.record_every != 1:
        lines.append("  The power stage is not looked at: rows are wider than a tick (run.record_every = 1).")
    elif not lines:
        lines.append("  Nothing: measured and true signals agree, the power stage gives what is asked of it.")
    return lines


def finding_words(one):
    """Finding => cause, size and what it does to the torque."""
    ripple = f"; torque ripple about {number(one.ripple_Nm, 'Nm', 2)} rms" if one.ripple_Nm > 0.0 else ""
    return f"{BY_KEY[one.cause].words}: {one.size}{ripple}"


def guess_lines(told):
    """Ranked, with size and share explained, the nearest rival of the first."""
    guesses = told.guesses
    if not guesses.guesses:
        return [f"  {guesses.why_none[:1].upper()}{guesses.why_none[1:]}."] if guesses.why_none else []
    lines = []
    for k, one in enumerate(guesses.guesses[:_LISTED_GUESSES], start=1):
        words = one.cause.words + (f" or {one.twin.words}" if one.twin else "")
        share = "" if math.isnan(one.share) else f"; explains {_percent(one.share)} of what is left over"
        if one.share < 0.005:
            share = "; few volts, at an order of its own"
        lines.append(f"  {k}. {words}: {one.size}{share}")
    left = _percent(guesses.leftover_share)
    lines.append(f"  Left over of the voltage equation of the machine that the controller believes in: {left} of the voltage.")
    if guesses.next_best:
        cause, share = guesses.next_best
        lines.append(f"  Nearest to the first, alone: {cause.words}, {_percent(share)}.")
    return lines


def _percent(share):
    return f"{100.0 * share:.2g} %" if share < 0.995 else f"{100.0 * share:.0f} %"


def switched_on_lines(told):
    """The scenario's own imperfections with their values."""
    lines = [f"  {cause.words}: {value}" for cause, value in told.switched_on()]
    return [*lines, *(f"  fault: {words}" for words in other_faults(told.scenario))] or ["  none"]
