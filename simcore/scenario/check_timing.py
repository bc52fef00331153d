"""Times against the tick: dead time, pulses, sampling, length of the run, rows."""

import math

from simcore.scenario.checking import needs, short, tick_of, whole_ticks

MOST_TICKS = 2**31 - 1
MOST_ROWS = 20_000_000


@needs("inverter")
def dead_time(report, inverter):
    tick = tick_of(inverter)
    if inverter.dead_time_s >= tick:
        report.problem(
            ("inverter", "dead_time_s"),
            f"must be shorter than half the carrier period, {short(tick)} (s)",
            "Dead times are some 1e-6 s; shorten it, or lower inverter.switching_frequency_Hz",
        )
    elif inverter.dead_time_s > 0.2 * tick:
        share = short(100 * inverter.dead_time_s / tick)
        report.finding(("inverter", "dead_time_s"), f"takes {share} % of each tick ({short(tick)} s)")
    if inverter.minimum_pulse_s > tick:
        report.problem(
            ("inverter", "minimum_pulse_s"),
            f"must not be longer than a tick, {short(tick)} (s)",
            "Minimum pulses are some 1e-6 s; shorten it",
        )


@needs("inverter", "sensors")
def sample_shift(report, inverter, sensors):
    tick = tick_of(inverter)
    if sensors.current.sample_shift_s >= tick:
        report.problem(
            ("sensors", "current", "sample_shift_s"),
            f"must lie inside the tick, from 0 to below {short(tick)} (s)",
            "Shift by less than half a carrier period",
        )


@needs("controller", "sensors")
def delay(report, controller, sensors):
    if controller.delay_updates == 0 and sensors.current.sample_shift_s > 0.0:
        report.problem(
            ("controller", "delay_updates"),
            f"duties would act before the sample is taken (sensors.current.sample_shift_s = "
            f"{short(sensors.current.sample_shift_s)} s)",
            "Set delay_updates = 1, or sample_shift_s = 0",
        )


@needs("run", "inverter")
def length(report, run, inverter):
    tick = tick_of(inverter)
    ticks = whole_ticks(run.duration_s, tick)
    at = ("run", "duration_s")
    if ticks < 1:
        report.problem(at, f"is less than one tick of {short(tick)} (s)", "Make the run longer")
    elif ticks > MOST_TICKS:
        longest = short(MOST_TICKS * tick)
        report.problem(at, f"is {ticks} ticks, more than {MOST_TICKS} (s)", f"Stay below {longest} s")
    elif run.record_every and ticks / run.record_every > MOST_ROWS:
        report.problem(
            ("run", "record_every"),
            f"would record {math.ceil(ticks / run.record_every)} rows, more than {MOST_ROWS}",
            f"Set record_every = {math.ceil(ticks / MOST_ROWS)} or more, or leave it out",
        )
    elif run.record_every and run.record_every > ticks:
        report.finding(("run", "record_every"), f"is more than the run's {ticks} ticks: a single row is recorded")


CHECKS = (dead_time, sample_shift, delay, length)
