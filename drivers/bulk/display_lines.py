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


class DisplayLines:
    """What one decoder read so far."""

    def __init__(self, decoder: LineDecoder[Reading]) -> None:
        self._decoder = decoder
        self._shape: object = None
        self._shown: list[Reading] = []
        self._numbers: dict[bytes, int] = {}
        self._lines: list[bytes] = []
        """By the numbers of the readings: a line that reads so."""
        self._of_chunk = np.zeros(0, np.int64)
        """Which reading a remembered chunk is, where it is one line and nothing else."""
        self._known = KnownTexts()
        self._of_line = np.zeros(0, np.int64)

    def take(self, texts: list[bytes], remembered: int, which: NDArray[np.int64]) -> ManyReadings:
        """Take as many chunks as bring nothing but lines of the display as it is, none where it is in doubt.

        `which` says of each chunk which of `texts` it is; the first so many texts keep their numbers from call to call.
        """
        decoder = self._decoder
        if decoder.shape is None or decoder.begun is None:
            return self._taken(which[:0], which[:0])
        if decoder.shape != self._shape or len(self._numbers) > _REMEMBERED:
            self._shape, self._shown, self._numbers, self._lines = decoder.shape, [], {}, []
            self._of_chunk = self._of_line = np.zeros(0, np.int64)
        if not decoder.begun and (not len(which) or which.max() < remembered):
            found = self._whole_lines(texts, remembered, which)
            if found is not None:
                return found
        return self._joined(texts, which)

    def _taken(self, counts: NDArray[np.int64], which: NDArray[np.int64]) -> ManyReadings:
        return ManyReadings(counts, which, self._shown)

    def _reading(self, line: bytes) -> int:
        """Return the number of what a line reads as."""
        number = self._numbers.get(line)
        if number is None:
            reading = self._decoder.alike(line)
            number = self._numbers[line] = _NONE if reading is None else len(self._shown)
            if reading is not None:
                self._shown.append(reading)
                self._lines.append(line)
        return number

    def _whole_lines(self, texts: list[bytes], remembered: int, which: NDArray[np.int64]) -> ManyReadings | None:
        """Take chunks of which each is one line; None where one is not."""
        if len(self._of_chunk) < remembered:
            more = []
            for text in texts[len(self._of_chunk) : remembered]:
                lines = [line for line in text.splitlines() if line]
                whole = len(lines) == 1 and text[-1] in b"\r\n"
                more.append(self._reading(lines[0]) if whole else _NONE)
            self._of_chunk = np.append(self._of_chunk, np.array(more, np.int64))
        readings = self._of_chunk[which]
        if len(readings) and readings.min() < 0:
            return None
        if len(readings):
            self._decoder.took(len(readings), self._lines[readings[-1]], b"")
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

        numbers = self._known.numbers(words_of(padded), begins, ends - begins, told)
        if len(self._of_line) < len(self._known.texts):
            more = [self._reading(line) for line in self._known.texts[len(self._of_line) :]]
            self._of_line = np.append(self._of_line, np.array(more, np.int64))
        readings = np.where(numbers < 0, _NONE, self._of_line[numbers]) if len(self._of_line) else numbers
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
            decoder.took(count, self._lines[readings[count - 1]] if count else b"", tail)
        return self._taken(np.bincount(chunk_of[:count], minlength=chunks), readings[:count])
