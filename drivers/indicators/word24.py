"""The wire form `word24`: three bytes a reading, least significant first; nothing marks where one starts.

Bits 0-19 are the magnitude, bit 20 set is negative, bit 23 set is inch; a count is 0.01 mm or 0.0005 in. Bits
21 and 22 are always clear.

Theory of operation. A frame that looks right (reserved bits clear, same unit as the last, within a short step
of it) is passed on at once. Any other is suspicious: either the instrument did something (a fast move, a switch
of unit, a wild value), or a byte was lost or gained and all that follows is out of phase. The decoder then waits
for four frames and scores the three phases, that is 0, 1 or 2 bytes dropped, by how many of their frames are
suspicious in turn. Bytes are dropped only if that leaves every frame valid and strictly fewer suspicious, and
if the stream as it stands has not come back to where it was by the last of the four: lost phase does not come
back. Otherwise the frame is passed on, since a wild value is for the stroke finder to judge, or skipped whole if
its reserved bits say that it is none. The first frame of a stream is weighed like a suspicious one.

At the end of a stream less than four frames are left; there bytes are dropped only if no frame is lost by it.
What cannot be told: a move of whole 2.56 mm from near zero between two frames is the same bytes as a lost byte.
"""

from __future__ import annotations

from drivers.indicators.protocol import IndicatorDriver, IndicatorSettings, doubts
from drivers.reading import Reading, Unit

__all__ = ["DRIVER", "Word24Decoder"]

_LENGTH = 3
_LOOKAHEAD = 4
_WINDOW = _LOOKAHEAD * _LENGTH + _LENGTH - 1
_MAGNITUDE = 0x0F_FFFF
_NEGATIVE = 1 << 20
_RESERVED = 0b11 << 21
_INCH = 1 << 23
_MM_COUNT_NM = 10_000
_INCH_COUNT_NM = 12_700
#: A plunger seldom goes further between two frames (common practice); if it does, that is only looked at twice.
_STEP_NM = 2_000_000


def _value(word: int) -> tuple[int, Unit] | None:
    """Return the length, nanometres, and the unit of a frame, None if its reserved bits are set."""
    if word & _RESERVED:
        return None
    value_nm = (word & _MAGNITUDE) * (_INCH_COUNT_NM if word & _INCH else _MM_COUNT_NM)
    return (-value_nm if word & _NEGATIVE else value_nm, "in" if word & _INCH else "mm")


def _suspicious(value: tuple[int, Unit], last: tuple[int, Unit]) -> bool:
    return value[1] != last[1] or abs(value[0] - last[0]) > _STEP_NM


class Word24Decoder:
    """Keeps in phase by what the readings look like; see the head of this file."""

    def __init__(self, settings: IndicatorSettings) -> None:
        self.skipped = 0
        self._settings = settings
        self._buffer = b""
        self._last: tuple[int, Unit] | None = None

    def feed(self, data: bytes) -> list[Reading]:
        """Take the next bytes; return the readings that are settled, at most four frames late."""
        return self._take(self._buffer + data, ended=False)

    def finish(self) -> list[Reading]:
        """Settle what was held back; count a part of a frame as skipped."""
        readings = self._take(self._buffer, ended=True)
        self.skipped += len(self._buffer)
        self._buffer = b""
        self._last = None
        return readings

    def _take(self, buffer: bytes, ended: bool) -> list[Reading]:
        readings = []
        at, end = 0, len(buffer)
        while end - at >= _LENGTH:
            value = _value(buffer[at] | buffer[at + 1] << 8 | buffer[at + 2] << 16)
            if value is None or self._last is None or _suspicious(value, self._last):
                if end - at < _WINDOW and not ended:
                    break
                if drop := self._phase(buffer[at : at + _WINDOW]):
                    self.skipped += drop
                    at += drop
                    continue
            at += _LENGTH
            if value is None:
                self.skipped += _LENGTH
            else:
                self._last = value
                readings.append(Reading(*value, doubts(self._settings, *value)))
        self._buffer = buffer[at:]
        return readings

    def _phase(self, window: bytes) -> int:
        """Return how many bytes to drop so that the frames after them look most like a stream of readings."""
        frames = len(window) // _LENGTH
        newest = _value(int.from_bytes(window[(frames - 1) * _LENGTH : frames * _LENGTH], "little"))
        if self._last is not None and newest is not None and not _suspicious(newest, self._last):
            return 0
        stay, _, _ = self._score(window, 0)
        best = (stay, 0, 0)
        for drop in (1, 2):
            suspicious, roughness_nm, valid = self._score(window, drop)
            if valid and (len(window) - drop) // _LENGTH == frames and suspicious < stay:
                best = min(best, (suspicious, roughness_nm, drop))
        return best[2]

    def _score(self, window: bytes, drop: int) -> tuple[int, int, bool]:
        """Return a phase's suspicious frames, how far its readings step in all, and whether all are valid."""
        last = self._last
        suspicious = roughness_nm = 0
        all_valid = True
        for at in range(drop, len(window) - _LENGTH + 1, _LENGTH):
            value = _value(int.from_bytes(window[at : at + _LENGTH], "little"))
            if value is None:
                all_valid = False
                suspicious += 1
                continue
            if last is not None:
                suspicious += _suspicious(value, last)
                roughness_nm += abs(value[0] - last[0])
            last = value
        return suspicious, roughness_nm, all_valid


DRIVER = IndicatorDriver(
    name="word24",
    summary="three bytes a reading, least significant first: 20 bits of magnitude, a sign bit and a unit bit",
    settings=IndicatorSettings,
    decoder=Word24Decoder,
)
