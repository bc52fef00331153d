"""Braking limited by what the link can take, so that its voltage approaches a limit and does not pass it.

Energy of the capacitor W = C v^2/2.  What the machine returned in the last update less the rise of W went elsewhere (supply,
chopper, auxiliaries); as much may be returned again, and a share of what is left below the limit on top:
P <= P_elsewhere + alpha (W_limit - W).  Where nothing goes elsewhere W_limit - W falls like exp(-alpha t) (derived here), and
with it the braking: a full link leaves next to none.  Losses in the winding come on top at the shaft.
Checked: tests/controllers/test_braking_limit.py.
"""

import math

from controllers.contract import TuningError
from simcore.kernel import kernel

LAGS = 6.0  # alpha x lag of the torque below 1/4 settles without overshoot


@kernel
def limit_braking(p, s, m, torque_Nm, omega):
    """(torque asked for [Nm], speed [rad/s]) => torque allowed, 1 where the link took some of it."""
    energy_J = 0.5 * p.link_capacitance_F * m.link_voltage_V * m.link_voltage_V
    if s.started:
        elsewhere_W = s.returned_W - (energy_J - s.link_J) / p.update_s
        s.elsewhere_W += p.link_share * (elsewhere_W - s.elsewhere_W)
    else:
        s.elsewhere_W, s.lost_W = 0.0, 0.0
    s.link_J = energy_J
    if torque_Nm * omega >= 0.0:
        return torque_Nm, 0
    allowed_W = max(s.elsewhere_W + p.link_rate * (p.link_limit_J - energy_J), 0.0) + s.lost_W
    if abs(torque_Nm * omega) <= allowed_W:
        return torque_Nm, 0
    return math.copysign(allowed_W / abs(omega), torque_Nm), 1


@kernel
def note_power(p, s, vd, vq, id_A, iq_A):
    """(voltage granted, measured currents) => power returned to the link and lost in the winding, for the next update."""
    s.returned_W = -1.5 * (vd * id_A + vq * iq_A)
    s.lost_W = 1.5 * p.machine.resistance_ohm * (id_A * id_A + iq_A * iq_A)


def braking_fields(values, setup):
    """(tuning values, set-up) => fields of FOC_PARAMETERS; raises TuningError where there is no capacitor to reckon with."""
    limit_V = values["link_voltage_limit_V"]
    if not limit_V:
        return {"link_limit_J": 0.0}
    capacitance_F = setup.inverter.link_capacitance_F
    if not capacitance_F > 0.0:
        raise TuningError(
            f"controller.tuning.link_voltage_limit_V = {limit_V:g}: needs the link capacitor; inverter.link_capacitance_F is 0 "
            "(F). Give it, or leave the limit out."
        )
    lag_s = 1.0 / (2.0 * math.pi * max(values["current_bandwidth_Hz"], 1e-9)) + (setup.delay_updates + 0.5) * setup.update_s
    given_Hz = values["link_bandwidth_Hz"]
    rate = 2.0 * math.pi * given_Hz if given_Hz else 1.0 / (LAGS * lag_s)
    return {
        "link_limit_J": 0.5 * capacitance_F * limit_V * limit_V,
        "link_capacitance_F": capacitance_F,
        "link_rate": rate,
        "link_share": -math.expm1(-rate * setup.update_s),
    }
