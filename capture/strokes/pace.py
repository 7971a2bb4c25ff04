"""How quickly readings come: the usual time between two, when a silence is a break, and when it says nothing moved.

Times are integer nanoseconds since the recording began. What the readings say is for others.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise, repeat

from drivers.reading import Reading

#: A stream slower than this has its rest level worked out anew more often, or drift would outrun it.
SLOW_STREAM_NS = 20_000_000
#: A quicker stream has readings to spare: it is judged by the median of many.
_QUICK_STREAM_NS = 2_500_000
#: A stream this quick shows a release as more than one step.
_SHOWS_A_FALL_NS = 12_000_000
#: No silence shorter than this is ever a break.
FASTEST_GAP_NS, _GAP_PERIODS = 400_000_000, 6
#: A stream that sends only changes: how long it is silent before that is filled in, from how many changes on that
#: is sure enough not to wait for what would be a gap, and how closely and how far it is filled in.
_QUIET_NS, _SURE_CHANGES = 100_000_000, 16
_FILLED_EVERY_NS, _MOST_FILLED = 50_000_000, 256
#: The typical number of readings in a chunk is kept in such fractions of one.
_FINE = 256


class Pace:
    """The usual time between two chunks of readings, and between two readings, as they arrive."""

    __slots__ = ("_changes", "_newest", "_readings", "chunk_ns", "last_ns", "only_changes", "reading_ns")

    def __init__(self) -> None:
        self.chunk_ns = 0
        """The typical time between two chunks, 0 while it is unknown."""
        self.reading_ns = 0
        """The same for one reading: a chunk may bring several."""
        self._readings = 0
        self.last_ns: int | None = None
        self.only_changes = True
        """Whether no value has come twice in a row yet."""
        self._changes = 0
        self._newest: Reading | None = None

    @property
    def is_quick(self) -> bool:
        """Whether one reading more or less is nothing, and the median of many the better judge."""
        return 0 < self.reading_ns < _QUICK_STREAM_NS

    @property
    def is_slow(self) -> bool:
        """Whether every reading counts; so too while the pace is unknown."""
        return self.reading_ns == 0 or self.reading_ns >= SLOW_STREAM_NS

    @property
    def comes_slowly(self) -> bool:
        """Whether chunks come so seldom that a drift could outrun what is worked out now and then."""
        return self.chunk_ns > SLOW_STREAM_NS

    @property
    def shows_a_fall(self) -> bool:
        """Whether a release must show as more than one step."""
        return self.chunk_ns <= _SHOWS_A_FALL_NS

    def _gap_ns(self) -> int:
        return max(FASTEST_GAP_NS, _GAP_PERIODS * self.chunk_ns)

    def arrived(self, t_ns: int, count: int) -> int | None:
        """Take the arrival of a chunk of `count` readings; return how long it was in coming, None after a break."""
        if self.last_ns is None:
            return 0
        span = t_ns - self.last_ns
        if span > FASTEST_GAP_NS and self.chunk_ns and span > self._gap_ns():
            return None
        if span > 0:
            # A slow-moving typical chunk interval: one long pause must not stretch it much.
            typical = self.chunk_ns or span
            self.chunk_ns = typical + (min(span, 3 * typical) - typical) // 8
            # Both slowly: a buffer that is read a moment too soon brings one reading now and the rest at once.
            self._readings += (count * _FINE - self._readings) // 8 if self._readings else count * _FINE
            self.reading_ns = self.chunk_ns * _FINE // self._readings
        return span

    def arrived_evenly(
        self, spans_ns: Sequence[int], ends_ns: tuple[int, int], counts: Sequence[int] | None, last_ns: int
    ) -> None:
        """Take many chunks as `arrived` would take each, the last at `last_ns`; none of them comes after a break.

        They came so long after one another, the least and the most being `ends_ns`, the first after the newest that was
        taken, and of so many readings each, of one where None says so.
        """
        chunk_ns, readings = self.chunk_ns, self._readings
        least, most = ends_ns
        if evenly(chunk_ns, least, most):
            for span in spans_ns:
                chunk_ns = (7 * chunk_ns + span) >> 3
        else:
            for span in spans_ns:
                if span > 0:
                    typical = chunk_ns or span
                    chunk_ns = typical + (min(span, 3 * typical) - typical) // 8
        if counts is not None or readings != _FINE:
            for span, count in zip(spans_ns, counts or repeat(1), strict=False):
                if span > 0:
                    readings += (count * _FINE - readings) // 8 if readings else count * _FINE
        self.chunk_ns, self._readings, self.last_ns = chunk_ns, readings, last_ns
        if readings:
            self.reading_ns = chunk_ns * _FINE // readings

    def arrived_between(self, low_ns: int, high_ns: int, spans_ns: Sequence[int], last_ns: int) -> bool:
        """Take chunks of one reading each as `arrived` would, evenly as they came, of which these are the newest spans;
        before them the typical time lay between these two. Return whether that tells what it is now: else nothing is
        taken."""
        if self._readings != _FINE:
            return False
        for span in spans_ns:
            low_ns, high_ns = (7 * low_ns + span) >> 3, (7 * high_ns + span) >> 3
        if low_ns != high_ns:
            return False
        self.chunk_ns = self.reading_ns = low_ns
        self.last_ns = last_ns
        return True

    def silence(self, t_ns: int, readings: Sequence[Reading]) -> tuple[int, Sequence[int]]:
        """Return the value that stood in the silence before these readings, nm, and the times to fill it in at.

        Some indicators send a value only when it changes; then silence says that it stood still. So it is for as long
        as no value has come twice in a row: any other stream repeats itself almost at once, and from then on its
        silences are gaps.
        """
        previous, self._newest = self._newest, readings[-1]
        if previous is None or self.last_ns is None:
            return 0, ()
        self._changes += len(readings)
        if any(after[:2] == before[:2] for before, after in pairwise([previous, *readings])):
            self.only_changes = False
            return 0, ()
        silence = t_ns - self.last_ns
        least = _QUIET_NS if self._changes >= _SURE_CHANGES else self._gap_ns()
        # Several readings at once came through a buffer: what lies before them is no silence.
        if len(readings) > 1 or silence <= max(least, 2 * self.chunk_ns):
            return 0, ()
        step = max(_FILLED_EVERY_NS, silence // _MOST_FILLED)
        return previous.value_nm, range(self.last_ns + step, t_ns - step // 2, step)

    def lost(self) -> None:
        """Forget what stood last: what comes next may have missed anything."""
        self._newest = None


def evenly(typical_ns: int, least_ns: int, most_ns: int) -> bool:
    """Say whether chunks that come between these times after one another have no long pause among them: what is typical
    then moves by an eighth of the way to each next one, and always lies between what came and what was."""
    return least_ns > 0 and most_ns <= 3 * min(typical_ns, least_ns)
