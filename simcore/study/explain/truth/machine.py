"""The machine: torque beyond that of flux linkages and currents. With harmonics in the flux it is the EMF, else cogging."""

import numpy as np

from simcore.report.wording import number
from simcore.study.explain.truth.parts import Finding
from simcore.study.explain.truth.stage import rms

_FLUX_SEEN, _TORQUE_SEEN = 1e-4, 1e-5
_ORDERS = (6, 12, 18)


def machine_findings(stage):
    """Stage => Findings of EMF harmonics and cogging."""
    machine = stage.scenario.machine
    psi = stage.of("psi_d_Wb") + 1j * stage.of("psi_q_Wb")
    plain = 1.5 * machine.pole_pairs * (psi.conj() * stage.rotor).imag
    more = stage.of("torque_Nm") - plain
    ripple = more - np.mean(more)
    harmonic = psi - stage.flux(stage.rotor)
    harmonic = harmonic - np.mean(harmonic)
    flux_Wb = max(float(np.mean(np.abs(psi))), 1e-12)
    scale = max(rms(plain), 1e-3 * 1.5 * machine.pole_pairs * flux_Wb * machine.max_current_A)
    if rms(harmonic) > _FLUX_SEEN * flux_Wb and machine.iron_loss is None:
        share = rms(harmonic) / flux_Wb
        return [Finding("emf_harmonics", f"{100.0 * _emf_share(stage, harmonic):.2g} % of its fundamental", share, rms(ripple))]
    if rms(ripple) > _TORQUE_SEEN * scale and machine.iron_loss is None:
        return [Finding("cogging", f"{number(float(np.sqrt(2.0)) * rms(ripple), 'Nm', 2)}", rms(ripple) / scale, rms(ripple))]
    return []


def _emf_share(stage, harmonic):
    """(ripple of the flux linkage in the rotor frame (n,) [Wb]) => the largest harmonic of the EMF over its fundamental."""
    orders = np.array([sign * k for k in _ORDERS for sign in (-1, 1)])
    turning = np.exp(1j * np.outer(stage.angle, orders))
    flux = np.linalg.lstsq(turning, harmonic, rcond=1e-10)[0]
    magnets_Wb = max(abs(stage.flux(np.zeros(1, complex))[0]), 1e-12)
    # A turning frame takes one from the order; the EMF is the flux's rate.
    return float(np.max(np.abs((orders + 1) * flux))) / magnets_Wb
