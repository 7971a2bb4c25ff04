"""Text with a unit to exact integers, and back. pint does the converting; nothing else here knows a factor."""

from __future__ import annotations

import re
from decimal import Decimal
from fractions import Fraction
from functools import cache, lru_cache
from typing import TYPE_CHECKING, Annotated, Literal, get_args

from pydantic import BeforeValidator

from drivers.reading import LengthUnit

if TYPE_CHECKING:
    import pint

#: Nothing on a bench is a thousand kilometres long; beyond it, text such as "1e999999999 mm" would fill the memory.
_TOO_LARGE = Decimal(10) ** 15
_THOU_NM = 25_400

#: The units pressures are shown in.
PressureUnit = Literal["kPa", "bar", "MPa", "psi"]


@cache
def _registry() -> pint.UnitRegistry[Decimal]:
    """The pint registry, loaded on first use because it costs a fraction of a second, counting in decimals."""
    import pint

    try:
        return pint.UnitRegistry(non_int_type=Decimal, cache_folder=":auto:")
    except Exception:
        # The cache saves a tenth of a second. It may be nowhere (a service's user has no home), full, or cut off by a
        # loss of power, each with an error of its own; none of them keeps a bench from its units.
        return pint.UnitRegistry(non_int_type=Decimal)


def _parse(text: object, dimension: str, base: str, example: str, what: str = "") -> Decimal:
    if not isinstance(text, str):
        raise ValueError(f"{text!r} has no unit; write it as text with one, such as {example!r}")
    return _read(text, dimension, base, example, what)


@lru_cache(maxsize=1024)  # the few settings of a bench are read for every check, and of a year's proof for thousands
def _read(text: str, dimension: str, base: str, example: str, what: str) -> Decimal:
    if "," in text:
        raise ValueError(f"{text!r} has a comma, write a point; expected such as {example!r}")
    registry = _registry()
    what = what or dimension.strip("[]") or "angle"
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


#: A number alone, as people type it.
_NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)")
#: The inch's sign, and what stands for it on keyboards and in print.
_INCH_SIGN = re.compile(r"(?<=[\d.]) *(?:[\"″”]|'')\s*$")


def _inches(text: object) -> object:
    """Return a length that ends in the inch's sign with its unit's letters."""
    return _INCH_SIGN.sub(" in", text) if isinstance(text, str) else text


def with_unit(text: str, unit: str) -> str:
    """Return what a person typed with a unit: a number alone takes `unit`, everything else stays as it is."""
    text = text.strip()
    text = f"0{text}" if text.startswith(".") else text
    return f"{text} {unit}" if _NUMBER.fullmatch(text) else text


def split_values(text: str) -> list[str]:
    """Return the values that a person typed in one line, apart by blanks, semicolons or commas: "46 47 N m" are two."""
    return [one.strip() for one in re.split(r";\s*|,\s+|\s+(?=[+-]?\.?\d)", text.strip()) if one.strip()]


def length_text(text: str, unit: LengthUnit) -> str:
    """Return a length that a person typed with its unit, `unit` where none was typed and "in" for the inch's sign.

    Raises ValueError for what is no length.
    """
    whole = str(_inches(with_unit(text, unit)))
    parse_length(whole)
    return whole


def parse_length(text: object) -> int:
    """Return the length that `text` names in integer nanometres.

    Raises ValueError if it has no unit, is no length, or is no whole number of nanometres.
    """
    nanometres = _parse(_inches(text), "[length]", "nanometer", "1.10 mm")
    if nanometres != nanometres.to_integral_value():
        raise ValueError(f"{text!r} is finer than one nanometre; expected such as '1.10 mm'")
    return int(nanometres)


def length_unit(text: object) -> LengthUnit:
    """Return the unit in which people show a length that is written as `text`: inches where its unit is a whole number
    of thousandths of an inch (inch, foot, thou), millimetres for every other. Raises ValueError for no length."""
    parse_length(text)
    one = _registry().parse_expression(str(_inches(text))).units
    return "in" if _registry().Quantity(Decimal(1), one).to("nanometer").magnitude % _THOU_NM == 0 else "mm"


def parse_pressure(text: object) -> int:
    """Return the gauge pressure that `text` names in pascals, rounded to a whole pascal (1 psi = 6894.757 Pa)."""
    return round(_parse(text, "[pressure]", "pascal", "140 kPa"))


def pressure_unit(text: str) -> PressureUnit | None:
    """Return the unit in which people show pressures who wrote `text`, a pressure or a pressure a second; None for one
    that is not among those shown. Raises ValueError for neither."""
    if "/" not in text:
        parse_pressure(text)
    else:
        parse_pressure_rate(text)
    written = _registry().parse_expression(text.split("/")[0]).units
    shown: tuple[PressureUnit, ...] = get_args(PressureUnit)
    return next((unit for unit in shown if _registry().Unit(unit) == written), None)


def pressure_unit_beside(unit: LengthUnit) -> PressureUnit:
    """Return the unit in which people show pressures who show lengths in `unit` and named no pressure."""
    return "psi" if unit == "in" else "kPa"


def parse_length_rate(text: object) -> int:
    """Return the rate that `text` names in whole nanometres a second, such as "0.002 in/s"; raises ValueError."""
    return round(_parse(text, "[length] / [time]", "nanometer / second", "0.002 in/s", "length a second"))


def parse_pressure_rate(text: object) -> int:
    """Return the rate that `text` names in whole pascals a second, such as "3 kPa/s"; raises ValueError."""
    return round(_parse(text, "[pressure] / [time]", "pascal / second", "3 kPa/s", "pressure a second"))


def parse_angle(text: object) -> float:
    """Return the angle that `text` names in radians; raises ValueError for a bare number, which could be either."""
    if isinstance(text, str) and not any(letter.isalpha() or letter == "°" for letter in text):
        raise ValueError(f"{text!r} has no unit; write it as text with one, such as '5 deg'")
    return float(_parse(text, "", "radian", "5 deg"))


#: The units torques are shown in; NIST SP 811 writes the factors in this order.
TorqueUnit = Literal["N m", "lbf in", "lbf ft"]

#: How shops spell a force and a lever arm, and what pint calls them. A pound or a kilogram in a torque is a force
#: (common practice); prefixes that differ only by a capital letter (mN, MN) are left out, as displays have capitals.
_FORCES = {
    "newton": r"n|newtons?",
    "centinewton": r"cn",
    "kilonewton": r"kn",
    "force_pound": r"lbf|lbs?|pounds?(?:[ _-]?force)?|force_pounds?",
    "force_ounce": r"ozf|oz|ounces?(?:[ _-]?force)?",
    "kilogram_force": r"kgf|kg|kp|kiloponds?|kilograms?[ _-]?force",
}
_ARMS = {
    "inch": r"in|inch|inches",
    "foot": r"ft|foot|feet",
    "meter": r"m|met(?:er|re)s?",
    "centimeter": r"cm|centimet(?:er|re)s?",
    "millimeter": r"mm|millimet(?:er|re)s?",
}
_BETWEEN = r"[ ._*·⋅×-]"
_FORCE = "|".join(f"(?P<{name}>{spelling})" for name, spelling in _FORCES.items())
_ARM = "|".join(f"(?P<{name}>{spelling})" for name, spelling in _ARMS.items())
#: Written the other way round, only inches and feet may touch the force: "mN" is a small force and no torque.
_FORCE_FIRST = re.compile(rf"(?:{_FORCE}){_BETWEEN}*(?:{_ARM})\.?", re.IGNORECASE)
_ARM_FIRST = re.compile(rf"(?:{_ARM})(?:{_BETWEEN}+|(?<=in|ft))(?:{_FORCE})\.?", re.IGNORECASE)
_TORQUE = re.compile(r"(?P<number>[+-]?(?:\d{1,9}(?:\.\d{0,12})?|\.\d{1,12})) *(?P<unit>\D.*)", re.DOTALL)

#: A meganewton metre; nothing a person tightens comes near it.
_MOST_TORQUE_UNM = 10**12

_TIME = re.compile(r"(\d+(?:\.\d+)?|\.\d+) *([a-zµ]+)", re.IGNORECASE)
_TIME_WORDS = {"mins": "min", "hrs": "h", "secs": "s"}


@cache
def _torque_named(spelling: str) -> tuple[Decimal, TorqueUnit] | None:
    text = spelling.strip()
    match = _FORCE_FIRST.fullmatch(text) or _ARM_FIRST.fullmatch(text)
    if match is None:
        return None
    found = [name for name, part in match.groupdict().items() if part is not None]
    force, arm = (next(name for name in found if name in names) for names in (_FORCES, _ARMS))
    per_unit = _parse(f"1 {force} * {arm}", "[energy]", "micronewton * meter", "46 N m", "torque")
    shown: dict[tuple[str, str], TorqueUnit] = {("force_pound", "inch"): "lbf in", ("force_pound", "foot"): "lbf ft"}
    return per_unit, shown.get((force, arm), "N m")


def unm_per_unit(spelling: str) -> Decimal | None:
    """Return the micronewton metres in one of a torque unit as a shop or a wrench spells it; None if it is none.

    "in_lb", "lbf·in", "inch-pounds", "ft-lb", "N m", "Nm", "kgf-cm" and the like. One pound-force inch is
    0.112 984 8 N m (NIST SP 811 app. B).
    """
    named = _torque_named(spelling)
    return None if named is None else named[0]


def torque_unit(text: str) -> TorqueUnit:
    """Return the unit to show torques in beside one that is written as `text`: "41 in lb", or its unit alone."""
    named = _torque_named(text.strip().lstrip("+-0123456789. "))
    return "N m" if named is None else named[1]


def parse_torque(text: object) -> int:
    """Return the torque that `text` names in micronewton metres, rounded to a whole one.

    A force and a lever arm in either order, such as "46 N m", "41 in_lb", "41 lbf·in" or "41 inch-pounds". Raises
    ValueError if it has no unit or is no torque; a joule is none, though it has the same dimension.
    """
    example = "46 N m"
    if not isinstance(text, str):
        raise ValueError(f"{text!r} has no unit; write it as text with one, such as {example!r} or '41 in lb'")
    if "," in text:
        raise ValueError(f"{text!r} has a comma, write a point; expected such as {example!r} or '41 in lb'")
    match = _TORQUE.fullmatch(text.strip())
    per_unit = unm_per_unit(match["unit"]) if match is not None else None
    if match is None or per_unit is None:
        raise ValueError(f"{text!r} is no torque with a unit; expected such as {example!r} or '41 in lb'")
    value_unm = round(Decimal(match["number"]) * per_unit)
    if abs(value_unm) > _MOST_TORQUE_UNM:
        raise ValueError(f"{text!r} is more than any bolt takes, check the unit; expected such as {example!r}")
    return value_unm


def parse_duration(text: object) -> int:
    """Return the time that `text` names in nanoseconds, such as "30 min" or "1 h 30 min"; raises ValueError."""
    found = _TIME.findall(text) if isinstance(text, str) else []
    if not found or _TIME.sub("", str(text)).strip():
        raise ValueError(f"{text!r} is no time with a unit; expected such as '30 min'")
    words = (f"{number} {_TIME_WORDS.get(unit.lower(), unit)}" for number, unit in found)
    return round(sum(_parse(one, "[time]", "second", "30 min") for one in words) * 1_000_000_000)


def format_torque(value_unm: int, unit: TorqueUnit) -> str:
    """Return micronewton metres in `unit` as text with it, at 0.01 of it, without zeros at the end."""
    per_unit = unm_per_unit(unit)
    assert per_unit is not None  # the units of TorqueUnit are among those read
    rounded = round(value_unm / per_unit, 2)
    return f"{(rounded + 0).normalize():f} {unit}"


def format_duration(value_ns: int) -> str:
    """Return nanoseconds for people, to the second and in at most two units: "45 s", "30 min", "1 h 5 min"."""
    seconds = max(0, round(Decimal(value_ns) / 1_000_000_000))
    if seconds < 60:
        return f"{seconds} s"
    minutes, seconds = divmod(seconds, 60)
    hours, minutes = divmod(minutes, 60)
    parts = [(hours, "h"), (minutes, "min")] if hours else [(minutes, "min"), (seconds, "s")]
    return " ".join(f"{count} {unit}" for count, unit in parts if count)


def format_length(value_nm: int, unit: str, decimals: int | None = None) -> str:
    """Return `value_nm` in `unit` ("in" or "mm") as text with the unit, by default at 0.0001 in or 0.001 mm."""
    per_unit = 25_400_000 if unit == "in" else 1_000_000
    places = decimals if decimals is not None else (4 if unit == "in" else 3)
    rounded = round(Decimal(value_nm) / per_unit, places)
    # Adding zero takes the sign off a negative zero, which means nothing to a person.
    return f"{rounded + 0:.{places}f} {unit}"


def places_of(step_nm: int, unit: LengthUnit) -> int | None:
    """Return how many decimals a display has that counts in steps of so many nanometres and shows `unit`; None for a
    step that no decimals of that unit show, or none (0)."""
    per_unit = 25_400_000 if unit == "in" else 1_000_000
    return next((places for places in range(8) if step_nm and step_nm * 10**places % per_unit == 0), None)


def format_pressure(pascals: int | Fraction, unit: PressureUnit) -> str:
    """Return a pressure in `unit` as text with it: psi to four digits, every other to 0.1 kPa."""
    match unit:
        case "psi":
            return f"{float(pascals) / 6894.757:.4g} psi"
        case "bar":
            return f"{round(pascals / 1e5, 3):.12g} bar"
        case "MPa":
            return f"{round(pascals / 1e6, 4):.12g} MPa"
        case "kPa":
            return f"{round(Fraction(pascals, 100)) / 10:.12g} kPa"


#: pydantic field types: text with a unit on the edge, an exact number inside.
LengthNm = Annotated[int, BeforeValidator(parse_length)]
PressurePa = Annotated[int, BeforeValidator(parse_pressure)]
LengthRate = Annotated[int, BeforeValidator(parse_length_rate)]
PressureRate = Annotated[int, BeforeValidator(parse_pressure_rate)]
Angle = Annotated[float, BeforeValidator(parse_angle)]
