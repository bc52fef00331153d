"""A scenario with some of its keys changed, as often as wanted: the points of a sweep, the draws of a tolerance study."""

from pydantic import BaseModel

from simcore.scenario.controller import BELIEVED
from simcore.scenario.errors import NO_VALUE, ScenarioError, file_label, printable


class Variation:
    """(scenario, dotted keys as --set takes them) => the scenario at other values of these keys.

    believe_nominal: the controller goes on believing the values it was told ([controller.machine] and the like are filled),
    as the parts of a drive differ and its software does not know.  Raises ScenarioError for a key that cannot be reached.
    """

    def __init__(self, scenario, keys, *, believe_nominal=False, label="--vary"):
        self.scenario, self.keys, self._label = scenario, tuple(keys), label
        self.locations = tuple(tuple(key.split(".")) for key in keys)
        base = {name: table for name, table in scenario.resolved.items() if name != "tolerance"}
        problems = []
        for key, location in zip(self.keys, self.locations, strict=True):
            try:
                base = _with_defaults(base, scenario, location)
                if believe_nominal and location[0] in BELIEVED:
                    base = _pinned(base, scenario, location)
                placed(base, location, 0.0)
            except PlaceError as error:
                problems.append(f"{label} {printable(key)}: {error.args[0]}. {error.args[1]}.")
        if problems:
            raise ScenarioError(problems)
        self._base = base

    def document(self, values):
        """(a value a key) => the scenario as a dict; what is not changed is shared with other documents."""
        document = self._base
        for location, value in zip(self.locations, values, strict=True):
            document = placed(document, location, value)
        return document

    def at(self, values, **also):
        """(a value a key) => Scenario.  also: further keys with __ for the dots, run__seed=3.  Raises ScenarioError."""
        from simcore.scenario.reader import scenario_from

        document = self.document(values)
        for key, value in also.items():
            document = placed(document, tuple(key.split("__")), value)
        origin = f"{file_label(self.scenario.path)} ({self._label})"
        return scenario_from(document, self.scenario.path, origins=dict.fromkeys(map(_typed, self.locations), origin))


class PlaceError(ValueError):
    """A key that leads nowhere: rule and remedy."""


def placed(node, location, value):
    """(dict or list, location, value) => a copy with the value there; everything beside the way is shared."""
    key, *rest = location
    if isinstance(node, list):
        if not key.isdigit():
            raise PlaceError(f'{printable(key, quote=True)} must be an index into a list', "Count entries from 0")
        if int(key[:9]) >= len(node):
            raise PlaceError(f"the list has {len(node)} entries", "Count entries from 0")
        copied, key = list(node), int(key)
        below = node[key]
    elif isinstance(node, dict):
        copied, below = dict(node), node.get(key, {})
    else:
        raise PlaceError(f'{printable(key, quote=True)} lies below a value that is no table', "Name the value itself")
    copied[key] = placed(below, rest, value) if rest else value
    return copied


def value_of(scenario, location):
    """(scenario, location of texts) => the value there: as written, else the default; NO_VALUE where there is none."""
    here = _below(scenario.resolved, location)
    return _below(scenario, location) if here is NO_VALUE else here


def _below(here, location):
    """Go down tables, lists and models."""
    if len(location) > 1 and isinstance(here, BaseModel) and location[0] == "controller" and location[1] in BELIEVED:
        return _below(getattr(here, f"controller_{location[1]}"), location[2:])
    for part in location:
        if isinstance(here, dict):
            here = here.get(part, NO_VALUE)
        elif isinstance(here, (list, tuple)):
            here = here[int(part)] if part.isdigit() and int(part[:9]) < len(here) else NO_VALUE
        elif isinstance(here, BaseModel):
            here = next((getattr(here, n) for n, f in type(here).model_fields.items() if part == (f.alias or n)), NO_VALUE)
        else:
            return NO_VALUE
    return NO_VALUE if here is None else here


def _with_defaults(document, scenario, location):
    """A list that the file leaves at its default is written out, so that one entry of it can be changed."""
    for end in range(1, len(location)):
        above = location[:end]
        if location[end].isdigit() and _below(document, above) is NO_VALUE:
            default = _below(scenario, above)
            if isinstance(default, (list, tuple)):
                return placed(document, above, list(default))
    return document


def _pinned(document, scenario, location):
    """The controller's belief gets the value (the whole list of an entry) that it would follow otherwise."""
    end = next((k for k, part in enumerate(location) if part.isdigit()), len(location))
    belief, value = ("controller", *location[:end]), _below(document, location[:end])
    value = _below(scenario, location[:end]) if value is NO_VALUE else value
    if value is NO_VALUE or _below(document, belief) is not NO_VALUE:
        return document
    return placed(document, belief, value)


def _typed(location):
    """Indices as numbers, as the reader's locations have them."""
    return tuple(int(part) if part.isdigit() else part for part in location)
