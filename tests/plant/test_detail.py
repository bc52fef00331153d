"""Iron loss, EMF harmonics and cogging against the equivalent circuit, the co-energy and the laws they are written from."""

import math

import numpy as np
import pytest

from simcore.plant.detail import cogging_torque, detailed, harmonic_flux, iron_conductance
from simcore.plant.fluxmap_build import build_map_tables
from simcore.plant.open_terminals import open_leg_voltage, open_terminal_voltage
from simcore.plant.records import MACHINE

HARMONICS = {"emf_harmonics": [{"order": 5, "amplitude_percent": 4.0, "phase_deg": 30.0},
                               {"order": 7, "amplitude_percent": 3.0, "phase_deg": -70.0}]}  # fmt: skip
COGGING = {"cogging": [{"order": 24, "torque_Nm": 1.5, "phase_deg": 20.0}, {"order": 48, "torque_Nm": 0.4}]}
FAST = {"switching_frequency_Hz": 80000}  # the phasors know no sampling
# Strong integrators: pole cancellation lets a disturbance decay with L/R only.
GAINS = {"kp_d_V_per_A": 0.6, "kp_q_V_per_A": 1.8, "ki_d_V_per_As": 600.0, "ki_q_V_per_As": 1800.0}
STIFF = {"replace": True, "mode": "current", "tuning": GAINS}
IRON = {"iron_loss": {"frequency_Hz": 200.0, "hysteresis_W": 120.0, "eddy_W": 180.0}}


@pytest.fixture
def machine_record(make_scenario):
    from simcore.loop.fill_plant import fill_machine

    def make(**machine):
        record = np.zeros(1, MACHINE)
        table = fill_machine(record[0], make_scenario(machine=machine).machine)
        return record[0], table

    return make


def phase_a(psi_d, psi_q, angle):
    return psi_d * math.cos(angle) - psi_q * math.sin(angle)


def test_the_phase_emf_holds_each_harmonic_with_its_amplitude_and_phase(machine_record):
    # e_n = n omega psi_n, so a share of the EMF is n times a share of the flux.
    machine, _ = machine_record(**HARMONICS)
    angles = 2.0 * math.pi * np.arange(256) / 256
    fluxes = np.zeros((3, 256))
    for k, angle in enumerate(angles):
        delta_d, delta_q, _, _ = harmonic_flux(machine, angle / 4.0)
        for phase in range(3):
            fluxes[phase, k] = phase_a(0.07 + delta_d, delta_q, angle - phase * 2.0 * math.pi / 3.0)
    assert np.abs(fluxes.sum(axis=0)).max() < 1e-15
    spectrum = np.fft.rfft(fluxes[0]) / 128
    assert abs(spectrum[1]) == pytest.approx(0.07, rel=1e-12)
    for order, percent, phase in ((5, 4.0, 30.0), (7, 3.0, -70.0)):
        assert order * abs(spectrum[order]) == pytest.approx(0.07 * percent / 100.0, rel=1e-12)
        assert math.degrees(np.angle(spectrum[order])) == pytest.approx(phase, abs=1e-9)
    spectrum[[1, 5, 7]] = 0.0
    assert np.abs(spectrum).max() < 1e-15


def test_torque_is_the_slope_of_the_co_energy_at_constant_phase_currents(machine_record):
    """T = dW'/dtheta_mech at constant stator currents, W' = 1.5 (Ld id^2/2 + Lq iq^2/2 + psi_m(theta) . i) + cogging's."""
    machine, table = machine_record(**HARMONICS, **COGGING)
    i_alpha, i_beta = 130.0, -80.0

    def coenergy(theta):
        angle = 4.0 * theta
        id_A = math.cos(angle) * i_alpha + math.sin(angle) * i_beta
        iq_A = -math.sin(angle) * i_alpha + math.cos(angle) * i_beta
        delta_d, delta_q, _, _ = harmonic_flux(machine, theta)
        magnetic = 0.5 * 0.2e-3 * id_A**2 + 0.5 * 0.6e-3 * iq_A**2 + (0.07 + delta_d) * id_A + delta_q * iq_A
        cogging = 1.5 / 24 * math.cos(24 * theta + math.radians(20.0)) + 0.4 / 48 * math.cos(48 * theta)
        return 1.5 * magnetic - cogging

    for theta in np.linspace(0.0, 1.5, 17):
        angle, h = 4.0 * theta, 1e-5
        id_A = math.cos(angle) * i_alpha + math.sin(angle) * i_beta
        iq_A = -math.sin(angle) * i_alpha + math.cos(angle) * i_beta
        delta_d, delta_q, _, _ = harmonic_flux(machine, theta)
        psi_d, psi_q = 0.07 + 0.2e-3 * id_A + delta_d, 0.6e-3 * iq_A + delta_q
        seen_d, seen_q, torque_Nm, g, _, _ = detailed(machine, table, psi_d, psi_q, 0.0, theta)
        expected = (coenergy(theta + h) - coenergy(theta - h)) / (2.0 * h)
        assert torque_Nm == pytest.approx(expected, abs=1e-4) and g == 0.0
        assert (seen_d, seen_q) == pytest.approx((id_A, iq_A), abs=1e-9)


def test_cogging_is_a_sine_of_its_order(machine_record):
    machine, _ = machine_record(**COGGING)
    at = 0.3
    expected = 1.5 * math.sin(24 * at + math.radians(20.0)) + 0.4 * math.sin(48 * at)
    assert cogging_torque(machine, at) == pytest.approx(expected, rel=1e-12)


def test_iron_loss_at_its_own_frequency_and_flux_is_the_data_sheets(machine_record):
    machine, _ = machine_record(**IRON)
    for frequency, loss_W in ((200.0, 300.0), (100.0, 60.0 + 45.0), (400.0, 240.0 + 720.0)):
        omega_e = 2.0 * math.pi * frequency
        g = iron_conductance(machine, omega_e)
        assert 1.5 * g * omega_e * 0.07**2 == pytest.approx(loss_W, rel=1e-5)
        assert iron_conductance(machine, -omega_e) == -g


def test_hysteresis_fades_out_around_standstill(machine_record):
    """w/sqrt(w^2 + 1) of the hysteresis current at electrical speed w, so that it does not jump (common practice, no source):
    half of it at 1/sqrt(3) rad/s."""
    machine, _ = machine_record(iron_loss={"frequency_Hz": 200.0, "hysteresis_W": 120.0, "eddy_W": 0.0})
    full = 120.0 / (1.5 * 2.0 * math.pi * 200.0 * 0.07**2)
    assert iron_conductance(machine, 1.0 / math.sqrt(3.0)) == pytest.approx(0.5 * full, rel=1e-12)
    assert iron_conductance(machine, 0.0) == 0.0


@pytest.mark.parametrize("speed_rpm", [3000.0, -3000.0])
def test_a_driven_machine_with_iron_loss_is_its_equivalent_circuit(run_scenario, speed_rpm, verified):
    """Phasors of the circuit with R_c across j omega psi: i = i_m + j omega psi/R_c, v = R i + j omega psi, R_c from the loss
    at this frequency (200 Hz: 300 W at the magnets' flux)."""
    recording = run_scenario(
        machine=IRON, load={"speed_rpm": speed_rpm}, controller=STIFF, commands={"id_A": -50.0, "iq_A": 100.0},
        initial={"id_A": -50.0, "iq_A": 100.0}, run={"duration_s": 0.05}, inverter=FAST,
    )  # fmt: skip
    resistance_c = 1.5 * (2.0 * math.pi * 200.0 * 0.07) ** 2 / 300.0
    omega_e = math.copysign(2.0 * math.pi * 200.0, speed_rpm)
    current = complex(-50.0, 100.0)
    magnetising = current
    for _ in range(60):
        psi = complex(0.07 + 0.2e-3 * magnetising.real, 0.6e-3 * magnetising.imag)
        magnetising = current - 1j * omega_e * psi / resistance_c
    voltage = 0.01 * current + 1j * omega_e * psi
    torque = 6.0 * (psi.real * magnetising.imag - psi.imag * magnetising.real)
    row = {"source": "equivalent circuit, derived in the test", "unit": "W"}
    mean = lambda name: recording.measure(name, "mean", from_s=0.03)  # noqa: E731
    assert mean("vd_V") == pytest.approx(voltage.real, abs=0.02) and mean("vq_V") == pytest.approx(voltage.imag, abs=0.02)
    assert mean("torque_Nm") == pytest.approx(torque, abs=0.02)
    expected = 1.5 * abs(omega_e * psi) ** 2 / resistance_c
    verified("iron loss of a loaded machine at 200 Hz", row["source"], expected, mean("loss_iron_W"), 0.1, "W")
    assert abs(recording.audit["residual_relative"]) < 1e-6


def test_an_idle_machine_is_braked_by_its_iron(run_scenario):
    # No terminal current: the loss comes from the shaft, T = -P/omega.
    recording = run_scenario(machine=IRON, load={"speed_rpm": 3000}, run={"duration_s": 0.05}, inverter=FAST, controller=STIFF)
    loss = recording.measure("loss_iron_W", "mean", from_s=0.03)
    power = recording.measure("power_shaft_W", "mean", from_s=0.03)
    assert loss == pytest.approx(300.0, rel=2e-3) and power == pytest.approx(-loss, rel=1e-4)


def test_measured_no_load_losses_are_separated_by_a_straight_line(machine_record):
    given, _ = machine_record(**IRON)
    points = [[f, 0.6 * f + 4.5e-3 * f * f] for f in (50.0, 100.0, 200.0, 400.0)]
    measured, _ = machine_record(iron_loss={"no_load_W": points})
    for name in ("eddy_S", "hysteresis_A_per_Wb"):
        assert measured[name] == pytest.approx(given[name], rel=1e-9)


def test_cogging_work_is_stored_and_comes_back(run_scenario):
    recording = run_scenario(
        machine=COGGING, load={"replace": True, "kind": "free", "inertia_kg_m2": 0.02}, initial={"speed_rpm": 60.0},
        run={"duration_s": 0.2, "substeps": 4},
    )  # fmt: skip
    audit = recording.audit
    assert abs(audit["stored_changes_J"]["kinetic"]) > 1e-3
    assert abs(audit["residual_relative"]) < 1e-6 and sum(audit["losses_J"].values()) < 1e-2


def test_emf_harmonics_ripple_the_torque_at_order_six(run_scenario):
    # At constant dq current: T6 = 1.5 p iq omega-free sum of n psi_n (order 6), here for one 5th harmonic.
    recording = run_scenario(
        machine={"emf_harmonics": [{"order": 5, "amplitude_percent": 3.0}], "inductance_q_H": 0.2e-3},
        load={"speed_rpm": 30.0}, commands={"id_A": 0.0, "iq_A": 100.0}, initial={"iq_A": 100.0},
        controller={"tuning": {"current_bandwidth_Hz": 800}}, run={"duration_s": 0.5, "record_every": 10},
    )  # fmt: skip
    # EMF times current: e_5 i_1 gives p/omega_e x 1.5 E_5 I at 6 omega = 1.5 p psi_1 0.03 I.
    amplitude = recording.measure("torque_Nm", "harmonic_amplitude", order=6)
    assert amplitude == pytest.approx(1.5 * 4 * 0.07 * 0.03 * 100.0, rel=2e-3)


@pytest.mark.parametrize("leg", [0, 1, 2, 3])
def test_open_legs_keep_their_currents_with_iron_loss_and_harmonics(machine_record, leg):
    # The voltage is right where the terminal current's slope along an open leg's axis is nought, by central differences.
    machine, table = machine_record(**IRON, **HARMONICS)
    psi_d, psi_q, omega, theta = 0.05, -0.04, 260.0, 0.7
    angle = 4.0 * theta
    cosine, sine = math.cos(angle), math.sin(angle)
    if leg == 3:
        vd, vq = open_terminal_voltage(machine, table, psi_d, psi_q, omega, theta)
    else:
        v_alpha, v_beta = open_leg_voltage(machine, table, leg, psi_d, psi_q, omega, theta, sine, cosine, 30.0, -70.0)
        vd, vq = cosine * v_alpha + sine * v_beta, -sine * v_alpha + cosine * v_beta
    id_A, iq_A = detailed(machine, table, psi_d, psi_q, omega, theta)[:2]
    rate_d = vd - 0.01 * id_A + 4.0 * omega * psi_q
    rate_q = vq - 0.01 * iq_A - 4.0 * omega * psi_d

    def current(h):
        d, q = detailed(machine, table, psi_d + h * rate_d, psi_q + h * rate_q, omega, theta + h * omega)[:2]
        # With all legs open it is the flux in the rotor that stays with the magnets, so look at the magnetising current there.
        turned = angle + 4.0 * h * omega if leg < 3 else 0.0
        return np.array([math.cos(turned) * d - math.sin(turned) * q, math.sin(turned) * d + math.cos(turned) * q])

    h = 1e-8
    slope = (current(h) - current(-h)) / (2.0 * h)
    if leg == 3:
        delta = harmonic_flux(machine, theta)
        # i_m stays; the small iron current g J psi follows the harmonic flux: g omega slope.
        g = iron_conductance(machine, 4.0 * omega)
        expected = 4.0 * omega * g * np.array([-delta[3], delta[2]])
        assert slope == pytest.approx(expected, abs=1.0)
    else:
        axis = leg * 2.0 * math.pi / 3.0
        assert abs(slope @ np.array([math.cos(axis), math.sin(axis)])) < 1.0
        assert np.abs(slope).max() > 1e4


@pytest.mark.parametrize("leg", [0, 1, 2])
def test_an_open_leg_keeps_its_current_on_a_map_with_unlike_cross_inductances(leg):
    """di/dt = L^-1 (v - R i - omega J psi), L by hand (a measured map's l_dq and l_qd differ): the phase's part is nought."""
    inductance = np.array([[0.3e-3, 0.05e-3], [0.12e-3, 0.7e-3]])
    d, q = np.meshgrid(np.linspace(-300.0, 100.0, 5), np.linspace(-200.0, 200.0, 5), indexing="ij")
    psi = 0.07 + 0.3e-3 * d + 0.05e-3 * q, 0.12e-3 * d + 0.7e-3 * q
    machine = np.zeros(1, MACHINE)[0]
    machine["pole_pairs"], machine["resistance_ohm"], machine["use_map"] = 4.0, 0.01, 1
    table = build_map_tables(d[:, 0], q[0], *psi).table
    current, omega, theta = np.array([-80.0, 60.0]), 260.0, 0.7
    psi_d, psi_q = inductance @ current + (0.07, 0.0)
    cosine, sine = math.cos(4.0 * theta), math.sin(4.0 * theta)
    v_alpha, v_beta = open_leg_voltage(machine, table, leg, psi_d, psi_q, omega, theta, sine, cosine, 30.0, -70.0)
    v = np.array([cosine * v_alpha + sine * v_beta, -sine * v_alpha + cosine * v_beta])
    slope = np.linalg.solve(inductance, v - 0.01 * current + 4.0 * omega * np.array([psi_q, -psi_d]))
    slope += 4.0 * omega * np.array([-current[1], current[0]])
    axis = leg * 2.0 * math.pi / 3.0 - 4.0 * theta
    assert abs(slope @ np.array([math.cos(axis), math.sin(axis)])) < 1e-6 * np.abs(slope).max()


def test_energy_closes_with_harmonics_on_a_flux_map(run_scenario):
    recording = run_scenario(
        machine={"replace": True, "part": "motors/yard_tractor", **HARMONICS}, supply={"voltage_V": 700.0},
        controller={"mode": "torque"}, commands={"replace": True, "torque_Nm": [[0.0, 0.0], [0.01, 100.0]]},
        run={"duration_s": 0.033, "substeps": 4},
    )  # fmt: skip
    assert abs(recording.audit["residual_relative"]) < 1e-6
    assert np.ptp(recording["torque_Nm"][400:]) > 1.0
