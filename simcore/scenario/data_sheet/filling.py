"""A data sheet turned into the constants of [machine], before they are checked: exactly as if they had been typed.

What stands in a higher file (an override, the scenario over its part) wins silently, as everywhere in the language. What one
file says twice is compared: the first is used and the other told, or both are refused where they contradict each other.
"""

from simcore.scenario.checking import short
from simcore.scenario.data_sheet.comparison import Comparison
from simcore.scenario.data_sheet.rated_checks import check_rated_points, peak_amperes
from simcore.scenario.data_sheet.readings import (
    AT_SPEED,
    Reading,
    inductance_readings,
    magnet_readings,
    plain_reading,
    quantity_readings,
    resistance_readings,
)
from simcore.scenario.data_sheet.sheet_reader import read_sheet
from simcore.scenario.data_sheet.winding_bases import BASES, DELTA, from_common
from simcore.scenario.errors import place
from simcore.scenario.fields import finite

# One key of a sheet that would give each constant, for the remedy where none did.
_KEY_FOR = {
    "pole_pairs": "poles",
    "stator_resistance_ohm": "resistance_ohm.line_line",
    "inductance_d_H": "inductance_H.line_line",
    "inductance_q_H": "inductance_H.line_line",
    "magnet_flux_Wb": "emf_constant_V_per_krpm.line_line_rms",
}
FILLED = (*_KEY_FOR, "max_current_A")
REFERENCE_degC = 25.0


def fill_data_sheets(report, skip=()):
    """Replace the data sheets of the report's document by constants (in place), but for tables whose part is missing (skip).

    Returns the locations of constants that are not known and told already.
    """
    told = set()
    for at in (("machine",), ("controller", "machine")):
        machine, base = report.value(at), report.value(("machine",))
        if at in skip or not isinstance(machine, dict) or not isinstance(machine.get("data_sheet"), dict):
            continue
        if machine.get("kind", "constants") != "constants":
            continue
        machine.setdefault("kind", "constants")
        source = read_sheet(report, (*at, "data_sheet"))
        if source is None:
            told |= {(*at, key) for key in FILLED}
        else:
            told |= Filling(report, at, source, base).fill()
        del machine["data_sheet"]
    return told


class Filling:
    """One machine's constants from its sheet, each chosen and written.

    known: constants by key, those of the machine below a controller's belief included; layers: height of the file of each.
    """

    def __init__(self, report, at, source, base):
        self.report, self.at, self.source = report, at, source
        self.machine, self.base = report.value(at), base if isinstance(base, dict) else {}
        self.comparison = Comparison(report, source.at, source.sheet.tolerance_percent / 100.0)
        self.known, self.layers, self.told = {}, {}, set()

    def fill(self):
        """=> locations of constants that are not known and told."""
        source = self.source
        if source.sheet.connection == DELTA:
            statement = "the equivalent star is used: of a phase, a third of R and L and 1/sqrt(3) of EMF and flux"
            self.report.finding((*source.at, "connection"), statement)
        pairs = plain_reading(source, "poles", lambda poles: poles // 2)
        self._choose("pole_pairs", pairs, lambda one: f"{one.constant:g} pole pairs", "count")
        self.comparison.pole_pairs = self.known.get("pole_pairs")
        reference = self._reference_degC()
        there = f"ohm a phase at {reference:g} degC"
        ohm = resistance_readings(source, reference)
        self._choose("stator_resistance_ohm", ohm, lambda one: f"{short(one.constant)} {there}", "winding")
        self._inductances()
        self._choose("max_current_A", quantity_readings(source, "max_current_A"), peak_amperes, "current")
        self._magnet()
        check_rated_points(self)
        self._tell_missing()
        return self.told

    def typed(self, key):
        """The constant typed in [machine] itself, as a list of one reading or none."""
        value, where = self.machine.get(key), (*self.at, key)
        return [Reading(where, value, value, {}, self.report.layer(where))] if finite(value) else []

    def keep(self, key, reading):
        """Use a reading for a constant: as if typed, by the file that wrote it."""
        self.known[key], self.layers[key] = reading.constant, reading.layer
        where = (*self.at, key)
        if reading.at != where:
            self.machine[key] = reading.constant
            self.report.note_origin(where, reading.at)

    def _choose(self, key, readings, words, kind):
        used = self.comparison.agree(self.typed(key) + readings, words, kind)
        if used is not None:
            self.keep(key, used)
        elif key != "magnet_flux_Wb":
            self._from_base(key)

    def _from_base(self, key):
        """What a belief leaves out is the machine's. Not its magnet: a rated point of the belief may give that."""
        if finite(self.base.get(key)):
            self.known[key], self.layers[key] = self.base[key], -1

    def _reference_degC(self):
        given = [table.get("reference_temperature_degC") for table in (self.machine, self.base)]
        return next((value for value in given if finite(value)), REFERENCE_degC)

    def _inductances(self):
        """Ld and Lq each from its own readings; what only gives their mean fills both, or the one that is missing."""

        def words(reading):
            return f"{short(1e3 * reading.constant)} mH a phase"

        agree = self.comparison.agree
        along, across, means = inductance_readings(self.source)
        self._refuse_exchanged(along + across)
        keys = ("inductance_d_H", "inductance_q_H")
        found = [agree(self.typed(key) + own, words, "winding") for key, own in zip(keys, (along, across), strict=True)]
        mean = agree(means, words, "winding")
        if mean is not None:
            found = [None if one is None or one.layer < mean.layer else one for one in found]
            if None not in found and all(one.layer == mean.layer for one in found):
                middle = 0.5 * (found[0].constant + found[1].constant)
                both = Reading(found[1].at, found[1].value, middle, {}, mean.layer)
                self.comparison.compare(both, mean, lambda one: f"{words(one)} as the mean of Ld and Lq", "winding")
            found = [one or _from_mean(mean, other) for one, other in zip(found, reversed(found), strict=True)]
        for key, one in zip(keys, found, strict=True):
            if one is None:
                self._from_base(key)
            elif one.at == (*self.at, key) or one.constant > 0.0:
                self.keep(key, one)
            else:
                rule = "is at most half of the other axis' inductance, and cannot be the mean of Ld and Lq"
                self.report.problem(one.at, rule, "Correct one of them (H)")
                self.told.add((*self.at, key))

    def _refuse_exchanged(self, readings):
        by_basis = {reading.at[-1]: reading for reading in readings}
        least, most = by_basis.get("line_line_min"), by_basis.get("line_line_max")
        if least and most and least.constant > most.constant:
            self.report.problem(least.at, f"is above {self.comparison.named(most)}", "Exchange the two (H)")

    def _magnet(self):
        for voltage, speed in AT_SPEED.items():
            self._needs_both(voltage, speed)
        pairs, readings = self.known.get("pole_pairs"), []
        if pairs and pairs > 0:
            readings = magnet_readings(self.source, pairs)
            # Other pole pairs, laid over the sheet, would set its EMF against a flux in Wb.
            if self.layers["pole_pairs"] > max((reading.layer for reading in readings), default=-1):
                readings = [] if self.typed("magnet_flux_Wb") else readings[:1]
        self._choose("magnet_flux_Wb", readings, self._magnet_words, "magnet")

    def _magnet_words(self, reading):
        """A magnet flux in words: Wb, and the EMF as most sheets print it."""
        emf = from_common("emf_constant_V_per_krpm", "line_line_rms", reading.constant * self.known.get("pole_pairs", 1))
        return f"{short(reading.constant)} Wb ({short(emf)} V/krpm line-line rms)"

    def _needs_both(self, voltage, speed):
        for key, other in ((voltage, speed), (speed, voltage)):
            if getattr(self.source.sheet, key) is not None and getattr(self.source.sheet, other) is None:
                basis = f".{next(iter(BASES[other]))}" if other in BASES else ""
                remedy = f"Add {other}{basis}, or remove {key}"
                self.report.problem((*self.source.at, key), f"says nothing without {other}", remedy)
                self.told.add((*self.at, "magnet_flux_Wb"))

    def _tell_missing(self):
        for key, example in _KEY_FOR.items():
            where = (*self.at, key)
            if where in self.told or any(key in table for table in (self.known, self.machine, self.base)):
                continue
            self.told.add(where)
            if key == "magnet_flux_Wb" and "pole_pairs" not in self.known:
                continue
            remedy = f"Add {example} or what else gives it to [{place(self.source.at)}], or {key} to [{place(self.at)}]"
            self.report.problem(where, "is missing, and the data sheet does not give it", remedy)


def _from_mean(mean, other):
    """The inductance of one axis from the mean; the other axis' counts where the same file gives it."""
    lone = other is None or other.layer > mean.layer
    constant = mean.constant if lone else 2.0 * mean.constant - other.constant
    return Reading(mean.at, mean.value, constant, {}, mean.layer)
