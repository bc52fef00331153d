"""How much braking a link takes at one instant: what goes elsewhere, a share of what is left, the winding's loss on top."""

import pytest
from shared_records import record

from controllers.braking import limit_braking, note_power
from controllers.contract import MEASURED
from controllers.foc_records import FOC_PARAMETERS, FOC_STATE

FARAD, LIMIT_V, RATE, UPDATE_S, OMEGA = 2e-3, 700.0, 60.0, 1e-4, 300.0
CURRENTS, OHM = (-20.0, 90.0), 0.05


def allowed(link_V, share=1.0, before_V=None, voltages=(0.0, 0.0)):
    """(link voltage now and an update ago, voltages granted then) => torque of braking that is left of 500 Nm."""
    p = record(FOC_PARAMETERS, link_capacitance_F=FARAD, link_limit_J=0.5 * FARAD * LIMIT_V**2, link_rate=RATE,
               link_share=share, update_s=UPDATE_S)  # fmt: skip
    p["machine"]["resistance_ohm"] = OHM
    s = record(FOC_STATE, started=1, link_J=0.5 * FARAD * (before_V or link_V) ** 2)
    note_power(p, s, *voltages, *CURRENTS)
    torque_Nm, bound = limit_braking(p, s, record(MEASURED, link_voltage_V=link_V), -500.0, OMEGA)
    assert bound == 1
    return -torque_Nm


COPPER_W = 3.0 * 0.5 * OHM * (20.0**2 + 90.0**2)  # three phases, half the square of the peak


def test_a_full_link_leaves_what_the_winding_burns():
    """At the limit, with nothing returned and nothing rising: the shaft may give the copper loss, P = T omega."""
    assert allowed(LIMIT_V) == pytest.approx(COPPER_W / OMEGA, rel=1e-9)


def test_below_the_limit_a_share_of_the_rest_comes_on_top():
    rest_W = RATE * 0.5 * FARAD * (LIMIT_V**2 - 600.0**2)
    assert allowed(600.0) == pytest.approx((rest_W + COPPER_W) / OMEGA, rel=1e-9)


def test_what_the_machine_returned_and_the_link_did_not_keep_may_come_again():
    """3/2 (vd id + vq iq) = -27 kW of which the capacitor took C (v^2 - v0^2)/2 in an update."""
    kept_W = 0.5 * FARAD * (LIMIT_V**2 - 699.5**2) / UPDATE_S
    found = allowed(LIMIT_V, before_V=699.5, voltages=(0.0, -200.0))
    assert found == pytest.approx((27e3 - kept_W + COPPER_W) / OMEGA, rel=1e-9)
