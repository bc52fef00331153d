"""What every table of the language shares: strictness, and fields described once (unit, meaning, range)."""

from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field
from pydantic_core import PydanticCustomError

REQUIRED = ...


class Table(BaseModel):
    """A table of the language: frozen, strict (no true as 1, no "0.2" as 0.2), finite, unknown keys refused."""

    model_config = ConfigDict(
        frozen=True,
        strict=True,
        extra="forbid",
        allow_inf_nan=False,
        protected_namespaces=(),
        arbitrary_types_allowed=True,
    )


def quantity(unit: str, meaning: str, default: Any = REQUIRED, **bounds: Any) -> Any:
    """A field with its unit ('' for a pure number), meaning and range (gt, ge, lt, le)."""
    return Field(default, description=meaning, json_schema_extra={"unit": unit}, **bounds)


def word(meaning: str, default: Any = REQUIRED, **more: Any) -> Any:
    """A field that is no quantity: a name, a choice, a table."""
    return Field(default, description=meaning, json_schema_extra={"unit": ""}, **more)


def table(meaning: str, factory: Any) -> Any:
    """A table that may be absent; then it holds its defaults."""
    return Field(default_factory=factory, description=meaning, json_schema_extra={"unit": ""})


def refuse(rule: str, remedy: str, at: tuple = ()):
    """The error a validator raises: a sentence's rule and remedy, and the keys below this field it speaks of."""
    # Braces would be read as a template by the message formatter.
    return PydanticCustomError("rule", "refused", {"rule": rule, "remedy": remedy, "at": at})


def _as_tuple(value):
    return tuple(value) if isinstance(value, list) else value


Rows = BeforeValidator(_as_tuple)
ThreePhases = Annotated[tuple[float, float, float], Rows]


def is_number(value) -> bool:
    """True for int and float, not for true and false."""
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def finite(value) -> bool:
    """True for a number that a double can hold."""
    try:
        return is_number(value) and abs(float(value)) < float("inf")
    except OverflowError:
        return False


def number_remedy(text) -> str:
    """What to do about a text in the place of a number."""
    try:
        float(text)
    except (TypeError, ValueError):
        return "Give a number"
    return "Write it without quotes"
