"""The command line: parses, calls the public surface, prints.  Heavy imports stand inside the commands."""

import gc
import json
import os
import sys
from pathlib import Path

import click

from simcore import __version__
from simcore.report.interruption import STOPPED, say_stopped
from simcore.report.wording import CAUTION

WRONG_INPUT, NOT_FINISHED = 2, 3


def _say(text):
    """One line to the error stream, as it is."""
    print(text, file=sys.stderr, flush=True)


class Commands(click.Group):
    """The commands, with one answer to Ctrl-C and one to faults of our own."""

    def invoke(self, ctx):
        """Run the command; a sentence instead of a traceback, whatever happens."""
        try:
            return super().invoke(ctx)
        except KeyboardInterrupt:
            say_stopped()
            sys.exit(STOPPED)
        except (click.ClickException, click.exceptions.Exit, click.Abort, BrokenPipeError):
            raise
        except Exception as error:
            from simcore.report.unexpected import told_unexpected

            _say(told_unexpected(error))
            sys.exit(NOT_FINISHED)


@click.group(
    cls=Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100}, epilog=CAUTION
)
@click.version_option(__version__, prog_name="drybench")
def main():
    """Runs a motor drive and its controller in closed loop, in software, from scenario files."""
    # The BLAS of a short run needs no threads of its own; they would only slow the start.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    for stream in (sys.stdout, sys.stderr):
        # A title may hold letters that the terminal's encoding lacks.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")


@main.command()
@click.argument("paths", nargs=-1, required=True)
@click.option("--out", default="results", show_default=True, metavar="FOLDER", help="Folder for the results.")
@click.option("--set", "overrides", multiple=True, metavar="KEY=VALUE", help="Override a key, e.g. inverter.dead_time_s=2e-6.")
@click.option("--plot/--no-plot", default=True, show_default=True, help="Draw overview.png.")
@click.option("--csv", "as_csv", is_flag=True, help="Write recording.csv too.")
@click.option("--quiet", is_flag=True, help="Print errors only.")
@click.option("--json", "as_json", is_flag=True, help="Print the metrics of every scenario as one JSON document instead.")
@click.option("--against-baseline", is_flag=True, help="Compare with the baseline beside each scenario.")
def run(paths, out, overrides, plot, as_csv, quiet, as_json, against_baseline):
    """Run scenario files, or every scenario of a folder.

    Exit status: 0 all expectations met, 1 one not met or moved from its baseline, 2 wrong input, 3 a run could not finish,
    130 stopped by Ctrl-C.
    """
    # Starting makes half a million objects that all stay; looking for garbage among them takes a tenth of its time.
    gc.disable()
    from simcore.running import run_files

    try:
        asked = {"plot": plot, "csv": as_csv, "quiet": quiet, "as_json": as_json, "against_baseline": against_baseline}
        sys.exit(run_files(paths, Path(out), overrides, **asked))
    finally:
        gc.enable()


@main.command()
@click.argument("scenario")
@click.option("--set", "overrides", multiple=True, metavar="KEY=VALUE", help="Override a key, e.g. controller.mode=current.")
@click.option("--with-sensors", is_flag=True, help="Leave the scenario's sensors in: mounting offset, gains, noise.")
@click.option("--json", "as_json", is_flag=True, help="Print the findings as one JSON document instead.")
def selftest(scenario, overrides, with_sensors, as_json):
    """Find out from outside whether the controller of SCENARIO has its angle zero, scaling, signs and delay right.

    It is put on small benches with its machine: locked at several angles, turning slowly both ways, fast. Exit status: 0
    nothing is wrong, 1 a check is wrong, 2 wrong input, 3 it could not finish, 130 stopped by Ctrl-C.
    """
    from simcore.study.selftest.command import run_self_test

    sys.exit(run_self_test(scenario, overrides, with_sensors=with_sensors, as_json=as_json))


@main.command()
@click.argument("results")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document instead.")
def explain(results, as_json):
    """Tell from RESULTS where and why the drive was limited, which orders its ripple has, and what likely makes them.

    RESULTS: a folder that run wrote, such as results/torque_steps, or a recording kept in a file. Exit status: 0 told, 2 wrong
    input.
    """
    from simcore.study.explain.command import explain_results

    sys.exit(explain_results(Path(results), as_json=as_json))


@main.command()
@click.argument("paths", nargs=-1, required=True)
@click.option("--quiet", is_flag=True, help="Print errors only.")
def baseline(paths, quiet):
    """Keep each scenario's numbers and courses in <scenario>.baseline.json beside it, for regression tests.

    `drybench run --against-baseline` and pytest compare with it. Exit status: 0 written, 2 wrong input, 3 a run could not
    finish.
    """
    from simcore.study.baseline.command import write_baselines

    sys.exit(write_baselines(paths, quiet=quiet))


def _study_options(command):
    """The options that every study takes."""
    for option in reversed((
        click.option("--out", default="results", show_default=True, metavar="FOLDER", help="Folder for the results."),
        click.option("--set", "overrides", multiple=True, metavar="KEY=VALUE", help="Override a key of the scenario."),
        click.option("--executor", metavar="dask://HOST:PORT", help="Run the points there instead of on this machine's cores."),
        click.option("--plot/--no-plot", default=True, show_default=True, help="Draw the figure."),
        click.option("--quiet", is_flag=True, help="Print errors only."),
        click.option("--json", "as_json", is_flag=True, help="Print the results as one JSON document instead."),
    )):  # fmt: skip
        command = option(command)
    return command


def _options(out, overrides, executor, plot, quiet, as_json):
    # See run: what starting makes stays.
    gc.disable()
    from simcore.study.points.command import Options

    return Options(Path(out), overrides, executor, plot, quiet, as_json)


@main.command()
@click.argument("scenario")
@click.option("--vary", multiple=True, required=True, metavar="KEY=a:b:n", help="A key and its values, a:b:n or [x,y,z].")
@_study_options
def sweep(scenario, vary, **options):
    """Run SCENARIO at every value of a key, or at every point of the grid that several --vary make.

    A key is written as --set takes it. Writes sweep.csv and sweep.png. Stopped, it goes on at the next call. Exit status: 0
    every point meets every expectation, 1 one does not, 2 wrong input, 3 it could not finish, 130 stopped by Ctrl-C.
    """
    asked = _options(**options)
    from simcore.study.sweep.command import sweep_file

    sys.exit(sweep_file(scenario, vary, asked))


@main.command()
@click.argument("scenario")
@click.option("--draws", type=int, default=1000, show_default=True, metavar="N", help="How many drives are drawn.")
@click.option("--method", type=click.Choice(["sobol", "random"]), default="sobol", show_default=True, help="Kind of draws.")
@click.option("--seed", type=int, default=1, show_default=True, help="Of the draws.")
@click.option("--least-yield", type=click.FloatRange(0, 100), metavar="PERCENT", help="Exit status 1 below this yield only.")
@_study_options
def tolerance(scenario, draws, method, seed, least_yield, **options):
    """Draw drives that scatter as [tolerance] of SCENARIO says: yield of each expectation and what drives its failures.

    The controller goes on believing the nominal drive. Writes tolerance.json, tolerance.csv, tolerance.png and worst.toml, the
    worst draw as a scenario of its own. Stopped, it goes on at the next call. Exit status: 0 every draw meets every
    expectation, 1 one does not, 2 wrong input, 3 it could not finish, 130 stopped by Ctrl-C.
    """
    asked = _options(**options)
    from simcore.study.tolerance.command import tolerance_file

    sys.exit(tolerance_file(scenario, draws, method, seed, least_yield, asked))


@main.command("map")
@click.argument("scenario")
@click.option("--speed-rpm", metavar="a:b:n", help="Speeds, n from a to b; by default 20 up to the greatest.")
@click.option("--torque-Nm", "torque_Nm", metavar="a:b:n", help="Torques; by default 25 over all that the machine gives.")
@click.option("--quadrants", metavar="1,2,3,4", help="1 drives forwards, 4 brakes forwards, 3 and 2 backwards.")
@click.option("--switched", is_flag=True, help="Exact switching edges instead of mean voltages; takes several times as long.")
@click.option("--rated", metavar="RPM:NM", help="Also run the load points of IEC 60034-2-3 and IEC 61800-9-2 for this rating.")
@_study_options
def map_command(scenario, speed_rpm, torque_Nm, quadrants, switched, rated, **options):
    """Measure the drive of SCENARIO over torque and speed: efficiency, losses, temperatures, margins, and its envelope.

    Each point is a closed-loop run on a rig to steady state. Writes map.csv, map.npz, map.json, unreachable.csv, envelope.csv
    and figures. Stopped, it goes on at the next call. Exit status: 0 done, 2 wrong input, 3 a run could not finish, 130
    stopped by Ctrl-C.
    """
    asked = _options(**options)
    from simcore.study.efficiency_map.command import map_file

    wanted = {"speed_rpm": speed_rpm, "torque_Nm": torque_Nm, "quadrants": quadrants, "switched": switched, "rated": rated}
    sys.exit(map_file(scenario, wanted, asked))


@main.command()
@click.argument("scenario")
@click.option("--with", "changes", multiple=True, metavar="KEY=VALUE", help="What the second variant changes.")
@click.option("--by", type=click.Choice(["map", "cycle", "run"]), default="map", show_default=True, help="Over what.")
@click.option("--speed-rpm", metavar="a:b:n", help="By map: speeds.")
@click.option("--torque-Nm", "torque_Nm", metavar="a:b:n", help="By map: torques.")
@click.option("--quadrants", metavar="1,2,3,4", help="By map: 1 drives forwards, 4 brakes forwards, 3 and 2 backwards.")
@click.option("--switched", is_flag=True, help="By map: exact switching edges.")
@click.option("--cycle", metavar="NAME|FILE.csv", help="By cycle: which one.")
@click.option("--mode", type=click.Choice(["loop", "map"]), default="map", show_default=True, help="By cycle: how.")
@_study_options
def compare(scenario, changes, by, speed_rpm, torque_Nm, quadrants, switched, cycle, mode, **options):
    """Compare SCENARIO with a variant of it, such as another gate setting: --with inverter.gate_setting=calm.

    Over torque and speed, over a cycle, or in one run: efficiencies, losses, overshoot, slopes, temperatures, energy and what
    it is worth. Writes compare.json, compare.csv and compare.png. Exit status: 0 done, 2 wrong input, 3 could not finish, 130
    stopped by Ctrl-C.
    """
    asked = _options(**options)
    from simcore.study.compare.command import compare_file

    wanted = {"speed_rpm": speed_rpm, "torque_Nm": torque_Nm, "quadrants": quadrants, "switched": switched, "cycle": cycle,
              "mode": mode}  # fmt: skip
    sys.exit(compare_file(scenario, changes, by, wanted, asked))


@main.command()
@click.argument("scenario")
@click.option("--margin-V", "margin_V", type=float, help="Kept below the rated voltage; by default a tenth of it.")
@click.option("--most-V-per-ns", "most_V_per_ns", type=float, help="Greatest slope at the terminals; by default none.")
@click.option("--most-junction-degC", "most_junction_degC", type=float, help="By default where torque is reduced.")
@click.option("--link-V", "link_V", type=float, help="Link voltage; by default all that the supply gives.")
@click.option("--cycle", metavar="NAME|FILE.csv", help="Drive every setting and the plan over it, by the map.")
@click.option("--loop", metavar="all|none|FROM:TO", default="all", show_default=True, help="What of it in the loop.")
@_study_options
def gateplan(scenario, margin_V, most_V_per_ns, most_junction_degC, link_V, cycle, loop, **options):
    """Search the gate plan of least switching loss for SCENARIO that keeps overshoot, slope and junction limits.

    Says at which link voltage, junction and current which setting is best and what ends its use; drives all of them over a
    cycle by the map, and the plan in the closed loop. Writes gate_plan.toml, gate_plan.json and gate_plan.png. Exit status: 0
    every limit is kept, 1 one is not, 2 wrong input, 3 could not finish, 130 stopped.
    """
    asked = _options(**options)
    from simcore.study.gate_search.command import search_file

    steepest = None if most_V_per_ns is None else 1e9 * most_V_per_ns
    limits = {"margin_V": margin_V, "most_dv_dt_V_per_s": steepest, "most_junction_degC": most_junction_degC,
              "link_V": link_V}  # fmt: skip
    sys.exit(search_file(scenario, limits, {"cycle": cycle, "loop": loop}, asked))


@main.command()
@click.argument("scenario")
@click.option("--list", "list_", metavar="NAME|FILE.toml", help="Faults to put in; by default the shipped traction list.")
@click.option("--speed-rpm", metavar="a:b:n", help="Speeds; by default four up to the greatest.")
@click.option("--torque-Nm", "torque_Nm", metavar="a:b:n", help="Torques; by default three.")
@click.option("--link-V", "link_V", metavar="a:b:n", help="Link voltages; by default own, lowest, highest.")
@_study_options
def faults(scenario, list_, speed_rpm, torque_Nm, link_V, **options):
    """Put every fault of a list into SCENARIO's drive at every operating point, monitored and not.

    Tells whether and by which check it is noticed, how long that and the safe state take, currents, torque, link voltage
    meanwhile, what a vehicle feels of it, false alarms of healthy drives, and compares safe states over speed. Writes
    faults.csv, coverage.csv, pictures and faults.html. Exit status: 0 all noticed in time without false alarm, 1 not so, 2
    wrong input, 3 could not finish, 130 stopped by Ctrl-C; the same call goes on.
    """
    asked = _options(**options)
    from simcore.study.fault_study.command import faults_file

    wanted = {"list": list_, "speed_rpm": speed_rpm, "torque_Nm": torque_Nm, "link_V": link_V}
    sys.exit(faults_file(scenario, wanted, asked))


@main.command()
@click.argument("scenario")
@click.option("--current-A", "current_A", type=float, help="Length of the current vector; by default 30 % of max_current_A.")
@click.option("--starts", default=24, show_default=True, help="Start angles, even all around.")
@click.option("--error-deg", default=2.0, show_default=True, help="Error that is allowed, electrical degrees.")
@click.option("--move-s", type=float, help="Time to raise the current or lead the vector; by default three swings.")
@click.option("--hold-s", type=float, help="Time it stands before the angle is read; by default until friction stops it.")
@click.option("--out", default="results", show_default=True, metavar="FOLDER", help="Folder for the results.")
@click.option("--set", "overrides", multiple=True, metavar="KEY=VALUE", help="Override a key, e.g. load.stiction_Nm=5.")
@click.option("--plot/--no-plot", default=True, show_default=True, help="Draw align.png.")
@click.option("--quiet", is_flag=True, help="Print errors only.")
def align(scenario, out, overrides, **wishes):
    """Rehearse how the angle of SCENARIO's drive is zeroed: where does its rotor settle on a standing current vector?

    Along d or q, positive or negative, in one step or two, from start angles all around, with friction, cogging and load.
    Exit status: 0 done, 2 wrong input, 3 a run could not finish, 130 stopped by Ctrl-C.
    """
    from simcore.study.alignment.command import Wishes, run_alignment

    sys.exit(run_alignment(scenario, Path(out), overrides, Wishes(**wishes)))


def _volts(_, option, text):
    """ "600,700" => (600.0, 700.0)."""
    try:
        return tuple(float(part) for part in text.split(",")) if text else ()
    except ValueError:
        raise click.BadParameter("give voltages with commas between, such as 600,700,800.", param=option) from None


@main.command()
@click.argument("scenario")
@click.option("--measure", is_flag=True, help="Measure the loops of the running drive too, and draw them over the prediction.")
@click.option(
    "--inject", type=click.Choice(["auto", "reference", "voltage"]), default="auto", show_default=True,
    help="Where the current loop is excited: at its references or at the controller's output.",
)  # fmt: skip
@click.option("--at-s", type=float, metavar="TIME", help="Instant whose operating point is looked at; by default the end.")
@click.option(
    "--for", "rules", multiple=True, metavar="RULE[=VALUE]",
    help="Gains for current_crossover_Hz=800, current_margin_deg=60, current_magnitude_optimum, "
    "current_symmetrical_optimum[=a], or the same of speed_.",
)  # fmt: skip
@click.option(
    "--link-V", "links", callback=_volts, metavar="V,V,...",
    help="Link voltages of the operating range; by default 85, 100 and 115 % of the supply's.",
)  # fmt: skip
@click.option("--range/--no-range", "over_range", default=True, show_default=True, help="Look over the operating range.")
@click.option("--out", default="results", show_default=True, metavar="FOLDER", help="Folder for the results.")
@click.option("--set", "overrides", multiple=True, metavar="KEY=VALUE", help="Override a key, e.g. load.speed_rpm=6000.")
@click.option("--plot/--no-plot", default=True, show_default=True, help="Draw the pictures.")
@click.option("--quiet", is_flag=True, help="Print errors only.")
@click.option("--json", "as_json", is_flag=True, help="Print tune.json instead of the tables.")
def tune(scenario, out, overrides, links, rules, **wishes):
    """Predict the current and speed loop of SCENARIO, exactly as they are sampled, and measure them in the running drive.

    Crossover, margins, overshoot, stability edge; gains for what is wanted. Exit status: 0 done, 2 wrong input, 3 a run could
    not finish, 130 stopped by Ctrl-C.
    """
    from simcore.study.response.command import Wishes, run_tune

    sys.exit(run_tune(scenario, Path(out), overrides, Wishes(rules=rules, links_V=links, **wishes)))


@main.command()
@click.argument("scenario")
@click.option("--cycle", metavar="NAME|FILE.csv", help="wltc_class3b, nedc, port_shift, or a CSV with time_s and speed_kmh.")
@click.option(
    "--mode", type=click.Choice(["loop", "map", "both"]), default="loop", show_default=True,
    help="Closed loop at PWM rate, losses from a table of loop points, or both and how far they differ.",
)  # fmt: skip
@click.option("--repeat", default=1, show_default=True, metavar="N", help="How often the cycle is driven in a row.")
@click.option("--gates", metavar="all|NAME,NAME", help="Drive with these gate settings too (plan: the gate plan) and compare.")
@click.option("--out", default="results", show_default=True, metavar="FOLDER", help="Folder for the results.")
@click.option("--set", "overrides", multiple=True, metavar="KEY=VALUE", help="Override a key, e.g. load.mass_kg=2000.")
@click.option("--plot/--no-plot", default=True, show_default=True, help="Draw the pictures.")
@click.option("--quiet", is_flag=True, help="Print errors only.")
@click.option("--json", "as_json", is_flag=True, help="Print cycle.json instead of the tables.")
def cycle(scenario, out, overrides, **wishes):
    """Drive SCENARIO's vehicle through a cycle: energy out of the battery and back, losses by stage, speed error.

    Writes cycle.json, cycle.npz and pictures. Exit status: 0 driven to its end, 2 wrong input, 3 it ended early (the battery is
    empty, or the run broke off; what was driven is written), 130 stopped by Ctrl-C.
    """
    from simcore.study.cycle.command import Wishes, run_cycle

    sys.exit(run_cycle(scenario, Path(out), overrides, Wishes(**wishes)))


@main.command()
@click.argument("kind", type=click.Choice(["scenario", "controller", "header"]))
@click.argument("name", required=False)
@click.option(
    "--language", type=click.Choice(["python", "compiled", "c"]), default="python", show_default=True,
    help="Of a controller: a Python class; one that numba compiles; a C library.",
)  # fmt: skip
def new(kind, name, language):
    """Write a commented starter file NAME into this folder, or the header that a controller in C includes."""
    from simcore.scenario import ScenarioError
    from simcore.scenario.starter import write_header, write_starter

    if (name is None) != (kind == "header"):
        raise click.UsageError(f"{kind} needs a NAME." if name is None else "header takes no NAME.")
    try:
        written = write_header(Path.cwd()) if kind == "header" else write_starter(kind, name, Path.cwd(), language)
        also = " and drybench_controller.h; its head shows how to compile it" if written.suffix == ".c" else ""
        click.echo(f"Wrote {written.name}{also}.")
    except ScenarioError as error:
        _say(str(error))
        sys.exit(WRONG_INPUT)


@main.command()
def schema():
    """Print the JSON schema of the scenario language, for editors."""
    from simcore.scenario.schema import json_schema

    click.echo(json.dumps(json_schema(), indent=2))


@main.command()
@click.argument("kind", required=False)
@click.option("--voltage", "voltage_V", type=float, metavar="VOLT", help="Link voltage; by default that of a fitting supply.")
@click.option("--hot", "hot_degC", type=float, default=120.0, show_default=True, metavar="DEGC", help="A hot winding.")
@click.option("--json", "as_json", is_flag=True, help="Print the numbers as one JSON document instead.")
def parts(kind, voltage_V, hot_degC, as_json):
    """Show the parts of the library and of this folder, with their numbers in all usual units.

    KIND: motors, inverters, supplies ..., or one part such as motors/hoist.
    """
    from simcore.library.command import show_parts

    for name, value, low, high in (("--voltage", voltage_V, 0.0, 1e5), ("--hot", hot_degC, -60.0, 400.0)):
        if value is not None and not low < value <= high:
            raise click.BadParameter(f"must be above {low:g}, at most {high:g}.", param_hint=name)
    sys.exit(show_parts(kind, voltage_V=voltage_V, hot_degC=hot_degC, as_json=as_json))


if __name__ == "__main__":
    main()
