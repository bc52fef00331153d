"""The power stage: terminal voltage less what duties ask of the link; and the link voltage's sensor."""

import numpy as np

from simcore.report.wording import number
from simcore.study.explain.truth.parts import SEEN, Candidate, Finding, fitted, share_of, taken_apart
from simcore.study.explain.truth.stage import rms, vector

_SIGN_BAND = 0.01425  # of the greatest current, as the averaged legs smooth it
_LOSSY = 0.2  # of the power that a lost voltage takes: dead time alone costs none
_MOST_LENGTHS = 30


def link_findings(stage):
    """Stage => Findings of the link voltage's sensor."""
    true, measured = stage.of("link_voltage_V"), stage.of("link_voltage_measured_V")
    volts = max(float(np.mean(true)), 1e-9)
    error = (measured - true) / volts
    mean, noise = abs(float(np.mean(error))), float(np.std(error))
    found = [Finding("link_noise", f"{number(noise * volts, 'V', 2)} rms", noise)] if noise > SEEN else []
    if mean > max(SEEN, 4.0 * noise / np.sqrt(len(error))):
        found.append(Finding("link_voltage", f"{100.0 * float(np.mean(error)):+.2g} %", mean))
    return found


def power_findings(stage):
    """Stage => Findings of switches, diodes, dead time and short pulses; none where rows are wider than a tick."""
    if stage.scenario.record_every != 1:
        return []
    phases = np.column_stack([stage.of(f"i{phase}_A", True) for phase in "abc"])
    duties = np.column_stack([stage.of(f"duty_{phase}", True) for phase in "abc"])
    voltage = vector(np.column_stack([stage.of(f"v{phase}_V", True) for phase in "abc"]))
    # Voltages are means up to the next row; current and link are taken in the middle.
    phases, link = _middle(phases), _middle(stage.of("link_voltage_V", True))
    if float(np.min(link)) <= 0.0:
        return []  # an empty link: whatever the legs do makes no voltage
    error = (voltage - link * vector(duties))[:-1]
    error = np.append(error, 0.0)
    scale = max(rms(voltage), 0.01 * float(np.mean(link)))
    if rms(error) / scale < 10.0 * SEEN:
        return []
    taken = float(np.mean(np.abs(error) * np.abs(vector(phases)))) * 1.5
    lossy = float(np.mean(stage.of("loss_conduction_W", True))) > _LOSSY * taken
    made = _Candidates(stage, phases, duties, link, lossy)
    picked, _ = taken_apart(error, made, SEEN * scale)
    return [Finding(one.cause, one.size, rms(one.part) / scale, stage.ripple_of_voltage(one.part)) for one in picked]


def _middle(values):
    return 0.5 * (values + np.concatenate((values[1:], values[-1:])))


class _Candidates:
    """Makes the candidates of a lost voltage."""

    def __init__(self, stage, phases, duties, link, lossy):
        self.stage, self.phases, self.duties, self.link, self.lossy = stage, phases, duties, link, lossy
        self.signs = phases / np.hypot(phases, _SIGN_BAND * stage.scenario.machine.max_current_A)

    def __call__(self, error):
        switching = (self.duties > 0.0) & (self.duties < 1.0)
        volts, part = fitted(error, [-vector(self.signs * switching)])
        seconds = float(volts[0]) / (float(np.mean(self.link)) * self.stage.scenario.inverter.switching_frequency_Hz)
        if not self.lossy:
            yield Candidate("dead_time", part, f"{number(float(volts[0]), 'V', 2)} a leg, {number(seconds, 's', 2)}")
        else:
            volts, part = fitted(error, [-vector(self.signs)])
            yield Candidate("device_drop", part, f"{number(float(volts[0]), 'V', 2)} a leg")
        ohm, part = fitted(error, [-vector(self.phases)])
        yield Candidate("device_resistance", part, number(float(ohm[0]), "ohm", 2))
        lengths = self._lengths()
        if len(lengths):
            best = max(lengths, key=lambda length: share_of(error, self._without(length)))
            yield Candidate("minimum_pulse", self._without(best), f"shorter than {number(float(best), 's', 2)}")

    def _lengths(self):
        """Lengths of the shortest pulses and gaps that were asked for [s]."""
        tick_s = self.stage.scenario.tick_s
        shortest = 2.0 * tick_s * np.minimum(self.duties, 1.0 - self.duties)
        lengths = np.unique(shortest[(shortest > 0.0) & (shortest < 0.6 * tick_s)])
        return lengths[np.linspace(0, len(lengths) - 1, _MOST_LENGTHS).astype(int)] * 1.0001 if len(lengths) else lengths

    def _without(self, length_s):
        """What is lost when shorter pulses and gaps do not happen."""
        pulse_s = 2.0 * self.duties * self.stage.scenario.tick_s
        gap_s = 2.0 * self.stage.scenario.tick_s - pulse_s
        kept = np.where(pulse_s < length_s, 0.0, np.where(gap_s < length_s, 1.0, self.duties))
        return self.link * vector(kept - self.duties)
