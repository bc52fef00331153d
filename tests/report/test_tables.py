"""The terminal's tables say what was measured, in words, whatever the names hold."""

import io
import subprocess
import sys

import numpy as np
import pytest
from report_fake import torque_steps
from rich.console import Console

from simcore.measure import judge
from simcore.report.tables import print_report
from simcore.report.wording import limit_text, margin_text, measured_unit, number, share_text, unit_of


def printed(recording, expectations, width=110, encoding=None):
    raw = io.BytesIO()
    file = io.TextIOWrapper(raw, encoding=encoding or "utf-8", write_through=True)
    print_report(recording, expectations, Console(file=file, width=width, legacy_windows=False))
    return raw.getvalue().decode(encoding or "utf-8")


def test_the_report_gives_verdicts_audit_limits_and_speed_in_words():
    recording = torque_steps()
    text = printed(recording, judge(recording, recording.scenario.expect))
    for words in (
        "4 of 5 met", "NOT MET", "at most 4 ms", "700 +- 10 V", "step at 50 ms, band 2 %", "copper", "4.81 %",
        "no loss: iron, switching", "aim 1e-06: met.", "current", "no limit", "143 times real time",
        "Least voltage margin -96.499 V at 200.4 ms, in a transient: negative 0.1 % of the time.",
    ):  # fmt: skip
        assert words in text, words


def test_a_measure_without_a_number_says_why():
    recording = torque_steps()
    unmeasurable = {"signal": "ia_A", "measure": "rise_time_s", "step_at_s": 0.05, "max": 1}
    text = printed(recording, judge(recording, [unmeasurable]))
    assert "none" in text and "ia_A has no reference" in text


def test_a_line_holds_the_window_where_there_is_room_and_nothing_is_split():
    recording = torque_steps()
    recording.findings = ("x.toml: run.substeps = 1: something to know.",)
    verdicts = judge(recording, recording.scenario.expect)
    wide, usual, narrow = (printed(recording, verdicts, width=width) for width in (120, 80, 50))
    assert "settling_time_s of torque_Nm, step at 50 ms, band 2 %" in wide
    for text in (wide, usual, narrow):
        assert all(line == line.rstrip() for line in text.splitlines()) and "\n\n\n" not in text
        for name in ("settling_time_s of torque_Nm", "harmonic_amplitude 6 of iq_A", "step at 50 ms", "at most 4 ms"):
            assert name in text, name
    assert all(len(line) <= 80 for line in usual.split("Energy audit")[0].splitlines())
    assert usual.startswith("torque_steps: Torque steps on a rig\nTold: x.toml: run.substeps = 1: something to know.\n")


def test_a_terminal_gets_broken_lines_and_a_pipe_whole_ones():
    recording = torque_steps()
    recording.findings = ("scenarios/x.toml: " + "word " * 40 + "end",)
    file = io.StringIO()
    print_report(recording, [], Console(file=file, width=60, force_terminal=True, legacy_windows=False))
    assert all(len(line) <= 60 for line in file.getvalue().splitlines() if "\x1b" not in line)
    assert max(len(line) for line in printed(recording, [], width=60).splitlines()) > 200


@pytest.mark.parametrize("width", range(24, 100, 7))
def test_a_number_keeps_its_unit_where_a_line_breaks(width):
    recording = torque_steps()
    file = io.StringIO()
    print_report(recording, [], Console(file=file, width=width, force_terminal=True, no_color=True, legacy_windows=False))
    assert not any(line.lstrip().startswith(("%", "V ", "ms", "s ")) for line in file.getvalue().splitlines())


def test_codes_are_told_by_name_and_a_silent_controller_is_said_to_be_silent():
    recording = torque_steps()
    asked = [{"signal": "binding_limit", "measure": "max", "equal": 2}]
    assert "2 (voltage)  exactly 2\n" in printed(recording, judge(recording, asked))
    recording["binding_limit"][:] = 0
    recording["voltage_margin_V"][:] = np.nan
    text = printed(recording, [])
    assert "Limit that binds: not reported by this controller.\n" in text
    assert "voltage margin" not in text and "no limit" not in text


def test_the_margin_says_whether_it_was_a_transient():
    assert margin_text(12.5, 0.1, 0.0) == "least voltage margin 12.5 V at 100 ms"
    short = margin_text(-12.5, 0.1, 0.002)
    assert short == "least voltage margin -12.5 V at 100 ms, in a transient: negative 0.2 % of the time"
    assert margin_text(-12.5, 0.1, 0.25).endswith("100 ms, negative 25.0 % of the time")
    assert margin_text(float("nan"), float("nan"), float("nan")) == ""


def test_square_brackets_are_text_and_sentences_stay_whole():
    recording = torque_steps()
    sentence = "scenarios/x.toml: [controller] tuning: " + "word " * 40 + "end"
    recording.findings = (sentence,)
    assert f"Told: {sentence}\n" in printed(recording, [], width=60)


def test_rounding_is_no_loss_and_a_small_rest_is_not_zero():
    recording = torque_steps()
    recording.audit["losses_J"]["conduction"] = 48.0 - 1e-4
    recording.audit["losses_J"]["switching"] = -1.4e-13
    text = printed(recording, [])
    assert "no loss: iron, switching" in text and "below 0.01 %" in text and "1.00e-04" in text


def test_plain_ascii_terminals_are_served():
    recording = torque_steps()
    assert "Energy audit" in printed(recording, judge(recording, recording.scenario.expect), encoding="ascii")


def test_a_missed_audit_names_the_substeps_and_gaps_are_told():
    recording = torque_steps(rpm=12000.0)
    recording.audit["residual_relative"] = 4e-6
    remedy = "NOT MET. The rotor turns up to 0.126 rad (electrical) in a solver step; run.substeps = 5 would do."
    assert remedy in printed(recording, [])
    recording["speed_rpm"][:] = 100.0
    assert "NOT MET." in printed(recording, [])
    recording.audit = {"energy_in_J": np.nan, "residual_relative": None}
    recording.timing = {}
    del recording["voltage_margin_V"], recording["binding_limit"]
    text = printed(recording, [])
    assert "none was computed" in text and "Simulated time unknown" in text


@pytest.mark.parametrize(
    "value, unit, text",
    [
        (0.004, "s", "4 ms"), (2.5e-6, "s", "2.5 us"), (1.5, "s", "1.5 s"), (0.0, "s", "0 s"),
        (12345.678, "rpm", "12346 rpm"),
        (0.05, "V", "0.05 V"), (3e-9, "J", "3.00e-09 J"), (float("nan"), "V", "none"), (-96.4991, "V", "-96.499 V"),
        (1.5e8, "W", "1.5e+08 W"),
    ],
)  # fmt: skip
def test_numbers_read_well(value, unit, text):
    assert number(value, unit) == text


def test_units_follow_from_names():
    names = {"torque_Nm": "Nm", "angle_error_deg": "deg", "junction_degC": "degC", "duty_a": "", "power_link_W": "W"}
    assert {name: unit_of(name) for name in names} == names
    assert measured_unit("power_link_W", "integral") == "J" and measured_unit("torque_Nm", "integral") == "Nm s"
    assert measured_unit("torque_Nm", "settling_time_s") == "s" and measured_unit("ia_A", "thd_percent") == "%"
    assert limit_text({"min": 1.0, "max": 2.0}, "V") == "1 to 2 V" and limit_text({"min": 0.5}) == "at least 0.5"
    assert limit_text({"equal": 1.5, "tolerance": 0.01}, "s") == "1.5 s +- 10 ms"
    assert limit_text({"equal": 4, "tolerance": 0.0}) == limit_text({"equal": 4}) == "exactly 4"


def test_a_rare_limit_is_never_rounded_away():
    assert [share_text(s) for s in (0.0, 1e-6, 0.5, 1 - 1e-6, 1.0)] == [
        "0.0 %", "below 0.1 %", "50.0 %", "above 99.9 %", "100.0 %",
    ]  # fmt: skip


def test_tables_do_not_load_the_plotting_library():
    code = (
        "import sys, simcore.report.tables, simcore.measure; sys.exit(bool({'matplotlib', 'scipy'} & set(sys.modules)))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
