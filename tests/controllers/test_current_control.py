"""What the field-oriented controller does with its limits: voltage, current, slew, detuned beliefs, given gains.

Expected numbers follow from the definitions of the scenario language (voltage margin, linear limits, gains from bandwidth) and
from the machine's equations; no published source is needed.
"""

import copy
import math

import numpy as np
import pytest

from simcore import Bench
from simcore.scenario.reader import scenario_from

NONE, CURRENT, MODULATOR, SLEW = 0, 1, 5, 6
VDC = 400.0
BASE = {
    "machine": {
        "kind": "constants", "pole_pairs": 4, "stator_resistance_ohm": 0.01, "inductance_d_H": 0.2e-3,
        "inductance_q_H": 0.6e-3, "magnet_flux_Wb": 0.07, "max_current_A": 400, "max_speed_rpm": 20000,
    },
    "inverter": {"switching_frequency_Hz": 10000},
    "supply": {"kind": "source", "voltage_V": VDC},
    "load": {"kind": "rig", "speed_rpm": 1000},
    "controller": {"mode": "current", "tuning": {}},
    "commands": {"iq_A": 0.0},
    "run": {"duration_s": 0.03, "record_every": 1},
}  # fmt: skip


def run(tuning=None, commands=None, mode=None, **tables):
    document = copy.deepcopy(BASE)
    for name, table in tables.items():
        document[name] = {**document.get(name, {}), **table} if name != "load" else table
    document["controller"]["tuning"] = tuning or {}
    if mode:
        document["controller"]["mode"] = mode
    if commands:
        document["commands"] = commands
    return Bench(scenario_from(document, path="control.toml")).run()


LOCKED = {"kind": "locked"}


# Voltage ----------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("modulation", "limit"), [("sine", 0.5), ("third_harmonic", 1.0 / math.sqrt(3.0)), ("svpwm", 1.0 / math.sqrt(3.0))]
)
@pytest.mark.parametrize(("vd", "vq"), [(30.0, 40.0), (-90.0, 120.0), (0.0, 199.0)])
def test_voltage_mode_puts_the_vector_and_tells_the_margin(modulation, limit, vd, vq):
    recording = run(
        mode="voltage", commands={"vd_V": vd, "vq_V": vq}, load=LOCKED, inverter={"modulation": modulation},
        initial={"angle_electrical_deg": 70.0},
    )  # fmt: skip
    assert recording["vd_V"][1:] == pytest.approx(np.full(len(recording) - 1, vd), abs=1e-9)
    assert recording["vq_V"][1:] == pytest.approx(np.full(len(recording) - 1, vq), abs=1e-9)
    assert recording["voltage_margin_V"] == pytest.approx(np.full(len(recording), limit * VDC - math.hypot(vd, vq)), abs=1e-9)
    assert np.array_equal(recording["binding_limit"], np.zeros(len(recording)))


@pytest.mark.parametrize(("vd", "vq"), [(100.0, 300.0), (-100.0, -300.0), (-260.0, 10.0)])
def test_beyond_the_linear_limit_a_request_keeps_its_direction(vd, vq):
    recording = run(mode="voltage", commands={"vd_V": vd, "vq_V": vq}, load=LOCKED)
    limit = VDC / math.sqrt(3.0)
    granted_d = vd * limit / math.hypot(vd, vq)
    granted_q = vq * limit / math.hypot(vd, vq)
    assert recording["vd_V"][1:] == pytest.approx(np.full(len(recording) - 1, granted_d), abs=1e-9)
    assert recording["vq_V"][1:] == pytest.approx(np.full(len(recording) - 1, granted_q), abs=1e-9)
    # Negative by what the clamp took away.
    assert recording["voltage_margin_V"][0] == pytest.approx(limit - math.hypot(vd, vq), abs=1e-9)
    assert set(recording["binding_limit"]) == {MODULATOR}


def test_the_limit_is_that_of_the_measured_link_voltage():
    recording = run(
        mode="voltage", commands={"vq_V": 50.0}, load=LOCKED, sensors={"link_voltage": {"gain": 1.1, "offset_V": -4.0}}
    )
    measured = 1.1 * VDC - 4.0
    assert recording["voltage_margin_V"][0] == pytest.approx(measured / math.sqrt(3.0) - 50.0, abs=1e-9)
    # Duties are made for the measured voltage; the true one is smaller.
    assert recording["vq_V"][1] == pytest.approx(50.0 * VDC / measured, rel=1e-9)


def test_duties_of_the_centred_space_vector():
    # At rotor angle 0 a q voltage lies on beta: phases 0, +v sqrt3/2, -v sqrt3/2, already centred.
    recording = run(mode="voltage", commands={"vq_V": 80.0}, load=LOCKED)
    third = 80.0 * math.sqrt(3.0) / 2.0 / VDC
    assert recording["duty_a"][1] == pytest.approx(0.5, abs=1e-12)
    assert recording["duty_b"][1] == pytest.approx(0.5 + third, abs=1e-12)
    assert recording["duty_c"][1] == pytest.approx(0.5 - third, abs=1e-12)
    # A d voltage on a: phases v, -v/2, -v/2; the zero sequence -(max + min)/2 = -v/4 centres them.
    recording = run(mode="voltage", commands={"vd_V": 80.0}, load=LOCKED)
    assert recording["duty_a"][1] == pytest.approx(0.5 + 0.75 * 80.0 / VDC, abs=1e-12)
    assert recording["duty_b"][1] == pytest.approx(0.5 - 0.75 * 80.0 / VDC, abs=1e-12)


def test_after_long_saturation_the_current_does_not_overshoot():
    # 280 A of iq at speed need hypot(49.3, 23.3) = 54.5 V of 57.7 V: long at the limit, then back at the reference.
    recording = run(
        {"current_bandwidth_Hz": 600}, {"iq_A": [[0.0, 0.0], [0.002, 280.0]]}, supply={"voltage_V": 100.0},
        load={"kind": "rig", "speed_rpm": 700}, run={"duration_s": 0.05},
    )  # fmt: skip
    iq_A = recording["iq_A"]
    bound = recording["binding_limit"] == MODULATOR
    assert bound.sum() > 40
    assert iq_A.max() < 280.0 * 1.03
    assert iq_A[-1] == pytest.approx(280.0, rel=2e-3)
    assert recording["voltage_margin_V"][bound].max() < 0.0 <= recording["voltage_margin_V"][~bound].min()


def test_a_reference_the_voltage_cannot_reach_does_not_wind_up():
    # 2000 rpm on 60 V: the back-EMF alone is 58.6 V, iq = 200 A is out of reach; afterwards iq = 0 at once.
    unreachable = {"iq_A": [[0.0, 0.0], [0.002, 300.0], [0.05, -20.0]]}
    recording = run(
        {"current_bandwidth_Hz": 600}, unreachable, supply={"voltage_V": 100.0}, load={"kind": "rig", "speed_rpm": 1500},
        run={"duration_s": 0.08},
    )  # fmt: skip
    assert recording["iq_A"][:1000].max() < 250.0
    after = recording["iq_A"][recording.time_s > 0.0545]
    assert after == pytest.approx(np.full(len(after), -20.0), abs=12.0)
    assert after.min() > -32.0
    assert after[-1] == pytest.approx(-20.0, abs=0.2)


# Current ----------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("id_A", "iq_A"), [(-300.0, 600.0), (0.0, -1000.0), (900.0, 0.0)])
def test_references_beyond_the_greatest_current_keep_their_direction(id_A, iq_A):
    recording = run(commands={"id_A": id_A, "iq_A": iq_A}, load=LOCKED, run={"duration_s": 0.1})
    share = 400.0 / math.hypot(id_A, iq_A)
    assert recording["id_reference_A"][-1] == pytest.approx(id_A * share, rel=1e-12)
    assert recording["iq_reference_A"][-1] == pytest.approx(iq_A * share, rel=1e-12)
    assert recording["id_A"][-1] == pytest.approx(id_A * share, abs=0.05)
    assert recording["iq_A"][-1] == pytest.approx(iq_A * share, abs=0.05)
    assert recording["binding_limit"][-1] == CURRENT


def test_a_missing_command_is_zero():
    recording = run(commands={"id_A": -50.0}, run={"duration_s": 0.1})
    assert recording["iq_reference_A"][-1] == 0.0
    assert recording["iq_A"][-1] == pytest.approx(0.0, abs=0.02)


# Torque slew ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("update", ["double", "single"])
def test_torque_slew(update):
    recording = run(
        {"torque_slew_Nm_per_s": 5000.0, "current_bandwidth_Hz": 900},
        {"torque_Nm": [[0.0, 0.0], [0.01, 100.0], [0.04, -100.0]]},
        "torque", inverter={"update": update}, run={"duration_s": 0.09},
    )  # fmt: skip
    t = recording.time_s
    ramp = np.interp(t, [0.01, 0.03, 0.04, 0.08], [0.0, 100.0, 100.0, -100.0])
    # The current loop lags by about 1/(2 pi 900) + 1.5 updates: 0.33 ms x 5000 Nm/s = 1.7 Nm.
    assert recording["torque_Nm"] == pytest.approx(ramp, abs=2.5)
    slewing = ((t > 0.0105) & (t < 0.0295)) | ((t > 0.0405) & (t < 0.0795))
    assert (recording["binding_limit"][slewing] == SLEW).all()
    rest = (t < 0.0099) | ((t > 0.0305) & (t < 0.0399)) | (t > 0.0805)
    assert (recording["binding_limit"][rest] == NONE).all()
    # The reference that is shown is the one that was asked for.
    assert recording["torque_reference_Nm"][t > 0.0401][0] == -100.0


def test_without_a_slew_limit_the_torque_follows_at_the_loops_own_speed():
    recording = run({"current_bandwidth_Hz": 900}, {"torque_Nm": [[0.0, 0.0], [0.01, 100.0]]}, "torque")
    assert recording["torque_Nm"][recording.time_s > 0.012].min() > 95.0


# Gains and beliefs ------------------------------------------------------------------------------------------------------


def difference_equation(gain, count):
    i, errors = np.zeros(count), np.zeros(count)
    for k in range(count):
        errors[k] = 1.0 - i[k]
        if k + 1 < count:
            i[k + 1] = i[k] + (gain * errors[k - 1] if k >= 1 else 0.0)
    return i


def test_given_gains_equal_those_of_the_bandwidth():
    w = 2.0 * math.pi * 400.0
    commands = {"id_A": -40.0, "iq_A": [[0.0, 0.0], [0.005, 80.0]]}
    given = run(
        {"kp_d_V_per_A": w * 0.2e-3, "kp_q_V_per_A": w * 0.6e-3, "ki_d_V_per_As": w * 0.01, "ki_q_V_per_As": w * 0.01}, commands
    )
    by_bandwidth = run({"current_bandwidth_Hz": 400.0}, commands)
    for name in ("id_A", "iq_A", "vd_V", "vq_V"):
        assert given[name] == pytest.approx(by_bandwidth[name], rel=1e-12, abs=1e-9)


@pytest.mark.parametrize("axis", ["d", "q"])
def test_each_given_gain_belongs_to_its_axis(axis):
    # Without resistance kp alone gives K = kp T/L in its own axis.
    inductance = {"d": 0.2e-3, "q": 0.6e-3}[axis]
    gains = {"kp_d_V_per_A": 0.3, "kp_q_V_per_A": 0.9, "ki_d_V_per_As": 0.0, "ki_q_V_per_As": 0.0}
    gains[f"kp_{axis}_V_per_A"] = 0.4 * inductance / 50e-6
    recording = run(gains, {f"i{axis}_A": 10.0}, load=LOCKED, machine={"stator_resistance_ohm": 0.0})
    assert recording[f"i{axis}_A"] / 10.0 == pytest.approx(difference_equation(0.4, len(recording)), abs=1e-12)


@pytest.mark.parametrize("factor", [0.5, 1.6])
def test_a_wrong_inductance_in_its_belief_detunes_the_loop(factor):
    # Gain from the believed Lq, plant with the true one: K becomes factor x K.
    recording = run(
        {"current_bandwidth_Hz": 0.25 * 20000.0 / (2.0 * math.pi)}, {"iq_A": 10.0}, load=LOCKED,
        machine={"stator_resistance_ohm": 0.0},
        controller={"mode": "current", "machine": {"inductance_q_H": factor * 0.6e-3}},
    )  # fmt: skip
    assert recording["iq_A"] / 10.0 == pytest.approx(difference_equation(0.25 * factor, len(recording)), abs=1e-12)


@pytest.mark.parametrize("factor", [0.8, 1.25])
def test_a_wrong_flux_in_its_belief_scales_the_torque(factor):
    # Isotropic: iq = T/(1.5 p psi_believed), so the true torque is T psi/psi_believed; the estimate is what it believes.
    recording = run(
        {"current_bandwidth_Hz": 600}, {"torque_Nm": 40.0}, machine={"inductance_q_H": 0.2e-3}, run={"duration_s": 0.1},
        controller={"mode": "torque", "machine": {"magnet_flux_Wb": factor * 0.07}},
    )  # fmt: skip
    assert recording["torque_Nm"][-1] == pytest.approx(40.0 / factor, rel=1e-3)
    assert recording["torque_estimate_Nm"][-1] == pytest.approx(40.0, rel=1e-3)


def test_a_wrong_number_of_pole_pairs_is_believed_too():
    recording = run(
        {"current_bandwidth_Hz": 600}, {"torque_Nm": 40.0}, machine={"inductance_q_H": 0.2e-3}, load=LOCKED,
        controller={"mode": "torque", "machine": {"pole_pairs": 2}}, run={"duration_s": 0.1},
    )  # fmt: skip
    assert recording["torque_Nm"][-1] == pytest.approx(80.0, rel=1e-3)


@pytest.mark.parametrize("direction", [1.0, -1.0])
def test_ten_degrees_of_angle_offset(verified, direction):
    # Field note: 1.5 % torque and 17 % stray id: cos 10 deg = 0.985, sin 10 deg = 0.174.
    recording = run(
        {"current_bandwidth_Hz": 500}, {"iq_A": direction * 100.0}, machine={"inductance_q_H": 0.2e-3},
        load={"kind": "rig", "speed_rpm": 300.0}, run={"duration_s": 0.2},
        sensors={"position": {"kind": "resolver", "pole_pairs": 4, "mounting_offset_deg": 10.0}},
    )  # fmt: skip
    what, source = "{} at 100 A of q current asked, resolver mounted 10 deg off", "cos and sin of 10 deg, case from practice"
    verified(what.format("true q current"), source, 98.5, direction * recording["iq_A"][-1], 0.1, "A")
    verified(what.format("stray d current"), source, -17.4, direction * recording["id_A"][-1], 0.1, "A")
    assert recording["iq_measured_A"][-1] == pytest.approx(direction * 100.0, abs=0.05)
    assert recording["id_measured_A"][-1] == pytest.approx(0.0, abs=0.05)
    assert recording["angle_error_deg"][-1] == pytest.approx(10.0, abs=1e-3)


def test_a_forgotten_low_pass_lets_the_true_current_overshoot_while_the_measured_looks_tame(verified):
    # Field note: 300 Hz in a 1000 rad/s loop.
    recording = run(
        {"current_bandwidth_Hz": 1000.0 / (2.0 * math.pi)}, {"iq_A": 50.0}, load=LOCKED,
        sensors={"current": {"bandwidth_Hz": 300.0}}, run={"duration_s": 0.02}, inverter={"switching_frequency_Hz": 100000},
    )  # fmt: skip
    # Second order, derived: 1/(s^2/(wc wf) + s/wc + 1) for the measured, damping sqrt(wf/wc)/2, the true one (1 + s/wf) of it.
    wc, wf = 1000.0, 2.0 * math.pi * 300.0
    damping = 0.5 * math.sqrt(wf / wc)
    wn = math.sqrt(wc * wf)
    wd = wn * math.sqrt(1.0 - damping**2)
    t = np.linspace(0.0, 0.02, 20001)
    decay = np.exp(-damping * wn * t)
    measured = 1.0 - decay * (np.cos(wd * t) + damping * wn / wd * np.sin(wd * t))
    true = measured + np.gradient(measured, t) / wf
    what = "peak of the {} current over its reference, 300 Hz low-pass in a 1000 rad/s loop"
    source = "second-order step response, closed form"
    verified(what.format("true"), source, true.max(), recording["iq_A"].max() / 50.0, 0.005)
    verified(what.format("measured"), source, measured.max(), recording["iq_measured_A"].max() / 50.0, 0.005)
    assert recording["iq_A"].max() - 50.0 > 1.4 * (recording["iq_measured_A"].max() - 50.0)


def test_a_slewed_request_leaves_a_limit_at_once():
    # 20 kNm/s towards 3000 Nm; the machine grants 318.75 Nm (MTPA at 400 A, references of machine E). Withdrawn at 60 ms the
    # torque falls at 20 kNm/s from what was granted: 118.75 Nm 10 ms later, and not from what the ramp would have reached.
    recording = run(
        {"torque_slew_Nm_per_s": 20000.0, "current_bandwidth_Hz": 900}, {"torque_Nm": [[0.0, 3000.0], [0.06, 0.0]]},
        mode="torque", load={"kind": "rig", "speed_rpm": 100}, run={"duration_s": 0.08},
    )  # fmt: skip
    before, after = (int(round(t / recording.row_s)) for t in (0.059, 0.070))
    assert recording["torque_Nm"][before] == pytest.approx(318.745878, rel=2e-3)
    # The current loop follows a ramp by one time constant: 20 kNm/s / (2 pi 900 Hz) = 3.5 Nm.
    assert recording["torque_Nm"][after] == pytest.approx(318.745878 - 200.0 + 3.5, abs=3.0)
