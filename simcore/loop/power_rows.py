"""The columns of a row that the power stage fills: temperatures and settings at its tick, losses and peaks after it."""

from simcore.kernel import kernel
from simcore.loop.records import JUNCTIONS_AT, POWER_AT, POWER_SUMS_AT


@kernel
def begin_power_row(p, s, row):
    """(state at the tick) => the row's temperatures and gate setting; its sums start."""
    power, ps = p.power, s.power
    row[POWER_AT] = p.junction_degC
    row[POWER_AT + 1] = power.coolant_degC + (ps.sink_K[0] if power.sink_count > 0 else 0.0)
    row[POWER_AT + 2] = p.winding_degC
    row[POWER_AT + 3], row[POWER_AT + 4] = ps.iron_degC, p.magnet_degC
    row[POWER_AT + 5] = ps.setting[0] * 1.0
    if row.shape[0] > JUNCTIONS_AT:
        for device in range(6):
            row[JUNCTIONS_AT + device] = ps.switch_degC[device]
            row[JUNCTIONS_AT + 6 + device] = ps.diode_degC[device]
    ps.row_switching_J = ps.row_driver_J = ps.row_capacitor_J = 0.0
    ps.row_leg_J[0] = ps.row_leg_J[1] = ps.row_leg_J[2] = 0.0
    ps.row_peak_V, ps.row_dv_dt = s.plant.link_V, 0.0


@kernel
def end_power_row(s, row):
    """(sums of the row) => its losses and its worst turn-off."""
    ps = s.power
    row[POWER_SUMS_AT] = ps.row_switching_J
    row[POWER_SUMS_AT + 1] = ps.row_driver_J
    row[POWER_SUMS_AT + 2] = ps.row_capacitor_J
    row[POWER_SUMS_AT + 3], row[POWER_SUMS_AT + 4], row[POWER_SUMS_AT + 5] = ps.row_leg_J[0], ps.row_leg_J[1], ps.row_leg_J[2]
    row[POWER_SUMS_AT + 6], row[POWER_SUMS_AT + 7] = ps.row_peak_V, ps.row_dv_dt


def power_sums(ps):
    """(POWER_STATE record) => the running row's sums, in the order of POWER_SUM_CHANNELS."""
    names = ("row_switching_J", "row_driver_J", "row_capacitor_J")
    return [*(ps[name] for name in names), *ps["row_leg_J"], ps["row_peak_V"], ps["row_dv_dt"]]
