"""The response as the contents of tune.json: plain numbers, None where there is none."""

import numpy as np

from simcore.report.results import drybench_version, plain
from simcore.study.response.comparison import decibel
from simcore.study.response.words import verdict


def document(response):
    """(Response) => dict for tune.json."""
    scenario, loops = response.scenario, response.loops
    return plain({
        "drybench": drybench_version(),
        "scenario": scenario.name,
        "title": scenario.title,
        "operating_point": _point(response.point, response.drive),
        "current_loop": loop_entry(loops["current"]) if "current" in loops else None,
        "speed_loop": loop_entry(loops["speed"]) if "speed" in loops else None,
        "torque_response": _torque(loops["torque"]) if "torque" in loops else None,
        "operating_range": _range(response.survey) if response.survey is not None else None,
        "suggestions": [
            {"for": one.asked, "tuning": one.tuning, "instead_of": one.replaced, **_predicted(one.loop)}
            for one in response.suggestions
        ],
        "told": response.told,
    })  # fmt: skip


def _point(point, drive):
    found = {
        "at_s": point.at_s, "speed_rpm": point.speed_rpm, "torque_Nm": point.torque_Nm, "id_A": point.reference_A[0],
        "iq_A": point.reference_A[1], "link_voltage_V": point.link_V,
    }  # fmt: skip
    inductance = drive.winding.inductance_H if drive is not None else point.inductance_H
    found |= {"inductance_d_H": inductance[0, 0], "inductance_q_H": inductance[1, 1], "inductance_dq_H": inductance[0, 1]}
    if drive is not None:
        resistance = drive.winding.resistance_ohm
        found |= {"resistance_d_ohm": resistance[0, 0], "resistance_q_ohm": resistance[1, 1]}
    return found


def margins_entry(margins):
    """(Margins) => its figures."""
    return vars(margins) | {"delay_margin_s": margins.delay_margin_s}


def steps_entry(steps):
    """{what is stepped: StepFigures} => their figures."""
    return {name: vars(step) for name, step in steps.items()}


def _predicted(loop):
    """PredictedLoop => figures of the cut with the least phase margin, of the larger overshoot, and all of them."""
    worst, step = loop.worst, loop.worst_step
    return margins_entry(worst.margins) | {
        "broken_at": worst.broken_at,
        "stable": loop.stable,
        "overshoot_percent": step.overshoot_percent,
        "settling_time_s": step.settling_time_s,
        "rise_time_s": step.rise_time_s,
        "stability_edge_factor": loop.edge_factor,
        "stability_edge_Hz": loop.edge_Hz,
        "verdict": verdict(loop.stable, worst.margins.phase_margin_deg, worst.margins.gain_margin_dB),
        "both_axes_sensitivity_peak": loop.both_axes_peak,
        "cuts": {name: {"broken_at": cut.broken_at, **margins_entry(cut.margins)} for name, cut in loop.cuts.items()},
        "steps": steps_entry(loop.steps),
    }


def _measured(loop):
    """MeasuredLoop => figures of its curves and steps."""
    return {
        "cuts": {name: {"broken_at": curve.broken_at, **margins_entry(curve.margins)} for name, curve in loop.curves.items()},
        "steps": steps_entry(loop.steps),
    }


def loop_entry(loop):
    """(Loop) => figures: predicted ones first, else those that were measured; source tells which."""
    if loop.predicted is not None:
        found = {"source": "predicted", **_predicted(loop.predicted)}
    else:
        name, margins = loop.measured.worst or (None, None)
        found = {"source": "measured"}
        found |= margins_entry(margins) | {"broken_at": loop.measured.curves[name].broken_at} if name else {}
        steps = loop.measured.steps.values()
        found["overshoot_percent"] = max((step.overshoot_percent for step in steps), default=None)
        found["stability_edge_Hz"] = None
    if loop.measured is not None:
        found["measured"] = _measured(loop.measured)
        found["agreement"] = {name: _agreement(curves) for name, curves in loop.curves.items() if curves.agrees is not None}
    return found


def _agreement(curves):
    closed, opened = curves.apart("closed"), curves.apart("open") or (None, None)
    return {
        "agrees": curves.agrees, "closed_dB": closed[0], "closed_deg": closed[1], "open_dB": opened[0], "open_deg": opened[1],
        "up_to_Hz": curves.within_Hz,
    }  # fmt: skip


def bandwidth_Hz(frequency_Hz, closed):
    """(rising frequencies, closed response (n,)) => where it has fallen by 3 dB from its lowest point; None: not reached."""
    size = decibel(closed) - decibel(closed)[0]
    below = np.flatnonzero(size < -3.0103)
    if len(below) == 0 or below[0] == 0:
        return None
    k = int(below[0])
    part = (size[k - 1] + 3.0103) / (size[k - 1] - size[k])
    return float(np.exp((1.0 - part) * np.log(frequency_Hz[k - 1]) + part * np.log(frequency_Hz[k])))


def _torque(loop):
    curves = loop.curves["torque"]
    found = {"predicted_bandwidth_Hz": None, "measured_bandwidth_Hz": bandwidth_Hz(curves.frequency_Hz, curves.measured_closed)}
    if np.isfinite(curves.predicted_closed).all():
        found["predicted_bandwidth_Hz"] = bandwidth_Hz(curves.frequency_Hz, curves.predicted_closed)
    return found


def _range(survey):
    return {
        "worst": survey.worst,
        "nearest_edge": survey.nearest_edge,
        "phase_margin_deg": survey.span("phase_margin_deg"),
        "figures": {name: values.ravel() for name, values in survey.figures.items() if name != "cut"},
    }
