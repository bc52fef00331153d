"""Results so far in a file of their own, so that a study that was stopped goes on where it was."""

import hashlib
import json
from pathlib import Path

from simcore import __version__
from simcore.kernel import sources_key

FORMAT = 1


def study_key(job, *settings):
    """(Job, plain values that shape the points) => text that is the same for the same study, and for no other.

    It holds the scenario, the code of drybench and the content of the files that the scenario names.
    """
    said = [FORMAT, __version__, sources_key(), job.document, *job.identity, settings]
    digest = hashlib.sha256(json.dumps(said, sort_keys=True, default=str).encode())
    for file in sorted(_files(job.document)):
        try:
            digest.update(Path(file).read_bytes())
        except OSError:
            digest.update(b"absent")
    return digest.hexdigest()


def _files(node):
    """Absolute paths among the texts of a document: flux maps, a controller's module."""
    if isinstance(node, dict):
        for value in node.values():
            yield from _files(value)
    elif isinstance(node, list):
        for value in node:
            yield from _files(value)
    elif isinstance(node, str) and Path(node.rpartition(":")[0] or node).is_absolute():
        yield node.rpartition(":")[0] if node.count(":") and not Path(node).exists() else node


class Kept:
    """A file of points, one line each; opened anew it gives those of the same study back.

    path: of the file; key: of study_key; job: knows a point as a line.  Use it as a context; who writes the results takes the
    file away.  others: how many points of another study the file held, which are gone.
    """

    def __init__(self, path, key, job):
        self.path, self._key, self._job = Path(path), key, job
        self.points, self._file, self.others = {}, None, 0
        self._new_folders = []

    def __enter__(self):
        self._new_folders = [folder for folder in self.path.parents if not folder.exists()]
        self.path.parent.mkdir(parents=True, exist_ok=True)
        lines = self._lines()
        whole = [json.dumps({"drybench_study": FORMAT, "key": self._key})] + lines
        partial = self.path.with_name(self.path.name + ".new")
        # Written anew: a line that was cut off would spoil the next one.
        partial.write_text("\n".join(whole) + "\n", encoding="utf-8")
        partial.replace(self.path)
        self._file = self.path.open("a", encoding="utf-8")
        return self

    def _lines(self):
        """Lines of this study's points; none where the file is absent or of another study."""
        try:
            lines = self.path.read_text(encoding="utf-8").split("\n")
            if json.loads(lines[0]).get("key") != self._key:
                self.others = sum(bool(line.strip()) for line in lines[1:])
                return []
        except (OSError, ValueError, AttributeError):
            return []
        good = []
        for line in lines[1:]:
            try:
                point = self._job.from_row(json.loads(line))
            except (ValueError, TypeError):
                continue
            self.points[point.index] = point
            good.append(line)
        return good

    def add(self, point):
        """Keep a point."""
        self.points[point.index] = point
        self._file.write(json.dumps(self._job.as_row(point)) + "\n")
        self._file.flush()

    def __exit__(self, *_):
        self._file.close()
        if not self.points:
            # A study that kept nothing leaves nothing.
            self.path.unlink(missing_ok=True)
            for folder in self._new_folders:
                if folder.is_dir() and not any(folder.iterdir()):
                    folder.rmdir()


def kept_count(path):
    """(file of a study) => points in it."""
    try:
        return max(Path(path).read_text(encoding="utf-8").count("\n") - 1, 0)
    except OSError:
        return 0
