"""Derating by temperature: the torque (or current) limit falls in a straight line between two temperatures.

Full limit below `from`, none at the highest temperature (common practice, no source); the share moves through a first-order
lag, so that a junction's ripple at low frequency does not come back as torque ripple.
Checked: tests/controllers/test_derating.py.
"""

import math

from simcore.kernel import kernel

LEAST = 1e-6  # the lag's tail: less is taken for nothing


@kernel
def share_left(from_degC, span_per_K, now_degC):
    """(start of derating, 1 / width, temperature) => share of the limit that is left, 0..1; 0 for a sensor that tells NaN."""
    return min(max(1.0 - (now_degC - from_degC) * span_per_K, 0.0), 1.0) if math.isfinite(now_degC) else 0.0


@kernel
def derated_share(p, s, m):
    """(measured temperatures) => share of the limit in force; the lag moves on by an update."""
    left = 1.0
    if p.junction_per_K > 0.0:
        left = min(left, share_left(p.junction_from_degC, p.junction_per_K, m.junction_degC))
    if p.winding_per_K > 0.0:
        left = min(left, share_left(p.winding_from_degC, p.winding_per_K, m.winding_degC))
    if p.magnet_per_K > 0.0:
        left = min(left, share_left(p.magnet_from_degC, p.magnet_per_K, m.magnet_degC))
    taken = 1.0 - left
    s.derated += (taken - s.derated) * (p.derate_share if s.started else 1.0)
    if s.derated < LEAST:
        s.derated = 0.0
    return 1.0 - s.derated


def derating_fields(values, setup):
    """(tuning values, set-up) => fields of FOC_PARAMETERS: limits of the inverter's and the machine's [heat] tables."""
    tau_s = values["derating_filter_s"]
    fields = {"derate_share": -math.expm1(-setup.update_s / tau_s) if tau_s > 0.0 else 1.0, "derates": 0}
    limits = {}
    if setup.inverter.heat is not None and setup.inverter.devices is not None:
        limits["junction"] = (setup.inverter.derate_from_degC, setup.inverter.devices.max_junction_degC)
    heat = setup.machine.heat
    if heat is not None:
        limits["winding"] = (heat.derate_from_winding_degC, heat.max_winding_degC)
        limits["magnet"] = (heat.derate_from_magnet_degC, heat.max_magnet_degC)
    for name, (start, highest) in limits.items():
        fields[f"{name}_from_degC"], fields[f"{name}_per_K"] = start, 1.0 / (highest - start)
        fields["derates"] = 1
    return fields
