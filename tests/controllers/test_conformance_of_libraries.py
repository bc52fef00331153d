"""The conformance checker on controllers in C: what static variables, clocks and wrong arithmetic lead to."""

import subprocess
import sys
from pathlib import Path

import pytest
from own_controllers import compile_c, write_scenario

import simcore
from controllers import ContractError
from simcore.testing import ConformanceError, check_controller

SOURCE = """
#define _POSIX_C_SOURCE 199309L
#include <math.h>
#include <time.h>
#include "drybench_controller.h"
typedef struct { double total; } State;
static double shared;
static double now(void) { struct timespec t; clock_gettime(CLOCK_MONOTONIC, &t); return 1e-9 * (double)t.tv_nsec; }
DRYBENCH_EXPORT uint64_t drybench_layout(void) { return DRYBENCH_LAYOUT; }
DRYBENCH_EXPORT int64_t drybench_state_bytes(void) { return sizeof(State); }
DRYBENCH_EXPORT const char *drybench_signals(void) { return "total"; }
DRYBENCH_EXPORT const char *drybench_reset(void *state, const drybench_setup *setup)
{
    State *s = state;
    s->total = drybench_number(setup, "tuning.start", 0.0) + 0.0 * (shared + now());
    RESET
    return NULL;
}
DRYBENCH_EXPORT int64_t drybench_step(const drybench_measured *m, drybench_command *c, void *state)
{
    State *s = state;
    s->total += 0.01;
    shared += 0.01;
    c->duty_a = c->duty_b = c->duty_c = 0.5 + 0.3 * sin(VALUE + 1e-2 * m->ia_A);
    c->extra[0] = s->total;
    STEP
    return 0;
}
"""


def library(folder, value="s->total", step="", reset=""):
    return compile_c(folder, SOURCE.replace("VALUE", value).replace("STEP", step).replace("RESET", reset))


def one_finding(file, **how):
    with pytest.raises(ConformanceError) as caught:
        check_controller(file, updates=100, **how)
    (finding,) = caught.value.findings
    assert "own.so" in finding
    return finding


def test_a_good_one_passes_alone_and_named_by_a_scenario(tmp_path):
    file = library(tmp_path)
    assert check_controller(file).name == "own.so"
    scenario = write_scenario(tmp_path, "own.so", "tuning = { start = 0.5 }")
    assert check_controller(scenario, real_time=1e-3).real_time_factor > 1e-3


def test_a_static_variable_is_told_from_a_clock(tmp_path):
    finding = one_finding(library(tmp_path, "shared"))
    assert "own.so.step answered duty_a = " in finding and "at update 0 in a second, fresh instance" in finding
    assert "Hidden global state: a copy of the library with static variables of its own answers as expected" in finding
    finding = one_finding(library(tmp_path, "now()"))
    assert "at update 0 in a second, fresh instance" in finding and "Not deterministic" in finding


def test_a_static_variable_that_reset_sets_anew(tmp_path):
    finding = one_finding(library(tmp_path, "shared", reset="shared = 0.0;"))
    assert "at update 50 while another instance ran beside it" in finding and "Hidden global state" in finding


@pytest.mark.parametrize(
    ("step", "words"),
    [
        ("c->duty_b = s->total > 0.205 ? 1.5 : 0.5;", "own.so.step answered duty_b = 1.5 at update 20; expected 0..1"),
        ("c->duty_b = s->total > 0.205 ? 0.0 / (s->total * 0.0) : 0.5;", "duty_b = nan at update 20; expected a number"),
        ("if (s->total > 0.205) return 4;", "step raised RuntimeError at update 20 (it ended the run with its own code 4)"),
        ("c->duty_b = 0.5 + 30.0 / m->link_voltage_V;", "The sample was an extreme one"),
    ],
)
def test_wrong_answers(tmp_path, step, words):
    assert words in one_finding(library(tmp_path, step=step)).replace("-nan", "nan")


def test_a_library_that_cannot_be_used(tmp_path):
    (tmp_path / "own.so").write_text("nothing")
    with pytest.raises(ContractError, match="is no shared library"):
        check_controller(tmp_path / "own.so")


TESTS = """
from controllers import Command, Controller

class Good(Controller):
    def reset(self, setup):
        pass
    def step(self, measured):
        return Command(0.5, 0.5, 0.5)

class Bad(Good):
    def step(self, measured):
        return 0.5, 0.5, 0.5

def test_good(check_controller):
    assert check_controller(Good, "own.toml", updates=20).updates == 20

def test_scenario(check_controller):
    check_controller("own.toml", updates=20)

def test_bad(check_controller):
    check_controller(Bad, updates=20)
"""


def test_the_fixture_finds_files_beside_the_test_and_fails_with_the_sentence(tmp_path):
    (tmp_path / "test_mine.py").write_text(TESTS)
    write_scenario(tmp_path, "controllers.foc:FieldOrientedController", "mode = 'current'")
    root = str(Path(simcore.__file__).resolve().parents[1])
    options = ["-q", "-p", "simcore.pytest_plugin", "-p", "no:cacheprovider"]
    command = [sys.executable, "-m", "pytest", *options, str(tmp_path / "test_mine.py")]
    done = subprocess.run(command, cwd=root, capture_output=True, text=True)
    assert "1 failed, 2 passed" in done.stdout, done.stdout
    assert "Bad.step answered tuple (0.5, 0.5, 0.5) at update 0; expected controllers.Command" in done.stdout
    assert ">       check_controller(Bad, updates=20)\n" in done.stdout and "conformance.py:" not in done.stdout
