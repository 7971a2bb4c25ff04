"""The wire form `word24`: three bytes a reading, least significant first; nothing marks where one starts.

Bits 0-19 are the magnitude, bit 20 set is negative, bit 23 set is inch; a count is 0.01 mm or 0.0005 in. Bits
21 and 22 are always clear. The layout is written from memory of how cheap scales send.

Theory of operation. A frame that looks right (reserved bits clear, same unit as the last, within a short step
of it) is passed on at once. Any other is suspicious: either the instrument did something (a fast move, a switch
of unit, a wild value), or a byte was lost or gained and all that follows is out of phase. The decoder then waits
for four frames and scores the three phases, that is 0, 1 or 2 bytes dropped, by how many of their frames are
suspicious in turn. Bytes are dropped only if
  - that leaves every frame valid and strictly fewer suspicious,
  - it makes the readings far smoother: a byte out of phase magnifies every movement 256 times, so phase that is
    found again shows by much more than by a step that happens to be shorter (the step from the last reading is
    left out of this where several frames are at stake, as that reading may be out of phase itself), and
  - the stream as it stands has not come back to where it was by the last of the four, as a wild value does.
Otherwise the frame is passed on, since a wild value is for the stroke finder to judge, or skipped whole if its
reserved bits say that it is none. The first frame of a stream is weighed like a suspicious one; as nothing came before
it, what is suspicious there is another unit than the settings say, or a value that no plunger of their range can show.
Where all of its frames are so, another phase need not be smooth.

At the end of a stream less than four frames are left; there bytes are dropped only if no frame is lost by it.
What cannot be told: a move, between two frames, from within 0.04 mm of zero to the same number of 2.56 mm, or
back, is the same bytes as a lost byte.
"""

from __future__ import annotations

from typing import ClassVar, NamedTuple

from drivers.indicators.protocol import IndicatorDriver, IndicatorSettings, doubts
from drivers.reading import LengthUnit, Reading

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


def _value(word: int) -> tuple[int, LengthUnit] | None:
    """Return the length, nanometres, and the unit of a frame, None if its reserved bits are set."""
    if word & _RESERVED:
        return None
    value_nm = (word & _MAGNITUDE) * (_INCH_COUNT_NM if word & _INCH else _MM_COUNT_NM)
    return (-value_nm if word & _NEGATIVE else value_nm, "in" if word & _INCH else "mm")


#: How much smoother the readings must be for bytes to be dropped; well under 256, to leave room for noise.
_SMOOTHER = 16


def _suspicious(value: tuple[int, LengthUnit], last: tuple[int, LengthUnit]) -> bool:
    return value[1] != last[1] or abs(value[0] - last[0]) > _STEP_NM


class _Score(NamedTuple):
    """How a phase looks: its suspicious frames, how far its readings step, and whether all its frames are valid."""

    suspicious: int
    roughness_nm: int
    inner_nm: int
    """As `roughness_nm`, but without the step from the last reading passed on."""
    valid: bool


class Word24Decoder:
    """Keeps in phase by what the readings look like; see the head of this file."""

    farthest_nm = _STEP_NM

    def __init__(self, settings: IndicatorSettings) -> None:
        self.skipped = 0
        self._settings = settings
        self._buffer = b""
        self._last: tuple[int, LengthUnit] | None = None
        # Where the readings last went on without a break, and for how many frames they do so now.
        self._settled: tuple[int, LengthUnit] | None = None
        self._steady = 0

    def feed(self, data: bytes) -> list[Reading]:
        """Take the next bytes; return the readings that are settled, at most four frames late."""
        return self._take(self._buffer + data, ended=False)

    def finish(self) -> list[Reading]:
        """Settle what was held back; count a part of a frame as skipped."""
        readings = self._take(self._buffer, ended=True)
        self.skipped += len(self._buffer)
        self._buffer = b""
        self._last = self._settled = None
        return readings

    @property
    def holds_nothing(self) -> bool:
        """Whether what comes next begins a frame, as far as that is known."""
        return not self._buffer

    def whole(self, chunk: bytes) -> Reading | None:
        """Return what a frame by itself reads as; None where a chunk is none."""
        value = _value(int.from_bytes(chunk, "little")) if len(chunk) == _LENGTH else None
        return None if value is None else Reading(*value, doubts(self._settings, *value))

    def goes_on(self, reading: Reading) -> bool:
        """Say whether a frame goes on from the last one."""
        return self._last is not None and not _suspicious(reading[:2], self._last)

    def took(self, count: int, newest: Reading, chunk: bytes) -> None:
        """So many frames went on from the last one, each from the one before."""
        self._steady += count
        self._last = newest[:2]
        if self._steady >= _LOOKAHEAD:
            self._settled = self._last

    def _take(self, buffer: bytes, ended: bool) -> list[Reading]:
        readings = []
        at, end = 0, len(buffer)
        while end - at >= _LENGTH:
            value = _value(buffer[at] | buffer[at + 1] << 8 | buffer[at + 2] << 16)
            if not self._expected(value):
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
                self._follow(value)
                readings.append(Reading(*value, doubts(self._settings, *value)))
        self._buffer = buffer[at:]
        return readings

    def _expected(self, value: tuple[int, LengthUnit] | None) -> bool:
        """Return whether a frame goes on from the last one, or comes back to where the readings were before."""
        return value is not None and any(
            known is not None and not _suspicious(value, known) for known in (self._last, self._settled)
        )

    def _follow(self, value: tuple[int, LengthUnit]) -> None:
        goes_on = self._last is not None and not _suspicious(value, self._last)
        self._steady = self._steady + 1 if goes_on else 0
        self._last = value
        if self._steady >= _LOOKAHEAD or self._settled is None:
            self._settled = value

    def _phase(self, window: bytes) -> int:
        """Return how many bytes to drop so that the frames after them look most like a stream of readings."""
        frames = len(window) // _LENGTH
        newest = _value(int.from_bytes(window[(frames - 1) * _LENGTH : frames * _LENGTH], "little"))
        if self._expected(newest):
            return 0
        stay = self._score(window, 0)
        first = _value(int.from_bytes(window[:_LENGTH], "little"))
        # The first frame of a stream that looks right is one, unless another phase has not one that looks wrong.
        begins = self._last is None and first is not None and not self._implausible(first)
        best = (stay.suspicious, 0, 0)
        for drop in (1, 2):
            score = self._score(window, drop)
            gained = stay.suspicious - score.suspicious
            smoother = (
                not stay.valid
                or score.roughness_nm * _SMOOTHER <= stay.roughness_nm
                or (gained > 1 and score.inner_nm * _SMOOTHER <= stay.inner_nm)
                or (gained > 1 and self._last is None and stay.suspicious >= frames)
            )
            if begins and score.suspicious:
                continue
            if score.valid and (len(window) - drop) // _LENGTH == frames and gained > 0 and smoother:
                best = min(best, (score.suspicious, score.roughness_nm, drop))
        return best[2]

    def _implausible(self, value: tuple[int, LengthUnit]) -> bool:
        """Return whether no indicator with these settings is likely to show this, wherever it was zeroed."""
        reach = self._settings.range
        far = reach is not None and not 2 * reach[0] - reach[1] <= value[0] <= 2 * reach[1] - reach[0]
        return far or value[1] != self._settings.unit

    def _score(self, window: bytes, drop: int) -> _Score:
        last = self._last
        suspicious = first_nm = inner_nm = 0
        valid = True
        for at in range(drop, len(window) - _LENGTH + 1, _LENGTH):
            value = _value(int.from_bytes(window[at : at + _LENGTH], "little"))
            if value is None:
                valid = False
                suspicious += 1
                continue
            if self._last is None:
                suspicious += self._implausible(value)
            if last is not None and at == drop:
                # The last may itself be a wild value, or out of phase: then where the readings were before it counts.
                suspicious += not self._expected(value)
                first_nm = min(abs(value[0] - known[0]) for known in (last, self._settled) if known is not None)
            elif last is not None:
                suspicious += _suspicious(value, last)
                inner_nm += abs(value[0] - last[0])
            last = value
        return _Score(suspicious, first_nm + inner_nm, inner_nm, valid)


class Word24Settings(IndicatorSettings):
    """Settings of `word24`."""

    why_no_single_values: ClassVar[str] = (
        "nothing in word24 marks where a value begins, so that one by itself cannot be told from the end of another"
    )


DRIVER = IndicatorDriver(
    name="word24",
    summary="three bytes a reading, least significant first: 20 bits of magnitude, a sign bit and a unit bit",
    settings=Word24Settings,
    decoder=Word24Decoder,
)
