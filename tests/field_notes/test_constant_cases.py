"""Constants whose basis was not said.  Cases from practice, figures recomputed; the machine is then run and measured."""

import math

import numpy as np
import pytest
from field_case import run_case

from simcore.scenario import ScenarioError

WINDING = {"poles": 14, "resistance_ohm": {"phase": 0.02}, "inductance_H": {"phase": 20e-6}}


def machine_of(**sheet):
    """=> machine table with a data sheet in place of its constants."""
    return {"kind": "constants", "max_current_A": 40, "max_speed_rpm": 20000, "data_sheet": {**WINDING, **sheet}}


def run_sheet(sheet, **tables):
    """(data sheet, tables) => Recording on 60 V."""
    return run_case(
        machine=machine_of(**sheet), supply={"voltage_V": 60}, inverter={"switching_frequency_Hz": 20000}, **tables
    )


EMF = {"emf_speed_rpm": 2500.0}
RMS, ACROSS = {"line_line_rms": 15.0}, {"line_line_peak_to_peak": 21.0}


def test_15_volts_rms_and_21_volts_peak_to_peak_contradict():
    """Line-line EMF '15 V rms' against '21 V peak-peak' at 2500 rpm: 42.4 V against 21 V crest to trough, refused by name."""
    with pytest.raises(ScenarioError) as caught:
        run_sheet({**EMF, "emf_V": {**RMS, **ACROSS}})
    text = " ".join(caught.value.problems)
    assert "line_line_rms" in text and "line_line_peak_to_peak" in text


@pytest.mark.parametrize("told, crest_V", [(RMS, 15.0 * math.sqrt(2.0)), (ACROSS, 10.5)])
def test_each_of_them_alone_makes_a_machine_that_shows_it(told, crest_V):
    """Turned at 2500 rpm without current the machine shows the line-line crest it was given: 21.2 V or 10.5 V."""
    recording = run_sheet({**EMF, "emf_V": told}, load={"kind": "rig", "speed_rpm": 2500.0})
    late = slice(-400, None)
    assert np.hypot(recording["id_A"], recording["iq_A"])[late].max() < 0.05
    found = math.sqrt(3.0) * np.hypot(np.mean(recording["vd_V"][late]), np.mean(recording["vq_V"][late]))
    assert found == pytest.approx(crest_V, rel=1e-3)


@pytest.mark.parametrize("basis, ampere, per_kv", [("peak", 10.0, 8.27), ("rms", 10.0 * math.sqrt(2.0), 11.70)])
def test_torque_constant_from_the_speed_constant(basis, ampere, per_kv):
    """Kt = 8.27/Kv a peak ampere, 11.70/Kv an rms ampere (Kv in rpm per line-line peak volt): torque at 10 A."""
    recording = run_sheet(
        {"speed_constant_rpm_per_V": {"line_line_peak": 580.0}},
        load={"kind": "rig", "speed_rpm": 500.0},
        commands={"id_A": 0.0, "iq_A": ampere},
    )
    assert np.mean(recording["torque_Nm"][-200:]) / 10.0 == pytest.approx(per_kv / 580.0, rel=1e-3)


def test_open_circuit_speed_of_the_same_machine():
    """580 rpm/V: 20 V of line-line crest at 11 600 rpm."""
    recording = run_case(machine={"pole_pairs": 7, "magnet_flux_Wb": 1.0 / (math.sqrt(3.0) * 7 * 580.0 * math.pi / 30.0)},
                         load={"kind": "rig", "speed_rpm": 11600.0}, inverter={"switching_frequency_Hz": 40000},
                         run={"duration_s": 0.1})  # fmt: skip
    crest = math.sqrt(3.0) * np.mean(recording["vq_V"][-400:])
    assert crest == pytest.approx(20.0, rel=2e-3)
