"""What must hold whatever the numbers are: energy, equal powers in every frame, symmetry, repeatability.

No source is needed for these; the laws are Kirchhoff's, Newton's and the conservation of energy.
"""

import copy
import itertools
import math

import numpy as np
import pytest

from controllers import Command, Controller
from simcore import Bench
from simcore.scenario.reader import scenario_from

P, R, L_D, L_Q, PSI = 4, 0.010, 0.2e-3, 0.6e-3, 0.07
INERTIA, VISCOUS, COULOMB, LOAD = 0.02, 0.01, 1.0, 5.0
BASE = {
    "machine": {
        "kind": "constants", "pole_pairs": P, "stator_resistance_ohm": R, "inductance_d_H": L_D, "inductance_q_H": L_Q,
        "magnet_flux_Wb": PSI, "max_current_A": 400, "max_speed_rpm": 20000,
    },
    "inverter": {"switching_frequency_Hz": 10000},
    "supply": {"kind": "source", "voltage_V": 400},
    "load": {"kind": "rig", "speed_rpm": 1500},
    "controller": {"mode": "torque", "tuning": {"current_bandwidth_Hz": 500}},
    "commands": {"torque_Nm": [[0.0, 0.0], [0.002, 150.0], [0.012, -150.0]]},
    "run": {"duration_s": 0.02, "record_every": 1},
}  # fmt: skip
FREE = {"kind": "free", "inertia_kg_m2": INERTIA, "viscous_Nm_s": VISCOUS, "coulomb_Nm": COULOMB, "torque_Nm": LOAD}
LOADS = {
    "rig": {"kind": "rig", "speed_rpm": 1500},
    "backwards": {"kind": "rig", "speed_rpm": -2000},
    "ramp": {"kind": "rig", "speed_rpm": {"points": [[0.0, 0.0], [0.02, 2000.0]], "shape": "linear"}},
    "free": FREE,
    "locked": {"kind": "locked"},
}
STIFF = {"kind": "source", "voltage_V": 400}
RC = {"kind": "source", "voltage_V": 400, "resistance_ohm": 0.2}
RLC = {"kind": "source", "voltage_V": 400, "resistance_ohm": 0.02, "inductance_H": 5e-6}
SUPPLIES = {"stiff": STIFF, "RC": RC, "RLC": RLC}
CAPACITANCE = 600e-6


def make(**tables):
    """Scenario of BASE with whole tables replaced; `inverter` and `run` are merged."""
    document = copy.deepcopy(BASE)
    for name, table in tables.items():
        document[name] = {**document[name], **table} if name in ("inverter", "run", "machine") else table
    return scenario_from(document, path="invariant.toml")


def run(**tables):
    return Bench(make(**tables)).run()


def magnetic(recording):
    """Energy in the field of a machine with constant inductances at every row and at the end [J]."""
    psi_d = np.append(recording["psi_d_Wb"], recording.closing["psi_d_Wb"])
    psi_q = np.append(recording["psi_q_Wb"], recording.closing["psi_q_Wb"])
    return 0.75 * ((psi_d - PSI) ** 2 / L_D + psi_q**2 / L_Q)


def turned_angle(recording):
    """Shaft angle turned in each row [rad]."""
    angle = np.append(recording["angle_deg"], recording.closing["angle_deg"])
    return np.radians(np.mod(np.diff(angle) + 180.0, 360.0) - 180.0)


def row_change(recording, signal, closing_name, function):
    values = np.append(recording[signal], recording.closing[closing_name])
    return np.diff(function(values))


@pytest.mark.parametrize("model", ["averaged", "switched"])
@pytest.mark.parametrize(("load", "supply"), [("rig", "stiff"), ("backwards", "RC"), ("free", "RC"), ("ramp", "stiff")])
def test_power_balances_row_by_row(load, supply, model):
    recording = run(
        load=LOADS[load], supply=SUPPLIES[supply], inverter={"model": model, "link_capacitance_F": CAPACITANCE},
        run={"substeps": 10 if supply == "RC" else 2},
    )  # fmt: skip
    tick = recording.row_s
    scale = np.abs(recording["power_link_W"]).max()
    # Supply to link: what the source gives less its resistance less what the capacitor stores.
    stored = 0.0
    if supply == "RC":
        stored = row_change(recording, "link_voltage_V", "link_voltage_V", lambda v: 0.5 * CAPACITANCE * v**2) / tick
    into_link = recording["power_supply_W"] - recording["loss_supply_W"] - stored
    tolerance = 1e-9 if supply == "stiff" else 1e-5
    assert into_link == pytest.approx(recording["power_link_W"], abs=tolerance * scale)
    # Ideal legs lose nothing.
    assert recording["power_link_W"] == pytest.approx(recording["power_terminal_W"], abs=1e-9 * scale)
    # Machine: copper, field, shaft.
    field = np.diff(magnetic(recording)) / tick
    expected = recording["loss_copper_W"] + field + recording["power_shaft_W"]
    assert recording["power_terminal_W"] == pytest.approx(expected, abs=1e-5 * scale)
    if load == "free":
        omega = lambda rpm: 0.5 * INERTIA * (rpm * math.pi / 30.0) ** 2  # noqa: E731
        kinetic = row_change(recording, "speed_rpm", "speed_rpm", omega) / tick
        expected = kinetic + recording["loss_friction_W"] + LOAD * turned_angle(recording) / tick
        assert recording["power_shaft_W"] == pytest.approx(expected, abs=1e-5 * scale)


@pytest.mark.parametrize("model", ["averaged", "switched"])
def test_energy_of_the_whole_run_adds_up_with_a_choke_in_the_supply(model):
    # Everything from rows and the closing state, with the losses of the audit.
    recording = run(load=FREE, supply=RLC, inverter={"model": model, "link_capacitance_F": CAPACITANCE}, run={"substeps": 8})
    tick, audit = recording.row_s, recording.audit
    supplied = recording["power_supply_W"] * tick
    # Power flows in from the source, and from the load while it turns the shaft backwards.
    loaded = LOAD * turned_angle(recording)
    energy_in = supplied[supplied > 0.0].sum() - loaded[loaded < 0.0].sum()
    energy_out = loaded[loaded > 0.0].sum() - supplied[supplied < 0.0].sum()
    assert (audit["energy_in_J"], audit["energy_out_J"]) == pytest.approx((energy_in, energy_out), rel=1e-9)
    closing = recording.closing
    choke = 0.5 * 5e-6 * closing["supply_inductance_current_A"] ** 2
    capacitor = 0.5 * CAPACITANCE * (closing["link_voltage_V"] ** 2 - 400.0**2)
    field = magnetic(recording)
    kinetic = 0.5 * INERTIA * (closing["speed_rpm"] * math.pi / 30.0) ** 2
    stored = choke + capacitor + field[-1] - field[0] + kinetic
    assert audit["stored_J"] == pytest.approx(stored, rel=1e-9)
    losses = audit["losses_J"]
    assert losses["copper"] == pytest.approx((recording["loss_copper_W"] * tick).sum(), rel=1e-9)
    assert losses["friction_viscous"] + losses["friction_dry"] == pytest.approx((recording["loss_friction_W"] * tick).sum())
    lost = losses["copper"] + losses["friction_viscous"] + losses["friction_dry"] + losses["supply_resistance"]
    assert supplied.sum() - loaded.sum() - lost == pytest.approx(stored, abs=1e-5 * audit["energy_in_J"])


@pytest.mark.parametrize("load", LOADS)
@pytest.mark.parametrize("supply", SUPPLIES)
def test_audit_of_averaged_runs_closes_to_1e_6(verified, load, supply):
    # omega_e x solver step stays below 0.025 rad; motoring and braking in every run.
    recording = run(load=LOADS[load], supply=SUPPLIES[supply], inverter={"link_capacitance_F": CAPACITANCE})
    residual = recording.audit["residual_relative"]
    what = "energy residual of averaged runs over energy turned over, all loads and supplies"
    verified(what, "conservation of energy", 0.0, residual, 1e-6)
    assert recording.audit["losses_J"]["conduction"] == pytest.approx(0.0, abs=1e-9)
    if load in ("rig", "backwards"):
        assert recording.audit["energy_in_J"] > 100.0 and recording.audit["energy_out_J"] > 100.0


@pytest.mark.parametrize("load", ["rig", "backwards", "free"])
@pytest.mark.parametrize("supply", SUPPLIES)
@pytest.mark.parametrize("dead_time_s", [0.0, 1.5e-6])
def test_audit_of_switched_runs_closes_to_1e_5(verified, load, supply, dead_time_s):
    recording = run(
        load=LOADS[load], supply=SUPPLIES[supply],
        inverter={"model": "switched", "link_capacitance_F": CAPACITANCE, "dead_time_s": dead_time_s},
    )  # fmt: skip
    residual = recording.audit["residual_relative"]
    what = "energy residual of switched runs over energy turned over, all loads and supplies"
    verified(what, "conservation of energy", 0.0, residual, 1e-5)
    assert recording.audit["losses_J"]["conduction"] == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("speed_rpm", [400.0, 8500.0])
def test_audit_shows_the_error_of_steps_that_are_too_coarse(speed_rpm):
    # 0.08 and 1.8 rad electrical a step: the residual must not stay small when the solution is wrong.
    residual = abs(
        run(
            load={"kind": "rig", "speed_rpm": speed_rpm}, inverter={"switching_frequency_Hz": 1000}, run={"substeps": 1},
            controller={"mode": "voltage"}, commands={"vd_V": 0.0},
        ).audit["residual_relative"]
    )  # fmt: skip
    assert (residual > 1e-3) if speed_rpm > 1000.0 else (residual < 1e-5)


@pytest.mark.parametrize("model", ["averaged", "switched"])
def test_instantaneous_power_is_equal_in_phases_and_in_dq(model):
    scenario = make(
        load=LOADS["backwards"], supply=RC,
        inverter={"model": model, "link_capacitance_F": CAPACITANCE, "dead_time_s": 1e-6},
        scope=[{"from_s": 0.003, "to_s": 0.004, "step_s": 0.7e-6}],
    )  # fmt: skip
    scope = Bench(scenario).run().scopes[0]
    phases = sum(scope[f"v{x}_V"] * scope[f"i{x}_A"] for x in "abc")
    axes = 1.5 * (scope["vd_V"] * scope["id_A"] + scope["vq_V"] * scope["iq_A"])
    scale = np.abs(axes).max()
    assert phases == pytest.approx(axes, abs=1e-11 * scale)
    assert scope["va_V"] + scope["vb_V"] + scope["vc_V"] == pytest.approx(np.zeros(len(axes)), abs=1e-9)
    assert scope["ia_A"] + scope["ib_A"] + scope["ic_A"] == pytest.approx(np.zeros(len(axes)), abs=1e-9)
    torque = 1.5 * P * (PSI * scope["iq_A"] + (L_D - L_Q) * scope["id_A"] * scope["iq_A"])
    assert scope["torque_Nm"] == pytest.approx(torque, abs=1e-9)
    angle = np.radians(scope["angle_deg"]) * P
    for x, lag in zip("abc", (0.0, 2 * math.pi / 3, -2 * math.pi / 3), strict=True):
        current = scope["id_A"] * np.cos(angle - lag) - scope["iq_A"] * np.sin(angle - lag)
        assert scope[f"i{x}_A"] == pytest.approx(current, abs=1e-8)
        volts = scope["vd_V"] * np.cos(angle - lag) - scope["vq_V"] * np.sin(angle - lag)
        assert scope[f"v{x}_V"] == pytest.approx(volts, abs=1e-8)
    # Ideal legs: power from the link is the power at the terminals at every instant.
    assert scope["link_voltage_V"] * scope["link_current_A"] == pytest.approx(axes, abs=1e-9 * scale)
    legs = [scope[f"leg_{x}_V"] for x in "abc"]
    assert scope["va_V"] == pytest.approx(legs[0] - sum(legs) / 3.0, abs=1e-9)


@pytest.mark.parametrize("id_A", [-200.0, -50.0, 0.0, 100.0])
@pytest.mark.parametrize("speed_rpm", [1000.0, -3000.0])
def test_without_resistance_link_power_is_torque_times_speed_at_any_id(verified, id_A, speed_rpm):
    # Field note: id costs copper loss and nothing else.
    recording = run(
        machine={"stator_resistance_ohm": 0.0}, load={"kind": "rig", "speed_rpm": speed_rpm},
        controller={"mode": "current", "tuning": {"current_bandwidth_Hz": 500}}, commands={"id_A": id_A, "iq_A": 80.0},
    )  # fmt: skip
    torque = 1.5 * P * (PSI + (L_D - L_Q) * id_A) * 80.0
    power = recording["power_link_W"][-40:].mean()
    assert power == pytest.approx(recording["power_shaft_W"][-40:].mean(), rel=1e-6)
    # Samples follow the reference; between them the held voltage lets the currents sway by (w T)^2/12 and more with id.
    share = power / (torque * speed_rpm * math.pi / 30.0)
    what = "link power over torque times speed, no resistance, id = -200 to 100 A"
    verified(what, "conservation of energy", 1.0, share, 2e-3)
    assert recording["link_current_A"][-40:].mean() * 400.0 == pytest.approx(power, rel=1e-9)
    assert recording.audit["losses_J"]["copper"] == 0.0


def test_copper_loss_is_one_and_a_half_r_i_squared(verified):
    recording = run(
        controller={"mode": "current", "tuning": {"current_bandwidth_Hz": 500}}, commands={"id_A": -120.0, "iq_A": 50.0}
    )
    expected = 1.5 * R * (120.0**2 + 50.0**2)
    found = recording["loss_copper_W"][-40:].mean()
    verified("copper loss at id = -120 A, iq = 50 A, 10 mohm", "1.5 R i^2, closed form", expected, found, 2e-3 * expected, "W")
    spent = recording["power_link_W"][-40:].mean() - recording["power_shaft_W"][-40:].mean()
    what = "link power less shaft power at id = -120 A, iq = 50 A, 10 mohm"
    verified(what, "1.5 R i^2, closed form", expected, spent, 2e-3 * expected, "W")


# Symmetries -------------------------------------------------------------------------------------------------------------


def mirrored(table):
    """Every speed, torque and q-axis quantity of a table turned round."""
    turned = ("speed_rpm", "torque_Nm", "iq_A", "vq_V", "angle_electrical_deg")

    def negative(value):
        if isinstance(value, dict):
            return {**value, "points": negative(value["points"])}
        return [[t, -x] for t, x in value] if isinstance(value, list) else -value

    return {key: negative(value) if key in turned else value for key, value in table.items()}


@pytest.mark.parametrize("model", ["averaged", "switched"])
@pytest.mark.parametrize("load", ["rig", "ramp", "free"])
@pytest.mark.parametrize("mode", ["torque", "current", "voltage"])
def test_turned_round_everything_is_mirrored(mode, load, model):
    commands = {
        "torque": {"torque_Nm": [[0.0, 0.0], [0.002, 150.0], [0.012, -100.0]]},
        "current": {"id_A": [[0.0, 0.0], [0.004, -80.0]], "iq_A": [[0.0, 0.0], [0.002, 100.0]]},
        "voltage": {"vd_V": -10.0, "vq_V": 20.0},
    }[mode]
    initial = {"angle_electrical_deg": 25.0, "id_A": -10.0, "iq_A": 30.0}
    inverter = {"model": model, "dead_time_s": 1e-6, "link_capacitance_F": CAPACITANCE}
    options = {"controller": {"mode": mode}, "inverter": inverter, "supply": RC}
    there = run(load=LOADS[load], commands=commands, initial=initial, **options)
    back = run(load=mirrored(LOADS[load]), commands=mirrored(commands), initial=mirrored(initial), **options)
    same = ("id_A", "ia_A", "link_voltage_V", "link_current_A", "power_shaft_W", "power_link_W", "vd_V", "voltage_margin_V")
    for name in same:
        assert back[name] == pytest.approx(there[name], rel=1e-6, abs=1e-6 * (1.0 + np.abs(there[name]).max())), name
    for name in ("iq_A", "torque_Nm", "speed_rpm", "vq_V"):
        assert back[name] == pytest.approx(-there[name], rel=1e-6, abs=1e-6 * (1.0 + np.abs(there[name]).max())), name
    assert back["ib_A"] == pytest.approx(there["ic_A"], abs=1e-4)
    assert back["duty_b"] == pytest.approx(there["duty_c"], abs=1e-7)
    assert np.array_equal(back["binding_limit"], there["binding_limit"])


@pytest.mark.parametrize("model", ["averaged", "switched"])
def test_phases_may_be_renamed_in_a_circle(model):
    # Starting a third of an electrical turn further on, phase b does what phase a did.
    inverter = {"model": model, "dead_time_s": 1e-6}
    first = run(inverter=inverter, initial={"angle_electrical_deg": 10.0})
    third = run(inverter=inverter, initial={"angle_electrical_deg": 130.0})
    for name in ("id_A", "iq_A", "torque_Nm", "link_current_A"):
        assert third[name] == pytest.approx(first[name], rel=1e-7, abs=1e-6 * np.abs(first[name]).max())
    for before, after in itertools.pairwise("abca"):
        assert third[f"i{after}_A"] == pytest.approx(first[f"i{before}_A"], abs=1e-4)
        assert third[f"duty_{after}"] == pytest.approx(first[f"duty_{before}"], abs=1e-8)


# Flat map ---------------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def flat_map(tmp_path_factory):
    """A CSV of a map without saturation."""
    path = tmp_path_factory.mktemp("map") / "flat.csv"
    grid = itertools.product(np.linspace(-600.0, 200.0, 33), np.linspace(-600.0, 600.0, 49))
    lines = [f"{d:.6f},{q:.6f},{PSI + L_D * d:.15g},{L_Q * q:.15g}" for d, q in grid]
    path.write_text("id_A,iq_A,psi_d_Wb,psi_q_Wb\n" + "\n".join(lines) + "\n")
    return path


@pytest.mark.parametrize("mode", ["current", "torque"])
@pytest.mark.parametrize("load", ["rig", "free"])
def test_a_flat_flux_map_equals_constants(flat_map, load, mode):
    machine = {
        "kind": "flux_map", "pole_pairs": P, "stator_resistance_ohm": R, "max_current_A": 400, "max_speed_rpm": 20000,
        "flux_map": {"file": str(flat_map)},
    }  # fmt: skip
    document = copy.deepcopy(BASE)
    document["load"], document["controller"]["mode"] = LOADS[load], mode
    if mode == "current":
        document["commands"] = {"id_A": [[0.0, 0.0], [0.004, -150.0]], "iq_A": [[0.0, 0.0], [0.002, 200.0], [0.012, -200.0]]}
    constants = Bench(scenario_from(document, path="constants.toml")).run()
    document["machine"] = machine
    mapped = Bench(scenario_from(document, path="mapped.toml")).run()
    # Torque mode also looks up two different tables of references: they agree to 1e-3 of the current.
    tolerance = 1e-6 if mode == "current" else 0.4
    for name in ("id_A", "iq_A", "torque_Nm", "vd_V", "vq_V", "speed_rpm"):
        assert mapped[name] == pytest.approx(constants[name], abs=tolerance), name
    assert np.abs(constants["iq_A"]).max() > 100.0


def test_field_energy_of_a_reciprocal_saturating_map_is_a_function_of_state(tmp_path):
    """psi_d = psi + a tanh(id/b) (1 - c), psi_q = e tanh(iq/f): no cross coupling, so W' and W are closed forms."""
    a, b, e, f = 0.08, 400.0, 0.12, 250.0
    path = tmp_path / "curved.csv"
    grid = itertools.product(np.linspace(-500.0, 100.0, 61), np.linspace(-500.0, 500.0, 101))
    lines = [f"{d:.6f},{q:.6f},{PSI + a * math.tanh(d / b):.15g},{e * math.tanh(q / f):.15g}" for d, q in grid]
    path.write_text("id_A,iq_A,psi_d_Wb,psi_q_Wb\n" + "\n".join(lines) + "\n")
    document = copy.deepcopy(BASE)
    document["machine"] = {
        "kind": "flux_map", "pole_pairs": P, "stator_resistance_ohm": R, "max_current_A": 400, "max_speed_rpm": 20000,
        "flux_map": {"file": str(path)},
    }  # fmt: skip
    document["controller"]["mode"] = "current"
    document["commands"] = {"id_A": [[0.0, 0.0], [0.004, -250.0]], "iq_A": [[0.0, 0.0], [0.002, 300.0], [0.012, -280.0]]}
    recording = Bench(scenario_from(document, path="curved.toml")).run()

    def energy(id_A, iq_A):
        # W = psi i - W', W' = integral psi di: a b ln cosh(i/b).
        d = a * (id_A * np.tanh(id_A / b) - b * np.log(np.cosh(id_A / b)))
        q = e * (iq_A * np.tanh(iq_A / f) - f * np.log(np.cosh(iq_A / f)))
        return 1.5 * (d + q)

    stored = energy(recording["id_A"], recording["iq_A"])
    power = recording["power_terminal_W"] - recording["loss_copper_W"] - recording["power_shaft_W"]
    integrated = np.concatenate([[0.0], np.cumsum(power * recording.row_s)])
    # The map is a bicubic table: its fluxes are near the closed form, not on it.
    assert integrated[:-1] == pytest.approx(stored, abs=2e-4 * stored.max())
    # Two quadratures of one path: terminal power less losses and shaft power, and chords through the inverted map.
    assert recording.audit["stored_J"] == pytest.approx(integrated[-1], rel=5e-6)
    torque = (
        1.5
        * P
        * (
            (PSI + a * np.tanh(recording["id_A"] / b)) * recording["iq_A"]
            - e * np.tanh(recording["iq_A"] / f) * recording["id_A"]
        )
    )
    assert recording["torque_Nm"] == pytest.approx(torque, abs=1e-4 * np.abs(torque).max())


# Repeatability ----------------------------------------------------------------------------------------------------------

NOISY = {
    "current": {"noise_rms_A": 1.5, "adc_bits": 12, "range_A": 600, "bandwidth_Hz": 20000, "offset_A": [1.0, 0.0, 0.0]},
    "position": {"kind": "resolver", "noise_rms": 1e-3, "amplitude_imbalance": 0.01},
    "link_voltage": {"noise_rms_V": 0.5},
}
MODES = {
    "torque": {"commands": {"torque_Nm": [[0.0, 0.0], [0.002, 150.0]]}},
    "speed": {"commands": {"speed_rpm": [[0.0, 0.0], [0.002, 300.0]]}, "load": FREE},
    "current": {"commands": {"id_A": -30.0, "iq_A": [[0.0, 0.0], [0.002, 100.0]]}},
    "voltage": {"commands": {"vd_V": -5.0, "vq_V": 40.0}},
}


def noisy(mode, model="averaged", update="double", seed=7, scope=(), **run_keys):
    return make(
        controller={"mode": mode}, sensors=NOISY, supply=RC, **MODES[mode], scope=list(scope),
        inverter={"model": model, "update": update, "dead_time_s": 1e-6, "link_capacitance_F": CAPACITANCE},
        run={"duration_s": 0.01, "seed": seed, **run_keys},
    )  # fmt: skip


def equal_to_the_last_bit(one, other):
    assert len(one) == len(other)
    for name in one.signals:
        assert np.array_equal(one[name], other[name], equal_nan=True), name
    assert one.closing == other.closing
    assert one.audit == other.audit


@pytest.mark.parametrize("model", ["averaged", "switched"])
@pytest.mark.parametrize("update", ["double", "single"])
@pytest.mark.parametrize("mode", MODES)
def test_the_compiled_run_equals_the_python_step_to_the_last_bit(mode, update, model):
    scenario = noisy(mode, model, update)
    equal_to_the_last_bit(Bench(scenario).run(), Bench(scenario).run(in_python=True))


@pytest.mark.parametrize("update", ["double", "single"])
def test_it_does_so_with_a_moved_sample_and_an_odd_number_of_ticks(update):
    scenario = make(
        sensors={**NOISY, "current": {**NOISY["current"], "sample_shift_s": 12e-6}}, inverter={"update": update},
        run={"duration_s": 201 * 50e-6},
    )  # fmt: skip
    compiled = Bench(scenario).run()
    assert compiled.ticks == 201
    equal_to_the_last_bit(compiled, Bench(scenario).run(in_python=True))


@pytest.mark.parametrize("model", ["averaged", "switched"])
def test_the_same_seed_gives_the_same_bits_and_another_seed_others(model):
    first, again = Bench(noisy("torque", model)).run(), Bench(noisy("torque", model)).run()
    equal_to_the_last_bit(first, again)
    other = Bench(noisy("torque", model, seed=8)).run()
    for name in ("id_measured_A", "angle_error_deg", "link_voltage_measured_V", "torque_Nm"):
        assert not np.array_equal(first[name], other[name]), name


@pytest.mark.parametrize(
    ("sensor", "signal"),
    [
        ({"current": {"noise_rms_A": 1.0, "phases": "ab"}}, "id_measured_A"),
        ({"current": {"noise_rms_A": 1.0, "phases": "abc"}}, "iq_measured_A"),
        ({"position": {"kind": "resolver", "noise_rms": 1e-3}}, "angle_error_deg"),
        ({"link_voltage": {"noise_rms_V": 1.0}}, "link_voltage_measured_V"),
    ],
)
def test_every_noise_follows_the_seed(sensor, signal):
    first, again, other = (run(sensors=sensor, run={"seed": seed, "duration_s": 0.005})[signal] for seed in (1, 1, 2))
    assert np.array_equal(first, again)
    assert (first != other).mean() > 0.95
    assert len(np.unique(first)) > 0.95 * len(first)


def test_one_bench_run_twice_starts_anew():
    bench = Bench(noisy("speed"))
    equal_to_the_last_bit(bench.run(), bench.run())


@pytest.mark.parametrize("model", ["averaged", "switched"])
@pytest.mark.parametrize("update", ["double", "single"])
@pytest.mark.parametrize("every", [2, 7, 64, 1000])
def test_rows_wider_apart_keep_states_and_energies(every, update, model):
    fine, coarse = Bench(noisy("torque", model, update)).run(), Bench(noisy("torque", model, update, record_every=every)).run()
    assert len(coarse) == math.ceil(len(fine) / every)
    assert np.array_equal(coarse.time_s, fine.time_s[::every])
    for name in ("id_A", "iq_A", "torque_Nm", "speed_rpm", "angle_deg", "link_voltage_V", "duty_a", "psi_d_Wb", "ia_A"):
        assert np.array_equal(coarse[name], fine[name][::every]), name
    for name in ("id_measured_A", "voltage_margin_V", "binding_limit", "id_reference_A", "angle_error_deg"):
        assert np.array_equal(coarse[name], fine[name][::every], equal_nan=True), name
    starts = np.arange(0, len(fine), every)
    lengths = np.diff(np.append(starts, len(fine)))
    means = ("vd_V", "vq_V", "va_V", "vb_V", "vc_V", "power_link_W", "power_terminal_W", "power_shaft_W", "power_supply_W",
             "loss_copper_W", "link_current_A", "supply_current_A")  # fmt: skip
    for name in means:
        expected = np.add.reduceat(fine[name], starts) / lengths
        assert coarse[name] == pytest.approx(expected, rel=1e-9, abs=1e-9 * np.abs(fine[name]).max()), name
    assert coarse.audit == fine.audit and coarse.closing == fine.closing


@pytest.mark.parametrize("chunk_s", [1e-4, 1.05e-3, 10.0])
@pytest.mark.parametrize("update", ["double", "single"])
def test_the_length_of_a_chunk_does_not_matter(monkeypatch, chunk_s, update):
    whole = Bench(noisy("torque", update=update)).run()
    monkeypatch.setattr("simcore.loop.member.CHUNK_S", chunk_s)
    monkeypatch.setattr("simcore.loop.python_shell.CHUNK_UPDATES", max(1, int(chunk_s * 3000)))
    equal_to_the_last_bit(whole, Bench(noisy("torque", update=update)).run())
    equal_to_the_last_bit(whole, Bench(noisy("torque", update=update)).run(in_python=True))


@pytest.mark.parametrize("model", ["averaged", "switched"])
def test_looking_with_a_scope_changes_nothing(model):
    scopes = [{"from_s": 0.0, "to_s": 0.002, "step_s": 3.3e-6}, {"from_s": 0.0015, "to_s": 0.006, "step_s": 50e-6}]
    seen = Bench(noisy("torque", model, scope=scopes)).run()
    equal_to_the_last_bit(Bench(noisy("torque", model)).run(), seen)
    # Samples that fall on ticks are the rows' states.
    scope = seen.scopes[1]
    rows = np.round(scope["time_s"] / seen.row_s).astype(int)
    for name in ("id_A", "iq_A", "link_voltage_V", "speed_rpm", "torque_Nm"):
        assert scope[name] == pytest.approx(seen[name][rows], rel=1e-9, abs=1e-9), name
    # The mean of a finely sampled tick is the row's mean.
    fine = seen.scopes[0]
    inside = (fine["time_s"] >= 0.001) & (fine["time_s"] < 0.002 - 1e-9)
    rows = slice(20, 40)
    if model == "averaged":
        assert fine["va_V"][inside].mean() == pytest.approx(seen["va_V"][rows].mean(), abs=0.3)
        assert fine["link_current_A"][inside].mean() == pytest.approx(seen["link_current_A"][rows].mean(), abs=0.5)


class Constant(Controller):
    """Half duty, for runs that only need the plant."""

    def reset(self, setup):
        pass

    def step(self, measured):
        return Command(0.5, 0.5, 0.5)


def test_an_uncontrolled_machine_at_rest_stays_at_rest():
    recording = Bench(make(load=FREE, controller={"mode": "voltage"}, commands={"vd_V": 0.0}), controller=Constant()).run()
    # The load of 5 Nm is above the friction of 1 Nm: it turns the shaft backwards, as load torque does.
    assert recording["speed_rpm"][-1] < 0.0
    still = {**FREE, "torque_Nm": 0.5}
    recording = Bench(make(load=still, controller={"mode": "voltage"}, commands={"vd_V": 0.0}), controller=Constant()).run()
    for name in ("id_A", "iq_A", "speed_rpm", "angle_deg", "torque_Nm", "link_current_A"):
        assert np.array_equal(recording[name], np.zeros(len(recording))), name


# The audit of a flux map -----------------------------------------------------------------------------------------------


def flat_map_file(folder):
    """Machine E as a table: psi_d = 0.07 + 0.2e-3 id, psi_q = 0.6e-3 iq."""
    lines = ["id_A,iq_A,psi_d_Wb,psi_q_Wb"]
    lines += [f"{i},{q},{0.07 + 0.2e-3 * i:.17g},{0.6e-3 * q:.17g}" for i in range(-450, 151, 50) for q in range(-450, 451, 50)]
    (folder / "flat.csv").write_text("\n".join(lines))
    return str(folder / "flat.csv")


def test_a_flat_map_shows_the_same_audit_as_constants(run_scenario, tmp_path):
    """Field energy 0.75 (Ld id^2 + Lq iq^2), closed form; the solver's error shows in both, at 0.126 rad a step too."""
    change = {
        "load": {"speed_rpm": 12000}, "supply": {"voltage_V": 700}, "commands": {"iq_A": [[0.0, 0.0], [0.01, 150.0]]},
    }  # fmt: skip
    constants = run_scenario(**change)
    keys = ("pole_pairs", "stator_resistance_ohm", "max_current_A", "max_speed_rpm")
    like = {key: BASE["machine"][key] for key in keys}
    machine = {"replace": True, "kind": "flux_map", "flux_map": {"file": flat_map_file(tmp_path)}, **like}
    mapped = run_scenario(machine=machine, **change)
    end = mapped.closing
    energy = 0.75 * ((end["psi_d_Wb"] - 0.07) ** 2 / 0.2e-3 + end["psi_q_Wb"] ** 2 / 0.6e-3)
    assert mapped.audit["stored_changes_J"]["magnetic"] == pytest.approx(energy, rel=1e-9)
    assert abs(constants.audit["residual_relative"]) > 1e-6
    assert mapped.audit["residual_relative"] == pytest.approx(constants.audit["residual_relative"], rel=1e-3)
    assert mapped.audit["map_energy_J"]["d_first"] == pytest.approx(energy, rel=1e-9)


def test_a_map_that_is_not_conservative_is_told(run_scenario, tmp_path):
    """psi_d + a iq, psi_q + b id: around a closed loop of area A the map yields 1.5 (a - b) A, Green's theorem."""
    lines = ["id_A,iq_A,psi_d_Wb,psi_q_Wb"]
    for i in range(-450, 151, 50):
        lines += [f"{i},{q},{0.07 + 0.2e-3 * i + 1e-5 * q!r},{0.6e-3 * q - 3e-5 * i!r}" for q in range(-450, 451, 50)]
    (tmp_path / "odd.csv").write_text("\n".join(lines))
    machine = {
        "replace": True, "kind": "flux_map", "flux_map": {"file": str(tmp_path / "odd.csv")},
        **{key: BASE["machine"][key] for key in ("pole_pairs", "stator_resistance_ohm", "max_current_A", "max_speed_rpm")},
    }  # fmt: skip
    square = {"id_A": [[0.0, 0.0], [0.02, -200.0], [0.06, 0.0]], "iq_A": [[0.0, 0.0], [0.04, 150.0], [0.08, 0.0]]}
    recording = run_scenario(
        machine=machine, commands=square, load={"replace": True, "kind": "locked"}, run={"duration_s": 0.3},
    )  # fmt: skip
    kept = recording.audit["map_energy_J"]
    assert kept["d_first"] == pytest.approx(0.0, abs=0.02) and kept["q_first"] == pytest.approx(0.0, abs=0.02)
    assert abs(kept["run"]) == pytest.approx(1.5 * 4e-5 * 200.0 * 150.0, rel=0.1)
    assert any("not conservative: on its way" in finding for finding in recording.findings)
    assert abs(recording.audit["residual_relative"]) < 1e-6
