"""A recording read a block at a time, for whoever measures hours of it: the same lines as one by one, many at once.

Theory. A writer writes every line of a stream alike, `{"ns":N,"indicator":"TEXT"}`, and an indicator shows few texts.
Such lines are found in a block with NumPy: the digits of all times are read at once, and a text that was seen before is
known by its number (`KnownTexts`). The first line with a text, and every line that looks otherwise, is read by what
reads one by one, so that nothing is accepted here that is refused there, and whatever is refused is refused in the same
words. Memory is that of one block.
"""

from __future__ import annotations

import re
from collections.abc import Generator, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import BinaryIO, Final

import numpy as np
from numpy.typing import NDArray

from capture.recordings.file import LineReader, MalformedError, RecordedLine
from drivers.bulk.display_lines import ReadLines
from drivers.bulk.known_texts import PADDING, REMEMBERED, KnownTexts, words_of
from drivers.indicators.protocol import IndicatorDriver, IndicatorSettings

_BLOCK_BYTES: Final = 1 << 19
#: Before a block: the digits of a time are loaded from up to so many bytes before their end.
_FRONT: Final = 24
#: Behind it: of a line that is none, what would be its parts is looked for beyond its end.
_BEHIND: Final = PADDING
#: Of one in so many lines the digits are counted: only between two where that differs of all.
_SOME: Final = 64
_NEWLINE: Final = 0x0A
#: How writers of JSON put the keys of a line, with blanks or without: what stands before the time, and before the text.
_FORMS: Final = tuple((f'{{"ns":{blank}'.encode(), f',{blank}"indicator":{blank}"'.encode()) for blank in ("", " "))
#: A text of plain characters and line ends, as JSON.
_PLAIN: Final = re.compile(rb"(?:[ !#-\[\]-~]|\\[rn])*")
#: Each display's table is a megabyte or two; a bench has a few.
_MOST_DISPLAYS: Final = 16
#: The digits of a time that surely fits into 64 bits.
_MOST_DIGITS: Final = 18

_ZEROS, _HIGH, _SIX = np.uint64(0x3030303030303030), np.uint64(0xF0F0F0F0F0F0F0F0), np.uint64(0x0606060606060606)
_BYTE = np.uint64(0xFF)
_PAIRS, _FOURS = np.uint64(0x00FF00FF00FF00FF), np.uint64(0x0000FFFF0000FFFF)
#: What of a word belongs to its last so many bytes.
_LAST = np.array([((1 << 64) - 1) >> 8 * (8 - size) << 8 * (8 - size) for size in range(9)], np.uint64)
_LAST[0] = 0


@dataclass(frozen=True, slots=True)
class Block:
    """Some lines of a recording, in order."""

    times_ns: NDArray[np.int64]
    which: NDArray[np.int64]
    """Which of `texts` the indicator sent with each line, -1 for another line."""
    texts: list[bytes]
    remembered: int
    """How many of `texts` have the same number in every block that follows."""
    others: list[tuple[int, RecordedLine]]
    """The lines that are not the indicator's, and at which place."""


class SentTexts:
    """What was sent, and read, in each text that was met before, in one recording after another: a shop's displays show
    the same few thousand texts in all of them. No recording's lines depend on what stood in another."""

    def __init__(self) -> None:
        self.known = KnownTexts()
        self.sent: list[bytes] = []
        """What was sent in each known text."""
        self.wrong: list[int] = []
        """The known texts that are none of JSON."""
        self._lines: dict[object, dict[object, ReadLines]] = {}
        self._buffers: dict[int, bytearray] = {}

    @property
    def crowded(self) -> bool:
        """Whether so many are known, or of so many displays, that another recording should begin anew."""
        tables = [self.known, *(read.known for shapes in self._lines.values() for read in shapes.values())]
        return len(tables) > _MOST_DISPLAYS or max(len(known.texts) for known in tables) > REMEMBERED // 2

    @contextmanager
    def buffer(self) -> Iterator[bytearray]:
        """Give what a recording's bytes are read into: that of one before, since the system gives new memory page by
        page, which takes as long as parsing it."""
        size = _FRONT + 2 * _BLOCK_BYTES + _BEHIND
        buffer = self._buffers.pop(size, None) or bytearray(size)
        yield buffer
        self._buffers[size] = buffer

    def read_by(self, driver: IndicatorDriver, settings: IndicatorSettings) -> dict[object, ReadLines]:
        """Return what a display's lines were read as by such a driver, by the display's shape."""
        return self._lines.setdefault((driver.name, str(settings.model_dump())), {})


def blocks_of(file: BinaryIO, reader: LineReader, texts: SentTexts) -> Generator[Block, None, None]:
    """Yield the lines of a recording that was begun to be read, block by block, and close it.

    Raises RecordingError and warns as `lines_of` does; what stands before a malformed line is yielded first.
    """
    return _Blocks(reader, texts).read(file)


def _decimal(word: NDArray[np.uint64]) -> NDArray[np.int64]:
    """Return the number that eight digits are, each a byte of 0 to 9, the first in the lowest byte."""
    pairs = (word * np.uint64(2561)) >> np.uint64(8) & _PAIRS
    fours = (pairs * np.uint64(6553601)) >> np.uint64(16) & _FOURS
    return ((fours * np.uint64(42949672960001)) >> np.uint64(32)).astype(np.int64)


def _digits(words: NDArray[np.uint64], begins: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return how many digits stand from each of these places on; of more than 24, something that is no such number."""
    value = [words[begins + 8 * word] ^ _ZEROS for word in range(3)]
    first, second, third = ((one + _SIX | one) & _HIGH for one in value)
    rest = np.where(second != 0, 8 + _before(second), 16 + _before(third))
    return np.where(first != 0, _before(first), rest)


def _digits_throughout(words: NDArray[np.uint64], begins: NDArray[np.int64]) -> NDArray[np.int64] | int:
    """Return the same for the times of many lines, one number where it is that of all.

    Times never decrease, so that all between two have as many digits where those have equally many. A line of which
    that is not so is then none of the usual form.
    """
    places = np.append(np.arange(0, len(begins) - 1, _SOME), len(begins) - 1)
    some = _digits(words, begins[places])
    if some[0] == some[-1]:
        return int(some[0])
    digits = np.append(np.repeat(some[:-1], np.diff(places)), some[-1])
    for at in np.flatnonzero(some[1:] != some[:-1]).tolist():
        here = slice(places[at], places[at + 1])
        digits[here] = _digits(words, begins[here])
    return digits


def _before(marks: NDArray[np.uint64]) -> NDArray[np.int64]:
    """Return how many bytes of a word come before the first that is not zero, where there is one."""
    lowest = marks & (~marks + np.uint64(1))
    # A power of two is a float exactly: its exponent is the place of the bit.
    return ((lowest.astype(np.float64).view(np.int64) >> 52) - 1023) >> 3


def _raw(buffer: bytearray, begin: int, end: int, over: int) -> bytes:
    """Return a line with its end, where it has one before the buffer's."""
    return bytes(buffer[begin : min(end + 1, over)])


class _Blocks:
    """What is remembered from block to block."""

    def __init__(self, reader: LineReader, texts: SentTexts) -> None:
        self._reader, self._texts = reader, texts
        self._known, self._sent, self._wrong = texts.known, texts.sent, texts.wrong

    def read(self, file: BinaryIO) -> Generator[Block, None, None]:
        begun = 0
        with file, self._texts.buffer() as buffer:
            while True:
                if begun > _BLOCK_BYTES:  # a line that is longer than a block
                    buffer = buffer[: _FRONT + begun] + bytearray(begun + _BLOCK_BYTES + _BEHIND)
                at = _FRONT + begun
                with memoryview(buffer) as view, view[at : at + _BLOCK_BYTES] as free:
                    filled = at + self._reader.fill(file, free)
                over = buffer.rfind(b"\n", _FRONT, filled) + 1 if filled > at else filled
                if over > _FRONT and not (yield from self._block(buffer, over)):
                    return
                if filled == at:
                    return
                over = max(over, _FRONT)
                begun = filled - over
                buffer[_FRONT : _FRONT + begun] = buffer[over:filled]

    def _block(self, buffer: bytearray, over: int) -> Generator[Block, None, bool]:
        """Yield the lines in a buffer up to here, of which only the last can be without its end; return whether more
        may follow.

        Raises RecordingError.
        """
        octets = np.frombuffer(buffer, np.uint8)
        ends = np.flatnonzero(octets[_FRONT:over] == _NEWLINE) + _FRONT
        if buffer[over - 1] != _NEWLINE:
            ends = np.append(ends, over)
        begins = np.append(_FRONT, ends[:-1] + 1)
        times, which, texts_at, texts_size = self._alike(buffer, begins, ends)
        extra: list[bytes] = []
        others: list[tuple[int, RecordedLine]] = []
        sound = len(ends)
        for at in np.flatnonzero(which < 0).tolist():
            if texts_size[at] >= 0 and _PLAIN.fullmatch(buffer, texts_at[at], texts_at[at] + texts_size[at]):
                text = bytes(buffer[texts_at[at] : texts_at[at] + texts_size[at]])
                data = text.replace(b"\\r", b"\r").replace(b"\\n", b"\n")
            else:
                try:
                    line = self._reader.line(_raw(buffer, begins[at], ends[at], over))
                except MalformedError:
                    sound = at
                    break
                times[at] = line.t_ns
                if line.source != "indicator":
                    others.append((at, line))
                    continue
                data = line.data
            which[at] = len(self._sent) + len(extra)
            extra.append(data)
        before = np.concatenate(([self._reader.last_ns], times[: max(0, sound - 1)]))[:sound]
        backwards = np.flatnonzero(times[:sound] < before)
        if len(backwards):
            sound = int(backwards[0])
            others = [(at, line) for at, line in others if at < sound]
        if sound:
            yield Block(times[:sound], which[:sound], [*self._sent, *extra], len(self._sent), others)
            self._reader.passed(sound, int(times[sound - 1]))
        # The line after those is read by itself, for what is wrong with it.
        return sound == len(ends) or self._reader.next(_raw(buffer, begins[sound], ends[sound], over)) is not None

    def _alike(
        self, buffer: bytearray, begins: NDArray[np.int64], ends: NDArray[np.int64]
    ) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
        """Return the time of each line of the usual form, which known text it has, and where that is and how long.

        Of any other line, and of one whose text is not known, which is -1, and of the former the size is -1 too.
        """
        words = words_of(buffer)
        head, middle = next((form for form in reversed(_FORMS) if buffer.startswith(form[0], _FRONT)), _FORMS[0])
        lengths, same = ends - begins, False
        digits = _digits_throughout(words, begins + len(head))
        if isinstance(digits, int):
            same = bool((lengths == lengths[0]).all())

        def load(place: NDArray[np.int64] | int) -> NDArray[np.uint64]:
            """Return the eight bytes from this place of every line on."""
            if same:  # the lines are as far apart as they are long
                return np.ndarray((len(begins),), "<u8", buffer, _FRONT + int(place), (int(lengths[0]) + 1,))
            found: NDArray[np.uint64] = words[begins + place]
            return found

        usual = load(0) & np.uint64((1 << 8 * len(head)) - 1) == int.from_bytes(head, "little")
        usual &= (digits > 0) & (digits <= _MOST_DIGITS) & ((load(len(head)) & _BYTE != ord("0")) | (digits == 1))
        digits = np.clip(digits, 1, _MOST_DIGITS)
        end = len(head) + digits
        times = np.zeros(len(begins), np.int64)
        for word in range(int(digits.max() + 7) // 8):
            value = (load(end - 8 * (word + 1)) ^ _ZEROS) & _LAST[np.clip(digits - 8 * word, 0, 8)]
            usual &= (value + _SIX | value) & _HIGH == 0
            times += _decimal(value) * 10 ** (8 * word)
        text = end + len(middle)
        sizes = lengths - 2 - text
        usual &= sizes >= 0
        usual &= load(end) == int.from_bytes(middle[:8], "little")
        usual &= load(text - 8) == int.from_bytes(middle[-8:], "little")
        last = load(int(lengths[0]) - 8) if same else words[ends - 8]
        usual &= last >> np.uint64(48) == int.from_bytes(b'"}', "little")
        which = np.full(len(begins), -1, np.int64)
        texts = begins + text
        rows = slice(None) if usual.all() else np.flatnonzero(usual)
        which[rows] = self._numbers(buffer, words, texts[rows], sizes[rows])
        return times, which, texts, np.where(usual, sizes, -1)

    def _numbers(
        self, buffer: bytearray, words: NDArray[np.uint64], begins: NDArray[np.int64], sizes: NDArray[np.int64]
    ) -> NDArray[np.int64]:
        def told(at: int) -> bytes:
            return bytes(buffer[begins[at] : begins[at] + sizes[at]])

        numbers = self._known.numbers(words, begins, sizes, told)
        for text in self._known.texts[len(self._sent) :]:
            try:
                self._sent.append(self._reader.line(b'{"ns":0,"indicator":"' + text + b'"}').data)
            except MalformedError:
                self._wrong.append(len(self._sent))
                self._sent.append(b"")
        return np.where(np.isin(numbers, self._wrong), -1, numbers) if self._wrong else numbers
