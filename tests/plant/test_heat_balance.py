"""Every joule of heat goes somewhere: the machine's three nodes, a sink of several nodes."""

import numpy as np
import pytest
from shared_records import record

from simcore.inverter.records import POWER, POWER_STATE
from simcore.plant.heat import step_devices, step_machine

STEP_S = 0.01


def test_the_machine_s_nodes_hold_what_came_in_less_what_the_coolant_took():
    """Heat passed from node to node adds to one what the other loses: C_w dT_w + C_i dT_i + C_m dT_m = dt (P - P_coolant)."""
    power = record(POWER, machine_step_s=STEP_S, machine_coolant_degC=60.0, winding_J_per_K=400.0, iron_J_per_K=900.0,
                   magnet_J_per_K=150.0, winding_to_iron_W_per_K=20.0, iron_to_coolant_W_per_K=35.0,
                   magnet_to_iron_W_per_K=3.0, magnet_share=0.1)  # fmt: skip
    ps = record(POWER_STATE, winding_degC=140.0, iron_degC=90.0, magnet_degC=115.0, copper_J=18.0, iron_J=7.0)
    step_machine(power, ps)
    rises = [ps[name] - before for name, before in (("winding_degC", 140.0), ("iron_degC", 90.0), ("magnet_degC", 115.0))]
    assert rises[0] == pytest.approx((18.0 - STEP_S * 20.0 * 50.0) / 400.0)
    assert rises[2] == pytest.approx((0.7 - STEP_S * 3.0 * 25.0) / 150.0)
    assert np.dot((400.0, 900.0, 150.0), rises) == pytest.approx(25.0 - STEP_S * 35.0 * 30.0, rel=1e-12)


def test_heat_flows_down_the_sink_s_ladder():
    """Nodes at 30, 18 and 5 K over the coolant: each passes on conductance x difference, the last to the coolant."""
    power = record(POWER, heat_step_s=STEP_S, coolant_degC=20.0, one_chip=1, sink_count=3)
    power["sink_J_per_K"][:3], power["sink_W_per_K"][:3] = (50.0, 80.0, 200.0), (12.0, 9.0, 40.0)
    ps = record(POWER_STATE)
    ps["sink_K"][:3] = before = np.array([30.0, 18.0, 5.0])
    step_devices(power, ps)
    flows = np.array([12.0 * 12.0, 9.0 * 13.0, 40.0 * 5.0])
    expected = before + STEP_S * (np.append(0.0, flows[:-1]) - flows) / (50.0, 80.0, 200.0)
    assert ps["sink_K"][:3] == pytest.approx(expected, rel=1e-12)
