"""The wire form `counts`: a signed whole number of counts a line, with their length in the settings."""

from __future__ import annotations

import re
from collections.abc import Callable

from drivers.indicators.line import BLANKS, LineDecoder
from drivers.indicators.protocol import IndicatorDriver, ScaledSettings, doubts
from drivers.reading import CUT_SHORT, Reading

#: So many lines in a row with a sign, of which the first said plus, and one without is damaged.
_SAY_PLUS = 3
_COUNT = re.compile(rb"([+-]?)[ \t]*(\d{1,12})")


def _parser(settings: ScaledSettings) -> Callable[[bytes], Reading | None]:
    scale_nm, unit = settings.scale_nm, settings.unit

    def parse(line: bytes) -> Reading | None:
        match = _COUNT.fullmatch(line.strip(BLANKS))
        if match is None:
            return None
        value_nm = round(int(match[1] + match[2]) * scale_nm)  # a Fraction: exact, ties to even
        return Reading(value_nm, unit, doubts(settings, value_nm, unit))

    return parse


class CountsDecoder(LineDecoder[Reading]):
    """Lines of counts: where they say plus, one without a sign is the end of a line that was torn in two, and is
    marked. From the second such line in a row on it is believed; where that says zero, every zero may go without.
    """

    def __init__(self, parse: Callable[[bytes], Reading | None]) -> None:
        super().__init__(parse)
        self._said_plus = 0
        """How many lines in a row had a sign, since one said plus; no more are counted than are enough."""
        self._torn = self._bare_zero = False

    def feed(self, data: bytes) -> list[Reading]:
        """Take the next bytes; return the readings of the lines they complete."""
        lines, readings = self._split(data)
        if self._said_plus == _SAY_PLUS and not self._torn:
            for line in lines:
                if line[:1] not in (b"+", b"-"):
                    break
            else:
                return readings
        return [self._looked_at(line, reading) for line, reading in zip(lines, readings, strict=True)]

    @property
    def shape(self) -> object:
        """Whether lines say plus; None while that is in doubt."""
        return None if self._torn or 0 < self._said_plus < _SAY_PLUS else (self._said_plus, self._bare_zero)

    def alike(self, line: bytes) -> Reading | None:
        """Return the reading of a line that has a sign, or none, as those before it; None for another line."""
        reading = super().alike(line)
        if reading is None or (b"+" not in line if not self._said_plus else self._is_signed(line, reading)):
            return reading
        return None

    def _looked_at(self, line: bytes, reading: Reading) -> Reading:
        if self._is_signed(line, reading):
            self._torn = False
            if self._said_plus < _SAY_PLUS and (self._said_plus or b"+" in line):
                self._said_plus += 1
        elif self._said_plus == _SAY_PLUS and not self._torn:
            self._torn = True
            return reading._replace(flags=(*reading.flags, CUT_SHORT))
        elif self._torn and not reading.value_nm:
            self._bare_zero, self._torn = True, False
        else:
            self._said_plus, self._torn = 0, False
        return reading

    def _is_signed(self, line: bytes, reading: Reading) -> bool:
        return b"+" in line or b"-" in line or (self._bare_zero and not reading.value_nm)


def _decoder(settings: ScaledSettings) -> CountsDecoder:
    return CountsDecoder(_parser(settings))


DRIVER = IndicatorDriver(
    name="counts",
    summary="text lines with a signed whole number each; the setting `scale` is the length of one count",
    settings=ScaledSettings,
    decoder=_decoder,
)
