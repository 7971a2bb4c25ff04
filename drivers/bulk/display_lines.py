"""Lines of a display decoded many chunks at once, to the state that a decoder fed one chunk after the other is left in.

Theory. What is on a line decides its reading, as long as the display keeps its decimals and its unit (`shape` of
`drivers.indicators.line`), and a display shows few texts: each is read once by the decoder itself and known by its
number from then on. Where every chunk is one whole line, that number is the chunk's; else the bytes are joined, and cut
at their line ends. Only as many chunks are taken as bring nothing else than such lines; the one after them is for the
decoder.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from drivers.bulk.known_texts import PADDING, KnownTexts, words_of
from drivers.indicators.line import LONGEST_LINE, LineDecoder
from drivers.reading import Reading

_CR, _LF = 0x0D, 0x0A
#: How many lines are remembered: far more than a display shows.
_REMEMBERED: Final = 1 << 16
#: A line that is none of a display, as a number of a reading.
_NONE: Final = -1


@dataclass(frozen=True, slots=True)
class ManyReadings:
    """The readings that some chunks complete, in order."""

    counts: NDArray[np.int64]
    """How many of them each chunk that was taken completes."""
    which: NDArray[np.int64]
    """Which of `shown` each reading is."""
    shown: list[Reading]


class ReadLines:
    """What the lines of a display of one shape read as, so far."""

    def __init__(self) -> None:
        self.shown: list[Reading] = []
        self.numbers: dict[bytes, int] = {}
        self.lines: list[bytes] = []
        """By the numbers of the readings: a line that reads so."""
        self.of_chunk = np.zeros(0, np.int64)
        """Which reading a remembered chunk is, where it is one line and nothing else."""
        self.known = KnownTexts()
        self.of_line = np.zeros(0, np.int64)


class DisplayLines:
    """What one decoder reads."""

    _read: ReadLines

    def __init__(self, decoder: LineDecoder[Reading], before: dict[object, ReadLines]) -> None:
        """`before` is, by the display's shape, what decoders of the same settings read of chunks numbered as these."""
        self._decoder = decoder
        self._shape: object = None
        self._before = before

    def take(self, texts: list[bytes], remembered: int, which: NDArray[np.int64]) -> ManyReadings:
        """Take as many chunks as bring nothing but lines of the display as it is, none where it is in doubt.

        `which` says of each chunk which of `texts` it is; the first so many texts keep their numbers from call to call.
        """
        decoder = self._decoder
        if decoder.shape is None or decoder.begun is None:
            return ManyReadings(which[:0], which[:0], [])
        if decoder.shape != self._shape or len(self._read.numbers) > _REMEMBERED:
            self._shape, read = decoder.shape, self._before.get(decoder.shape)
            if read is None or len(read.numbers) > _REMEMBERED:
                read = self._before[decoder.shape] = ReadLines()
            self._read = read
        if not decoder.begun and (not len(which) or which.max() < remembered):
            found = self._whole_lines(texts, remembered, which)
            if found is not None:
                return found
        return self._joined(texts, which)

    def _taken(self, counts: NDArray[np.int64], which: NDArray[np.int64]) -> ManyReadings:
        return ManyReadings(counts, which, self._read.shown)

    def _reading(self, line: bytes) -> int:
        """Return the number of what a line reads as."""
        read = self._read
        number = read.numbers.get(line)
        if number is None:
            reading = self._decoder.alike(line)
            number = read.numbers[line] = _NONE if reading is None else len(read.shown)
            if reading is not None:
                read.shown.append(reading)
                read.lines.append(line)
        return number

    def _whole_lines(self, texts: list[bytes], remembered: int, which: NDArray[np.int64]) -> ManyReadings | None:
        """Take chunks of which each is one line; None where one is not."""
        read = self._read
        if len(read.of_chunk) < remembered:
            more = []
            for text in texts[len(read.of_chunk) : remembered]:
                lines = [line for line in text.splitlines() if line]
                whole = len(lines) == 1 and text[-1] in b"\r\n"
                more.append(self._reading(lines[0]) if whole else _NONE)
            read.of_chunk = np.append(read.of_chunk, np.array(more, np.int64))
        readings = read.of_chunk[which]
        if len(readings) and readings.min() < 0:
            return None
        if len(readings):
            self._decoder.took(len(readings), read.lines[readings[-1]], b"")
        return self._taken(np.ones_like(readings), readings)

    def _joined(self, texts: list[bytes], which: NDArray[np.int64]) -> ManyReadings:
        """Take chunks that are cut anywhere."""
        decoder = self._decoder
        begun = decoder.begun or b""
        sent = [texts[number] for number in which.tolist()]
        stream = b"".join((begun, *sent))
        chunk_ends = len(begun) + np.cumsum(np.fromiter(map(len, sent), np.int64, len(sent)))
        padded = stream + bytes(PADDING)
        octets = np.frombuffer(stream, np.uint8)
        ends = np.flatnonzero((octets == _CR) | (octets == _LF))
        begins = np.concatenate(([0], ends[:-1] + 1)) if len(ends) else ends
        full = begins < ends
        begins, ends = begins[full], ends[full]

        def told(at: int) -> bytes:
            return stream[begins[at] : ends[at]]

        read = self._read
        numbers = read.known.numbers(words_of(padded), begins, ends - begins, told)
        if len(read.of_line) < len(read.known.texts):
            more = [self._reading(line) for line in read.known.texts[len(read.of_line) :]]
            read.of_line = np.append(read.of_line, np.array(more, np.int64))
        readings = np.where(numbers < 0, _NONE, read.of_line[numbers]) if len(read.of_line) else numbers
        for at in np.flatnonzero(numbers < 0).tolist():
            readings[at] = self._reading(told(at))
        chunk_of = np.searchsorted(chunk_ends, ends, "right")
        wrong = np.flatnonzero(readings < 0)
        chunks = int(chunk_of[wrong[0]]) if len(wrong) else len(sent)
        count = int(np.searchsorted(chunk_of, chunks))
        over = int(chunk_ends[chunks - 1]) if chunks else 0
        tail = stream[max(stream.rfind(b"\r", 0, over), stream.rfind(b"\n", 0, over)) + 1 : over]
        if len(tail) > LONGEST_LINE:
            return self._taken(readings[:0], readings[:0])
        if chunks:
            decoder.took(count, read.lines[readings[count - 1]] if count else b"", tail)
        return self._taken(np.bincount(chunk_of[:count], minlength=chunks), readings[:count])
