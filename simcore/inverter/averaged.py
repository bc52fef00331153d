"""Averaged legs: the mean leg voltage of a tick."""

from simcore.inverter.legs import drop_short_pulse, set_ideal_vector, set_leg
from simcore.kernel import kernel


@kernel
def begin_averaged_tick(inverter, drive, duties):
    """(duties) => leg laws that hold for the whole tick.

    The dead-time error Td fs falls equally on both ticks of a period, only on legs that switch in it (0 < duty < 1).
    """
    for leg in range(3):
        duty = drop_short_pulse(inverter, duties[leg])
        error = 0.0
        diode_share = 0.0
        if 0.0 < duty < 1.0:
            error = 0.5 * inverter.dead_time_s / inverter.tick_s
            diode_share = min(1.0, inverter.dead_time_s / inverter.tick_s)
        set_leg(inverter, drive, leg, duty, error, diode_share)
    drive.open_leg = -1
    drive.ideal = inverter.ideal
    drive.sign_band2_A2 = inverter.sign_band_A * inverter.sign_band_A
    set_ideal_vector(drive)
