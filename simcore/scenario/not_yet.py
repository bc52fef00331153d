"""Words of the language that this version does not know yet: each gets its own sentence."""

_KEYS = {
    ("inverter", "tolerance"): "tolerances",
    ("machine", "tolerance"): "tolerances",
}
_SENTENCE = "not available in this version ({what})"


def refuse_what_is_not_yet(report):
    """Add a problem for each such word and take it out, so that it is not told twice.
    """
    for location, what in _KEYS.items():
        _refuse_key(report, location, what)
        if location[0] == "machine":
            _refuse_key(report, ("controller", *location), what)


def _refuse_key(report, location, what):
    table = report.value(location[:-1]) if len(location) > 1 else report.document
    if not isinstance(table, dict) or location[-1] not in table:
        return
    if table[location[-1]] != []:
        where = f"[[{location[0]}]]" if isinstance(table[location[-1]], list) else ".".join(location)
        report.problem(location, _SENTENCE.format(what=what), f"Remove {where}")
    _remove(report.document, location)


def _remove(document, location):
    for name in location[:-1]:
        document = document[name]
    del document[location[-1]]
