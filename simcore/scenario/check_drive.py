"""Mode, commands, speeds and initial state against machine and load."""

import math

from simcore.scenario.checking import needs, short, tick_of
from simcore.scenario.controller import BUILT_IN, COMMANDS_OF_MODE, MODES
from simcore.scenario.errors import did_you_mean, one_of


def _mode(controller):
    """Mode of the built-in controller; None for another class or an unknown mode."""
    name = controller.mode or "torque"
    return name if controller.built_in and name in MODES else None


@needs("controller")
def mode_name(report, controller):
    """The built-in knows five modes; a user's class is free."""
    if controller.built_in and _mode(controller) is None:
        report.problem(
            ("controller", "mode"),
            f"the built-in controller's mode must be {one_of(MODES)}",
            did_you_mean(controller.mode, MODES, "Write one of these"),
        )


@needs("controller", "load")
def mode_and_load(report, controller, load):
    if _mode(controller) == "speed" and load.kind in ("rig", "locked"):
        why = "a rig imposes the speed itself" if load.kind == "rig" else "a locked shaft cannot turn"
        report.problem(
            ("controller", "mode"),
            f'{why}, so that mode "speed" has nothing to control',
            'Set load.kind = "free", or controller.mode = "torque"',
        )


@needs("controller", "machine")
def mode_and_machine(report, controller, machine):
    if _mode(controller) not in ("torque", "speed") or machine.kind != "constants":
        return
    if machine.magnet_flux_Wb == 0.0 and machine.inductance_d_H == machine.inductance_q_H:
        report.problem(
            ("machine", "magnet_flux_Wb"),
            "with equal inductances and no magnet the machine makes no torque",
            'Give magnet_flux_Wb, inductances that differ (Wb, H), or controller.mode "current", "voltage" or "open_loop"',
        )


@needs("controller", "commands")
def mode_and_commands(report, controller, commands):
    name = _mode(controller)
    if name is None:
        return
    wanted = COMMANDS_OF_MODE[name]
    given = [key for key in type(commands).model_fields if getattr(commands, key) is not None]
    needed = wanted[:1] if name == "open_loop" else wanted
    if not set(needed) & set(given):
        example = " and ".join(f"{key} = [[0.0, 0.0], [0.05, 10.0]]" for key in wanted)
        report.problem(("commands",), f'mode "{name}" needs {" or ".join(needed)}', f"Add {example} to [commands]")
    for key in given:
        if key not in (*wanted, "run_request"):
            report.finding(("commands", key), f'has no effect in mode "{name}", which reads {" and ".join(wanted)}')


@needs("commands")
def open_loop_commands(report, commands):
    """An amplitude has no sign, a request is yes or no."""
    if commands.voltage_V is not None and min(commands.voltage_V.values) < 0.0:
        remedy = "Turn the vector by commands.frequency_Hz, or give vd_V and vq_V in mode \"voltage\""
        report.problem(("commands", "voltage_V"), "an amplitude must not be negative (V)", remedy)
    request = commands.run_request
    if request is not None and (request.shape != "step" or not set(request.values) <= {0.0, 1.0}):
        report.problem(("commands", "run_request"), "must step between 1 (run) and 0 (ramp down)", "Write [[0.0, 1], [0.1, 0]]")


@needs("commands", "inverter")
def open_loop_frequency(report, commands, inverter):
    """A held voltage vector must not jump by more than a sixth of a turn."""
    updates_Hz = inverter.switching_frequency_Hz * (2.0 if inverter.update == "double" else 1.0)
    if commands.frequency_Hz is not None and 6.0 * commands.frequency_Hz.largest > updates_Hz:
        report.problem(
            ("commands", "frequency_Hz"),
            f"reaches {short(commands.frequency_Hz.largest)}, which leaves fewer than six updates a turn (Hz)",
            f"Stay below {short(updates_Hz / 6.0)} Hz, or raise inverter.switching_frequency_Hz",
        )


@needs("machine", "load", "commands", "initial")
def speeds(report, machine, load, commands, initial):
    limit = machine.max_speed_rpm

    def within(at, speed, remedy):
        if speed > limit * (1 + 1e-9):
            report.problem(
                at,
                f"reaches {short(speed)}, above machine.max_speed_rpm = {short(limit)} (rpm)",
                f"{remedy}, or raise the limit",
            )

    if load.kind == "rig":
        within(("load", "speed_rpm"), load.speed_rpm.largest, "Lower the speed")
    if commands.speed_rpm is not None:
        within(("commands", "speed_rpm"), commands.speed_rpm.largest, "Lower the speed")
    at = ("initial", "speed_rpm")
    within(at, abs(initial.speed_rpm), "Lower the speed")
    if load.kind == "rig" and initial.speed_rpm not in (0.0, load.speed_rpm.values[0]):
        report.finding(at, f"has no effect on a rig, which begins at its own {short(load.speed_rpm.values[0])} rpm")
    if load.kind == "locked" and initial.speed_rpm != 0.0:
        report.problem(at, "a locked shaft cannot turn (rpm)", 'Set it to 0, or load.kind = "free"')


@needs("machine", "initial", "commands")
def currents(report, machine, initial, commands):
    limit = machine.max_current_A
    size = math.hypot(initial.id_A, initial.iq_A)
    if size > limit:
        key = "id_A" if abs(initial.id_A) >= abs(initial.iq_A) else "iq_A"
        report.finding(("initial", key), f"the run begins with {short(size)} A, above machine.max_current_A = {short(limit)} A")
    for key in ("id_A", "iq_A"):
        profile = getattr(commands, key)
        if profile is not None and profile.largest > limit:
            statement = f"reaches {short(profile.largest)}, above machine.max_current_A = {short(limit)} A: it will be limited"
            report.finding(("commands", key), statement)


@needs("commands", "load", "inverter", "run")
def profiles(report, commands, load, inverter, run):
    """Points that fall on one tick, or beyond the run."""
    tick = tick_of(inverter)
    named = [(("commands", key), getattr(commands, key)) for key in type(commands).model_fields]
    named += [(("load", key), getattr(load, key, None)) for key in ("speed_rpm", "torque_Nm", "grade_percent")]
    for at, profile in named:
        if profile is None:
            continue
        ticks = [round(t / tick) for t in profile.times]
        same = next((k for k in range(1, len(ticks)) if ticks[k] == ticks[k - 1]), None)
        if same is not None and profile.shape == "step":
            report.finding(at, f"points {same - 1} and {same} fall on the same tick ({short(tick)} s): the later one holds")
        if len(ticks) > 1 and profile.times[-1] > run.duration_s:
            late = short(profile.times[-1])
            report.finding(at, f"its last point at {late} s lies beyond the run's end, {short(run.duration_s)} s")


@needs("controller")
def tuning(report, controller):
    if controller.class_ != BUILT_IN and not controller.class_.startswith("controllers."):
        return
    # Only what every built-in would read wrongly; the class checks the rest.
    for name, value in controller.tuning.items():
        if isinstance(value, float) and not math.isfinite(value):
            report.problem(("controller", "tuning", name), "must be finite", "Give a number")


CHECKS = (
    mode_name, mode_and_load, mode_and_machine, mode_and_commands, open_loop_commands, open_loop_frequency, speeds, currents,
    profiles, tuning,
)  # fmt: skip
