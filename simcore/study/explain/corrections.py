"""All hypotheses. The one with which the voltage equation closes best is the likeliest cause, its numbers are its size."""

from simcore.study.explain import corrections_angle as angle
from simcore.study.explain import corrections_current as current
from simcore.study.explain import corrections_voltage as voltage


def corrections_for(b):
    """Balance => the corrections that can be meant by its drive."""
    found = [*current.ALWAYS, angle.MOUNTING, *voltage.ALWAYS, *angle.OF_KIND.get(b.position.kind, ())]
    return [*found, *current.clipping(b), *voltage.short_pulses(b)]
