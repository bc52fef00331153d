"""A contactor that opens while the drive motors: the link empties and stays empty.

An empty link is a short across the machine; source of its steady state, from memory: B. A. Welchko, T. M. Jahns, W. L. Soong,
J. M. Nagashima, IEEE Trans. Energy Convers. 18(2), 2003.  The rest is Kirchhoff's current law and the balance of energy.
"""

import math

import pytest
from shared_benches import MACHINE_E
from shared_records import record

from simcore.plant.link import link_rates
from simcore.plant.records import CAPACITOR, DRIVE, LINK

RPM = 3000.0


def emptied(run_scenario, **tables):
    """Machine E takes 28 kW; the contactor opens at 5 ms."""
    tables = {"inverter": {"link_capacitance_F": 0.1e-3}} | tables
    return run_scenario(
        supply={"voltage_V": 700.0, "resistance_ohm": 0.05, "auxiliary_W": 800.0},
        load={"speed_rpm": RPM},
        commands={"id_A": -100.0, "iq_A": 200.0},
        fault=[{"kind": "contactor_open", "at_s": 0.005}],
        run={"duration_s": 0.6, "substeps": 20},
        **tables,
    )


def test_an_empty_link_is_a_short_across_the_machine(run_scenario, verified):
    """Whatever the legs do, all three terminals are at one voltage: id = -w2 Lq psi/D, iq = -w R psi/D, D = R2 + w2 Ld Lq."""
    recording = emptied(run_scenario)
    w, r = RPM * 4 * math.pi / 30.0, MACHINE_E["stator_resistance_ohm"]
    l_d, l_q, psi = (MACHINE_E[name] for name in ("inductance_d_H", "inductance_q_H", "magnet_flux_Wb"))
    d = r * r + w * w * l_d * l_q
    assert recording["link_voltage_V"].min() == 0.0 == recording["link_voltage_V"][-1]
    source = "Welchko et al., IEEE TEC 18, 2003 [M]"
    verified("id of a drive whose link has emptied [A]", source, -w * w * l_q * psi / d, recording["id_A"][-1], 1e-3)
    assert recording["iq_A"][-1] == pytest.approx(-w * r * psi / d, abs=0.05)


def test_an_empty_link_is_charged_but_not_emptied_further():
    """Kirchhoff's current law at 0.5 mF, and diodes that carry past the link what it has not got."""
    link, drive = record(LINK, kind=CAPACITOR, capacitance_F=0.5e-3), record(DRIVE)
    for volts, drawn_A, volts_per_s in ((0.0, 20.0, 0.0), (0.0, -20.0, 4e4), (5.0, 20.0, -4e4), (5.0, -20.0, 4e4)):
        assert link_rates(link, drive, volts, 0.0, drawn_A) == pytest.approx((volts_per_s, 0.0))


@pytest.mark.parametrize("model", ["averaged", "switched"])
def test_every_joule_is_told_while_the_link_empties(run_scenario, model):
    recording = emptied(run_scenario, inverter={"model": model, "link_capacitance_F": 0.1e-3})
    assert recording["link_voltage_V"][-1] == 0.0 and abs(recording.audit["residual_relative"]) < 1e-5
    # The auxiliary load draws its power down to a quarter of the supply's voltage, and nothing after.
    above = recording["link_voltage_V"] >= 175.0
    assert not above[-1] and recording.audit["losses_J"]["auxiliary"] == pytest.approx(800.0 * above.sum() * 5e-5, abs=0.05)


def test_what_a_step_takes_out_of_an_empty_link_is_told(run_scenario):
    """A small capacitor and long steps: the step that empties it passes 0 V by tens of volts, whose energy the diodes burn."""
    recording = run_scenario(
        supply={"voltage_V": 700.0, "resistance_ohm": 2.0},
        inverter={"link_capacitance_F": 30e-6},
        load={"speed_rpm": RPM},
        commands={"id_A": -100.0, "iq_A": 200.0},
        fault=[{"kind": "contactor_open", "at_s": 0.01}],
        run={"duration_s": 0.02, "substeps": 4},
    )
    assert recording["link_voltage_V"].min() == 0.0 and abs(recording.audit["residual_relative"]) < 1e-6
