"""Records filled by hand, for tests that call a kernel directly."""

import numpy as np


def record(dtype, **fields):
    """(layout, values by field) => one record, all other fields zero."""
    filled = np.zeros(1, dtype)[0]
    for name, value in fields.items():
        filled[name] = value
    return filled
