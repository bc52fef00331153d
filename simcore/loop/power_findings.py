"""What the power stage has to tell after a run: tables left, blocking voltage and temperature limits passed."""


def diode_findings(legs):
    """(closing LEGS record) => a sentence where a diode carried a current against its direction."""
    if legs["backward_A"] <= 0.0:
        return []
    return [
        f"A diode was found to carry {legs['backward_A']:.3g} A against its direction; the run is not to be trusted there. "
        "Set a larger run.substeps."
    ]


def power_findings(scenario, ps):
    """(scenario, closing POWER_STATE record) => sentences."""
    found, devices, machine = [], scenario.inverter.devices, scenario.machine
    if ps["beyond_A"] > 0.0:
        found.append(
            f"A switched current went {ps['beyond_A']:.3g} A beyond the last point of an energy table; its last slope goes on "
            "there. Extend the tables of inverter.gate_settings."
        )
    if devices is None:
        return found
    if 0.0 < devices.rated_voltage_V < ps["peak_V"]:
        above = ps["peak_V"] - devices.rated_voltage_V
        found.append(
            f"The turn-off overshoot reached {ps['peak_V']:.4g} V, {above:.3g} V above the devices' "
            f"{devices.rated_voltage_V:g} V. On hardware this destroys devices: use a slower gate setting or less link voltage."
        )
    if scenario.inverter.heat is not None and ps["hottest_degC"] > devices.max_junction_degC:
        found.append(
            f"A junction reached {ps['hottest_degC']:.4g} degC, above its limit of {devices.max_junction_degC:g} degC."
        )
    if machine.heat is not None:
        for node, limit in (("winding", machine.heat.max_winding_degC), ("magnet", machine.heat.max_magnet_degC)):
            if ps[f"{node}_degC"] > limit:
                found.append(f"The {node} ended at {ps[f'{node}_degC']:.4g} degC, above its limit of {limit:g} degC.")
    return found
