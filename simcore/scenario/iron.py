"""Iron-loss separation: hysteresis grows with f, eddy currents with f squared."""

import numpy as np


def separate(curve):
    """(loss over electrical frequency: Curve of Hz and W) => hysteresis [W/Hz] and eddy [W/Hz2] by least squares.

    P/f = kh + ke f: straight line over frequency at one flux, common practice in testing electrical steel (no source).
    """
    frequency = np.array(curve.degC)
    slope, height = np.polyfit(frequency, np.array(curve.values) / frequency, 1)
    return float(height), float(slope)
