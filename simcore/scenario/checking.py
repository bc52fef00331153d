"""Small helpers of the checks between tables."""


def needs(*names):
    """Mark a check with the tables it reads."""

    def mark(function):
        function.needs = names
        return function

    return mark


def tick_of(inverter) -> float:
    """Half a carrier period [s]."""
    return 0.5 / inverter.switching_frequency_Hz


def short(number) -> str:
    """A number for a sentence: four digits, whole thousands without an exponent."""
    return f"{number:.0f}" if 1e3 <= abs(number) < 1e7 else f"{number:.4g}"


def whole_ticks(duration_s, tick_s) -> int:
    """Ticks in a duration."""
    return round(duration_s / tick_s)
