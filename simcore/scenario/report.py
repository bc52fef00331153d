"""Problems and findings of one scenario while it is read, each with the file that wrote the value."""

from simcore.scenario.errors import NO_VALUE, ScenarioError, file_label, place, sentence, show


class Report:
    """Collects sentences. `document` is the merged input, `origins` says which file wrote a key."""

    def __init__(self, path):
        self.file = file_label(path)
        self.document = {}
        self.origins = {}
        self.problems = []
        self.findings = []

    def file_of(self, location):
        """Label of the file that wrote the value at a location (the scenario's own where nobody did)."""
        for end in range(len(location), 0, -1):
            label = self.origins.get(tuple(location[:end]))
            if label:
                return label
        return self.file

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
