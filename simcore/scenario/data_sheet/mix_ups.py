"""Which usual mix-up of a basis lies behind two readings that contradict each other."""

import math

from simcore.scenario.errors import one_of

CLOSE = 0.05  # of the ratio
_VALUES = {
    "sqrt(2)": math.sqrt(2.0),
    "sqrt(3)": math.sqrt(3.0),
    "sqrt(6)": math.sqrt(6.0),
    "sqrt(3/2)": math.sqrt(1.5),
    "2/sqrt(3)": 2.0 / math.sqrt(3.0),
    "2 sqrt(2)": 2.0 * math.sqrt(2.0),
    "4/3": 4.0 / 3.0,
    "1.5": 1.5,
    "2": 2.0,
    "3": 3.0,
    "60/(2 pi)": 30.0 / math.pi,
    "1000": 1000.0,
}
# Kind of constant => the ratios between its usual bases, and what is mixed up where they appear.
RATIOS = {
    "magnet": {
        "sqrt(2)": "peak against rms",
        "sqrt(3)": "line-line against phase, or delta against star",
        "sqrt(6)": "line-line peak against phase rms",
        "sqrt(3/2)": "line-line rms against phase peak, or power-invariant scaling",
        "2/sqrt(3)": "an ampere of block commutation against a peak ampere",
        "1.5": "the factor 1.5 of the torque",
        "2": "peak-to-peak against peak",
        "2 sqrt(2)": "peak-to-peak against rms",
        "60/(2 pi)": "rpm against rad/s",
        "1000": "a prefix such as milli or kilo",
    },
    "winding": {
        "2": "two phases in series against one",
        "1.5": "one terminal to the two others against one phase, or a delta's phase against line-line",
        "4/3": "two terminals against one terminal to the two others",
        "3": "a delta's phase against its equivalent star",
        "1000": "a prefix such as milli or kilo",
    },
    "current": {"sqrt(2)": "peak against rms", "sqrt(3)": "current of a delta's phase against that of its line"},
    "count": {"2": "poles against pole pairs"},
}


def guess(first, second, kind="", pole_pairs=None):
    """(two Readings that contradict each other, kind of constant) => the mix-up that explains them, in words, or "".

    Without a kind the ratio is not named: where it is not the ratio of the two bases.
    """
    if not 1e-30 < second.constant / first.constant < 1e30:
        return ""
    agreeing = [key for other, fixed in ((second, first), (first, second)) for key in _agreeing(other, fixed)]
    told = named_ratio(second.constant / first.constant, kind, pole_pairs)
    if not agreeing:
        return told
    told = f"{told}: read" if told else "Read"
    return f"{told} as {one_of(agreeing)} the two would agree"


def named_ratio(ratio, kind, pole_pairs=None):
    """(ratio of two values, either way up; kind) => 'The ratio is near sqrt(2) (peak against rms)', or ""."""
    known = [(_VALUES[name], name, words) for name, words in RATIOS.get(kind, {}).items()]
    if kind == "magnet" and pole_pairs and pole_pairs > 1:
        known.append((float(pole_pairs), f"{pole_pairs:g}", "the pole pairs: electrical against mechanical speed"))
    off = [(abs(abs(math.log(ratio)) - math.log(factor)), name, words) for factor, name, words in known]
    least = min((distance for distance, _, _ in off), default=math.inf)
    if not least <= CLOSE:
        return ""
    same = [(name, words) for distance, name, words in off if distance < least + 1e-9]
    return f"The ratio is near {same[0][0]} ({', or '.join(words for _, words in same)})"


def _agreeing(reading, other):
    """The key under which the same number would agree with the other reading best, in a list; none: an empty one."""
    off = {key: abs(math.log(constant / other.constant)) for key, constant in reading.instead.items()}
    return [key for key in sorted(off, key=off.get) if off[key] <= CLOSE][:1]
