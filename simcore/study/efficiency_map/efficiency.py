"""Efficiencies as ratios of mean powers, in whichever direction the energy flows."""

import numpy as np

LEAST_SHARE = 1e-4  # of the greatest apparent power: below it a ratio says nothing
# Stage: what stands at its electrical and at its mechanical side.
STAGES = {
    "efficiency_inverter": ("power_link_W", "power_terminal_W"),
    "efficiency_machine": ("power_terminal_W", "power_shaft_W"),
    "efficiency_drive": ("power_link_W", "power_shaft_W"),
}


def efficiency(electrical_W, mechanical_W, least_W):
    """(mean powers on both sides, positive while motoring; least power) => what comes out over what goes in.

    Motoring that is mechanical over electrical, generating the inverse.  NaN where a power is near zero or energy flows into
    the stage from both sides, so that all of it is lost.  Arrays broadcast.
    """
    electrical_W, mechanical_W = np.broadcast_arrays(
        np.asarray(electrical_W, dtype=float), np.asarray(mechanical_W, dtype=float)
    )
    motoring = (electrical_W > least_W) & (mechanical_W > least_W)
    generating = (electrical_W < -least_W) & (mechanical_W < -least_W)
    found = np.full(electrical_W.shape, np.nan)
    np.divide(mechanical_W, electrical_W, out=found, where=motoring)
    np.divide(electrical_W, mechanical_W, out=found, where=generating)
    return found
