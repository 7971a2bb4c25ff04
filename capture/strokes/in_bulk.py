"""The stroke finder for whoever has hours of readings there already: the same strokes, many readings at once.

Theory. Nearly all readings decide nothing: they lie in the band of rest, or where a hold or a return is awaited
(`StrokeFinder._quiet`). What such readings leave behind is a longer list, a time and the usual time between two, so a
stretch of them is taken whole; it ends before the first that lies outside, before rest is worked out anew, before a
silence that may be a break, and before anything that a clock decides. Whatever comes there is taken as it is live, and
so is all that departs from rest. What is known after a stretch is what it would be had every chunk been fed by itself.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from capture.strokes.finder import AIR_WITHIN_NS, StrokeFinder
from capture.strokes.pace import FASTEST_GAP_NS, SLOW_STREAM_NS, evenly
from capture.strokes.rest import NEVER
from capture.strokes.stroke import Stroke
from drivers.reading import LengthUnit, Reading

#: How many readings of a hold are looked at in one go.
_AT_ONCE: Final = 1024
#: How many chunks that decide something are looked up in one go.
_AT_ONCE_LOUD: Final = 16
#: How much each of so many spans, oldest first, is of what is typical after the last, and how much what was typical
#: before them; after as many more it is known exactly, in all but one of hundreds.
_WEIGHTS: Final = 0.125 * 0.875 ** np.arange(127.0, -1.0, -1.0)
_OLDER: Final = 0.875**128
_NEWEST: Final = 64


@dataclass(frozen=True, slots=True)
class ManyChunks:
    """Readings in the order they came. A chunk without any is not among these."""

    times_ns: NDArray[np.int64]
    """When each chunk arrived."""
    counts: NDArray[np.int64]
    """How many readings each completed."""
    which: NDArray[np.int64]
    """Which of `shown` each reading is."""
    shown: list[Reading]


class FinderInBulk(StrokeFinder):
    """Finds the strokes of many chunks at once; chunks fed one by one may come between."""

    def feed_many(self, chunks: ManyChunks) -> Iterator[list[Stroke]]:
        """Take chunks in order of arrival, as `feed` would one after the other; yield the strokes they complete, while
        nothing behind the chunk that did is known yet."""
        stretches = _Stretches(chunks, self._pace.last_ns)
        at, count = 0, len(chunks.times_ns)
        while at < count:
            at += self._take_quiet(stretches, at)
            for t_ns, readings in stretches.chunks(at, at + _AT_ONCE_LOUD):
                found = self.feed(t_ns, readings)
                at += 1
                if found:
                    yield found
                if self._quiet()[0] is not NEVER:
                    break

    def _take_quiet(self, stretches: _Stretches, at: int) -> int:
        """Take whole, from this chunk on, what decides nothing; return how many chunks."""
        low, high, until_ns, resting = self._quiet()
        pace, rest, stroke = self._pace, self._rest, self._stroke
        if low is NEVER or pace.only_changes:
            return 0
        values, plain = stretches.values_in(self._unit)
        first = stretches.first_of(at)
        if not low <= values[first] <= high:
            return 0
        end = stretches.before_a_silence(at)
        if resting:
            quick = pace.chunk_ns <= SLOW_STREAM_NS and stretches.longest_ns(at, end) <= SLOW_STREAM_NS
            most = max(0, rest.room(quick))
            if self._air_unseen:
                end = stretches.arrived_before(self._air_ns + AIR_WITHIN_NS + 1, end)
        else:
            most = _AT_ONCE
        end = min(end, stretches.chunk_of(first + most))
        if not resting:
            end = stretches.arrived_before(until_ns, end)
        if end <= at:
            return 0
        over = stretches.first_of(end)
        shown = values[first:over]
        quiet = (shown >= low) & (shown <= high)
        if plain is not None:
            quiet &= plain[first:over]
        loud = int(quiet.argmin())
        if not quiet[loud]:
            end = stretches.chunk_of(first + loud)
            if end <= at:
                return 0
            shown = shown[: stretches.first_of(end) - first]
        last_ns = int(stretches.times_ns[end - 1])
        if resting:
            rest.readings += shown.tolist()
            rest.time_ns = last_ns
            stroke.after_gap = False
        else:
            stroke.times += stretches.reading_times(at, end).tolist()
            stroke.values += shown.tolist()
        self._pass(stretches, at, end)
        return end - at

    def _pass(self, stretches: _Stretches, at: int, end: int) -> None:
        """Let the time pass in which these chunks came.

        Their typical spacing is x' = (7 x + s) / 8, rounded down, for each next span s: hundreds of spans ago
        it makes no difference any more. Without the rounding it is a sum, and the rounding takes no more than 8 from
        it, so that it lies between two limits; and those meet, since the step rises with x.
        """
        pace = self._pace
        spans_ns, (least, most), counts = stretches.spans(at, end, pace.chunk_ns)
        last_ns = int(stretches.times_ns[end - 1])
        if counts is None and len(spans_ns) >= len(_WEIGHTS) + _NEWEST and evenly(pace.chunk_ns, least, most):
            before = float(_WEIGHTS @ spans_ns[-len(_WEIGHTS) - _NEWEST : -_NEWEST])
            low, high = (
                int(before + _OLDER * end_ns) for end_ns in (min(pace.chunk_ns, least), max(pace.chunk_ns, most))
            )
            if pace.arrived_between(low - 10, high + 2, spans_ns[-_NEWEST:].tolist(), last_ns):
                return
        pace.arrived_evenly(spans_ns.tolist(), (least, most), counts, last_ns)


class _Stretches:
    """Where in many chunks a stretch can end. Places are those of chunks, from 0."""

    _values: NDArray[np.int64]
    _plain: NDArray[np.bool_] | None

    def __init__(self, chunks: ManyChunks, last_ns: int | None) -> None:
        self.times_ns, self.which, self.shown = chunks.times_ns, chunks.which, chunks.shown
        self._counts = chunks.counts
        self._ones = len(chunks.which) == len(chunks.counts)
        self.begins = np.arange(len(chunks.which) + 1) if self._ones else np.append(0, np.cumsum(chunks.counts))
        """At which reading each chunk begins, and where the last ends."""
        before = np.concatenate(([chunks.times_ns[0] if last_ns is None else last_ns], chunks.times_ns[:-1]))
        self._spans_ns = chunks.times_ns - before
        self._ends_ns = int(self._spans_ns.min()), int(self._spans_ns.max())
        self._unit: LengthUnit | None = None
        self._silences: list[int] = np.flatnonzero(self._spans_ns > FASTEST_GAP_NS).tolist()

    def values_in(self, unit: LengthUnit | None) -> tuple[NDArray[np.int64], NDArray[np.bool_] | None]:
        """Return what each reading shows, nm, and whether nothing is doubtful about it on a display in this unit; None
        where that is so of all."""
        if self._unit != unit:
            self._unit = unit
            self._values = np.array([reading.value_nm for reading in self.shown], np.int64)[self.which]
            plain = np.array([reading.unit == unit and not reading.flags for reading in self.shown], np.bool_)
            self._plain = None if plain.all() else plain[self.which]
        return self._values, self._plain

    def chunks(self, at: int, end: int) -> Iterator[tuple[int, list[Reading]]]:
        """Yield when each of these chunks arrived, and its readings."""
        times_ns, shown = self.times_ns[at:end].tolist(), self.shown
        if self._ones:
            for t_ns, number in zip(times_ns, self.which[at:end].tolist(), strict=True):
                yield t_ns, [shown[number]]
            return
        for t_ns, (begin, over) in zip(times_ns, pairwise(self.begins[at : end + 1].tolist()), strict=True):
            yield t_ns, [shown[number] for number in self.which[begin:over].tolist()]

    def before_a_silence(self, at: int) -> int:
        place = bisect_left(self._silences, at)
        return self._silences[place] if place < len(self._silences) else len(self.times_ns)

    def longest_ns(self, at: int, end: int) -> int:
        """Return the longest time between two of these chunks, as far as a stretch of rest can go, or of all."""
        if self._ends_ns[1] <= SLOW_STREAM_NS:
            return self._ends_ns[1]
        return int(self._spans_ns[at : min(end, at + 2 * _AT_ONCE)].max(initial=0))

    def arrived_before(self, t_ns: int, end: int) -> int:
        """Return before which chunk all have arrived before that time, this one at the furthest."""
        return end if self.times_ns[end - 1] < t_ns else int(self.times_ns[:end].searchsorted(t_ns))

    def first_of(self, chunk: int) -> int:
        """Return the first reading of this chunk, or the one behind the last."""
        return chunk if self._ones else int(self.begins[chunk])

    def chunk_of(self, reading: int) -> int:
        """Return which chunk this reading is of, or that behind the last."""
        return min(reading, len(self.times_ns)) if self._ones else int(self.begins.searchsorted(reading, "right")) - 1

    def spans(self, at: int, end: int, typical_ns: int) -> tuple[NDArray[np.int64], tuple[int, int], list[int] | None]:
        """Return how long these chunks were in coming, between which two that lies, and how many readings each has,
        None for one each."""
        spans_ns = self._spans_ns[at:end]
        least, most = self._ends_ns
        if not evenly(typical_ns, least, most):
            least, most = int(spans_ns.min()), int(spans_ns.max())
        return spans_ns, (least, most), None if self._ones else self._counts[at:end].tolist()

    def reading_times(self, at: int, end: int) -> NDArray[np.int64]:
        """Return the time of each reading of these chunks: spread evenly over how long its chunk was in coming."""
        if self._ones:
            return self.times_ns[at:end]
        counts, begins = self._counts[at:end], self.begins[at:end]
        number = np.arange(begins[0], begins[0] + counts.sum()) - np.repeat(begins, counts) + 1
        spans = np.repeat(self._spans_ns[at:end], counts)
        starts: NDArray[np.int64] = np.repeat(self.times_ns[at:end], counts) - spans
        spread: NDArray[np.int64] = starts + spans * number // np.repeat(counts, counts)
        return spread
