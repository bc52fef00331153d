"""Keys with another unit than the language's: dead_time_us => dead_time_s = 2e-06."""

import math

from simcore.scenario.errors import show
from simcore.scenario.fields import finite

_PREFIXES = {"n": 1e-9, "u": 1e-6, "m": 1e-3, "c": 1e-2, "k": 1e3, "M": 1e6}
_BASES = ("s", "H", "F", "V", "A", "ohm", "Wb", "W", "Hz", "Nm", "J", "rpm", "kg_m2")
# wrong suffix => (right suffix, factor)
_OTHERS = {
    "rad_s": ("rpm", 60 / (2 * math.pi)),
    "rad_per_s": ("rpm", 60 / (2 * math.pi)),
    "rps": ("rpm", 60.0),
    "rad": ("deg", 180 / math.pi),
    "K": ("degC", None),
    "degF": ("degC", None),
    "Vs": ("Wb", 1.0),
    "mVs": ("Wb", 1e-3),
    "mohm": ("ohm", 1e-3),
    "Ohm": ("ohm", 1.0),
    "sec": ("s", 1.0),
    "seconds": ("s", 1.0),
    "kgm2": ("kg_m2", 1.0),
    "kg_cm2": ("kg_m2", 1e-4),
    "N_m": ("Nm", 1.0),
    "hz": ("Hz", 1.0),
    "percent": ("", 1e-2),
    "ppm": ("", 1e-6),
    "mV_per_rpm": ("V_per_krpm", 1.0),
    "V_per_rpm": ("V_per_krpm", 1e3),
    "V_per_1000rpm": ("V_per_krpm", 1.0),
    "Vs_per_rad": ("V_s_per_rad", 1.0),
    "krpm_per_V": ("rpm_per_V", 1e3),
}


def _table():
    wrong = {p + b: (b, f) for b in _BASES for p, f in _PREFIXES.items()}
    return {**wrong, **_OTHERS, **{b.lower(): (b, 1.0) for b in _BASES if b.lower() != b and b.lower() not in wrong}}


_WRONG = _table()


def unit_slip(name, known, value):
    """'Did you mean dead_time_s = 2e-06 (s)?' where the key differs only in its unit, else ''.

    known: the table's keys by name, each a list of index.Key.
    """
    for cut in [i for i, c in enumerate(name) if c == "_"]:
        stem, suffix = name[:cut], name[cut + 1 :]
        right, factor = _WRONG.get(suffix, (None, None))
        if right is not None:
            target = f"{stem}_{right}" if right else stem
            if target in known:
                return _suggest(target, right, factor, value)
    for target, keys in known.items():
        unit = keys[0].unit
        # A key written without any unit, or with an unlisted one, but with the same stem.
        if unit and target.endswith(f"_{unit}"):
            stem = target[: -len(unit) - 1]
            if name == stem or (name.startswith(stem + "_") and _WRONG.get(name[len(stem) + 1 :])):
                return f'Did you mean "{target}" (in {unit})?'
    return ""


def _suggest(target, unit, factor, value):
    if factor is not None and finite(value):
        return f'Did you mean "{target} = {show(float(f"{float(value) * factor:.6g}"))}"{f" (in {unit})" if unit else ""}?'
    return f'Did you mean "{target}"{f" (in {unit})" if unit else ""}?'
