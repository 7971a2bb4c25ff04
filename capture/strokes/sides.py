"""Which of the two levels a pack goes between is rest: what a whole check says of it. Plain data and comparisons.

Nothing in one stroke says it, since an apply and a release look alike. Over several: a pack rests on its stop, again
and again at the same place, while how far it is pushed scatters from one stroke to the next; and nobody holds it for
many times as long as before. Either the other way round is worth a question, and no more. Lengths nm, times ns.
"""

from __future__ import annotations

from collections.abc import Sequence

#: A hold so long, and so many times as long as any before, may be a rest; so may one so long that is the first
#: (common practice: a technician holds for one to three seconds).
_LONG_NS, _TIMES, _FIRST_NS = 5_000_000_000, 3, 10_000_000_000
#: Of so many strokes, the levels on one side scatter so much more: F(3, 3) is beyond 29 once in a hundred times
#: (NIST/SEMATECH e-Handbook, 1.3.6.7.3), and both scatter alike where the readings or the stand are restless.
_STROKES, _RATIO = 4, 29


class Sides:
    """The levels and the holds of the strokes so far."""

    __slots__ = ("_longest_ns", "_rests", "_tops")

    def __init__(self) -> None:
        self._rests: list[int] = []
        self._tops: list[int] = []
        self._longest_ns = 0

    def take(self, rest_nm: int, top_nm: int, held_ns: int) -> None:
        """A sound stroke went from one to the other level, as displayed, and was held for so long."""
        self._rests.append(rest_nm)
        self._tops.append(top_nm)
        self._longest_ns = max(self._longest_ns, held_ns)

    def outstays(self, held_ns: int) -> bool:
        """Say whether a hold that lasts so long already may be a rest."""
        return held_ns >= (max(_LONG_NS, _TIMES * self._longest_ns) if self._rests else _FIRST_NS)

    def seem_swapped(self, least_nm: int) -> bool:
        """Say whether the strokes go out to one level and come home to ever another, by more than `least_nm`."""
        if len(self._rests) < _STROKES:
            return False
        rests, tops = _squares(self._rests), _squares(self._tops)
        return rests > max(_RATIO * tops, (len(self._rests) * least_nm) ** 2)


def _squares(levels: Sequence[int]) -> int:
    """Return the sum of squares of their deviations, times their number."""
    return len(levels) * sum(level * level for level in levels) - sum(levels) ** 2
