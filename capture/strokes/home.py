"""Where the pack comes home to: the rest level where a return may still have been on its way, and how a stand drifts.

Theory. After a return the readings at rest lie above home by what has not come back yet, a tail c exp(-t / tau). Seen
to fall, it is followed to its end (`followed`). Too short or too noisy to be seen, it can still be there: a tail that
fell by g in a time T has g exp(-T / tau) / (1 - exp(-T / tau)) left, so that the most that can have gone unseen of a
fall says how much may be left. What is known against it is where the pack rested before the stroke, and how fast that
drifts: a level that is no higher than expected has no tail. What the readings tell and what was expected are weighted
by their variances; of what is taken out so, but was not seen, a third stays in the uncertainty. Where they contradict
each other, the stand has moved, and the readings alone count.

The drift is followed from rest to rest and along each long rest, as a Kalman filter of one number does. Of what a
stroke's two rests differ by, as much is taken for drift as stands out against noise in this check (an empirical Bayes
estimate of one mean: `evident`). Lengths are integer nanometres, times integer nanoseconds, and levels are turned so
that a return rises.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isqrt
from operator import mul

from capture.strokes.followed import LONG_TAIL_NS, WAITED_NS, Inferred, decay, tail_followed
from capture.strokes.levels import growth, may_hide

_SECOND = 1_000_000_000
#: A rest that still falls faster than this is coming home, since no stand drifts so fast (common practice: a few
#: micrometres a minute, and in the sun some a second).
MOST_DRIFT_NM_PER_S = 3_500
#: What a stand may drift that was not yet seen to, and by how much that changes from one stroke to the next.
_UNSEEN_NM_PER_S, _CHANGES_NM_PER_S = 1_000, 300
#: How long after a return a tail is looked for (common practice).
FOLLOWED_NS = 4_000_000_000
#: No more than this part of a travel is left of its return where a rest is taken (common practice).
_MOST_LEFT = 16
#: A drift is told from the readings of a rest that lasted this long, of which hardly any tail is left.
_LONG_REST_NS = 1_200_000_000


class Drift:
    """Where the pack last rested, and how fast that moves."""

    __slots__ = (
        "_at_ns", "_level_nm", "_rate", "_rate_variance", "_rests", "_squares", "_standard_nm", "_variance", "first_nm",
    )  # fmt: skip

    def __init__(self) -> None:
        self.first_nm: int | None = None
        """Where it rested before any return, as displayed, since it was last moved; None where it has not rested."""
        self._level_nm, self._standard_nm = 0, 0
        self._at_ns: int | None = None
        self._rate, self._rate_variance = 0, _UNSEEN_NM_PER_S**2
        self._variance = 0
        # How many moves from rest to rest were seen, the newest counting most, in eighths, and the sum of the squares
        # of how fast they were, without what noise makes of them.
        self._rests, self._squares = 0, 0

    def expected(self, t_ns: int) -> Inferred | None:
        """Return where it should rest at that time, as displayed, None where it has not rested yet."""
        if self._at_ns is None:
            return None
        moved = self._rate * (t_ns - self._at_ns) // _SECOND
        variance = self._standard_nm**2 + self._rate_variance * (t_ns - self._at_ns) ** 2 // _SECOND**2
        return Inferred(self._level_nm + moved, isqrt(variance))

    def evident(self, rate: int, variance: int) -> int:
        """Return how much of this rate from before to after a stroke, nm/s, of which noise makes `variance`, is drift.

        It is s^2 / (s^2 + u^2), u^2 for noise, where it, those from rest to rest so far, and one of nothing have the
        mean square s^2 beyond noise: hardly anything where nothing drifts, and all of a drift that stands clear.
        """
        beyond = max(0, (8 * (rate**2 - variance) + self._squares) // (16 + self._rests))
        return rate * beyond // max(1, beyond + variance)

    def rested(self, level_nm: int, standard_nm: int, t_ns: int, variance: int, a_tail: bool) -> None:
        """It rested there at that time; `variance`, nm squared, is what noise makes of that level. Where the end of a
        return may lift it, `a_tail`, no other level is a stand that was moved.
        """
        expected = self.expected(t_ns)
        if self.first_nm is None:
            self.first_nm = level_nm
        if expected is not None and self._at_ns is not None and t_ns > self._at_ns:
            apart = t_ns - self._at_ns
            if (level_nm - expected.level_nm) ** 2 > 16 * (expected.standard_nm**2 + standard_nm**2):
                self._rate, self._rate_variance = 0, _UNSEEN_NM_PER_S**2
                if not a_tail:
                    self.first_nm = level_nm
            else:
                doubt = (self._standard_nm**2 + standard_nm**2) * _SECOND**2 // apart**2
                rate = (level_nm - self._level_nm) * _SECOND // apart
                self._learn(rate, doubt)
                by_noise = (self._variance + variance) * _SECOND**2 // apart**2
                self._squares = self._squares * 7 // 8 + 8 * (rate**2 - by_noise)
                self._rests = self._rests * 7 // 8 + 8
        self._level_nm, self._standard_nm, self._at_ns, self._variance = level_nm, standard_nm, t_ns, variance

    def drifted(self, readings: Sequence[int], reading_ns: int, noise_nm: int, rounding_nm: int, sway_nm: int) -> None:
        """Take what the readings of a whole rest say of it, where that was a long one; the oldest is first."""
        count = len(readings)
        span = (count - 1) * reading_ns
        if span < _LONG_REST_NS or count < 8:
            return
        rise = 6 * sum(map(mul, range(1 - count, count, 2), readings)) // (count * (count + 1))
        doubt = may_hide(count, noise_nm, rounding_nm, 10) + sway_nm
        self._learn(rise * _SECOND // span, (doubt * _SECOND // span) ** 2)

    def _learn(self, rate: int, variance: int) -> None:
        known = self._rate_variance
        self._rate = (self._rate * variance + rate * known) // max(1, known + variance)
        self._rate = max(-MOST_DRIFT_NM_PER_S, min(MOST_DRIFT_NM_PER_S, self._rate))
        changes = (self._rate // 2) ** 2 + _CHANGES_NM_PER_S**2
        self._rate_variance = min(_UNSEEN_NM_PER_S**2, known * variance // max(1, known + variance) + changes)


@dataclass(frozen=True, slots=True)
class WayHome:
    """The readings since the quick part of a return, up to the newest that count."""

    times: Sequence[int]
    rising: Sequence[int]
    """As displayed, turned so that they rise."""
    turn: int
    """What they were turned by: -1 after a stroke that went up."""
    travel_nm: int
    """How far it went."""
    still_ns: int
    """How long before the newest those began that can no longer be told to be coming back."""


def home_of(way: WayHome, still: Inferred, noise_nm: int, rounding_nm: int, expected: Inferred | None) -> Inferred:
    """Return where they come home to, as displayed.

    `still` is the level of those that can no longer be told to be coming back, and how well so many tell a level.
    """
    turn, rising = way.turn, way.rising
    level, doubt = turn * still.level_nm, still.standard_nm
    span = max(0, way.times[-1] - way.times[0])
    if told := is_slow_home(rising, span, noise_nm, rounding_nm):
        followed = tail_followed(way.times, rising, noise_nm, rounding_nm)
        doubt = max(doubt, abs(rising[-1] - rising[0]) if followed is None else followed.standard_nm)
        level = level if followed is None else followed.level_nm
    if expected is None:
        return Inferred(turn * level, doubt)
    home, old = turn * expected.level_nm, expected.standard_nm
    left = 0
    if not told and level < home:
        # What rises lies below: only a level below the expected one can have a tail.
        left = min(home - level, way.travel_nm // _MOST_LEFT)
        if span > 0:
            left = min(left, _most_left(rising, span, way.still_ns, noise_nm, rounding_nm))
        # Where it was expected hardly tells, how far it lies from there says little of a tail.
        doubt = max(doubt, left**3 // (2 * max(1, left**2 + old**2)))
    if max(0, abs(level - home) - left) ** 2 > 9 * (doubt**2 + old**2):
        return Inferred(turn * level, max(doubt, left // 2))
    both = max(1, old**2 + doubt**2)
    better = (level * old**2 + home * doubt**2) // both
    # Nobody saw the tail that this takes out.
    unseen = abs(better - level) // 3 if left else 0
    return Inferred(turn * better, isqrt(old**2 * doubt**2 // both + unseen**2))


def _most_left(rising: Sequence[int], span_ns: int, still_ns: int, noise_nm: int, rounding_nm: int) -> int:
    """Return how much of a long tail is left at most, of which these readings show as little as they do."""
    rose = max(0, growth(rising, 0, 0, 0)) + may_hide(len(rising), noise_nm, rounding_nm, 20)
    gone = decay(span_ns, LONG_TAIL_NS)
    return rose * decay(max(0, span_ns - still_ns // 2), LONG_TAIL_NS) // max(1, (1 << 24) - gone)


def tail_unseen(way: WayHome, home_nm: int, first_nm: int, noise_nm: int, rounding_nm: int) -> int:
    """Return the standard uncertainty of a rest so short that every other may have been as short, for what all of them
    have of a tail alike: what is expected has it as well, and only the first, before any return, has not.
    """
    span, above = way.times[-1] - way.times[0], way.turn * (first_nm - home_nm)
    if not 0 < span < WAITED_NS or not 0 < above <= way.travel_nm // _MOST_LEFT:
        return 0
    return 2 * min(above, _most_left(way.rising, span, way.still_ns, noise_nm, rounding_nm)) // 3


def is_slow_home(rising: Sequence[int], span_ns: int, noise_nm: int, rounding_nm: int) -> bool:
    """Say whether these readings since the quick part of a return, turned so that they rise, still come home."""
    grew = growth(rising, noise_nm, rounding_nm, 30)
    return grew * _SECOND > MOST_DRIFT_NM_PER_S * span_ns
