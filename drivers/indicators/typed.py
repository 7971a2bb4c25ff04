"""The form `typed`: the readings of a dial with a needle, as a person types them; a line each."""

from __future__ import annotations

import re
from collections.abc import Callable
from fractions import Fraction
from typing import Literal

from pydantic import Field

from drivers.indicators.line import BLANKS, LineDecoder
from drivers.indicators.protocol import NM_PER_UNIT, IndicatorDriver, IndicatorSettings, doubts
from drivers.reading import LengthUnit, Reading
from drivers.units import LengthNm

#: A number, with a point or a comma as the keypad has it, and a unit if a hand took the trouble.
_TYPED = re.compile(rb"([+-]?)[ \t]*(\d{0,6})(?:[.,](\d{0,6}))?[ \t]*(mm|in|inch|\")?", re.IGNORECASE)


class TypedSettings(IndicatorSettings):
    """Settings of `typed`; `resolution` is the division of the scale."""

    sends: Literal["on-press"] = "on-press"
    reading_error: LengthNm = Field(default=0, ge=0)
    """How far a reading may be off by the eye, beside its rounding; where it is not given, half a division."""

    @property
    def reading_error_nm(self) -> int:
        """Half-width of what the eye adds to each reading, nm (common practice: half a division)."""
        return self.reading_error or self.resolution_nm // 2


def _parser(settings: TypedSettings) -> Callable[[bytes], Reading | None]:
    def parse(line: bytes) -> Reading | None:
        match = _TYPED.fullmatch(line.strip(BLANKS))
        if match is None or not (match[2] or match[3]):
            return None
        sign, whole, part, named = match.groups()
        unit: LengthUnit = settings.unit if named is None else "mm" if named.lower() == b"mm" else "in"
        digits = whole + (part or b"")
        value_nm = round(Fraction(int(sign + digits), 10 ** len(part or b"")) * NM_PER_UNIT[unit])
        return Reading(value_nm, unit, doubts(settings, value_nm, unit))

    return parse


def _decoder(settings: TypedSettings) -> LineDecoder[Reading]:
    return LineDecoder(_parser(settings))


DRIVER = IndicatorDriver(
    name="typed",
    summary="a dial with a needle, whose readings are typed at the bench; `resolution` is the division of its scale",
    settings=TypedSettings,
    decoder=_decoder,
    typed=True,
)
