"""Readings of one constant against each other: the first is used, what agrees is told, what contradicts is refused."""

from simcore.scenario.data_sheet.mix_ups import guess
from simcore.scenario.errors import place, show

ROUNDING = 0.005  # what the last printed digit of a sheet leaves: not worth a word


class Comparison:
    """Compares readings of the sheet at a location; pole_pairs, once known, is one more ratio to recognise.

    tolerance: relative difference up to which two values agree.
    """

    def __init__(self, report, at, tolerance):
        self.report, self.at, self.tolerance = report, at, tolerance
        self.pole_pairs = None

    def agree(self, readings, words, kind=""):
        """(readings of one constant, words(reading), kind of mix_ups) => the first of the highest file, or None.

        What a lower file says is overridden without a word, as everywhere in the language.
        """
        if not readings:
            return None
        top = max(reading.layer for reading in readings)
        used, *others = [reading for reading in readings if reading.layer == top]
        for other in others:
            self.compare(used, other, words, kind)
        return used

    def compare(self, used, other, words, kind=""):
        """Tell the other reading, or refuse both where they differ by more than the tolerance."""
        rule = f"contradicts {self.named(used)}: {words(other)} against {words(used)}"
        remedy = "Correct one, or leave out the one that is wrong"
        if not (used.constant > 0.0 and other.constant > 0.0):
            if used.constant != other.constant:
                self.report.problem(other.at, rule, remedy)
            return
        ratio = other.constant / used.constant
        off = abs(ratio - 1.0) if ratio > 1.0 else abs(used.constant / other.constant - 1.0)
        if off <= ROUNDING:
            return
        if off <= self.tolerance:
            far = f"{100.0 * abs(ratio - 1.0):.2g} % {'above' if ratio > 1.0 else 'below'}"
            self.report.finding(other.at, f"gives {words(other)}, {far} the {words(used)} of {self.named(used)}, which is used")
            return
        apart = f"{100.0 * off:.2g} % apart" if off < 0.1 else f"a ratio of {1.0 + off:.4g}"
        why = guess(used, other, kind, self.pole_pairs)
        self.report.problem(other.at, f"{rule}, {apart}", f"{why}. {remedy}" if why else remedy)

    def named(self, reading):
        """'emf_V.phase_peak = 12.0' of the sheet, 'machine.magnet_flux_Wb = 0.07' of the machine."""
        inside = reading.at[: len(self.at)] == self.at
        return f"{place(reading.at[len(self.at) :] if inside else reading.at)} = {show(reading.value)}"
