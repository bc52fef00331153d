"""The order of the checks."""

from simcore.study.selftest import checks_at_rest as at_rest
from simcore.study.selftest import checks_turning as turning


def every_finding(probing):
    """(Probing) => list of Finding: standstill first, because what turns can only be judged by what stands."""
    rest = at_rest.AtRest(probing)
    found = [at_rest.settles(probing, rest), at_rest.follows(probing, rest), at_rest.angle_zero(probing, rest)]
    found.append(at_rest.amplitude(probing, rest))
    if probing.mode != "voltage":
        # The torque of a voltage is that of the current it leads to, sooner or later.
        found.append(at_rest.torque(probing, rest))
    if probing.mode == "speed":
        found += [turning.reaches_speed(probing, rest, sign) for sign in (1.0, -1.0)]
    else:
        slow = [] if rest.missing else [
            [probing.turning(share, sign * probing.slow_rpm) for share in (1j, -1j)] for sign in (1.0, -1.0)
        ]  # fmt: skip
        found.append(turning.stands_while_turning(probing, rest, slow))
        if probing.mode != "voltage":
            found.append(turning.drives_forwards(probing, rest, slow))
    return [*found, turning.compensates_delay(probing, rest), turning.keeps_duties(probing, rest)]
