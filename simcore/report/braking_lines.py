"""Sizing of link capacitor and brake chopper from the energy that came back, in lines for the terminal."""

import math

from simcore.report.wording import number


def braking_lines(found):
    """(dict of simcore.measure.braking, or None) => lines."""
    if not found:
        return []
    energy, limit = number(found["energy_J"], "J", 4), found["link_limit_V"]
    lines = [
        f"Braking: {energy} came back into a link that cannot pass it on, {number(found['from_s'], 's')} to "
        f"{number(found['to_s'], 's')}, at most {number(found['power_max_W'], 'W', 4)}, after losses; the link rose to "
        f"{number(found['link_max_V'], 'V', 4)}."
    ]
    sizes = []
    if math.isfinite(found["capacitor_F"]):
        sizes.append(
            f"a capacitor alone of {number(1e3 * found['capacitor_F'], 'mF', 3)} (2 E/(V2^2 - V1^2), "
            f"{number(found['link_from_V'], 'V', 4)} to {number(limit, 'V', 4)})"
        )
    if math.isfinite(found["chopper_ohm"]):
        sizes.append(
            f"a chopper at {number(found['chopper_on_V'], 'V', 4)} of at most {number(found['chopper_ohm'], 'ohm', 3)} "
            f"(V^2/P), whose resistor takes {energy} each time"
        )
    if sizes:
        lines.append(f"  It would be taken by {', or by '.join(sizes)}.")
    return lines
