"""numba's refusals, pages long, as one sentence with file, line and remedy."""

import difflib
import dis
import re
from pathlib import Path

_PLACE = re.compile(r"\bat (?P<file>[^\s()]+\.py) \((?P<line>\d+)\)|File \"(?P<file2>.+?)\", line (?P<line2>\d+)")
_OURS = "compiled_step.py"
_DULL = ("Failed in nopython mode", "There are ", "During:", "File ")
_REMEDIES = {
    "Numba type of <class 'function'>": "Give that helper function numba's @njit",
    "_code(": "An update returns nothing, or a whole number that ends the run",
    "unicode_type": "Compiled code works on numbers only",
    "is not defined": "Define it in the module",
}


def reason(error, function, records=()):
    """(exception of the compiler, the user's function, record dtypes it works on) => rule, place and remedy in one sentence."""
    if isinstance(error, KeyError) and error.args and isinstance(error.args[0], str):
        return _unknown_field(error.args[0], function, records)
    text = str(error)
    places = ((match["file"] or match["file2"], match["line"] or match["line2"]) for match in _PLACE.finditer(text))
    place = next((f"{Path(file).name}, line {line}: " for file, line in places if not file.endswith(_OURS)), "")
    if missing := re.search(r"name '(\w+)' is not defined", text):
        place = _line_of(missing[1], function)
    remedy = next((remedy for sign, remedy in _REMEDIES.items() if sign in text), "Compiled code knows a part of Python only")
    return f"{place}{_telling(text)}. {remedy}."


def _telling(text):
    """The first line that says something, and numba's '>>> call(types)' where that line announces one."""
    lines = [line.strip() for line in text.splitlines()]
    lines = [line for line in lines if line and not line.startswith(_DULL)]
    first = lines[0] if lines else "numba gives no reason"
    if first.endswith("found for signature:") and len(lines) > 1:
        call = lines[1].removeprefix(">>> ")
        if call.startswith("_code("):
            return f"it returns {call[6:-1]}"
        return "no form of " + call.replace("Literal[int]", "int").replace("Literal[str]", "text")
    return first.removesuffix("Raised from None")[:200].rstrip(". ")


def _unknown_field(name, function, records):
    known = list(dict.fromkeys(field for record in records for field in record.names if field != "unused"))
    near = difflib.get_close_matches(name, known, 1, 0.5)
    remedy = f'Did you mean "{near[0]}"?' if near else f"There are {', '.join(known)}."
    return f'{_line_of(name, function)}there is no field "{name}". {remedy}'


def _line_of(name, function):
    """'file.py, line 12: ' of the first use of a name in the function itself; empty where it is elsewhere."""
    line = next((i.positions.lineno for i in dis.get_instructions(function) if i.argval == name), None)
    return f"{Path(function.__code__.co_filename).name}, line {line}: " if line else ""
