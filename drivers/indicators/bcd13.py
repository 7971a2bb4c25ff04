"""The wire form `bcd13`: thirteen decimal digits of four bits, with a preamble, a decimal point and a unit.

Digits 1-4 are 0xF; 5 is the sign, 0 plus, 8 minus; 6-11 are the value, most significant first; 12 is the
number of decimals; 13 is the unit, 0 mm, 1 inch. A serial bridge sends a digit as a byte
or as a hex character. The layout is written from memory of how hand tools with a four-bit serial output send.
No digit of a frame but the preamble can be 0xF, so a preamble is never found inside a frame.
"""

from __future__ import annotations

import re

from drivers.indicators.protocol import NM_PER_UNIT, IndicatorDriver, IndicatorSettings, doubts, scaled_nm
from drivers.reading import LengthUnit, Reading

_LENGTH = 13
_FRAME = re.compile(
    rb"\x0f{4}[\x00\x08][\x00-\x09]{6}[\x00-\x06][\x00\x01]"  # a byte a digit
    rb"|[Ff]{4}[08][0-9]{6}[0-6][01]"  # a hex character a digit
)
_LINE_ENDS = b"\r\n"


class Bcd13Decoder:
    """Finds frames wherever a preamble and valid digits stand; CR and LF between frames mean nothing."""

    farthest_nm = None

    def __init__(self, settings: IndicatorSettings) -> None:
        self.skipped = 0
        self._settings = settings
        self._buffer = b""

    def feed(self, data: bytes) -> list[Reading]:
        """Take the next bytes; return the readings of the frames they complete."""
        buffer = self._buffer + data
        readings = []
        end = 0
        for match in _FRAME.finditer(buffer):
            self._skip(buffer[end : match.start()])
            end = match.end()
            readings.append(self._reading(match[0]))
        # A frame can still begin in the last twelve bytes, and nowhere before them.
        keep = max(end, len(buffer) - (_LENGTH - 1))
        self._skip(buffer[end:keep])
        self._buffer = buffer[keep:]
        return readings

    def finish(self) -> list[Reading]:
        """Count an unfinished frame as skipped; nothing is ever held back."""
        self._skip(self._buffer)
        self._buffer = b""
        return []

    @property
    def holds_nothing(self) -> bool:
        """Whether what comes next begins a frame."""
        return not self._buffer.strip(_LINE_ENDS)

    def whole(self, chunk: bytes) -> Reading | None:
        """Return what a frame by itself reads as, or one with its line end; None where a chunk is none."""
        alone = _FRAME.match(chunk) and chunk[_LENGTH:] in (b"", b"\r", b"\n", b"\r\n")
        return self._reading(chunk[:_LENGTH]) if alone else None

    def goes_on(self, reading: Reading) -> bool:
        """Say that a whole frame is one, whatever came before."""
        return True

    def took(self, count: int, newest: Reading, chunk: bytes) -> None:
        """So many whole frames were taken, the last of which is that chunk."""
        self._buffer = chunk[_LENGTH:]

    def _skip(self, noise: bytes) -> None:
        self.skipped += len(noise.translate(None, _LINE_ENDS))

    def _reading(self, frame: bytes) -> Reading:
        digits = [byte & 0x0F for byte in frame[4:]]
        unit: LengthUnit = "in" if digits[8] else "mm"
        value = int("".join(map(str, digits[1:7])))
        value_nm = scaled_nm(value, digits[7], NM_PER_UNIT[unit])
        if digits[0]:
            value_nm = -value_nm
        return Reading(value_nm, unit, doubts(self._settings, value_nm, unit))


DRIVER = IndicatorDriver(
    name="bcd13",
    summary="thirteen 4-bit digits a frame behind four 0xF, as bytes or as hex characters",
    settings=IndicatorSettings,
    decoder=Bcd13Decoder,
)
