"""A controller in a C library: what it is told, that instances stay apart, and the sentence for each way it can be wrong."""

import math
import shutil
import struct
import subprocess
import sys
from types import SimpleNamespace

import numpy as np
import pytest
from own_controllers import compile_c, differing, need_gcc, run_class, write_scenario

from controllers import ContractError, Setup, TuningError
from controllers.c_header import HEADER, MARK, header_text, layout_number
from controllers.c_library import library_class
from controllers.contract import COMMAND, MEASURED
from controllers.library_file import made_for, this_machine
from simcore import Bench, RunError, ScenarioError, load_scenario

HOLD = """
#include "drybench_controller.h"
typedef struct { double duty, count; } State;
DRYBENCH_EXPORT uint64_t drybench_layout(void) { return DRYBENCH_LAYOUT; }
DRYBENCH_EXPORT int64_t drybench_state_bytes(void) { return sizeof(State); }
DRYBENCH_EXPORT const char *drybench_signals(void) { return "count, duty"; }
DRYBENCH_EXPORT const char *drybench_reset(void *state, const drybench_setup *setup)
{
    State *s = state;
    s->duty = drybench_number(setup, "tuning.duty", 0.5);
    return s->duty > 1.0 ? "duty must lie in 0..1." : NULL;
}
DRYBENCH_EXPORT int64_t drybench_step(const drybench_measured *m, drybench_command *c, void *state)
{
    State *s = state;
    s->count += 1.0;
    c->duty_a = c->duty_b = c->duty_c = s->duty;
    c->extra[0] = s->count;
    c->extra[1] = s->duty;
    STEP
    return m->time_s < 0.0;
}
"""


def hold(step="", source=HOLD):
    return source.replace("STEP", step)


# What it is told, what it answers ---------------------------------------------------------------------------------------


def test_it_runs_with_its_tuning_and_its_signals(tmp_path):
    compile_c(tmp_path, hold())
    recording = run_class(tmp_path, "own.so", "tuning = { duty = 0.25 }")
    assert set(recording["duty_a"][1:]) == {0.25} and set(recording["controller_duty"]) == {0.25}
    assert recording["controller_count"].tolist() == list(range(1, 201))
    assert differing(recording, run_class(tmp_path, "own.so", "tuning = { duty = 0.25 }", in_python=True)) == []


def test_it_turns_all_gates_off_and_on_again(tmp_path):
    compile_c(tmp_path, hold("c->gates_on = s->count <= 20.0 || s->count > 50.0;"))
    recording = run_class(tmp_path, "own.so")
    assert recording["state"].tolist() == [0.0] * 21 + [2.0] * 30 + [0.0] * 149
    assert differing(recording, run_class(tmp_path, "own.so", in_python=True)) == []


ECHO = """
#include "drybench_controller.h"
DRYBENCH_EXPORT uint64_t drybench_layout(void) { return DRYBENCH_LAYOUT; }
DRYBENCH_EXPORT int64_t drybench_state_bytes(void) { return 0; }
DRYBENCH_EXPORT const char *drybench_signals(void) { return ""; }
DRYBENCH_EXPORT const char *drybench_reset(void *state, const drybench_setup *setup) { (void)state; (void)setup; return NULL; }
DRYBENCH_EXPORT int64_t drybench_step(const drybench_measured *m, drybench_command *c, void *state)
{
    (void)state;
    c->duty_a = m->FIRST;
    c->duty_b = m->LAST;
    c->duty_c = 0.5;
    c->extra[DRYBENCH_SIGNALS - 1] = m->LAST;
    return 0;
}
"""


def test_every_field_of_a_measurement_lies_where_c_reads_it(tmp_path):
    first, last = MEASURED.names[0], MEASURED.names[-1]
    file = compile_c(tmp_path, ECHO.replace("FIRST", first).replace("LAST", last))
    instance = library_class(file)()
    instance.reset(set_up())
    measured = [float(k) for k in range(len(MEASURED.names))]
    command = instance.step(measured := tuple(measured))
    assert (command.duty_a, command.duty_b) == (measured[0], measured[-1])
    assert instance._command["extra"][0][-1] == measured[-1]
    assert command.gates_on is True and command.gate_setting == -1 and math.isnan(command.voltage_margin_V)


def set_up(**more):
    machine = SimpleNamespace(pole_pairs=4, kind="constants", flux_map=None)
    inverter = SimpleNamespace(dead_time_s=1e-6, modulation="svpwm")
    values = {"update_s": 5e-5, "tick_s": 2.5e-5, "delay_updates": 2, "machine": machine, "inverter": inverter}
    return Setup(**(values | {"inertia_kg_m2": 0.5, "tuning": {}, "mode": "torque"} | more))


ASK = """
#include "drybench_controller.h"
#include <stdio.h>
typedef struct { char said[256]; } State;
DRYBENCH_EXPORT uint64_t drybench_layout(void) { return DRYBENCH_LAYOUT; }
DRYBENCH_EXPORT int64_t drybench_state_bytes(void) { return sizeof(State); }
DRYBENCH_EXPORT const char *drybench_signals(void) { return ""; }
DRYBENCH_EXPORT const char *drybench_reset(void *state, const drybench_setup *setup)
{
    State *s = state;
    const drybench_value *modulation = drybench_find(setup, "inverter.modulation");
    snprintf(s->said, sizeof s->said, "%g %g %d %s %g %g %g %g %g %g %s", setup->update_s, setup->tick_s,
             (int)setup->delay_updates, setup->mode, drybench_number(setup, "machine.pole_pairs", -1.0),
             drybench_number(setup, "inertia_kg_m2", -1.0), drybench_number(setup, "tuning.on", -1.0),
             drybench_number(setup, "tuning.gains.1", -1.0), drybench_number(setup, "tuning.filter.Hz", -1.0),
             drybench_number(setup, "tuning.none", -7.0), modulation ? modulation->text : "nothing");
    return s->said;
}
DRYBENCH_EXPORT int64_t drybench_step(const drybench_measured *m, drybench_command *c, void *state)
{
    (void)m; (void)c; (void)state;
    return 0;
}
"""


def test_the_set_up_arrives_as_names_and_numbers(tmp_path):
    instance = library_class(compile_c(tmp_path, ASK))()
    tuning = {"on": True, "gains": [1.0, 2.5], "filter": {"Hz": 300}}
    with pytest.raises(TuningError, match="own.so refuses the set-up: 5e-05 2.5e-05 2 torque 4 0.5 1 2.5 300 -7 svpwm"):
        instance.reset(set_up(tuning=tuning))


def test_the_drive_it_is_told_of_is_the_scenarios(tmp_path):
    compile_c(tmp_path, ASK.replace("tuning.filter.Hz", "machine.inductance_q_H").replace("tuning.on", "inverter.dead_time_s"))
    with pytest.raises(ScenarioError, match="5e-05 5e-05 1 torque 4 -1 1e-06 -1 0.0006 -7 svpwm"):
        run_class(tmp_path, "own.so")


def test_a_set_up_it_refuses_is_wrong_input(tmp_path):
    compile_c(tmp_path, hold())
    with pytest.raises(ScenarioError) as caught:
        run_class(tmp_path, "own.so", "tuning = { duty = 1.5 }")
    assert caught.value.problems == ("own.toml: controller.tuning: own.so refuses the set-up: duty must lie in 0..1.",)


def test_a_tuning_key_that_it_never_read_is_a_slip(tmp_path):
    compile_c(tmp_path, hold())
    with pytest.raises(ScenarioError) as caught:
        run_class(tmp_path, "own.so", "tuning = { duty = 0.5, dutty = 0.25 }")
    words = "own.toml: controller.tuning.dutty: own.so reads no such key. Of those given it reads duty."
    assert caught.value.problems == (words,)


# Instances and libraries stay apart -------------------------------------------------------------------------------------


def test_instances_have_blocks_of_their_own_zeroed_and_aligned(tmp_path):
    kind = library_class(compile_c(tmp_path, hold()))
    one, other = kind(), kind()
    for instance, duty in ((one, 0.25), (other, 0.75)):
        instance.reset(set_up(tuning={"duty": duty}))
        assert instance._state.ctypes.data % 64 == 0 and instance._state.nbytes % 64 == 0
    measured = (0.0,) * len(MEASURED.names)
    for count in (1.0, 2.0, 3.0):
        assert one.step(measured).extra == (count, 0.25)
        assert other.step(measured).extra == (count, 0.75)
    one.reset(set_up(tuning={"duty": 0.25}))
    assert one.step(measured).extra == (1.0, 0.25) and other.step(measured).extra == (4.0, 0.75)


def test_two_libraries_of_the_same_symbols(tmp_path):
    compile_c(tmp_path, hold(), "one.so")
    compile_c(tmp_path, hold("c->duty_a = 0.125;"), "two.so")
    one, two = run_class(tmp_path, "one.so"), run_class(tmp_path, "two.so")
    assert one["duty_a"][5] == 0.5 and two["duty_a"][5] == 0.125
    assert run_class(tmp_path, "one.so")["duty_a"][5] == 0.5


def test_a_library_compiled_again_is_read_anew(tmp_path):
    seen = []
    for duty in (0.25, 0.75, 0.25):
        compile_c(tmp_path, hold(f"c->duty_a = {duty};"))
        seen.append(run_class(tmp_path, "own.so")["duty_a"][5])
    assert seen == [0.25, 0.75, 0.25]


def test_one_machine_code_serves_all_libraries(tmp_path):
    files = [compile_c(tmp_path, hold(f"c->duty_a = {duty};"), f"{name}.so") for name, duty in (("a", 0.1), ("b", 0.2))]
    kinds = [library_class(file) for file in files]
    assert kinds[0].compiled_function() is kinds[1].compiled_function()
    assert len(kinds[0].compiled_function().overloads) == 1


def test_a_path_counts_from_the_file_that_names_it(tmp_path):
    (tmp_path / "deep").mkdir()
    compile_c(tmp_path / "deep", hold())
    write_scenario(tmp_path / "deep", "own.so")
    (tmp_path / "mine.toml").write_text('base = "deep/own.toml"\n')
    scenario = load_scenario(tmp_path / "mine.toml")
    assert scenario.controller.library == tmp_path / "deep" / "own.so" and scenario.controller.file is None
    assert Bench(scenario).run()["duty_a"][5] == 0.5
    write_scenario(tmp_path, "deep/own.so")
    assert load_scenario(tmp_path / "own.toml").resolved["controller"]["class"] == str(tmp_path / "deep" / "own.so")


# While it runs ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("step", "words"),
    [
        ("if (s->count > 20.0) c->duty_b = 1.5;", "own.so gave a duty of 1.5 at tick 20"),
        ("if (s->count > 20.0) c->duty_b = 0.0 / (m->time_s * 0.0);", "own.so gave a duty that is not a finite number at"),
        ("if (s->count > 20.0) return 9;", "own.so ended the run at tick 20 (0.001 s) with its own code 9"),
        ("if (s->count > 20.0) c->gate_setting = 3;", "own.so gave gate_setting = 3 at tick 20"),
    ],
)
def test_a_wrong_answer_ends_the_run_with_the_librarys_name(tmp_path, step, words):
    compile_c(tmp_path, hold(step))
    with pytest.raises(RunError) as caught:
        run_class(tmp_path, "own.so")
    assert words in str(caught.value)
    assert caught.value.recording.ticks == 20


# Libraries that cannot be used ------------------------------------------------------------------------------------------


def one_problem(folder, name="own.so"):
    with pytest.raises(ScenarioError) as caught:
        Bench(load_scenario(write_scenario(folder, name)))
    (sentence,) = caught.value.problems
    sentence = sentence.removeprefix(f"{folder}/")
    assert sentence.startswith(f'own.toml: controller.class = "{name}"') and "\n" not in sentence, sentence
    return sentence


def without(*functions):
    """The source without these functions."""
    kept, skipped = [], False
    for line in HOLD.splitlines():
        if any(f"{name}(" in line and "DRYBENCH_EXPORT" in line for name in functions):
            skipped = not line.endswith("}")
            continue
        if not skipped:
            kept.append(line)
        skipped = skipped and line != "}"
    return hold(source="\n".join(kept))


@pytest.mark.parametrize(
    ("functions", "words"),
    [
        (["drybench_step"], "has no function drybench_step. Define it as drybench_controller.h declares"),
        (["drybench_reset", "drybench_signals"], "has no functions drybench_signals, drybench_reset. Define them"),
        (["drybench_layout"], "has no function drybench_layout."),
    ],
)
def test_a_missing_function_is_named(tmp_path, functions, words):
    compile_c(tmp_path, without(*functions))
    assert words in one_problem(tmp_path)


WIDER = np.dtype([*[(name, MEASURED[name]) for name in MEASURED.names], ("rotor_degC", "f8")], align=True)


def test_a_library_of_another_layout_is_refused(tmp_path):
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr("controllers.c_header.MEASURED", WIDER)
        compile_c(tmp_path, hold(), header=header_text())
        theirs = layout_number()
    sentence = one_problem(tmp_path)
    assert "was compiled with another layout of drybench_controller.h" in sentence
    assert f"(0x{theirs:016x}; this drybench has 0x{layout_number():016x})" in sentence and "`drybench new header`" in sentence


def test_the_layout_number_follows_the_records_and_not_the_comments(monkeypatch):
    before = layout_number()
    monkeypatch.setattr("controllers.c_header.CONTRACT", "/* other words */\n")
    assert layout_number() == before and 0 < before < 2**63
    monkeypatch.setattr("controllers.c_header.MEASURED", WIDER)
    assert layout_number() != before
    assert "double rotor_degC;" in header_text()


@pytest.mark.parametrize(("size", "words"), [("-1", "returned -1"), ("1000000000000", "returned 1000000000000")])
def test_a_state_of_senseless_size(tmp_path, size, words):
    compile_c(tmp_path, hold(source=HOLD.replace("return sizeof(State)", f"return {size}")))
    assert words in one_problem(tmp_path) and "sizeof" in one_problem(tmp_path)


@pytest.mark.parametrize("names", ["a b", "x,x", ",", ",".join(f"s{k}" for k in range(17))])
def test_signals_of_wrong_names(tmp_path, names):
    compile_c(tmp_path, hold(source=HOLD.replace("count, duty", names)))
    with pytest.raises(ScenarioError, match="own.toml: controller.class: own.so.signals"):
        run_class(tmp_path, "own.so")


def test_a_missing_library_is_told_how_to_come_to_be(tmp_path):
    assert "no such file: own.so. Check the path." in one_problem(tmp_path)
    (tmp_path / "own.c").write_text(HOLD)
    assert "Compile own.c first" in one_problem(tmp_path)
    (tmp_path / "owm.so").write_bytes(b"")
    (tmp_path / "own.c").unlink()
    assert 'Did you mean "owm.so"?' in one_problem(tmp_path)


def elf(wide, kind, processor, order="<"):
    """Head of an ELF file: class, type and machine as its specification numbers them."""
    identity = b"\x7fELF" + bytes([wide, 1 if order == "<" else 2, 1]) + bytes(9)
    return identity + struct.pack(f"{order}HH", kind, processor) + bytes(64)


FILES = {
    "text": (b"not a library\n", "is no shared library"),
    "empty": (b"", "is no shared library"),
    "torn": (b"\x7fELF\x02\x01", "is no shared library"),
    "object": (elf(2, 1, 62), "is an object file, not linked"),
    "other processor": (elf(2, 3, 20), "is compiled for Linux on a processor of number 20"),
    "32 bit": (elf(1, 3, 3), "is compiled for Linux on 32-bit x86"),
    "big-endian": (elf(2, 3, 21, ">"), "a processor of number 21"),
}


@pytest.mark.parametrize("case", FILES)
def test_a_file_of_another_kind(tmp_path, case):
    content, words = FILES[case]
    (tmp_path / "own.so").write_bytes(content)
    assert words in one_problem(tmp_path)


def test_a_library_for_another_processor(tmp_path):
    need_gcc()
    file = compile_c(tmp_path, hold())
    data = bytearray(file.read_bytes())
    other = 183 if this_machine()[1] != "64-bit ARM" else 62
    data[18:20] = struct.pack("<H", other)
    file.write_bytes(data)
    sentence = one_problem(tmp_path)
    assert "is compiled for Linux on 64-bit" in sentence and f"this is {' on '.join(this_machine())}" in sentence


@pytest.mark.parametrize(
    ("head", "told"),
    [
        (b"MZ" + b"\0" * 58 + struct.pack("<I", 64) + b"PE\0\0" + struct.pack("<H", 0x8664), ("Windows", "64-bit x86")),
        (b"MZ" + b"\0" * 58 + struct.pack("<I", 64) + b"PE\0\0" + struct.pack("<H", 0xAA64), ("Windows", "64-bit ARM")),
        (b"\xcf\xfa\xed\xfe" + struct.pack("<I", 0x100000C), ("macOS", "64-bit ARM")),
        (b"\xcf\xfa\xed\xfe" + struct.pack("<I", 0x1000007), ("macOS", "64-bit x86")),
        (b"MZ" + b"\0" * 80, None),
    ],
)
def test_heads_of_other_systems(head, told):
    # Numbers of the ELF, PE and Mach-O specifications.
    assert made_for(head) == told


def test_a_library_that_lacks_a_function_of_its_own(tmp_path):
    source = hold("c->duty_a = not_linked(s->duty);", HOLD.replace("typedef", "double not_linked(double x);\ntypedef", 1))
    compile_c(tmp_path, source)
    sentence = one_problem(tmp_path)
    assert "the system cannot load it" in sentence and "not_linked" in sentence and "-lm" in sentence


def test_a_library_linked_with_fast_math_is_refused_where_it_changes_the_process(tmp_path):
    compile_c(tmp_path, hold(), "own.so", "-ffast-math")
    write_scenario(tmp_path, "own.so")
    # In a process of its own: the setting stays.
    program = (
        "import sys\nfrom simcore import Bench, ScenarioError, load_scenario\n"
        f"scenario = load_scenario({str(tmp_path / 'own.toml')!r})\n"
        "try:\n    Bench(scenario)\nexcept ScenarioError as error:\n    print(error)\n"
        "print('flushed' if sys.float_info.min / 2.0 == 0.0 else 'whole')\n"
    )
    done = subprocess.run([sys.executable, "-c", program], check=True, capture_output=True, text=True)
    if "whole" in done.stdout:
        pytest.skip("this compiler's -ffast-math leaves the process as it is")
    assert "subnormal numbers" in done.stdout and "-ffast-math" in done.stdout


# The header -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("standard", ["-std=c99", "-std=c11", "-std=c17"])
def test_the_header_is_clean_c(tmp_path, standard):
    compile_c(tmp_path, hold(), "own.so", standard, "-Wpedantic", "-Wshadow", "-Wconversion")


def test_the_header_is_clean_cpp(tmp_path):
    if shutil.which("g++") is None:
        pytest.skip("no g++ here: a controller in C++ is not tried")
    (tmp_path / HEADER).write_text(header_text())
    (tmp_path / "own.cpp").write_text(hold().replace("= state;", "= static_cast<State *>(state);"))
    command = ["g++", "-O2", "-Wall", "-Wextra", "-Wpedantic", "-Werror", "-fPIC", "-shared", "-o", "own.so", "own.cpp"]
    subprocess.run(command, cwd=tmp_path, check=True)
    assert run_class(tmp_path, "own.so")["duty_a"][5] == 0.5


def test_the_header_stops_a_compiler_that_packs_the_structs(tmp_path):
    need_gcc()
    text = header_text()
    (tmp_path / HEADER).write_text(text.replace("    double time_s;", "    char one;\n    double time_s;"))
    (tmp_path / "own.c").write_text(hold())
    done = subprocess.run(["gcc", "-fsyntax-only", "own.c"], cwd=tmp_path, capture_output=True, text=True)
    assert done.returncode != 0 and "drybench_measured_is_laid_out_otherwise" in done.stderr


def test_the_header_has_every_field_of_the_records():
    text = header_text()
    assert text.startswith(MARK)
    for name in (*MEASURED.names, *COMMAND.names):
        assert f" {name};" in text or f" {name}[" in text, name


def test_a_class_of_a_library_needs_the_file():
    with pytest.raises(ContractError, match="cannot be read"):
        library_class("nowhere/own.so")
