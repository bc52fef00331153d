"""Load points at which two standards ask for losses, run as the map's points are.

IEC 60034-2-3 (machines on converters): seven points of speed and torque; IEC 61800-9-2 (drives and their power stage): eight of
frequency and torque current, for which torque is taken here.  Point lists from memory.  What is printed is what these points
lose in the emulator; it classifies nothing.
"""

import math

from simcore.scenario import ScenarioError

# Percent of rated speed and rated torque.
STANDARDS = {
    "IEC 60034-2-3": ((90, 100), (50, 100), (25, 100), (90, 50), (50, 50), (50, 25), (25, 25)),
    "IEC 61800-9-2": ((0, 25), (0, 50), (0, 100), (50, 25), (50, 50), (50, 100), (90, 50), (90, 100)),
}
MACHINE_LOSSES = ("loss_copper_W", "loss_iron_W", "loss_mechanical_W")


def read_rated(text, scenario):
    """("1500:190" or None, Scenario) => (rated speed [rpm], rated torque [Nm]), None without a text.  Raises ScenarioError."""
    if not text:
        return None
    try:
        speed_rpm, torque_Nm = (float(part) for part in str(text).split(":"))
    except ValueError:
        speed_rpm = torque_Nm = math.nan
    if not (0.0 < speed_rpm < math.inf and 0.0 < torque_Nm < math.inf):
        raise ScenarioError([f"--rated {text}: must be a speed and a torque above 0 (rpm:Nm). Write --rated 1500:190."])
    limit = scenario.machine.max_speed_rpm
    if speed_rpm > limit:
        rule = f"the speed is beyond machine.max_speed_rpm = {limit:g} of {scenario.path.name} (rpm)"
        raise ScenarioError([f"--rated {text}: {rule}. Give a lower one, or raise that limit."])
    return speed_rpm, torque_Nm


def asked(rated):
    """(rated speed and torque, or None) => [(speed, torque), ...] of all load points, each once."""
    if rated is None:
        return []
    shares = dict.fromkeys(share for points in STANDARDS.values() for share in points)
    return [place(share, rated) for share in shares]


def place(share, rated):
    """((percent of speed, percent of torque), rated) => (speed [rpm], torque [Nm])."""
    return tuple(float(f"{0.01 * part * whole:.12g}") for part, whole in zip(share, rated, strict=True))


def rows(found):
    """(EfficiencyMap) => a dict a load point: standard, percents, losses of inverter, machine, drive, and over rated power."""
    if found.rated is None:
        return []
    points = {point.values: point for point in found.load_points}
    rated_W = found.rated[0] * math.pi / 30.0 * found.rated[1]
    told = []
    for standard, shares in STANDARDS.items():
        for share in shares:
            point = points[place(share, found.rated)]
            inverter_W = point.told("power_link_W") - point.told("power_terminal_W")
            machine_W = sum(point.told(name) for name in MACHINE_LOSSES)
            told.append({
                "standard": standard, "speed_percent": share[0], "torque_percent": share[1], "speed_rpm": point.speed_rpm,
                "torque_Nm": point.torque_Nm, "loss_inverter_W": inverter_W, "loss_machine_W": machine_W,
                "loss_drive_W": inverter_W + machine_W, "loss_of_rated_percent": 100.0 * (inverter_W + machine_W) / rated_W,
                "status": point.status, "reason": point.reason,
            })  # fmt: skip
    return told
