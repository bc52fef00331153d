"""An answer of a controller: what is wrong with it alone, and where two rows of answers differ."""

import math

from controllers.contract import Command

SLACK = 1e-9  # what the loop itself lets pass and clips


def fault_of(name, update, answer, signals):
    """(class, number of the update, what step answered, how many own signals) => sentence, or None where it is right."""
    said = f"{name}.step answered"
    if type(answer) is not Command:
        got = "None" if answer is None else f"{type(answer).__name__} {answer!r:.60}"
        return f"{said} {got} at update {update}; expected controllers.Command(duty_a, duty_b, duty_c). Return one."
    for field, value in zip(Command._fields, answer, strict=True):
        if field == "extra":
            fault = _fault_of_extra(value, signals)
        else:
            fault = _fault_of_number(field, value)
        if fault:
            return f"{said} {fault[0]} at update {update}; expected {fault[1]}."
    return None


def _fault_of_number(field, value):
    try:
        number = float(value)
    except (TypeError, ValueError, OverflowError):
        return f"{field} = {value!r:.60}", "a number. Convert it"
    if field.startswith("duty_"):
        if not math.isfinite(number):
            return f"{field} = {number}", "a number in 0..1. Look for a division by zero or a command not given"
        if not -SLACK <= number <= 1.0 + SLACK:
            return f"{field} = {number:.9g}", "0..1. Clip the request to what the link voltage gives"
    elif field in ("gates_on", "gate_setting", "binding_limit") and not math.isfinite(number):
        return f"{field} = {number}", "a whole number. Leave the default"
    return None


def _fault_of_extra(value, signals):
    if not isinstance(value, (tuple, list)) or len(value) != signals:
        got = f"{len(value)} values" if isinstance(value, (tuple, list)) else repr(value)[:60]
        return f"extra with {got}", f"{signals}, one for each of its signals. Fit extra to signals"
    for number in value:
        try:
            float(number)
        except (TypeError, ValueError, OverflowError):
            return f"extra with {number!r:.60}", "numbers. Convert them"
    return None


def first_difference(answers, others):
    """(rows of answers, the same or exceptions) => (update, field, got, expected) of the first bit that differs, or None."""
    for update, (one, other) in enumerate(zip(answers, others, strict=True)):
        if isinstance(one, Exception) or isinstance(other, Exception):
            if type(one) is not type(other):
                return update, "answer", _shown(one), _shown(other)
            continue
        for field, a, b in zip(Command._fields, one, other, strict=True):
            if not _same(a, b):
                return update, field, _shown(a), _shown(b)
    return None


def _same(a, b):
    if isinstance(a, (tuple, list)):
        return len(a) == len(b) and all(map(_same, a, b))
    return a == b or (a != a and b != b)


def _shown(value):
    if isinstance(value, Exception):
        return f"{type(value).__name__}: {value}"
    if isinstance(value, Command):
        return f"duties {value.duty_a:.6g}, {value.duty_b:.6g}, {value.duty_c:.6g}"
    return repr(tuple(value)) if isinstance(value, list) else repr(value)
