"""Which of the two levels a pack goes between is rest: what a whole check says of it. Plain data and comparisons.

Theory. Nothing in one stroke says it, since an apply and a release look alike. Over several strokes there are signs,
each weighed by how much likelier it makes it that the check began while the air was on, in thousandths of a neper:

    scatter   a pack rests on its stop, again and again at the same place, and how far it is pushed scatters. Of normal
              levels the likelihood ratio is ((v + w) / 2)^n / (v w)^(n/2) for variances v and w of n + 1 levels each
              (NIST/SEMATECH e-Handbook, 1.3.5.9 has the ratio v / w). A variance is half the mean square from one
              level to the next, so that a stand that drifts adds to neither alone, and has the variance of a level's
              own readings and rounding added to it
    bounce    what air throws against its end goes further and comes back; a spring brings a piston home on its stop
    fall      what is held leaks away, towards rest; nothing moves a pack from rest towards where it is held. A drift of
              the stand moves both levels the same way, and is told from that
    noise     a regulator hunts: a held level is the less steady one
    pauses    a technician reads and writes between strokes: a pause is longer than a hold
    end       a check ends with the air off, so one that ends as far out as its strokes went began with it on, and one
              that ends at rest as it began did not

The weights but the first are common practice. They are alike for all strokes of a check, so each counts once. So many
nepers come by chance of one check in e^n at most, and by the evaluation's own count of far fewer.

And nobody holds a pack for many times as long as before: that is worth a question at once. Lengths nm, times ns.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import isqrt

from capture.strokes.levels import growth, rounded_mean, rounding_left, signed, successive_noise

#: A hold so long, and so many times as long as any before, may be a rest; so may one so long that is the first
#: (common practice: a technician holds for one to three seconds).
_LONG_NS, _TIMES, _FIRST_NS = 5_000_000_000, 3, 10_000_000_000
#: From how many strokes on they scatter, and how many are weighed: a check has no more that tell anything new.
_STROKES, _MOST = 3, 64
#: What the signs weigh, in thousandths of a neper.
_BOUNCE, _FALL, _NOISE, _PAUSES, _END = 1_500, 2_000, 1_000, 1_000, 10_000
#: No scatter says more than this: a piston that sticks comes home to ever another place as well.
_MOST_SCATTER = 4_000
#: From where on it is asked about, and from where on a recording, of which nobody can be asked, is measured anew.
_ASKED, _SURE = 2_500, 4_500
#: The last readings before it left may have been moving already: so many, or those of so long. A stay is judged by its
#: newest so many readings, and its noise by fewer, which tell that to a twentieth.
_LEAVING, _LEAVING_NS, LONG_STAY, _TELL_NOISE = 2, 40_000_000, 1024, 256
#: A stream slower than this shows no bounce.
_SHOWS_A_BOUNCE_NS = 20_000_000


@dataclass(frozen=True, slots=True)
class Stay:
    """Where the travel stood, at rest or held."""

    level_nm: int
    """Turned so that it rises to the other level."""
    variance_nm2: int
    """Of the level itself."""
    noise_nm: int
    fell_nm_per_s: int
    """How fast it went towards the other level, 0 where that cannot be told."""
    bounced: bool
    """Whether it came from beyond where it then stood."""


def stay(
    arriving: Sequence[int], staying: Sequence[int], way: int, reading_ns: int, resolution_nm: int, clear_nm: int
) -> Stay:
    """Return what the readings of a stay say, and those of the way there, which rise to the other level where `way` is
    1, and fall to it where it is -1.

    A bounce goes beyond `clear_nm`.
    """
    leaving = max(_LEAVING, _LEAVING_NS // max(1, reading_ns))
    steady = staying[-LONG_STAY : len(staying) - leaving] if len(staying) > 2 * leaving else staying
    half = signed(steady[len(steady) // 2 :], way)
    level, noise = rounded_mean(half), successive_noise(steady[-_TELL_NOISE:])
    third = max(1, len(half) // 3)
    came = rounded_mean(half[:third]) - rounded_mean(half[-third:])
    to_come = max(0, came - isqrt(8 * max(noise, resolution_nm // 4) ** 2 // third))
    rounding = rounding_left(noise, resolution_nm)
    moved = growth(half, noise, rounding, 40)
    beyond = sorted(signed(arriving, way))[:2] if reading_ns <= _SHOWS_A_BOUNCE_NS else []
    return Stay(
        level_nm=level,
        variance_nm2=max(noise, resolution_nm // 4) ** 2 // len(half) + (rounding // 2) ** 2 + to_come**2,
        noise_nm=noise,
        fell_nm_per_s=moved * 1_000_000_000 // max(1, len(half) * reading_ns),
        bounced=len(beyond) == 2 and level - beyond[1] > max(clear_nm, 6 * noise),
    )


class Sides:
    """The levels and the holds of the strokes so far."""

    __slots__ = (
        "_denied", "_end", "_first_ns", "_holds_ns", "_known", "_pauses_ns", "_released_ns", "_resolution_nm", "_rests",
        "_tops",
    )  # fmt: skip

    def __init__(self, resolution_nm: int) -> None:
        self._resolution_nm = resolution_nm
        self._rests: list[Stay] = []
        self._tops: list[Stay] = []
        self._holds_ns: list[int] = []
        self._pauses_ns: list[int] = []
        self._released_ns: int | None = None
        self._first_ns: int | None = None
        self._end, self._denied = 0, False
        self._known: int | None = 0

    @property
    def first_ns(self) -> int | None:
        """From when on it stood where its first departure ended: at rest, where it began with the air on."""
        return self._first_ns

    def departed(self, there_ns: int) -> None:
        """A stroke went, and stood there from that time on."""
        if self._first_ns is None:
            self._first_ns = there_ns

    def lasted(self, left_ns: int, let_go_ns: int) -> None:
        """A stroke went from one to the other, from when to when; both were seen."""
        if self._released_ns is not None and left_ns > self._released_ns:
            self._pauses_ns.append(left_ns - self._released_ns)
        self._released_ns = let_go_ns
        self._holds_ns.append(let_go_ns - left_ns)

    @property
    def tell_nothing_new(self) -> bool:
        """Whether so many strokes were weighed that another changes nothing."""
        return len(self._rests) >= _MOST

    def take(self, rest: Stay, top: Stay) -> None:
        """A stroke went from one to the other, and stayed so at either."""
        self._rests.append(rest)
        self._tops.append(top)
        self._known = None

    def outstays(self, held_ns: int) -> bool:
        """Say whether a hold that lasts so long already may be a rest."""
        if self._denied:
            return False
        return held_ns >= (max(_LONG_NS, _TIMES * max(self._holds_ns)) if self._holds_ns else _FIRST_NS)

    def ends_out(self) -> None:
        """The stream ends while it stands about as far out as its strokes went."""
        self._end, self._known = _END, None

    def ends_at_rest(self) -> None:
        """The stream ends where its strokes began."""
        self._end, self._known = -_END, None

    def deny(self) -> None:
        """A person who knows says that the air was off."""
        self._denied, self._known = True, 0

    @property
    def seem_swapped(self) -> bool:
        """Whether that is so likely that somebody should be asked."""
        return self._weight >= _ASKED

    @property
    def are_swapped(self) -> bool:
        """Whether that is so likely that rest is to be taken where the first departure ended."""
        return self._weight >= _SURE

    @property
    def _weight(self) -> int:
        """By how much likelier the signs are where the check began with the air on, thousandths of a neper."""
        if self._known is None:
            self._known = self._weighed()
        return self._known

    def _weighed(self) -> int:
        if self._denied:
            return 0
        rests, tops, clear = self._rests, self._tops, self._resolution_nm
        falls = [(rest.fell_nm_per_s, top.fell_nm_per_s) for rest, top in zip(rests, tops, strict=True)]
        return sum(
            (
                self._scatter(),
                _BOUNCE * _majority(rest.bounced - top.bounced for rest, top in zip(rests, tops, strict=True)),
                _FALL * _majority(_sign(rest - 3 * top, top - 3 * rest) for rest, top in falls if rest + top > 0),
                _NOISE
                * _majority(
                    _sign(2 * rest.noise_nm - 3 * top.noise_nm - clear, 2 * top.noise_nm - 3 * rest.noise_nm - clear)
                    for rest, top in zip(rests, tops, strict=True)
                ),
                self._lasting(),
                self._end,
            )
        )

    def _scatter(self) -> int:
        if len(self._rests) < _STROKES:
            return 0
        rests, tops = _variance(self._rests), _variance(self._tops)
        own = max(sum(stay.variance_nm2 for stay in stays) // len(stays) for stays in (self._rests, self._tops))
        rests, tops = rests + own + 1, tops + own + 1
        ratio = (len(self._rests) - 1) * (2 * log(rests + tops, 2) - log(rests, 1) - log(tops, 1)) // 2
        return min(ratio, _MOST_SCATTER) if rests > tops else -min(ratio, _MOST_SCATTER)

    def _lasting(self) -> int:
        """Return what the middle pause and the middle hold say: as many nepers as they differ by, and half as many."""
        if len(self._pauses_ns) < 2:
            return 0
        pause, hold = (sorted(lasted)[len(lasted) // 2] for lasted in (self._pauses_ns, self._holds_ns))
        longer = log(max(1, hold), max(1, pause)) * 3 // 2
        return max(-_PAUSES, min(_PAUSES, longer))


def log(value: int, other: int) -> int:
    """Return the natural logarithm of value / other, both positive, in thousandths: 2 artanh((m - 1) / (m + 1)) of what
    is left between one and two, by its series (DLMF 4.6.4; from memory)."""
    ratio = (value << 40) // other or 1
    twos = ratio.bit_length() - 41
    one = 1 << 40
    left = ratio >> twos if twos >= 0 else ratio << -twos
    part = ((left - one) << 40) // (left + one)
    power, total = part, 0
    for odd in range(1, 14, 2):
        total += power // odd
        power = (power * part >> 40) * part >> 40
    return (2 * total * 1_000 >> 40) + twos * 693_147 // 1_000


def _variance(stays: Sequence[Stay]) -> int:
    """Return the variance of their levels, from each to the next, nm^2."""
    steps = [(after.level_nm - before.level_nm) ** 2 for before, after in pairwise(stays)]
    return sum(steps) // (2 * len(steps))


def _sign(swapped: int, ordinary: int) -> int:
    return (swapped > 0) - (ordinary > 0)


def _majority(votes: Iterable[int]) -> int:
    """Return 1 or -1 where half of these strokes, and two at least, say so more than say the opposite; else 0."""
    told = list(votes)
    return _sign(sum(told) - max(2, len(told) // 2) + 1, -sum(told) - max(2, len(told) // 2) + 1)
