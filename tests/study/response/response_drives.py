"""Linear drives for the tests of the loop response."""

from dataclasses import replace

import numpy as np

from simcore.study.response.linear_drive import CurrentControl, LinearDrive, Sensing, Timing, Winding


def drive(
    *, update_s=1e-4, K=1.0 / 3.0, R=0.0, Ld=0.5e-3, Lq=0.5e-3, psi=0.1, omega_e=0.0, delay=1, shift_s=0.0, filter_rad_s=0.0,
    current=(0.0, 0.0), decoupling=True, advance=True,
):  # fmt: skip
    """A drive with constant parameters, pole cancellation and kp T/L = K in both axes."""
    inductance, flux = np.diag([Ld, Lq]), np.array([psi + Ld * current[0], Lq * current[1]])
    timing = Timing(update_s=update_s, shift_s=shift_s, delay_updates=delay)
    return LinearDrive(
        winding=Winding(
            pole_pairs=4, resistance_ohm=R * np.eye(2), inductance_H=inductance, flux_Wb=flux, current_A=np.array(current),
        ),
        timing=timing,
        sensing=Sensing(bandwidth_rad_s=filter_rad_s, gain=np.eye(2), angle_error_rad=0.0),
        shaft=None,
        current=CurrentControl(
            kp=K * np.array([Ld, Lq]) / update_s, ki=np.full(2, K * R / update_s), active_ohm=np.zeros(2),
            feed_forward_ohm=np.zeros((2, 2)), decoupling=decoupling, inductance_H=inductance, flux_Wb=flux,
            advance_s=(delay + 0.5) * update_s if advance else 0.0, voltage_gain=1.0, bandwidth_Hz=K / (2 * np.pi * update_s),
            update_s=update_s,
        ),
        speed=None,
        omega_e=omega_e,
    )  # fmt: skip


def without_control(one):
    """The same with all gains zero and nothing decoupled: the machine alone behind its hold."""
    control = replace(one.current, kp=np.zeros(2), ki=np.zeros(2), decoupling=False)
    return replace(one, current=control)
