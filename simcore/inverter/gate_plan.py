"""Gate settings chosen while running: the first rule that holds, by phase current, link voltage and junction temperature."""

from simcore.kernel import kernel


@kernel
def choose_settings(power, ps, ia, ib, ic, amplitude_A, link_V):
    """(currents, link voltage, junction temperatures in ps) => the setting of each leg.

    Without per_leg the current is the amplitude of the three and the temperature the hottest switch's; all legs switch alike.
    """
    if power.rules == 0:
        return
    if power.per_leg:
        ps.setting[0] = _setting(power, ps, 0, abs(ia), link_V, max(ps.switch_degC[0], ps.switch_degC[1]))
        ps.setting[1] = _setting(power, ps, 1, abs(ib), link_V, max(ps.switch_degC[2], ps.switch_degC[3]))
        ps.setting[2] = _setting(power, ps, 2, abs(ic), link_V, max(ps.switch_degC[4], ps.switch_degC[5]))
        return
    hottest = ps.switch_degC[0]
    for device in range(1, 6):
        hottest = max(hottest, ps.switch_degC[device])
    ps.setting[0] = _setting(power, ps, 0, amplitude_A, link_V, hottest)
    ps.setting[1] = ps.setting[2] = ps.setting[0]


@kernel
def _setting(power, ps, leg, current_A, link_V, junction_degC):
    """(what the rules look at) => number of the setting in force; every rule keeps its own hysteresis."""
    chosen = power.first_setting
    found = False
    for k in range(power.rules):
        rule = power.rule[k]
        wider = 1.0 if ps.rule_on[3 * k + leg] else 0.0
        holds = (
            _inside(current_A, rule.above_A, rule.below_A, wider * rule.hysteresis_A)
            and _inside(link_V, rule.above_V, rule.below_V, wider * rule.hysteresis_V)
            and _inside(junction_degC, rule.above_degC, rule.below_degC, wider * rule.hysteresis_K)
        )
        ps.rule_on[3 * k + leg] = 1 if holds else 0
        if holds and not found:
            chosen, found = rule.use, True
    return chosen


@kernel
def _inside(value, above, below, wider):
    """(value, bounds, by how much they give way) => whether it lies between."""
    return value > above - wider and value < below + wider
