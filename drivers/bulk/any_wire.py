"""Chunks of any wire form decoded, to be taken many at once: those that are one whole frame each by their numbers, as
long as frames stand alone, all others one by one.

Theory. A display shows few values, so that few chunks differ: what each reads as is worked out once. A run of whole
frames is taken at once, to the state that a decoder fed one after the other is left in. Where it is in doubt whether a
frame is one after the frame before, the decoder decides.
"""

from __future__ import annotations

from bisect import bisect_left
from typing import Final

import numpy as np
from numpy.typing import NDArray

from drivers.bulk.display_lines import ManyReadings
from drivers.indicators.protocol import Decoder, FrameDecoder
from drivers.reading import Reading

#: How many different readings are remembered.
_REMEMBERED: Final = 1 << 16
#: A chunk that is no whole frame, as a number of a reading.
_NONE: Final = -1


class AnyWire:
    """What one decoder read so far."""

    def __init__(self, decoder: Decoder) -> None:
        self._decoder = decoder
        self._frames = decoder if isinstance(decoder, FrameDecoder) else None
        self._shown: list[Reading] = []
        self._numbers: dict[Reading, int] = {}
        self._of_chunk = np.zeros(0, np.int64)
        """Which reading a remembered chunk is, where it is one frame and nothing else."""

    def take(self, texts: list[bytes], remembered: int, which: NDArray[np.int64]) -> ManyReadings:
        """Take all chunks; `which` says of each which of `texts` it is, of which the first so many keep their numbers
        from call to call."""
        if len(self._shown) > _REMEMBERED:
            self._shown, self._numbers = [], {}
            self._of_chunk = np.zeros(0, np.int64)
        readings, stops = self._whole_frames(texts, remembered, which)
        counts, found = np.ones(len(which), np.int64), [np.zeros(0, np.int64)]
        at = 0
        while at < len(which):
            end = self._run(readings, stops, at)
            if self._frames is not None and end > at:
                self._frames.took(end - at, self._shown[readings[end - 1]], texts[which[end - 1]])
                found.append(readings[at:end])
                at = end
                continue
            some = [self._number(reading) for reading in self._decoder.feed(texts[which[at]])]
            counts[at] = len(some)
            found.append(np.array(some, np.int64))
            at += 1
        return ManyReadings(counts, np.concatenate(found), self._shown)

    def _number(self, reading: Reading) -> int:
        number = self._numbers.setdefault(reading, len(self._shown))
        if number == len(self._shown):
            self._shown.append(reading)
        return number

    def _whole_frames(
        self, texts: list[bytes], remembered: int, which: NDArray[np.int64]
    ) -> tuple[NDArray[np.int64], list[int]]:
        """Return which reading each chunk is, and before which chunks a run of whole frames ends: those that are none,
        and those in doubt after the one before."""
        if self._frames is None:
            return np.full(len(which), _NONE), list(range(len(which)))
        more = [self._frames.whole(text) for text in texts[len(self._of_chunk) : remembered]]
        numbers = [_NONE if reading is None else self._number(reading) for reading in more]
        self._of_chunk = np.append(self._of_chunk, np.array(numbers, np.int64))
        readings = np.append(self._of_chunk, _NONE)[np.minimum(which, len(self._of_chunk))]
        stops = readings < 0
        if (farthest_nm := self._frames.farthest_nm) is not None and self._shown:
            values = np.array([reading.value_nm for reading in self._shown])[readings]
            in_mm = np.array([reading.unit == "mm" for reading in self._shown])[readings]
            stops[1:] |= (abs(values[1:] - values[:-1]) > farthest_nm) | (in_mm[1:] != in_mm[:-1]) | stops[:-1]
        return readings, np.flatnonzero(stops).tolist()

    def _run(self, readings: NDArray[np.int64], stops: list[int], at: int) -> int:
        """Return before which chunk the run of whole frames ends that begins with this one."""
        frames, number = self._frames, int(readings[at])
        if frames is None or number < 0 or not frames.holds_nothing or not frames.goes_on(self._shown[number]):
            return at
        place = bisect_left(stops, at + 1)
        return stops[place] if place < len(stops) else len(readings)
