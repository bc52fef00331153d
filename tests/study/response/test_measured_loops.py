"""The running drive measured: in the linear case as predicted, with noise as far as the noise allows, any controller."""

import math

import numpy as np
import pytest

from controllers import Command, Controller
from simcore import Bench
from simcore.inverter.modulation import SVPWM, leg_duties
from simcore.study.response.dither import Dithered
from simcore.study.response.measure_output import measure_output
from simcore.study.response.tuned import Study

# Loops near the edge too: nothing of a linear drive is left to chance.
LINEAR = {
    "at rest": {},
    "fast, single update": {"load": {"speed_rpm": 5000}, "inverter": {"update": "single"}},
    "filter, late sample": {
        "load": {"speed_rpm": -3000}, "sensors": {"current": {"bandwidth_Hz": 2500, "sample_shift_s": 7e-6}},
    },
    "no decoupling, no advance, two updates late": {
        "load": {"speed_rpm": 2500},
        "controller": {"delay_updates": 2, "tuning": {"decoupling": False, "delay_compensation": False}},
    },
    "wrong belief, turned resolver": {
        "load": {"speed_rpm": 2000}, "controller": {"machine": {"inductance_q_H": 0.4e-3, "stator_resistance_ohm": 0.03}},
        "sensors": {"position": {"kind": "resolver", "mounting_offset_deg": 8.0}},
    },
    "wrong gains of the sensors": {
        "load": {"speed_rpm": 1500}, "sensors": {"current": {"gain": [1.1, 1.1, 1.1]}, "link_voltage": {"gain": 0.85}},
    },
    "active resistance, iron loss": {
        "load": {"speed_rpm": 4000}, "controller": {"tuning": {"active_resistance": True}},
        "machine": {"iron_loss": {"frequency_Hz": 200, "hysteresis_W": 200, "eddy_W": 300}},
    },
}  # fmt: skip


def studied(scenario, inject="auto"):
    study = Study(scenario)
    study.predict("output" if inject == "voltage" else "error")
    study.measure(inject)
    return study.response


@pytest.mark.parametrize("inject", ["auto", "voltage"])
@pytest.mark.parametrize("case", LINEAR)
def test_current_loop_of_a_linear_drive(make_scenario, case, inject):
    """The measured response lies on the prediction: the issue asks for 0.5 dB and 3 degrees up to the crossover."""
    response = studied(make_scenario(commands={"id_A": -20.0, "iq_A": 40.0}, **LINEAR[case]), inject)
    ending = "" if inject == "auto" else "_output"
    for axis in "dq":
        curves = response.loops["current"].curves[axis + ending]
        assert np.count_nonzero(curves.frequency_Hz <= curves.within_Hz) >= 6
        for what, decibel, degrees in (("closed", 0.05, 0.3), ("open", 0.1, 0.5)):
            apart = curves.apart(what)
            assert apart[0] < decibel and apart[1] < degrees, (axis, what, apart)
        assert curves.coherence.min() > 0.99
    measured, predicted = response.loops["current"].measured, response.loops["current"].predicted
    for axis in measured.steps:
        assert measured.steps[axis].overshoot_percent == pytest.approx(predicted.steps[axis].overshoot_percent, abs=0.5)


@pytest.mark.parametrize("two_mass", [False, True])
def test_speed_loop_of_a_linear_drive(make_scenario, two_mass):
    load = {"replace": True, "kind": "free", "inertia_kg_m2": 0.05, "viscous_Nm_s": 0.02, "torque_Nm": 20.0}
    if two_mass:
        load |= {"kind": "two_mass", "load_inertia_kg_m2": 0.1, "stiffness_Nm_per_rad": 4e4, "damping_Nm_s": 3.0}
    response = studied(
        make_scenario(
            load=load, controller={"mode": "speed", "tuning": {"speed_bandwidth_Hz": 40}}, run={"duration_s": 0.1},
            commands={"replace": True, "speed_rpm": 900.0},
            sensors={"position": {"kind": "resolver", "pole_pairs": 2, "tracking_natural_frequency_Hz": 400}},
        )
    )  # fmt: skip
    loop = response.loops["speed"]
    curves = loop.curves["speed"]
    for what in ("closed", "open"):
        apart = curves.apart(what)
        assert apart[0] < 0.05 and apart[1] < 0.5, (what, apart)
    assert loop.measured.curves["speed"].margins.phase_margin_deg == pytest.approx(
        loop.predicted.worst.margins.phase_margin_deg, abs=0.3
    )
    assert loop.measured.steps["speed"].overshoot_percent == pytest.approx(
        loop.predicted.steps["speed"].overshoot_percent, abs=0.3
    )


@pytest.mark.parametrize(
    ("speed_rpm", "load_Nm", "tracking_Hz", "bandwidth_Hz"), [(3000.0, 60.0, 300, 120), (1500.0, 100.0, 60, 30)]
)
def test_a_light_shaft_feels_what_turns_with_it(make_scenario, monkeypatch, speed_rpm, load_Nm, tracking_Hz, bandwidth_Hz):
    """5 g m2: the angle's error, the advance and the held voltages move with the speed; small, lest torque's curve shows."""
    monkeypatch.setattr("simcore.study.response.measure_speed.SHARE", 0.005)
    response = studied(
        make_scenario(
            load={"replace": True, "kind": "free", "inertia_kg_m2": 0.005, "torque_Nm": load_Nm}, run={"duration_s": 0.1},
            controller={
                "mode": "speed", "delay_updates": 2,
                "tuning": {"current_bandwidth_Hz": 900, "speed_bandwidth_Hz": bandwidth_Hz},
            },
            commands={"replace": True, "speed_rpm": speed_rpm}, supply={"voltage_V": 700},
            sensors={
                "position": {"kind": "resolver", "pole_pairs": 1, "tracking_natural_frequency_Hz": tracking_Hz},
                "current": {"bandwidth_Hz": 4000},
            },
        )
    )  # fmt: skip
    apart = response.loops["speed"].curves["speed"].apart("open")
    assert apart[0] < 0.025 and apart[1] < 0.15, apart


def test_torque_follows_as_the_current_loop_does(make_scenario):
    response = studied(
        make_scenario(controller={"mode": "torque"}, commands={"replace": True, "torque_Nm": 80.0}, load={"speed_rpm": 1500})
    )
    apart = response.loops["torque"].curves["torque"].apart("closed")
    assert apart[0] < 0.1 and apart[1] < 0.5
    assert set(response.loops) == {"current", "torque"}


def test_noise_lowers_the_coherence_and_little_else(make_scenario):
    noisy = {"sensors": {"current": {"noise_rms_A": 2.0, "adc_bits": 12, "range_A": 600}}, "inverter": {"dead_time_s": 1e-6}}
    response = studied(make_scenario(commands={"iq_A": 150.0}, load={"speed_rpm": 1500}, **noisy))
    for axis in "dq":
        curves = response.loops["current"].curves[axis]
        near = curves.frequency_Hz <= curves.within_Hz
        assert 0.5 < curves.coherence[near].min() < 0.9999 and curves.agrees
        # The deviation told is about the one that shows.
        off = np.abs(curves.measured_closed / curves.predicted_closed - 1.0)[near]
        assert off.max() < 6.0 * curves.deviation[near].max()


def test_dead_time_is_in_the_prediction(make_scenario):
    """Across a current of 60 A, 8 V a leg act as 0.17 ohm beside 0.01 ohm of copper: without it the low end is 10 dB off."""
    response = studied(
        make_scenario(commands={"iq_A": 60.0}, load={"speed_rpm": 1500}, inverter={"dead_time_s": 2e-6})
    )
    curves = response.loops["current"].curves["d"]
    assert curves.agrees and curves.apart("open")[0] < 1.0
    assert response.drive.winding.resistance_ohm[0, 0] == pytest.approx(0.01 + 4 / math.pi * 8.0 / 60.0, rel=0.05)


class OwnLoop(Controller):
    """A proportional current controller of somebody's own, with back-EMF and nothing else."""

    def reset(self, setup):
        self.kp, self.machine = setup.tuning["kp_V_per_A"], setup.machine
        self.advance_s = (setup.delay_updates + 0.5) * setup.update_s

    def step(self, measured):
        m, p = measured, self.machine.pole_pairs
        omega_e = m.speed_rpm * math.pi / 30.0 * p
        vector = complex((2 * m.ia_A - m.ib_A - m.ic_A) / 3.0, (m.ib_A - m.ic_A) / math.sqrt(3.0))
        current = vector * complex(math.cos(m.angle_electrical_rad), -math.sin(m.angle_electrical_rad))
        wanted = complex(m.id_reference_A, m.iq_reference_A) if math.isfinite(m.iq_reference_A) else 30j
        ahead = m.angle_electrical_rad + self.advance_s * omega_e
        asked = self.kp * (wanted - current) + 1j * omega_e * self.machine.magnet_flux_Wb
        turned = asked * complex(math.cos(ahead), math.sin(ahead))
        return Command(*leg_duties.py_func(SVPWM, turned.real, turned.imag, m.link_voltage_V))


@pytest.fixture
def own_scenario(make_scenario, tmp_path):
    """A scenario of a controller that is not the built-in one; commands as given."""

    def make(kp, commands):
        return make_scenario(
            machine={"inductance_q_H": 0.2e-3, "stator_resistance_ohm": 0.0},
            load={"speed_rpm": 0},
            controller={"replace": True, "class": f"{__file__}:OwnLoop", "tuning": {"kp_V_per_A": kp}},
            commands={"replace": True, **commands},
        )

    return make


@pytest.mark.parametrize(("commands", "names"), [({"id_A": 0.0, "iq_A": 30.0}, ("d", "q")), ({}, ("d_output", "q_output"))])
def test_an_own_controller_is_measured(own_scenario, commands, names):
    # Proportional, no resistance, standstill: K/(z (z - 1)) with K = kp T/L = 1/3, found from outside alone.
    scenario = own_scenario(0.2e-3 / 50e-6 / 3.0, commands)
    response = studied(scenario)
    assert "is not the built-in one: its loop cannot be predicted" in response.told[0]
    for name in names:
        margins = response.loops["current"].measured.curves[name].margins
        assert margins.phase_margin_deg == pytest.approx(61.2178, abs=0.5)
        assert margins.crossover_Hz == pytest.approx(math.asin(1 / 6) / (math.pi * 50e-6), rel=0.01)


def test_an_added_voltage_is_the_same_compiled_and_in_python(make_scenario):
    from simcore.study.response.steady import constant, sampled_profile

    scenario = make_scenario(commands={"iq_A": 40.0}, load={"speed_rpm": 2500}, run={"duration_s": 0.004})
    draw = np.random.default_rng(1).normal(size=(2, 80))
    voltages = {"vd_V": sampled_profile(20.0 * draw[0], 50e-6), "vq_V": sampled_profile(20.0 * draw[1], 50e-6)}
    commands = scenario.commands.model_copy(update={"iq_A": constant(40.0), **voltages})
    scenario = scenario.model_copy(update={"commands": commands})
    runs = [
        Bench(scenario, Dithered(Bench(scenario).controller, 4, 75e-6)).run(in_python=in_python) for in_python in (False, True)
    ]
    for name in ("iq_A", "duty_a", "duty_c"):
        assert runs[0][name] == pytest.approx(runs[1][name], abs=1e-12)
    alone = Bench(scenario).run()
    assert np.abs(runs[0]["iq_A"] - alone["iq_A"]).max() > 0.1


def test_what_the_dither_measures_does_not_depend_on_the_modulator(make_scenario):
    """Clamped legs are shifted with the others, so that the injected voltage comes through whole."""
    found = {}
    for modulation in ("svpwm", "dpwm1", "dpwm_min"):
        scenario = make_scenario(commands={"iq_A": 60.0}, load={"speed_rpm": 2500}, inverter={"modulation": modulation})
        study = Study(scenario)
        study.predict("output")
        found[modulation] = measure_output(
            scenario, study.response.point, update_s=50e-6, crossover_Hz=500.0, in_current_mode=True
        ).curves["q_output"]
    for other in ("dpwm1", "dpwm_min"):
        assert found[other].open == pytest.approx(found["svpwm"].open, rel=1e-4)
