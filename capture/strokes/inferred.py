"""How far a travel went or was going that the hold does not show: to the end of its squeeze-out, or before its leak.

`measure` says when that is asked; how readings are followed is in `followed`. All arithmetic is on integers.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from itertools import accumulate, pairwise
from math import isqrt
from operator import sub

from capture.strokes.followed import LONG_TAIL_NS, WAITED_NS, Inferred, decay, leak_followed_back, tail_followed
from capture.strokes.hold import BOUNCE_NS, StrokeSamples, crossing
from capture.strokes.levels import likely_growth, may_hide, rounded_mean

#: A valve that opens softly moves a pack by less than is told from a hold for so long (common practice).
OPENING_NS = 120_000_000
#: So many readings tell whether one tail fits them.
_MANY = 12
#: In fewer readings of a part of a hold no fall is told.
_FEWEST = 2
#: Of no more readings does noise make one stand three standard deviations higher than it should.
_FEW = 64


def to_its_end(
    samples: StrokeSamples, offsets: list[int], hold: list[int], rise_ns: int, noise_nm: int, rounding_nm: int
) -> Inferred | None:
    """Return the level that the squeeze-out was going to, followed from where the rise itself is over: of that a
    thousandth is left after twice as long as it took, or once a valve that opens softly is open.
    """
    over = samples.times[hold[0]] + max(2 * rise_ns, OPENING_NS)
    start = min(next((index for index, at in enumerate(hold) if samples.times[at] >= over), len(hold)), len(hold) // 3)
    squeezed = hold[start:]
    if len(squeezed) >= _MANY:
        # The beginning of the release, where a valve opens softly.
        del squeezed[len(squeezed) - max(1, min(len(squeezed) // 8, OPENING_NS // max(1, samples.reading_ns))) :]
    times, levels = [samples.times[at] for at in squeezed], [offsets[at] for at in squeezed]
    whole = tail_followed(times, levels, noise_nm, rounding_nm)
    if whole is None or len(squeezed) < _MANY:
        return whole
    # What was still arriving at first fits no single tail. How far its later part goes elsewhere is in the doubt; where
    # that is further than the doubt of so few readings makes it, they tell.
    third = len(squeezed) // 3
    later = tail_followed(times[third:], levels[third:], noise_nm, rounding_nm)
    if later is None:
        return whole
    apart = later.level_nm - whole.level_nm
    if apart**2 <= 4 * later.standard_nm**2:
        return Inferred(whole.level_nm, isqrt(whole.standard_nm**2 + apart**2))
    return Inferred(later.level_nm, isqrt(later.standard_nm**2 + apart**2))


def never_waited_for(
    samples: StrokeSamples,
    hold: list[int],
    level_nm: int,
    later: Sequence[int],
    grew_nm: int | None,
    noise_nm: int,
    rounding_nm: int,
) -> Inferred | None:
    """Return where the travel was going to from this level, None after a hold that was long enough.

    It grew by so much in the last two thirds of the hold, whose levels are the later; where that could not be told, by
    as much as could hide. As a tail that takes long it then had a share of that before it, which is all that can be
    said of it where it could not be followed.
    """
    held = samples.times[hold[-1]] - samples.times[hold[0]]
    if held >= WAITED_NS:
        return None
    gone = decay(2 * held // 3, LONG_TAIL_NS)
    likely = likely_growth(later, noise_nm, rounding_nm) if grew_nm is None else grew_nm
    at_most = may_hide(len(later), noise_nm, rounding_nm, 22) if grew_nm is None else grew_nm
    left, most = (grew * gone // max(1, (1 << 24) - gone) for grew in (likely, at_most))
    return Inferred(level_nm + left, most // 2)


def before_the_leak(
    samples: StrokeSamples, offsets: list[int], hold: list[int], noise_nm: int, rounding_nm: int, resolution_nm: int
) -> Inferred | None:
    """Return the travel before it began to leak: followed from the readings since the first of the highest.

    A little after that, where the rise is over: what is left of it shrinks to a third in half such a time.
    """
    times, middles = samples.times, {at: sorted(offsets[max(0, at - 1) : at + 2])[1] for at in hold}
    top = max(middles.values())
    began, half, arrived = (crossing(samples, offsets, top * tenths // 10) for tenths in (1, 5, 9))
    near = top - 2 * noise_nm - resolution_nm
    since = times[next(at for at in hold if middles[at] >= near)] + (arrived - began) // 2
    leaking = [at for at in hold if times[at] >= since]
    if len(leaking) < min(len(hold), 6):
        leaking = hold[-max(6, len(leaking)) :]
    return leak_followed_back(
        [times[at] for at in leaking], [offsets[at] for at in leaking], noise_nm, rounding_nm, half
    )


def fell_at_first(
    samples: StrokeSamples, hold: list[int], levels: Sequence[int], noise_nm: int, least_nm: int, resolution_nm: int
) -> bool:
    """Say whether a hold of these levels fell in its beginning for longer than a bounce lasts, and by `least_nm` at
    least: a seal leaks down to where it holds.
    """
    times = samples.times
    soon, later = (bisect_left(hold, times[hold[0]] + part * BOUNCE_NS, key=times.__getitem__) for part in (1, 2))
    parts = levels[:soon], levels[soon:later], levels[later:]
    if min(map(len, parts)) < _FEWEST:
        return False
    first, second, last = map(rounded_mean, parts)
    sank, on = first - second, second - last
    if not 2 * sank > on or sank + on <= least_nm:
        return False
    # Four standard errors of the difference of two means.
    doubts = (isqrt(16 * noise_nm**2 * (len(a) + len(b)) // (len(a) * len(b))) for a, b in pairwise(parts))
    return all(fell > max(doubt, resolution_nm) for fell, doubt in zip((sank, on), doubts, strict=True))


def surely_reached(levels: Sequence[int], noise_nm: int) -> int:
    """Return what the highest travel was at least: that of the highest window of any width, without what noise makes of
    the highest of several. No window's mean lies above the highest travel, nor, of few readings that sink fast, a
    single one.
    """
    sums, width, least = [0, *accumulate(levels)], 3, 0
    if len(levels) <= _FEW:
        least = max(levels) - 3 * noise_nm
    while width <= max(3, len(levels) // 2) and width < len(sums):
        highest = max(map(sub, sums[width:], sums)) // width
        least = max(least, highest - 5 * noise_nm // (4 * isqrt(width)))
        width *= 2
    return least
