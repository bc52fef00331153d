"""Gates off, an active short circuit and a ramp-down over speed: which speeds are looked at, and where the first two cross."""

import math

from simcore.scenario.safety_limits import onset_rpm

SHARES = (0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.4, 0.6, 0.8, 1.0)  # of the greatest speed; a short brakes most when slow
NEAR_ONSET = (0.9, 0.97, 1.01, 1.03, 1.05, 1.07, 1.1, 1.2, 1.35)  # of the speed at which the EMF reaches the link
ENTRY_SHARE = 0.1  # of the greatest torque, asked for before


def asked_runs(scenario, places, greatest_Nm, case_of):
    """(Scenario, Places, greatest torque [Nm], {reaction: its case}) => values of FaultPoint.

    What the link's voltage does not change is looked at with the scenario's own one.
    """
    top = scenario.machine.max_speed_rpm
    onsets = [onset_rpm(scenario.machine, link) for link in places.links_V]
    near = {round(share * onset, 3) for onset in onsets for share in NEAR_ONSET}
    speeds = {abs(speed) for speed in places.speeds_rpm} | {top * share for share in SHARES} | near
    links = {"gates_off": sorted({places.own_V, *places.links_V})}
    return [
        (case, speed, ENTRY_SHARE * greatest_Nm, link, 0, 0)
        for reaction, case in case_of.items()
        for link in links.get(reaction, [places.own_V])
        for speed in sorted(speed for speed in speeds if 0.0 < speed <= top)
    ]


def torque_over_speed(points, link_V=None):
    """(FaultPoints of one safe state) => {speed: torque that remains}, of one link voltage; runs that broke off left out."""
    found = {p.values[1]: p.torque_after_Nm for p in points if link_V is None or p.values[3] == link_V}
    return {speed: found[speed] for speed in sorted(found) if math.isfinite(found[speed])}


def crossover_rpm(gates, short):
    """({speed: torque} with gates off and shorted) => speed from which gates off brake no less; NaN where they never do.

    Between two speeds looked at the difference is taken as a straight line.
    """
    before = None
    for speed in (speed for speed in gates if speed in short):
        more = abs(gates[speed]) - abs(short[speed])
        if more >= 0.0 and abs(gates[speed]) > 0.0:
            return speed if before is None else before[0] + (speed - before[0]) * before[1] / (before[1] - more)
        before = speed, more
    return math.nan


def crossover_line(found):
    """(FaultStudy) => the crossover at each link voltage in one line."""
    parts = [
        f"{link:.4g} V: " + (f"{speed:.5g} rpm" if math.isfinite(speed) else "none") for link, speed in found.crossovers.items()
    ]
    return "Speed from which gates off brake no less than an active short circuit, link at " + ", ".join(parts)


def sentences(found):
    """(FaultStudy) => where the short brakes most, and for each link voltage where gates off brake no less, or why not."""
    machine = found.scenario.machine
    short = torque_over_speed(found.safe.get("active_short_low", ()))
    told = []
    if short:
        worst = min(short, key=short.get)
        told.append(f"The active short circuit brakes most at {worst:.5g} rpm, {short[worst]:.4g} Nm.")
    for link, crossing in found.crossovers.items():
        gates = torque_over_speed(found.safe.get("gates_off", ()), link)
        top, onset = max(gates, default=0.0), onset_rpm(machine, link)
        if math.isfinite(crossing):
            told.append(
                f"Link at {link:.4g} V: from {crossing:.5g} rpm on gates off brake no less than an active short circuit, "
                f"{gates[top]:.4g} Nm at {top:.5g} rpm; below it they leave the least torque."
            )
        elif onset > top:
            told.append(
                f"Link at {link:.4g} V: no crossover, for the EMF reaches the link at {onset:.5g} rpm only. Up to {top:.5g} "
                "rpm gates off carry no current and leave no torque, while an active short circuit brakes at every speed."
            )
        else:
            told.append(
                f"Link at {link:.4g} V: no crossover; the diodes conduct from {onset:.5g} rpm on, and up to {top:.5g} rpm they "
                "brake less than an active short circuit."
            )
    return told
