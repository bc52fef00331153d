"""What sensor faults do, against closed forms; what their sensors read by hand."""

import math

import numpy as np
import pytest
from faulty import TICK_S, faulty_scenario, run

from controllers import Command, Controller

MACHINE = {
    "pole_pairs": 4, "stator_resistance_ohm": 0.001, "inductance_d_H": 0.25e-3, "inductance_q_H": 0.25e-3,
    "magnet_flux_Wb": 0.1, "max_current_A": 300,
}  # fmt: skip
# 75 rpm is 5 Hz electrical, a hundredth of the loop's 500 Hz; the fault comes at 0.4 s, one whole turn before is looked at.
SLOW = {"machine": MACHINE, "load": {"kind": "rig", "speed_rpm": 75.0}, "run": {"duration_s": 0.7, "record_every": 4}}
CHUNG = "Chung, Sul, IEEE TIA 34, 1998 [M]"


class Listener(Controller):
    """Half duty, and a note of all samples."""

    signals = ("ia", "ib", "ic", "link", "speed")

    def reset(self, setup):
        pass

    def step(self, m):
        return Command(0.5, 0.5, 0.5, extra=(m.ia_A, m.ib_A, m.ic_A, m.link_voltage_V, m.speed_rpm))


def listen(faults, **tables):
    """Turning machine on half duty; its sensors' readings are recorded as controller_..."""
    from simcore import Bench

    tables = {"run": {"duration_s": 0.01}, "initial": {"iq_A": 80.0}} | tables
    return Bench(faulty_scenario(faults, **tables), Listener()).run()


def at_tick_100(kind, **keys):
    return {"kind": kind, "at_s": 100 * TICK_S, **keys}


def test_an_offset_makes_torque_ripple_of_order_1_from_then_on(verified):
    """One of three sensors, 1 A: p psi."""
    recording = run(
        [{"kind": "current_sensor_offset", "phase": "a", "value_A": 1.0, "at_s": 0.4}], commands={"iq_A": 50.0}, **SLOW
    )
    before, after = (
        recording.measure("torque_Nm", "harmonic_amplitude", order=1, from_s=begin, to_s=begin + 0.2) for begin in (0.2, 0.5)
    )
    verified("torque ripple at f1 after an offset fault, 1 A in one of three sensors", CHUNG, 0.4, after, 8e-4, "Nm")
    assert before < 1e-3


def test_a_gain_makes_torque_ripple_of_order_2_from_then_on(verified):
    """One of three sensors, +3 %: I g/3 in iq."""
    fault = {"kind": "current_sensor_gain", "phase": "b", "factor": 1.03, "at_s": 0.4}
    recording = run([fault], commands={"iq_A": 50.0}, **SLOW)
    found = recording.measure("iq_A", "harmonic_amplitude", order=2, from_s=0.5, to_s=0.7)
    verified("iq ripple at 2 f1 after a gain fault, 3 % in one of three sensors, 50 A", CHUNG, 0.5, found, 0.012, "A")
    assert recording.measure("iq_A", "harmonic_amplitude", order=2, from_s=0.2, to_s=0.4) < 0.01


def test_a_stuck_sensor_repeats_its_last_sample_and_the_others_go_on():
    healthy = listen([])
    broken = listen([at_tick_100("current_sensor_stuck", phase="b", until_s=150 * TICK_S)])
    for name in ("controller_ia", "controller_ic"):
        assert np.array_equal(broken[name], healthy[name])
    expected = healthy["controller_ib"].copy()
    expected[100:150] = expected[99]
    assert np.array_equal(broken["controller_ib"], expected) and healthy["controller_ib"][99] != healthy["controller_ib"][100]


def test_the_third_phase_follows_from_two_also_when_one_is_stuck():
    broken = listen([at_tick_100("current_sensor_stuck", phase="a")], sensors={"current": {"phases": "ab"}})
    assert broken["controller_ic"] == pytest.approx(-broken["controller_ia"] - broken["controller_ib"], abs=1e-12)
    assert np.ptp(broken["controller_ia"][99:]) == 0.0


@pytest.mark.parametrize("reads, expected", [("zero", 0.0), ("high", 512.0), ("low", -512.0)])
def test_a_lost_sensor_reads_zero_or_a_rail(reads, expected):
    sensors = {"current": {"range_A": 512.0, "adc_bits": 10, "noise_rms_A": 2.0, "offset_A": [3.0, 3.0, 3.0]}}
    broken = listen([at_tick_100("current_sensor_lost", phase="c", reads=reads)], sensors=sensors)
    assert np.all(broken["controller_ic"][100:] == expected)
    assert np.ptp(broken["controller_ic"][:100]) > 3.0


def test_a_saturated_sensor_clips_before_the_converter():
    """Steps of 4 A (8 bits over +-512 A): clipped at 31 A it reads 32, in either direction."""
    sensors = {"current": {"range_A": 512.0, "adc_bits": 8}}
    faults = [at_tick_100("current_sensor_saturated", phase=phase, value_A=31.0) for phase in "ab"]
    healthy, broken = (listen(given, sensors=sensors) for given in ([], faults))
    for name in ("controller_ia", "controller_ib"):
        expected = healthy[name].copy()
        expected[100:] = np.clip(expected[100:], -32.0, 32.0)
        assert np.array_equal(broken[name], expected)
    assert broken["controller_ia"].max() > 100.0 or broken["controller_ib"].max() > 100.0
    late = np.concatenate([broken["controller_ia"][100:], broken["controller_ib"][100:]])
    assert late.max() == 32.0 and late.min() == -32.0


def test_a_burst_of_noise_has_its_rms_on_one_phase_only():
    """sqrt(3^2 + 4^2) with the sensor's own noise; a standard deviation of N samples is known to 1/sqrt(2 N)."""
    faults = [{"kind": "current_sensor_noise_burst", "phase": "a", "rms_A": 4.0, "at_s": 0.1}]
    tables = {"load": {"kind": "locked"}, "initial": {}, "machine": {"magnet_flux_Wb": 1e-9}, "run": {"duration_s": 0.3}}
    broken = listen(faults, sensors={"current": {"noise_rms_A": 3.0}}, **tables)
    for name, before, after in (("ia", 3.0, 5.0), ("ib", 3.0, 3.0)):
        for rows, expected in ((slice(0, 2000), before), (slice(2000, 6000), after)):
            samples = broken[f"controller_{name}"][rows]
            assert np.std(samples) == pytest.approx(expected, rel=4.0 / math.sqrt(2.0 * len(samples)))
            assert abs(np.mean(samples)) < 4.0 * expected / math.sqrt(len(samples))


def test_bursts_are_independent_of_each_other_and_of_the_sensors_own_noise():
    faults = [{"kind": "current_sensor_noise_burst", "phase": phase, "rms_A": 4.0, "at_s": 0.0} for phase in "abc"]
    tables = {"load": {"kind": "locked"}, "initial": {}, "machine": {"magnet_flux_Wb": 1e-9}, "run": {"duration_s": 0.2}}
    plain, broken = (listen(given, sensors={"current": {"noise_rms_A": 3.0}}, **tables) for given in ([], faults))
    draws = [plain[f"controller_i{phase}"] for phase in "abc"]
    draws += [broken[f"controller_i{phase}"] - plain[f"controller_i{phase}"] for phase in "abc"]
    found = np.corrcoef(draws) - np.eye(6)
    assert np.max(np.abs(found)) < 4.5 / math.sqrt(len(draws[0]))


RESOLVER = {"kind": "resolver", "pole_pairs": 4, "tracking_natural_frequency_Hz": 300, "tracking_damping": 0.7071}
STILL = {
    "machine": {"magnet_flux_Wb": 1e-9},
    "load": {"kind": "locked"},
    "controller": {"mode": "voltage"},
    "commands": {"vd_V": 0.0, "vq_V": 0.0},
    "sensors": {"position": RESOLVER},
}


@pytest.mark.parametrize(
    "channel, angle_deg, settles_deg", [("cosine", 30.0, 90.0), ("cosine", -100.0, -90.0), ("sine", 30.0, 0.0)]
)
def test_without_one_channel_the_tracking_loop_settles_on_the_other_s_axis(verified, channel, angle_deg, settles_deg):
    """Detector sin(x) cos(y) with the cosine lost rests at y = 90 deg x sign(sin x), -cos(x) sin(y) with the sine lost at 0;
    the lost channel's own offset is lost with it."""
    resolver = {**RESOLVER, {"sine": "offset_sin", "cosine": "offset_cos"}[channel]: 0.2}
    broken = run(
        [{"kind": "resolver_channel_lost", "channel": channel, "at_s": 0.002}],
        initial={"angle_electrical_deg": angle_deg}, run={"duration_s": 0.05}, **{**STILL, "sensors": {"position": resolver}},
    )  # fmt: skip
    found = angle_deg + broken["angle_error_deg"][-1]
    source = "rest of the detector, derived"
    verified(f"angle at standstill, {angle_deg:g} deg, {channel} channel lost", source, settles_deg, found, 1e-3, "deg")
    assert np.ptp(broken["angle_error_deg"][:40]) < 1e-9


def test_without_excitation_the_tracking_loop_runs_on_at_its_last_speed(verified):
    """Ramp of a rad/s2: the loop's speed lags by 2 zeta a/wn and its angle by a/wn^2; then nothing corrects it."""
    rise = 500.0  # rpm within 0.1 s
    a = rise / 0.1 * math.pi / 30.0
    wn = 2.0 * math.pi * 300.0
    broken = run(
        [{"kind": "resolver_excitation_lost", "at_s": 0.05}],
        load={"kind": "rig", "speed_rpm": {"points": [[0.0, 1000.0], [0.1, 1500.0]], "shape": "linear"}},
        sensors={"position": RESOLVER},
        run={"duration_s": 0.08},
    )
    held = broken["speed_measured_rpm"][1000:]
    source = "type-II loop on a ramp, derived"
    expected = 1250.0 - 2.0 * 0.7071 * a / wn * 30.0 / math.pi
    verified("speed held by a resolver without excitation, on a ramp", source, expected, held[-1], 1e-3, "rpm")
    assert np.ptp(held) < 1e-9
    after = 0.02
    error = -4.0 * math.degrees(a / wn**2 + 2.0 * 0.7071 * a / wn * after + 0.5 * a * after**2)
    verified("angle error 20 ms after the excitation was lost", source, error, broken["angle_error_deg"][1400], 1e-3, "deg")


@pytest.mark.parametrize(
    "fault, expected",
    [
        ({"kind": "resolver_amplitude_step", "amplitude_imbalance": 0.02}, math.degrees(0.5 * 0.02)),
        ({"kind": "resolver_quadrature_step", "quadrature_error_deg": 1.0}, 0.5),
    ],
)
def test_a_step_of_the_channels_makes_an_error_of_twice_the_resolver_angle(verified, fault, expected):
    """Hanselman: imbalance e makes e/2 sin 2x, quadrature q makes q/2 (1 - cos 2x)."""
    slow = {**SLOW, "sensors": {"position": RESOLVER}}
    broken = run([{**fault, "at_s": 0.2}], commands={"iq_A": 0.0}, **slow)
    found = broken.measure("angle_error_deg", "harmonic_amplitude", order=2, from_s=0.3, to_s=0.7)
    source = "Hanselman, IEEE TIE 37(6), 1990 [M]"
    verified(f"angle error at 2 f after {fault['kind']}", source, expected, found, 0.02 * expected, "deg")
    assert broken["angle_error_deg"][:900] == pytest.approx(0.0, abs=0.01)


def test_two_quadrature_steps_add_and_end_one_by_one():
    """Angles add; the mean error is half of what acts."""
    steps = [
        {"kind": "resolver_quadrature_step", "quadrature_error_deg": 2.0, "at_s": 0.1, "until_s": 0.5},
        {"kind": "resolver_quadrature_step", "quadrature_error_deg": 1.0, "at_s": 0.3},
    ]
    broken = run(steps, commands={"iq_A": 0.0}, **{**SLOW, "sensors": {"position": RESOLVER}})
    for begin, acting in ((0.0, 0.0), (0.2, 2.0), (0.4, 3.0), (0.6, 1.0)):
        mean = broken.measure("angle_error_deg", "mean", from_s=begin, to_s=begin + 0.1)
        assert mean == pytest.approx(0.5 * acting, abs=0.01)


@pytest.mark.parametrize("kind", ["ideal", "resolver", "encoder"])
def test_a_slip_of_the_sensor_costs_the_cosine_of_the_torque(verified, kind):
    """Equal inductances: the current stands 30 deg beside the q axis."""
    position = {"ideal": {"kind": "ideal"}, "resolver": RESOLVER, "encoder": {"kind": "encoder", "lines": 20000}}[kind]
    broken = run(
        [{"kind": "position_mounting_slip", "value_deg": 30.0, "at_s": 0.1}],
        machine={**MACHINE, "stator_resistance_ohm": 0.05}, load={"kind": "rig", "speed_rpm": 300.0},
        commands={"iq_A": 50.0}, sensors={"position": position}, run={"duration_s": 0.2},
    )  # fmt: skip
    before, after = (broken.measure("torque_Nm", "mean", from_s=t - 0.05, to_s=t) for t in (0.1, 0.2))
    source = "current beside the q axis, derived"
    verified("torque over torque before a mounting slip of 30 deg", source, math.cos(math.radians(30.0)), after / before, 2e-4)


def test_a_late_angle_is_behind_by_speed_times_latency():
    for position in ({"kind": "ideal"}, RESOLVER):
        fault = at_tick_100("position_latency", latency_s=50e-6)
        broken = run([fault], sensors={"position": position}, run={"duration_s": 0.01})
        assert broken["angle_error_deg"][:100] == pytest.approx(0.0, abs=1e-6)
        assert broken["angle_error_deg"][100:] == pytest.approx(-360.0 * 4.0 * 1000.0 / 60.0 * 50e-6, abs=1e-6)


@pytest.mark.parametrize("index", [True, False])
def test_lost_counts_turn_the_angle_until_the_index_comes(index):
    """100 of 4 x 512 counts at 4 pole pairs: 70.3125 deg electrical.  6000 rpm is a turn in 10 ms; loss at 5 ms."""
    broken = run(
        [at_tick_100("encoder_counts_lost", counts=100)],
        load={"kind": "rig", "speed_rpm": 6000.0},
        sensors={"position": {"kind": "encoder", "lines": 512, "index": index, "speed_filter_Hz": 0.0}},
        run={"duration_s": 0.0195},
    )
    resolution = 360.0 / 2048.0 * 4.0
    error, speed = broken["angle_error_deg"], broken["speed_measured_rpm"]
    assert np.all((error[:100] <= 1e-9) & (error[:100] > -resolution - 1e-9))
    lost = 100.0 * resolution
    assert np.all((error[100:200] <= -lost + 1e-9) & (error[100:200] > -lost - resolution - 1e-9))
    # The index may come a tick later by rounding.
    assert error[201:] == pytest.approx(0.0 if index else -lost, abs=resolution + 1e-9)
    # 100 counts within one update are missing in its speed, and in no other.
    a_count = 60.0 / 2048.0 / TICK_S
    assert speed[100] == pytest.approx(6000.0 - 100.0 * a_count, abs=a_count)
    assert np.delete(speed, [0, 100]) == pytest.approx(6000.0, abs=a_count)


@pytest.mark.parametrize(
    "fault, expected",
    [
        ({"kind": "link_voltage_sensor_gain", "factor": 1.2}, 1.2 * 1.01 * 400.0 + 5.0),
        ({"kind": "link_voltage_sensor_offset", "value_V": -30.0}, 1.01 * 400.0 + 5.0 - 30.0),
        ({"kind": "link_voltage_sensor_lost"}, 0.0),
    ],
)
def test_what_a_wrong_link_voltage_sensor_reads(fault, expected):
    broken = listen([{**fault, "at_s": 100 * TICK_S}], sensors={"link_voltage": {"gain": 1.01, "offset_V": 5.0}})
    assert broken["controller_link"][:100] == pytest.approx(409.0, abs=1e-9)
    assert broken["controller_link"][100:] == pytest.approx(expected, abs=1e-9)


def test_a_stuck_link_voltage_sensor_repeats_its_last_sample():
    broken = listen(
        [at_tick_100("link_voltage_sensor_stuck"), at_tick_100("supply_dip", factor=0.5)],
    )
    assert broken["controller_link"] == pytest.approx(400.0, abs=1e-9)
    assert broken["link_voltage_V"][100:] == pytest.approx(200.0, abs=1e-9)


@pytest.mark.parametrize("sensor", ["winding", "junction"])
def test_a_lost_temperature_sensor_reads_what_an_open_one_does_and_comes_back(sensor):
    fault = at_tick_100("temperature_sensor_lost", sensor=sensor, value_degC=-37.3, until_s=150 * TICK_S)
    sensors = {f"{sensor}_temperature": {"offset_K": 4.0, "resolution_K": 2.0}}
    recording = run([fault], sensors=sensors, run={"duration_s": 0.01})
    other = "junction" if sensor == "winding" else "winding"
    seen = recording[f"{sensor}_measured_degC"]
    assert np.all(seen[:100] == 30.0) and np.all(seen[150:] == 30.0)  # 29 degC in steps of 2 K
    assert seen[100:150] == pytest.approx(-37.3, abs=1e-12)
    assert np.ptp(recording[f"{other}_measured_degC"]) == 0.0


@pytest.mark.parametrize("phase", "abc")
def test_a_gain_multiplies_the_own_one_of_its_phase(phase):
    """5 H hold 60, -30 and -30 A; the sensors have gains of their own, and one of them gets half as much again."""
    own = {"a": 1.1, "b": 0.9, "c": 1.2}
    holding = {
        "machine": {"stator_resistance_ohm": 0.1, "inductance_d_H": 5.0, "inductance_q_H": 5.0, "magnet_flux_Wb": 1e-12},
        "load": {"kind": "locked"}, "initial": {"id_A": 60.0}, "sensors": {"current": {"gain": list(own.values())}},
    }  # fmt: skip
    recording = listen([at_tick_100("current_sensor_gain", phase=phase, factor=1.5)], **holding)
    for name, current in zip("abc", (60.0, -30.0, -30.0), strict=True):
        seen = recording[f"controller_i{name}"]
        assert seen[90] == pytest.approx(own[name] * current, rel=2e-3)
        assert seen[150] == pytest.approx(own[name] * current * (1.5 if name == phase else 1.0), rel=2e-3)


@pytest.mark.parametrize("imbalance", [0.1, -0.1])
def test_a_larger_sine_leads_in_the_first_octant(imbalance, verified):
    """tan of the angle seen is (1 + a) tan of the true one: at 30 degrees of a resolver with the machine's pole pairs."""
    recording = run(
        [at_tick_100("resolver_amplitude_step", amplitude_imbalance=imbalance)], load={"kind": "locked"},
        controller={"mode": "voltage"}, commands={"vd_V": 0.0, "vq_V": 0.0}, initial={"angle_electrical_deg": 30.0},
        sensors={"position": {"kind": "resolver", "pole_pairs": 4}}, run={"duration_s": 0.05},
    )  # fmt: skip
    expected = math.degrees(math.atan((1.0 + imbalance) * math.tan(math.radians(30.0)))) - 30.0
    what = f"angle error at 30 deg of a sine channel {imbalance:+g}"
    verified(what, "tangent of the angle, closed form", expected, recording["angle_error_deg"][-1], 5e-3, "deg", row=False)
    assert abs(recording["angle_error_deg"][90]) < 1e-3
