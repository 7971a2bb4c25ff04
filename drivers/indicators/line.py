"""The wire form `line`: one displayed value a line, as readable text. Others share its lines and its values.

`line_fields` reads what stands on a line, whatever it measures; what is here beside it reads lengths.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import lru_cache
from typing import Generic, Literal, NamedTuple, TypeVar

from drivers.indicators.protocol import NM_PER_UNIT, IndicatorDriver, IndicatorSettings, doubts, scaled_nm
from drivers.reading import CUT_SHORT, TOO_MANY_DIGITS, LengthUnit, Reading

__all__ = [
    "BLANKS",
    "DRIVER",
    "LONGEST_LINE",
    "DisplayDecoder",
    "Fields",
    "LineDecoder",
    "LineSettings",
    "line_fields",
    "line_parser",
]

Item = TypeVar("Item")

#: What may stand around a line and means nothing: blanks, NUL padding, and STX/ETX framing.
BLANKS = b" \t\0\x02\x03"

#: No display needs a longer line, so a longer one is noise that happens to hold no CR or LF.
LONGEST_LINE = 256

#: Displayed values repeat (an indicator rests, holds, and returns), so most lines have been parsed before.
_REMEMBERED = 4096

#: So many lines in a row with the same decimals, and one with others is damaged; a second such line is not. Fewer lines
#: do where those are the decimals that the display's step needs.
_SAME_DECIMALS, _DECIMALS_OF_THE_STEP = 16, 3

#: The value itself. Nine digits are 1000 km: more is no reading of an indicator.
_NUMBER = rb"(?=%s?\d)(?P<whole>\d{1,9})?(?:%s(?P<part>\d{0,12}))?"
_UNIT = rb"[ \t]*,?[ \t]*(?P<unit>%s)?"
_LENGTH_UNIT = rb"in|inch|\"|mm|um|\xb5m|\xc2\xb5m|\xce\xbcm"

_SEPARATOR = rb"[ \t]*[:=,;][ \t]*|[ \t]+"
#: A name with a letter in it (not an error message), as "A", "CH1", "01A" or "CH 1". A separator ends it, or a
#: sign; a bare whole number after it needs a colon or a unit, since "E 05" is no length.
_NAMED = rb"(?!err)[0-9]{0,4}[a-z][a-z0-9_#]{0,15}(?:[ ][0-9]{1,4})?(?P<after>" + _SEPARATOR + rb"|(?=[+-]))"
#: A name of digits only needs a separator, then a value that shows it is one by its sign or decimal mark.
_NUMBERED = rb"[0-9]{1,4}(?P<after>" + _SEPARATOR + rb")"


def _units() -> dict[bytes, tuple[int, LengthUnit]]:
    micrometre = NM_PER_UNIT["mm"] // 1000
    inch: tuple[int, LengthUnit] = (NM_PER_UNIT["in"], "in")
    spellings: dict[bytes, tuple[int, LengthUnit]] = dict.fromkeys((b"in", b"inch", b'"'), inch)
    spellings[b"mm"] = (NM_PER_UNIT["mm"], "mm")
    for spelling in (b"um", b"\xb5m", b"\xc2\xb5m", b"\xce\xbcm"):  # latin-1 and UTF-8 micro, Greek mu
        spellings[spelling] = (micrometre, "mm")
    return spellings


class LineSettings(IndicatorSettings):
    """Settings of `line`."""

    decimal: Literal[".", ","] = "."
    """The decimal mark."""


class LineDecoder(Generic[Item]):
    """Splits a stream into lines and gives each to a pure parse that returns a reading, or None for no frame.

    Lines end at CR, LF or both. The cost is linear in the bytes: what is kept between two feeds is at most
    one line, and the splitting and the remembering of parsed lines run in C, since an indicator may send
    thousands of lines a second and a replay reads hours of them.
    """

    def __init__(self, parse: Callable[[bytes], Item | None]) -> None:
        self.skipped = 0
        self._parse = lru_cache(maxsize=_REMEMBERED)(parse)
        self._tail = b""
        self._overflown = False

    def feed(self, data: bytes) -> list[Item]:
        """Take the next bytes; return the readings of the lines they complete."""
        return self._split(data)[1]

    def _split(self, data: bytes) -> tuple[list[bytes], list[Item]]:
        """Return the lines that these bytes complete and that hold a reading, and those readings."""
        buffer = self._tail + data if self._tail else data
        lines = buffer.splitlines()
        if not lines:
            return [], []
        self._tail = b""
        if buffer[-1] not in b"\r\n":
            self._tail = lines.pop()
        if self._overflown and lines:
            self.skipped += len(lines.pop(0))
            self._overflown = False
        if len(self._tail) > LONGEST_LINE or self._overflown:
            self.skipped += len(self._tail)
            self._tail = b""
            self._overflown = True
        if len(buffer) > LONGEST_LINE and lines and max(map(len, lines)) > LONGEST_LINE:
            self.skipped += sum(len(line) for line in lines if len(line) > LONGEST_LINE)
            lines = [line for line in lines if len(line) <= LONGEST_LINE]
        readings = [reading for reading in map(self._parse, lines) if reading]
        if len(readings) != len(lines):
            self.skipped += sum(len(line) for line in lines if line.strip(BLANKS) and not self._parse(line))
            lines = [line for line in lines if self._parse(line)]
        return lines, readings

    # -- many lines at once: what `feed` would do with them, for whoever found them already -------------------

    @property
    def begun(self) -> bytes | None:
        """The beginning of a line that is not over; None within one that is too long."""
        return None if self._overflown else self._tail

    @property
    def shape(self) -> object:
        """What decides, beside its bytes, whether `alike` knows a line; None while nothing does."""
        return ()

    def alike(self, line: bytes) -> Item | None:
        """Return the reading of a line that leaves the `shape` as it is; None for another line, or no frame."""
        return self._parse(line) if len(line) <= LONGEST_LINE else None

    def took(self, count: int, last: bytes, begun: bytes) -> None:
        """So many lines that are alike were taken, the last of them this, and after them a line has begun."""
        self._tail = begun

    def finish(self) -> list[Item]:
        """Count an unterminated line as skipped; nothing is ever held back."""
        if self._tail.strip(BLANKS):
            self.skipped += len(self._tail)
        self._tail = b""
        self._overflown = False
        return []


class DisplayDecoder(LineDecoder[Reading]):
    """Lines of a display with a fixed number of decimals: one with fewer has lost digits, one with more was given some,
    and either is marked; so is one without the digit before the mark that all others have."""

    def __init__(self, parse: Callable[[bytes], Reading | None], decimal: str, settings: IndicatorSettings) -> None:
        super().__init__(parse)
        self._point = decimal.encode()
        self._needed = _needed(settings)
        self._length = 0
        self._shown = _Shown(0, False)
        self._alike = 0
        self._unit: LengthUnit | None = None
        self._other: _Shown | None = None
        self._leaves_out_zero = False

    def feed(self, data: bytes) -> list[Reading]:
        """Take the next bytes; return the readings of the lines they complete."""
        lines, readings = self._split(data)
        # Lines of one length have the same decimals, so the length decides whether there is anything to look at.
        length = self._length
        if self._other is None:
            for line in lines:
                if len(line) != length:
                    break
            else:
                self._alike += len(lines)
                return readings
        return [self._looked_at(line, reading) for line, reading in zip(lines, readings, strict=True)]

    @property
    def shape(self) -> object:
        """The decimals and the unit of the display; None while they are in doubt."""
        known = self._other is None and self._alike
        return (self._shown, self._unit, self._leaves_out_zero) if known else None

    def alike(self, line: bytes) -> Reading | None:
        """Return the reading of a line with the digits and the unit of those before it; None for another line."""
        reading = super().alike(line)
        same = reading is not None and reading.unit == self._unit and self._shown_by(line) == self._shown
        return reading if same else None

    def took(self, count: int, last: bytes, begun: bytes) -> None:
        """So many lines that are alike were taken, the last of them this, and after them a line has begun."""
        super().took(count, last, begun)
        self._alike += count
        self._length = len(last) if count else self._length

    def _looked_at(self, line: bytes, reading: Reading) -> Reading:
        """Mark a reading with other digits about its mark than all before it.

        An indicator shows a fixed number of decimals until its unit is switched, but a line that lost a byte, or was
        given one, may still be a number. One that leaves out zeros is believed from its second such line on.
        """
        shown = self._shown_by(line)
        if shown == self._shown:
            self._alike += 1
        elif reading.unit == self._unit and self._alike >= self._enough and shown != self._other:
            self._other = shown
            flag = CUT_SHORT if shown < self._shown else TOO_MANY_DIGITS
            return reading._replace(flags=(*reading.flags, flag))
        else:
            self._leaves_out_zero |= self._other == shown and shown.decimals == self._shown.decimals
            self._shown, self._alike = shown, 1
        self._length, self._unit, self._other = len(line), reading.unit, None
        return reading

    def _shown_by(self, line: bytes) -> _Shown:
        shown = _shown(line, self._point)
        return shown._replace(whole=self._shown.whole) if self._leaves_out_zero else shown

    @property
    def _enough(self) -> int:
        return _DECIMALS_OF_THE_STEP if self._shown.decimals == self._needed else _SAME_DECIMALS


def _needed(settings: IndicatorSettings) -> int:
    """Return how many decimals the display's step needs in the unit that the settings name."""
    unit_nm = NM_PER_UNIT[settings.unit]
    return next((count for count in range(9) if settings.resolution_nm * 10**count % unit_nm == 0), -1)


class _Shown(NamedTuple):
    """Which digits a line shows; one that lost some is the lesser."""

    decimals: int
    """How many stand after the last decimal mark."""
    whole: bool
    """Whether one stands before it: a display that leaves out a zero there does so from below one on."""


def _shown(line: bytes, point: bytes) -> _Shown:
    before, _, part = line.rpartition(point) if point in line else (line, b"", b"")
    return _Shown(len(part) - len(part.lstrip(b"0123456789")), before[-1:].isdigit())


class Fields(NamedTuple):
    """What stands on a line: the sign, the digits without their mark, how many follow it, and the unit if named."""

    negative: bool
    digits: bytes
    decimals: int
    unit: bytes | None


def line_fields(decimal: Literal[".", ","], unit: bytes) -> Callable[[bytes], Fields | None]:
    """Return the pure reading of one line (without its end): a name or none, a value, a unit or none.

    `unit` is a regular expression without groups for the units there are, whatever their capitals.
    """
    point = re.escape(decimal.encode())
    value = rb"(?P<sign>[+-][ \t]*)?" + _NUMBER % (point, point) + _UNIT % unit
    plain = re.compile(value, re.IGNORECASE).fullmatch
    named = re.compile(_NAMED + value, re.IGNORECASE).fullmatch
    numbered = re.compile(_NUMBERED + value, re.IGNORECASE).fullmatch

    def read(line: bytes) -> Fields | None:
        text = line.strip(BLANKS)
        match = plain(text)
        if match is None:
            if (match := numbered(text)) is not None:
                # With a decimal comma "1,2,3" is no channel 1 at 2.3: after such a comma a sign must follow.
                doubtful = decimal == "," and b"," in match["after"]
                if match["sign"] is None and (match["part"] is None or doubtful):
                    return None
            elif (match := named(text)) is not None:
                shown = match["sign"] or match["part"] is not None or match["unit"]
                if not shown and not match["after"].strip(b" \t,;"):
                    return None
            else:
                return None
        sign, whole, part, spelling = match.groups()[-4:]
        digits = (whole or b"") + (part or b"")
        return Fields(sign is not None and sign[0] == 0x2D, digits, len(part) if part else 0, spelling)

    return read


def line_parser(settings: LineSettings) -> Callable[[bytes], Reading | None]:
    """Return the pure parse of one line (without its end) under `settings`."""
    read = line_fields(settings.decimal, _LENGTH_UNIT)
    units = _units()
    own_unit: tuple[int, LengthUnit] = (NM_PER_UNIT[settings.unit], settings.unit)
    bare = settings.range is None and not settings.resolution

    def parse(line: bytes) -> Reading | None:
        fields = read(line)
        if fields is None:
            return None
        negative, digits, decimals, spelling = fields
        per_unit, unit = own_unit if spelling is None else units[spelling.lower()]
        value_nm = scaled_nm(int(digits), decimals, per_unit)
        if negative:
            value_nm = -value_nm
        return Reading(value_nm, unit, () if bare else doubts(settings, value_nm, unit))

    return parse


def _decoder(settings: LineSettings) -> DisplayDecoder:
    return DisplayDecoder(line_parser(settings), settings.decimal, settings)


DRIVER = IndicatorDriver(
    name="line",
    summary="text lines: optional name or channel, signed decimal, optional unit; ended by CR, LF or both",
    settings=LineSettings,
    decoder=_decoder,
)
