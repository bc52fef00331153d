"""The controller's class: found beside the file that names it, or importable."""

import importlib.util
import os
from pathlib import Path

from simcore.scenario.controller import LIBRARY_ENDINGS
from simcore.scenario.errors import FileProblem, near, one_of
from simcore.scenario.parts import Named, absolute


def locate_class(report, folder):
    """Turn "my_control:HalfDuty" into "/folder/my_control.py:HalfDuty" where that file lies beside the naming file.

    "my_control.so" becomes the library's path. `controllers.` always means the shipped package; a shadowed one is told.
    """
    controller = report.document.get("controller")
    named = controller.get("class") if isinstance(controller, dict) else None
    if not isinstance(named, str):
        return
    at = ("controller", "class")
    beside = Path(getattr(named, "folder", folder))
    if named.endswith(LIBRARY_ENDINGS):
        _locate_library(report, controller, at, beside)
        return
    if ":" not in named:
        return
    module, _, name = named.rpartition(":")
    if module.split(".")[0] == "controllers":
        shadows = [p for p in (beside / "controllers.py", beside / "controllers") if _exists(p) and not _ours(p)]
        if shadows:
            report.finding(at, f"means the shipped controllers, not the {shadows[0].name} beside the file")
        return
    try:
        if module.endswith(".py"):
            file = Path(absolute(Named(module, beside), beside))
            if not file.is_file():
                report.problem(at, f"no such file: {file.name}", _near_files(file) or "Check the path")
                return
        else:
            if not all(part.isidentifier() for part in module.split(".")):
                return
            file = beside.absolute() / Path(*module.split(".")).with_suffix(".py")
            if not file.is_file():
                if not _importable(module.split(".")[0]):
                    remedy = _near_files(file) or f"Put {file.name} beside the scenario"
                    report.problem(at, f"no {file.name} beside the file, and no module of that name installed", remedy)
                return
        controller["class"] = f"{os.path.abspath(file)}:{name}"
    except (FileProblem, OSError, ValueError) as error:
        report.problem(
            at, getattr(error, "rule", "the module cannot be looked for"), getattr(error, "remedy", "Check the name")
        )


def _locate_library(report, controller, at, beside):
    """Make the path of a C library absolute; a missing one that has only to be compiled is told so."""
    try:
        file = Path(absolute(Named(controller["class"], beside), beside))
        if file.is_file():
            controller["class"] = str(file)
            return
        source = file.with_suffix(".c")
        if source.is_file():
            remedy = f"Compile {source.name} first; the head of a starter shows the command"
        else:
            remedy = _near_files(file, f"*{file.suffix}") or "Check the path"
        report.problem(at, f"no such file: {file.name}", remedy)
    except (FileProblem, OSError, ValueError) as error:
        report.problem(at, getattr(error, "rule", "cannot be looked for"), getattr(error, "remedy", "Check the name"))


def _exists(path):
    try:
        return path.exists()
    except OSError:
        return False


def _ours(path):
    import simcore

    return path.resolve() == Path(simcore.__file__).resolve().parent.parent / "controllers"


def _importable(name):
    try:
        return importlib.util.find_spec(name) is not None
    except (ImportError, ValueError, AttributeError):
        return False


def _near_files(file, pattern="*.py"):
    try:
        names = [p.name for p in sorted(file.parent.glob(pattern))[:200]]
    except (OSError, ValueError):
        return ""
    close = near(file.name, names)
    return f"Did you mean {one_of(close)}?" if close else ""
