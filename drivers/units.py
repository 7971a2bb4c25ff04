"""Text with a unit to exact integers, and back. pint does the converting; nothing else here knows a factor."""

from __future__ import annotations

from decimal import Decimal
from functools import cache
from typing import TYPE_CHECKING, Annotated

from pydantic import BeforeValidator

if TYPE_CHECKING:
    import pint

__all__ = [
    "Angle",
    "LengthNm",
    "PressurePa",
    "format_length",
    "parse_angle",
    "parse_length",
    "parse_pressure",
]


#: Nothing on a bench is a thousand kilometres long; beyond it, text such as "1e999999999 mm" would fill the memory.
_TOO_LARGE = Decimal(10) ** 15


@cache
def _registry() -> pint.UnitRegistry[Decimal]:
    """The pint registry, loaded on first use because it costs a fraction of a second, counting in decimals."""
    import pint

    registry: pint.UnitRegistry[Decimal] = pint.UnitRegistry(non_int_type=Decimal, cache_folder=":auto:")
    return registry


def _parse(text: object, dimension: str, base: str, example: str) -> Decimal:
    if not isinstance(text, str):
        raise ValueError(f"{text!r} has no unit; write it as text with one, such as {example!r}")
    if "," in text:
        raise ValueError(f"{text!r} has a comma, write a point; expected such as {example!r}")
    registry = _registry()
    what = dimension.strip("[]") or "angle"
    try:
        quantity = registry.parse_expression(text)
        if not isinstance(quantity, registry.Quantity) or not quantity.check(dimension):
            raise ValueError(f"{text!r} is no {what} with a unit; expected such as {example!r}")
        magnitude = quantity.to(base).magnitude
    except Exception as error:  # pint lets its tokenizer's, parser's and arithmetic's own errors out
        if "expected such as" in str(error):
            raise
        raise ValueError(f"{text!r} cannot be read as a {what}; expected such as {example!r}") from error
    if not isinstance(magnitude, Decimal):
        magnitude = Decimal(str(magnitude))
    if not magnitude.is_finite() or abs(magnitude) >= _TOO_LARGE:
        raise ValueError(f"{text!r} is not a finite {what}; expected such as {example!r}")
    return magnitude


def parse_length(text: object) -> int:
    """Return the length that `text` names in integer nanometres.

    Raises ValueError if it has no unit, is no length, or is no whole number of nanometres.
    """
    nanometres = _parse(text, "[length]", "nanometer", "1.10 mm")
    if nanometres != nanometres.to_integral_value():
        raise ValueError(f"{text!r} is finer than one nanometre; expected such as '1.10 mm'")
    return int(nanometres)


def parse_pressure(text: object) -> int:
    """Return the gauge pressure that `text` names in pascals, rounded to a whole pascal (1 psi = 6894.757 Pa)."""
    return round(_parse(text, "[pressure]", "pascal", "140 kPa"))


def parse_angle(text: object) -> float:
    """Return the angle that `text` names in radians; raises ValueError for a bare number, which could be either."""
    if isinstance(text, str) and not any(letter.isalpha() or letter == "°" for letter in text):
        raise ValueError(f"{text!r} has no unit; write it as text with one, such as '5 deg'")
    return float(_parse(text, "", "radian", "5 deg"))


def format_length(value_nm: int, unit: str, decimals: int | None = None) -> str:
    """Return `value_nm` in `unit` ("in" or "mm") as text with the unit, by default at 0.0001 in or 0.001 mm."""
    per_unit = 25_400_000 if unit == "in" else 1_000_000
    places = decimals if decimals is not None else (4 if unit == "in" else 3)
    rounded = round(Decimal(value_nm) / per_unit, places)
    # Adding zero takes the sign off a negative zero, which means nothing to a person.
    return f"{rounded + 0:.{places}f} {unit}"


def format_pressure(pascals: int, unit: str) -> str:
    """Return a pressure in psi where lengths are in inches, else in kPa, with the unit."""
    if unit == "in":
        return f"{pascals / 6894.757:.4g} psi"
    return f"{round(pascals / 1000, 1):g} kPa"


#: pydantic field types: text with a unit on the edge, an exact number inside.
LengthNm = Annotated[int, BeforeValidator(parse_length)]
PressurePa = Annotated[int, BeforeValidator(parse_pressure)]
Angle = Annotated[float, BeforeValidator(parse_angle)]
