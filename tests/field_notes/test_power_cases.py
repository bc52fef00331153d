"""Where the power goes: id, phase and battery current, an audit at every port.  Cases from practice, figures recomputed."""

import numpy as np
import pytest
from field_case import run_case

SALIENT = {"inductance_d_H": 0.2e-3, "inductance_q_H": 0.6e-3, "magnet_flux_Wb": 0.07, "max_current_A": 400}


def settled(recording, signal):
    """Mean of the last 10 ms."""
    return float(np.mean(recording[signal][-200:]))


@pytest.mark.parametrize("resistance_ohm", [0.0, 0.02])
@pytest.mark.parametrize("id_A", [-250.0, -100.0, 0.0, 60.0])
def test_where_the_power_for_id_goes(id_A, resistance_ohm):
    """Power for id: 1.5 R id^2 and nothing else.  With R = 0 and no iron loss link power is T omega at any id."""
    recording = run_case(
        machine={**SALIENT, "stator_resistance_ohm": resistance_ohm},
        load={"kind": "rig", "speed_rpm": 2000},
        commands={"id_A": id_A, "iq_A": 100.0},
    )
    copper = 1.5 * resistance_ohm * (id_A**2 + 100.0**2)
    torque = 1.5 * 4 * (0.07 - 0.4e-3 * id_A) * 100.0
    mechanical = torque * 2000.0 * np.pi / 30.0
    assert settled(recording, "power_shaft_W") == pytest.approx(mechanical, rel=3e-3)
    assert settled(recording, "loss_copper_W") == pytest.approx(copper, rel=2e-3, abs=1e-9)
    spent = settled(recording, "power_link_W") - settled(recording, "power_shaft_W")
    assert spent == pytest.approx(copper, rel=2e-3, abs=1e-4 * mechanical)
    assert recording.audit["losses_J"]["iron"] == 0.0


@pytest.mark.parametrize("torque_Nm", [150.0, -150.0])
@pytest.mark.parametrize("speed_rpm", [30.0, 300.0, 2500.0])
def test_phase_amperes_are_not_battery_amperes(torque_Nm, speed_rpm):
    """Idc = 1.5 (vd id + vq iq)/Vdc: hundreds of amperes in a phase at 300 rpm, a few from the battery; both ways.

    Power at battery, link, terminals and shaft differs by the loss in between, so efficiency stays below 100 %.
    """
    recording = run_case(
        machine=SALIENT,
        supply={"voltage_V": 400, "resistance_ohm": 0.05},
        inverter={
            "link_capacitance_F": 1e-3,
            "devices": {"kind": "mosfet", "on_resistance_ohm": 3e-3, "diode": {"threshold_V": 1.0, "slope_ohm": 3e-3}},
        },
        load={"kind": "rig", "speed_rpm": speed_rpm},
        controller={"mode": "torque"},
        commands={"torque_Nm": torque_Nm},
        run={"duration_s": 0.1},
    )
    at = {name: settled(recording, f"power_{name}_W") for name in ("supply", "link", "terminal", "shaft")}
    phase_A = np.hypot(settled(recording, "id_A"), settled(recording, "iq_A"))
    vd, vq, i_d, i_q = (settled(recording, name) for name in ("vd_V", "vq_V", "id_A", "iq_A"))
    battery_A = settled(recording, "supply_current_A")
    conduction = settled(recording, "loss_conduction_W")
    at_terminals = 1.5 * (vd * i_d + vq * i_q)
    assert at["terminal"] == pytest.approx(at_terminals, rel=2e-3)
    # The phase current flows through the link's duty share of it: what the bridge drops comes on top.
    from_phases = (at_terminals + conduction) / settled(recording, "link_voltage_V")
    assert battery_A == pytest.approx(from_phases, rel=3e-3)
    assert phase_A > (10.0 if speed_rpm < 1000 else 1.5) * abs(battery_A)
    # Every step from port to port loses; a braking machine turns the order round.
    flow = [at["supply"], at["link"], at["terminal"], at["shaft"]]
    losses = {"copper": settled(recording, "loss_copper_W"), "supply": settled(recording, "loss_supply_W")}
    assert np.all(-np.diff(flow) > 0.0)
    assert flow[0] - flow[1] == pytest.approx(losses["supply"], rel=1e-2)
    assert flow[1] - flow[2] == pytest.approx(conduction, rel=1e-6)
    assert flow[2] - flow[3] == pytest.approx(losses["copper"], rel=5e-3)
    driving, braking = flow[3] / flow[0], flow[0] / flow[3]
    if torque_Nm > 0.0:
        assert 0.0 < driving < 1.0
    elif speed_rpm > 100.0:
        assert 0.0 < braking < 1.0
    else:
        assert at["shaft"] < 0.0 < at["terminal"]  # at crawling speed copper takes more than the shaft gives
    assert abs(recording.audit["residual_relative"]) < 1e-6
