"""Heat: junctions over their base, the shared path to the coolant, winding, iron and magnet of the machine.

A device's network is stepped mode by mode, exact for losses and base temperature held over the step; the shared path and the
machine's three nodes are ladders of heat capacity and conductance with explicit steps that are short against their time
constants.  Networks: plant/thermal_network.py.  Checked: tests/reference/test_heat_in_the_loop.py.
"""

from simcore.kernel import kernel
from simcore.plant.records import MOST_STAGES


@kernel
def step_device(network, modes, device, power_W, base_K):
    """(modes of one device, its losses [W], base over coolant [K]) => junction over coolant [K], heat into the base [W]."""
    junction_K, flow_W = 0.0, -network.base_W_per_K * base_K
    first = MOST_STAGES * device
    for k in range(network.count):
        mode = network.decay[k] * modes[first + k] + network.in_power[k] * power_W + network.in_base[k] * base_K
        modes[first + k] = mode
        junction_K += network.to_junction[k] * mode
        flow_W += network.to_flow[k] * mode
    return junction_K, flow_W


@kernel
def step_devices(power, ps):
    """(energies of the devices since the last step) => junction temperatures and the shared path's after it."""
    step_s = power.heat_step_s
    base_K = ps.sink_K[0] if power.sink_count > 0 else 0.0
    flow_W = 0.0
    for device in range(6):
        switch_W, diode_W = ps.switch_J[device] / step_s, ps.diode_J[device] / step_s
        ps.switch_J[device] = ps.diode_J[device] = 0.0
        if power.one_chip:
            switch_W, diode_W = switch_W + diode_W, 0.0
        rise_K, into_W = step_device(power.switch_path, ps.switch_mode, device, switch_W, base_K)
        flow_W += into_W
        ps.switch_degC[device] = power.coolant_degC + rise_K
        if not power.one_chip:
            rise_K, into_W = step_device(power.diode_path, ps.diode_mode, device, diode_W, base_K)
            flow_W += into_W
        ps.diode_degC[device] = power.coolant_degC + rise_K
    for k in range(power.sink_count):
        after_K = ps.sink_K[k + 1] if k + 1 < power.sink_count else 0.0
        out_W = power.sink_W_per_K[k] * (ps.sink_K[k] - after_K)
        ps.sink_K[k] += step_s * (flow_W - out_W) / power.sink_J_per_K[k]
        flow_W = out_W


@kernel
def step_machine(power, ps):
    """(copper and iron energy since the last step) => temperatures of winding, iron and magnets after it."""
    step_s = power.machine_step_s
    copper_W, iron_W = ps.copper_J / step_s, ps.iron_J / step_s
    ps.copper_J = ps.iron_J = 0.0
    out_of_winding = power.winding_to_iron_W_per_K * (ps.winding_degC - ps.iron_degC)
    out_of_magnet = power.magnet_to_iron_W_per_K * (ps.magnet_degC - ps.iron_degC)
    out_of_iron = power.iron_to_coolant_W_per_K * (ps.iron_degC - power.machine_coolant_degC)
    ps.winding_degC += step_s * (copper_W - out_of_winding) / power.winding_J_per_K
    ps.magnet_degC += step_s * (power.magnet_share * iron_W - out_of_magnet) / power.magnet_J_per_K
    into_iron = (1.0 - power.magnet_share) * iron_W + out_of_winding + out_of_magnet
    ps.iron_degC += step_s * (into_iron - out_of_iron) / power.iron_J_per_K


@kernel
def warm_machine(power, ps, machine, psi_d):
    """(temperatures) => the machine's resistance and magnet flux now, its record in place.

    R = R_ref (1 + a (t - t_ref)), flux likewise.  A weaker magnet at the same flux linkage changes what the field stores: the
    difference is counted, so that the audit stays whole.
    """
    machine.resistance_ohm = power.resistance_ohm * (1.0 + power.copper_per_K * (ps.winding_degC - power.reference_degC))
    if power.magnet_flux_Wb > 0.0:
        before = psi_d - machine.magnet_flux_Wb
        machine.magnet_flux_Wb = power.magnet_flux_Wb * (1.0 + power.magnet_per_K * (ps.magnet_degC - power.reference_degC))
        after = psi_d - machine.magnet_flux_Wb
        ps.magnet_J += 0.75 * (after * after - before * before) / machine.inductance_d_H
