"""A plausible recording without the loop: first-order currents of a salient machine behind commanded torque steps."""

from types import SimpleNamespace

import numpy as np


class FakeRecording(dict):
    @property
    def signals(self):
        return tuple(self)


BINDING = {0: "none", 1: "current", 2: "voltage", 3: "voltage_and_current", 4: "mtpv", 5: "modulator", 6: "torque_slew"}
EXPECT = (
    {"signal": "torque_Nm", "measure": "settling_time_s", "step_at_s": 0.05, "band_percent": 2, "max": 0.004},
    {"signal": "torque_Nm", "measure": "overshoot_percent", "step_at_s": 0.05, "max": 10.0},
    {"signal": "torque_Nm", "measure": "peak_to_peak", "from_s": 0.1, "to_s": 0.2, "max": 0.5},
    {"signal": "iq_A", "measure": "harmonic_amplitude", "order": 6, "from_s": 0.1, "to_s": 0.2, "max": 2.0},
    {"signal": "link_voltage_V", "measure": "mean", "from_s": 0.1, "to_s": 0.2, "equal": 700.0, "tolerance": 10.0},
)


def torque_steps(duration_s=0.3, every=1, tick_s=50e-6, rpm=3000.0, seed=1, title="Torque steps on a rig", steps=None):
    rng = np.random.default_rng(seed)
    pole_pairs, flux, ld, lq = 4, 0.07, 0.2e-3, 0.6e-3
    ticks = round(duration_s / tick_s)
    time_s = np.arange(0, ticks, every) * tick_s
    steps = steps or [(0.0, 0.0), (0.05, 150.0), (0.2, -150.0)]
    points = np.array([t for t, _ in steps])
    torque_reference = np.array([v for _, v in steps])[np.searchsorted(points, time_s + 1e-9, side="right") - 1]
    iq_reference = np.sign(torque_reference) * np.sqrt(np.abs(torque_reference)) * 18.0
    id_reference = -0.55 * np.abs(iq_reference)
    lag = np.exp(-every * tick_s / 0.4e-3)

    def follow(reference):
        answer, now = np.empty_like(reference), reference[0]
        for k, target in enumerate(reference):
            now = answer[k] = target + (now - target) * lag
        return answer

    iq = follow(iq_reference) + 0.4 * rng.standard_normal(len(time_s))
    direct = follow(id_reference) + 0.3 * rng.standard_normal(len(time_s))
    theta = 2 * np.pi * rpm / 60 * pole_pairs * time_s
    torque = 1.5 * pole_pairs * (flux * iq + (ld - lq) * direct * iq)
    omega = rpm * 2 * np.pi / 60
    recording = FakeRecording(
        torque_Nm=torque,
        torque_reference_Nm=1.5 * pole_pairs * (flux * iq_reference + (ld - lq) * id_reference * iq_reference),
        speed_rpm=np.full(len(time_s), rpm),
        speed_reference_rpm=np.full(len(time_s), np.nan),
        angle_deg=np.mod(np.rad2deg(theta) / pole_pairs, 360.0),
        id_A=direct,
        iq_A=iq,
        id_reference_A=id_reference,
        iq_reference_A=iq_reference,
        **{
            f"i{p}_A": direct * np.cos(theta - k * 2 * np.pi / 3) - iq * np.sin(theta - k * 2 * np.pi / 3)
            for k, p in enumerate("abc")
        },
        link_voltage_V=700 - torque * omega / 700 * 0.02 + 0.2 * rng.standard_normal(len(time_s)),
        power_shaft_W=torque * omega,
        angle_error_deg=0.3 * np.sin(2 * theta / pole_pairs) + 0.03 * rng.standard_normal(len(time_s)),
        voltage_margin_V=120 - 0.3 * np.abs(torque) - 200 * np.exp(-((time_s - 0.2004) ** 2) / (2e-4) ** 2),
        binding_limit=np.where(np.abs(time_s - 0.2004) < 4e-4, 2, np.where(np.abs(torque_reference) > 100, 1, 0)),
        state=np.zeros(len(time_s)),
    )
    recording.time_s = time_s
    recording.row_s = every * tick_s
    recording.scenario = SimpleNamespace(
        name="torque_steps", title=title, tick_s=tick_s, ticks=ticks, expect=EXPECT,
        machine=SimpleNamespace(pole_pairs=pole_pairs, name="Yard tractor machine"), run=SimpleNamespace(substeps=2),
        inverter=SimpleNamespace(
            model="averaged", switching_frequency_Hz=0.5 / tick_s, update="double", modulation="svpwm"
        ),
        supply=SimpleNamespace(voltage_V=700.0), load=SimpleNamespace(kind="rig"),
        commands=SimpleNamespace(
            torque_Nm=SimpleNamespace(times=tuple(points), values=tuple(v for _, v in steps), shape="step")
        ),
    )  # fmt: skip
    recording.audit = {
        "energy_in_J": 5200.0, "energy_out_J": 4890.0, "stored_J": 12.0, "residual_relative": 3.1e-8,
        "losses_J": {"copper": 250.0, "iron": 0.0, "conduction": 48.0, "switching": 0.0},
    }  # fmt: skip
    recording.timing = {"simulated_s": duration_s, "wall_s": 0.0021, "total_s": 0.61, "real_time_factor": 142.9}
    recording.findings = ()
    recording.scopes = ()
    recording.binding_names = BINDING
    recording.state_names = {0: "running"}
    recording.resolved_text = 'title = "Torque steps on a rig"\n'
    return recording
