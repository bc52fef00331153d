"""A machine's numbers as tables for the terminal."""

import math

from simcore.library.wording import BASIS_WORDS, amount, plain
from simcore.report.tables import columns


def machine_lines(numbers):
    """(dict of machine_numbers) => lines."""
    pairs = numbers["pole_pairs"]
    current = numbers["max_current_A"]
    lines = [
        f"{pairs} pole pairs, {2 * pairs} poles; up to {amount(current['peak'], 'A')} peak = {amount(current['rms'], 'A')} rms "
        f"and {amount(numbers['max_speed_rpm'], 'rpm')}"
    ]
    if "flux_map" in numbers and not numbers["flux_map"]["holds_current_limit"]:
        ends = " and ".join(f"{key[:2]} = {plain(a)} to {plain(b)} A" for key, (a, b) in list(numbers["flux_map"].items())[:2])
        lines.append(f"the flux map covers {ends}: the current limit lies beyond, where it is continued linearly")
    lines += ["", *_winding(numbers), "", *_magnet(numbers), "", *_torque(numbers)]
    without = ["Speeds: there is no supply in the library or in this folder; --voltage gives one"]
    return [*lines, "", *(speed_lines(numbers) if "speeds" in numbers else without)]


def _table(head, rows, right):
    return columns([head, *([f"  {row[0]}", *row[1:]] for row in rows)], right)


def _winding(numbers):
    rows = []
    for row in numbers["resistance"]:
        note = "as it runs" if row["as_it_runs"] else ""
        name = f"resistance at {plain(row['winding_degC'])} degC"
        rows.append((name, amount(row["phase_ohm"], "ohm"), amount(row["line_line_ohm"], "ohm"), note))
    for row in numbers["inductance"]:
        where = "" if row["where"] == "constant" else row["where"]
        for axis in "dq":
            values = [amount(row[f"{axis}_{basis}_H"], "H", none="-") for basis in ("phase", "line_line")]
            rows.append((f"inductance L{axis}", *values, where))
    return _table(("Winding", "phase", "line-line", ""), rows, right=(1, 2))


def _magnet(numbers):
    flux, places = numbers["magnet_flux_Wb"], []
    if len(numbers["inductance"]) > 1:
        places.append("at zero current")
    if numbers["magnet_temperature_degC"] is not None:
        places.append(f"at {plain(numbers['magnet_temperature_degC'])} degC")
    speed = numbers["speed_constant_rpm_per_V"] or dict.fromkeys(BASIS_WORDS)
    names = (
        ("EMF Ke, V/krpm", numbers["emf_constant_V_per_krpm"]),
        ("EMF Ke, V s/rad", numbers["emf_constant_V_s_per_rad"]),
        ("speed Kv, rpm/V", speed),
    )
    rows = [(name, *(amount(values[basis], none="-") for basis in BASIS_WORDS)) for name, values in names]
    told = (
        f"  flux linkage psi{''.join(f' {place}' for place in places)}: {amount(flux['phase_peak'], 'Wb')} phase peak, "
        f"{amount(flux['phase_rms'], 'Wb')} phase rms, {amount(flux['power_invariant'], 'Wb')} in power-invariant scaling"
    )
    return [*_table(("Magnet", *BASIS_WORDS.values()), rows, right=(1, 2, 3, 4)), told]


def _torque(numbers):
    kt, most = numbers["torque_constant_Nm_per_A"], numbers["most_torque"]
    peak = amount(numbers["max_current_A"]["peak"], "A")
    names = [("Kt, magnet alone (id = 0)", "small_current_id_0")]
    if not math.isclose(kt["max_current_id_0"]["peak"], kt["small_current_id_0"]["peak"], rel_tol=1e-6):
        names.append((f"Kt at {peak}, id = 0", "max_current_id_0"))
    if not math.isclose(kt["max_current_most_torque"]["peak"], kt["max_current_id_0"]["peak"], rel_tol=1e-6):
        names.append((f"Kt at {peak}, most torque", "max_current_most_torque"))
    rows = [(name, amount(kt[key]["peak"], "Nm/A"), amount(kt[key]["rms"], "Nm/A")) for name, key in names]
    lines = _table(("Torque", "per peak A", "per rms A"), rows, right=(1, 2))
    lines.append(
        f"  most torque {amount(most['torque_Nm'], 'Nm')} at {peak} peak: id = {amount(most['id_A'], 'A')}, "
        f"iq = {amount(most['iq_A'], 'A')}"
    )
    own = numbers["characteristic_current_A"]
    if math.isnan(own):
        return [*lines, "  characteristic current (psi/Ld): beyond the flux map"]
    below = "below" if own < numbers["max_current_A"]["peak"] else "not below"
    return [*lines, f"  characteristic current psi/Ld {amount(own, 'A')} peak, {below} the current limit"]


def speed_lines(numbers):
    """What each modulation reaches, and what binds beyond."""
    speeds = numbers["speeds"]
    merged = {}
    for modulation, row in speeds["modulation"].items():
        merged.setdefault(tuple(row.values()), []).append(modulation)
    rows = [
        (
            ", ".join(names),
            amount(row[0], "V"),
            amount(row[1], none="not at all"),
            f"({amount(row[2])})",
            amount(row[3], none="no EMF"),
            amount(row[4], none="none"),
            amount(row[5]) if len(row) > 5 else "none",
        )
        for row, names in merged.items()
    ]
    head = (f"Speed at {amount(speeds['link_voltage_V'], 'V')}, rpm", "phase", "base", "(R = 0)", "EMF", "last", "MTPV")
    lines = _table(head, rows, right=(1, 2, 3, 4, 5, 6))
    peak = amount(numbers["max_current_A"]["peak"], "A")
    charges = amount(speeds["modulation"]["svpwm"]["emf_ceiling_rpm"], "rpm")
    lines += [
        f"  link voltage: {speeds['from']}",
        "  phase: peak voltage, all that the modulation gives; the built-in controller plans with 95 % (tuning.voltage_use)",
        f"  base: the most torque, {amount(numbers['most_torque']['torque_Nm'], 'Nm')} with {peak}, up to this speed",
        "  EMF: no-load ceiling: without current the EMF alone is the voltage; faster only by field weakening",
    ]
    mtpv = speeds["mtpv"]
    if mtpv:
        there = f"{amount(mtpv['torque_Nm'], 'Nm')} with id = {amount(mtpv['id_A'], 'A')}, iq = {amount(mtpv['iq_A'], 'A')}"
        lines += [
            f"  last: loaded ceiling: none, for {peak} can cancel the magnet",
            f"  MTPV: from here on maximum torque per volt binds, {there} and less beyond",
        ]
    else:
        lines += [
            f"  last: loaded ceiling: all of the {peak} against the magnet, none left for torque",
            "  MTPV: no region of maximum torque per volt, the characteristic current is beyond the limit",
        ]
    if math.isfinite(speeds["modulation"]["svpwm"]["emf_ceiling_rpm"]):
        lines.append(f"  gates off: above {charges} the line-line EMF exceeds the link, and the diodes charge it and brake")
    return lines
