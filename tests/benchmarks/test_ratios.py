"""Ratios between loops, measured in turns so that a busy machine slows all of them alike.  Shown, not asserted."""

import time

import pytest
from c_twin import QUICK, compile_twin, make_loop, run_drybench, run_twin
from loops import IDEAL, IDEAL_LEGS, NOISY, SWITCHED, changed

DRIVE = {"commands": {"torque_Nm": 120.0}}
LOOPS = {
    "noisy sensors, resolver, dead time": {},
    "noisy sensors, resolver, ideal legs": IDEAL_LEGS,
    "ideal sensors and legs": IDEAL,
}


def fastest(runs, rounds):
    """({name: callable(loop)}, fresh loops by name) => least seconds of each."""
    least = dict.fromkeys(runs, float("inf"))
    for _ in range(rounds):
        for name, (run, make) in runs.items():
            loop = make()
            begun = time.perf_counter()
            run(loop)
            least[name] = min(least[name], time.perf_counter() - begun)
    return least


@pytest.mark.parametrize("loop", LOOPS)
def test_ratios(benchmark, make_scenario, tmp_path, say_below, loop):
    twin = compile_twin(tmp_path, QUICK)
    if twin is None:
        pytest.skip("no gcc here: the C twin is left out")
    duration = {"run": {"duration_s": 0.5 if benchmark.enabled else 0.02}}
    averaged = make_scenario(**changed(NOISY, DRIVE, LOOPS[loop], duration))
    switched = make_scenario(**changed(NOISY, DRIVE, LOOPS[loop], duration, SWITCHED))
    runs = {
        "drybench": (run_drybench, lambda: make_loop(averaged)),
        "twin": (lambda arrays: run_twin(twin, arrays), lambda: make_loop(averaged)),
        "switched": (run_drybench, lambda: make_loop(switched)),
    }
    least = benchmark.pedantic(fastest, (runs, 60 if benchmark.enabled else 1), rounds=1)
    if benchmark.enabled:
        ns = {name: seconds / averaged.ticks * 2e9 for name, seconds in least.items()}
        say_below(
            f"{loop}: drybench {ns['drybench']:.0f} ns a period ({1e5 / ns['drybench']:.0f} x real time), C twin "
            f"{ns['twin']:.0f} ns, twin/drybench {ns['twin'] / ns['drybench']:.2f}; "
            f"switched/averaged {ns['switched'] / ns['drybench']:.2f}"
        )
