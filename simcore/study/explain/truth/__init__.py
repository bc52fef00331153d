"""What only a simulation knows: each stage's true input beside its output, and which imperfection makes the difference.

Sensors: measured less true. Power stage: terminal voltage less duties x link voltage. Machine: torque beyond that of its flux
linkages and currents. A stage's difference is taken apart into what each of its imperfections would make of the true signals.
"""

from simcore.study.explain.truth.angle import angle_findings
from simcore.study.explain.truth.currents import current_findings
from simcore.study.explain.truth.machine import machine_findings
from simcore.study.explain.truth.parts import SEEN
from simcore.study.explain.truth.power import link_findings, power_findings
from simcore.study.explain.truth.stage import Stage


def true_findings(recording, window):
    """(recording, SteadyWindow) => Findings; those that ripple the torque most first, then by size."""
    stage = Stage(recording, window)
    makers = (current_findings, angle_findings, link_findings, power_findings, machine_findings)
    found = [finding for make in makers for finding in make(stage) if finding.weight > SEEN]
    return sorted(found, key=lambda one: (-one.ripple_Nm if one.ripple_Nm > stage.least_ripple_Nm else 0.0, -one.weight))
