"""Problems and findings of one scenario while it is read, each with the file that wrote the value."""

from simcore.scenario.errors import NO_VALUE, ScenarioError, file_label, place, sentence, show


class Report:
    """Collects sentences. `document` is the merged input.

    `origins` says which file wrote a key, {location: label}, lower layers first.
    """

    def __init__(self, path):
        self.file = file_label(path)
        self.document = {}
        self.origins = {}
        self.problems = []
        self.findings = []

    def copy(self):
        """A report of its own for one of several cases; texts that remember their folder are shared."""
        other = Report(self.file)
        other.file, other.document, other.origins = self.file, _copied(self.document), dict(self.origins)
        other.problems, other.findings = list(self.problems), list(self.findings)
        return other

    def file_of(self, location):
        """Label of the file that wrote the value at a location (the scenario's own where nobody did)."""
        origin = self._origin_of(location)
        if origin:
            return self.origins[origin]
        below = {label for key, label in self.origins.items() if key[: len(location)] == tuple(location)}
        return below.pop() if location and len(below) == 1 else self.file

    def _origin_of(self, location):
        """The location, or the table around it, that a file wrote as a whole; () where nobody did."""
        above = (tuple(location[:end]) for end in range(len(location), 0, -1))
        return next((part for part in above if part in self.origins), ())

    def layer(self, location):
        """Height of the layer that wrote the value at a location, -1 where no file did."""
        origin = self._origin_of(location)
        return list(dict.fromkeys(self.origins.values())).index(self.origins[origin]) if origin else -1

    def latest(self, *locations):
        """The location that the uppermost layer wrote; the first of them where one layer wrote several."""
        return max(locations, key=self.layer)

    def note_origin(self, location, source):
        """A value made from another one counts as written by that one's file."""
        origin = self._origin_of(source)
        if origin:
            self.origins[tuple(location)] = self.origins[origin]

    def value(self, location):
        """Value at a location, NO_VALUE where there is none."""
        here = self.document
        for part in location:
            try:
                here = here[part]
            except (KeyError, IndexError, TypeError):
                return NO_VALUE
        return here

    def problem(self, location, rule, remedy, file=None):
        """A sentence that refuses the scenario."""
        text = sentence(file or self.file_of(location), location, rule, remedy, self.value(location))
        if text not in self.problems:
            self.problems.append(text)

    def finding(self, location, statement):
        """A sentence that is told, and the scenario used."""
        value = self.value(location)
        shown = "" if value is NO_VALUE or isinstance(value, dict) else f" = {show(value)}"
        text = f"{self.file_of(location)}: {place(location)}{shown}: {statement.rstrip('.')}."
        if text not in self.findings:
            self.findings.append(text)

    def stop_on_problems(self):
        """Raise all sentences together."""
        if self.problems:
            raise ScenarioError(self.problems)


def _copied(value):
    """Dicts and lists copied, everything else shared."""
    if isinstance(value, dict):
        return {key: _copied(part) for key, part in value.items()}
    return [_copied(part) for part in value] if isinstance(value, list) else value
