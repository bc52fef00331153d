"""Finds a controller's class: shipped, beside the scenario file, importable, or a C library."""

import hashlib
import importlib
import importlib.util
import inspect
import sys
from pathlib import Path

import simcore
from simcore.scenario import ScenarioError

SHIPPED = Path(simcore.__file__).resolve().parent.parent / "controllers"


def check_not_shadowed():
    """Another package named `controllers` in front of ours would be taken for it: say so instead."""
    found = importlib.util.find_spec("controllers")
    origin = Path(found.origin).resolve() if found is not None and found.origin else None
    if origin != SHIPPED / "__init__.py":
        raise ScenarioError(
            [
                f"controllers: another package of that name ({origin or 'a folder without __init__.py'}) lies in front of "
                "the shipped one. Start drybench from another folder or rename that package."
            ]
        )


def _problem(scenario, rule, remedy):
    end = "" if remedy.endswith(("?", ".")) else "."
    return ScenarioError([f'{scenario.path.name}: controller.class = "{scenario.controller.class_}": {rule}. {remedy}{end}'])


def _load_file(file, scenario):
    """Loads a module under a private name keyed by its path, so that two folders may both have the same file name."""
    file = file.resolve()
    name = "_drybench_" + file.stem + "_" + hashlib.sha256(str(file).encode()).hexdigest()[:12]
    spec = importlib.util.spec_from_file_location(name, file)
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    sys.path.append(str(file.parent))
    try:
        spec.loader.exec_module(module)
    except (Exception, SystemExit) as error:
        sys.modules.pop(name, None)
        line = getattr(error, "lineno", None) or _line_in(error, file)
        raise _problem(
            scenario, f"{file.name}, line {line}, raised {type(error).__name__}: {error}", "Mend the module"
        ) from error
    finally:
        sys.path.remove(str(file.parent))
    return module


def _line_in(error, file):
    trace, line = error.__traceback__, "?"
    while trace is not None:
        if Path(trace.tb_frame.f_code.co_filename) == file:
            line = trace.tb_lineno
        trace = trace.tb_next
    return line


def _module(scenario):
    chosen = scenario.controller
    if chosen.file is not None:
        file = chosen.file if chosen.file.is_absolute() else scenario.path.parent / chosen.file
        if not file.is_file():
            raise _problem(scenario, f"there is no file {file}", "Put the module there")
        return _load_file(file, scenario)
    module = chosen.module
    if module == "controllers" or module.startswith("controllers."):
        check_not_shadowed()
        try:
            return importlib.import_module(module)
        except ModuleNotFoundError as error:
            raise _problem(
                scenario,
                "the shipped package controllers has no such module",
                "controllers. always means the shipped package; name your own module differently",
            ) from error
    beside = scenario.path.parent.joinpath(*module.split(".")).with_suffix(".py")
    if beside.is_file():
        return _load_file(beside, scenario)
    try:
        return importlib.import_module(module)
    except ModuleNotFoundError as error:
        if error.name and module.split(".")[0] != error.name.split(".")[0]:
            raise _problem(scenario, f"importing {module} failed: {error}", "Install what it needs") from error
        raise _problem(
            scenario, f"there is no {beside.name} beside the scenario and no importable module {module}",
            "Put the module beside the scenario file",
        ) from error  # fmt: skip
    except (Exception, SystemExit) as error:
        raise _problem(scenario, f"importing {module} raised {type(error).__name__}: {error}", "Mend the module") from error


def load_controller(scenario):
    """(scenario) => a fresh instance of its controller's class."""
    return controller_maker(scenario)()


def controller_maker(scenario):
    """(scenario) => function that gives a fresh instance at every call; the module is loaded once, here."""
    found = load_class(scenario)

    def make():
        try:
            return found()
        except (Exception, SystemExit) as error:
            rule = f"{found.__name__}() raised {type(error).__name__}: {error}"
            raise _problem(scenario, rule, "A controller is made without arguments; use reset") from error

    return make


def load_class(scenario):
    """(scenario) => its controller's class: found, derived from Controller, whole.  Raises ScenarioError."""
    from controllers.contract import ContractError, Controller

    if scenario.controller.library is not None:
        check_not_shadowed()
        try:
            return importlib.import_module("controllers.c_library").library_class(scenario.controller.library)
        except ContractError as error:
            raise ScenarioError([f"{scenario.path.name}: {problem}" for problem in error.problems]) from error
    module = _module(scenario)
    name = scenario.controller.class_name
    found = getattr(module, name, None)
    if found is None:
        from simcore.scenario.errors import did_you_mean

        classes = {key: value for key, value in vars(module).items() if inspect.isclass(value)}
        names = [key for key, value in classes.items() if issubclass(value, Controller) and value is not Controller]
        hint = did_you_mean(name, names) or "The module defines: " + (", ".join(n for n in names) or "no controller")
        raise _problem(scenario, f"the module has no class {name}", hint)
    if not (inspect.isclass(found) and issubclass(found, Controller)):
        raise _problem(scenario, f"{name} is not a class derived from controllers.Controller", "Derive it")
    if inspect.isabstract(found):
        missing = " and ".join(sorted(found.__abstractmethods__))
        raise _problem(scenario, f"{name} does not define {missing}", "Define it as the contract says")
    return found
