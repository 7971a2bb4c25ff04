"""What a run of readings says: its mean, its noise, what rounding leaves, whether it still rises and where to.

Statistics only: which readings belong to a hold or to a rest is for others. All arithmetic is on integers, so that it
gives the same on any machine. Lengths are nanometres.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate
from math import isqrt
from operator import mul, neg, sub

#: Of the mean of so many one reading that was damaged by less than a glitch is hardly a part.
_MANY = 16
#: So few readings do not agree against one.
_AGREED = 4


def rounded_mean(values: Sequence[int]) -> int:
    """Return the mean of integers, rounded to the nearest integer (halves up)."""
    return (2 * sum(values) + len(values)) // (2 * len(values))


def signed(values: Sequence[int], way: int) -> Sequence[int]:
    """Return these values, or where `way` is -1 their negatives."""
    return values if way > 0 else list(map(neg, values))


def highest_median(values: Sequence[int], width: int) -> int:
    """Return the highest of the medians of every `width` values in a row, which is odd or the number of all.

    It is the highest value that more than half of one such run reach; of an even number the upper one is the median.
    """
    more = width - width // 2 - 1
    # No less than those of some runs apart: few values reach that, and where as many as it takes lie close together,
    # the median of that run is one of them.
    highest = max(sorted(values[at : at + width])[width // 2] for at in range(0, len(values) - width + 1, 2 * width))
    high = [at for at, value in enumerate(values) if value >= highest]
    for place, (begin, end) in enumerate(zip(high, high[more:], strict=False)):
        if end - begin < width:
            near = high[place : bisect_left(high, begin + width, place)]
            highest = max(highest, sorted(map(values.__getitem__, near))[-1 - more])
    return highest


def agreed(levels: Sequence[int], resolution_nm: int = 0) -> Sequence[int]:
    """Return these levels, a single one that differs from all others put where they agree, or so near to it that it
    moves their mean by a tenth of a display step at most.

    Four at least of a display that stands still: the one was damaged on its way, or flickered once, which tells little
    of where the level lies between two steps.
    """
    if len(levels) < _AGREED:
        return levels
    # What all but one show, two of any three do.
    usual = sorted(levels[:3])[1]
    if sorted(levels[-3:])[1] != usual or levels.count(usual) != len(levels) - 1:
        return levels
    lone = next(level for level in levels if level != usual)
    away = len(levels) // 10 * resolution_nm
    if abs(lone - usual) <= away:
        return levels
    near = usual + (away if lone > usual else -away)
    return [usual if level == usual else near for level in levels]


def middles(levels: Sequence[int]) -> list[int]:
    """Return the middle of each three levels, and the first and the last as they are: what no single reading moves."""
    if len(levels) < 3:
        return list(levels)
    return [levels[0], *middles_of_threes(levels), levels[-1]]


def middles_of_threes(levels: Sequence[int]) -> list[int]:
    """Return the middle of each three levels in a row."""
    each = zip(levels, levels[1:], levels[2:], strict=False)
    return [
        (b if b <= c else c if a <= c else a) if a <= b else (a if a <= c else c if b <= c else b) for a, b, c in each
    ]


def with_flicker(levels: Sequence[int], noise_nm: int, step_nm: int) -> int:
    """Return the noise, half a display step at least where these levels only go from one step to the next and back: no
    less noise does that. The first and the last may be on their way.
    """
    if 2 * noise_nm >= step_nm:
        return noise_nm
    inner = levels[1:-1] or levels
    return noise_nm if 2 * (max(inner) - min(inner)) > 3 * step_nm else max(noise_nm, step_nm // 2)


def noise_of_steps(steps: Sequence[int]) -> int:
    """Return the standard deviation of white noise on a slowly moving level, from its readings' steps.

    For normal noise the mean absolute successive difference is 2 sigma / sqrt(pi) (von Neumann's estimator in
    its absolute form), so sigma is 0.8862 of it; slow drift hardly enters. A step is
    the magnitude of what lies between two successive readings. Zero below two, which are of three readings.
    """
    return sum(steps) * 8862 // (10_000 * len(steps)) if len(steps) >= 2 else 0


def steps_between(values: Sequence[int]) -> list[int]:
    """Return how far each reading is from the one before it."""
    return list(map(abs, map(sub, values[1:], values)))


def successive_noise(values: Sequence[int]) -> int:
    """Return the same from the readings themselves."""
    return noise_of_steps(steps_between(values))


def noise_but_for_one(values: Sequence[int]) -> int:
    """Return the same without the reading that makes the most of it. Zero below four values."""
    if len(values) < 4:
        return 0
    steps = steps_between(values)
    past = map(abs, map(sub, values[2:], values))
    most: int = max(one + two - over for one, two, over in zip(steps, steps[1:], past, strict=False))
    return (sum(steps) - most) * 8862 // (10_000 * (len(steps) - 1))


#: What averaging leaves of the display's rounding, in ten-thousandths of a step, for noise of 0, 1/20, 2/20 ... steps.
_ROUNDING_LEFT = (2887, 2400, 1921, 1456, 1023, 656, 381, 201, 96, 41, 16, 6, 2, 0)


def rounding_left(noise_nm: int, resolution_nm: int) -> int:
    """Return the standard uncertainty, nm, that rounding to `resolution_nm` leaves in the mean of many readings.

    Without noise every reading shows the same digits, and what is left is that of one reading, d / sqrt(12) (JCGM 100,
    F.2.2.1). Noise dithers the display: averaged over where the level lies between two steps, d^2 / (2 pi^2) times
    the sum over k of exp(-(2 pi k sigma / d)^2) / k^2 remains of its square (the characteristic function of Gaussian
    dither: Widrow and Kollar, Quantization Noise; from memory). Tabulated, so that it is the same on any machine.
    """
    place, rest = divmod(20 * noise_nm, resolution_nm)
    if place >= len(_ROUNDING_LEFT) - 1:
        return 0
    here, following = _ROUNDING_LEFT[place : place + 2]
    return (resolution_nm * here - rest * (here - following)) // 10_000


def bends_of(values: Sequence[int]) -> list[int]:
    """Return the magnitudes of the second differences of these values: from where the two before it, followed straight
    on, go to, to each."""
    steps = list(map(sub, values[1:], values))
    return list(map(abs, map(sub, steps[1:], steps)))


def noise_of_bends(bends: Sequence[int]) -> int:
    """Return the standard deviation of white noise on a level that settles or leaks, from second differences.

    A second difference of normal noise has the standard deviation sqrt(6) sigma and the median magnitude
    0.6745 of that, so sigma is 0.605 of the median magnitude; a steady slope does not enter at all, and the bend
    at the start of a hold hardly does. Zero below three, which are of five values.
    """
    return sorted(bends)[len(bends) // 2] * 605 // 1000 if len(bends) >= 3 else 0


@dataclass(frozen=True, slots=True)
class Sway:
    """How far the level of readings at rest itself went, nm, without what noise or half a display step makes."""

    all_nm: int = 0
    """Between the lowest and the highest."""
    both_ways_nm: int = 0
    """Up and down again, or down and up. What a stand that warms or a return that has not ended does goes one way."""


def sway_of(levels: Sequence[int], size: int, noise_nm: int, resolution_nm: int) -> Sway:
    """Return how far the means of `size` of these readings went: clear of five standard errors between the lowest and
    the highest of a few means, of three where one and the other way must both be so far. No single one of few readings
    is a sway."""
    if size < _MANY:
        levels = middles_of_threes(levels)
    totals = [sum(levels[at : at + size]) for at in range(len(levels) % size, len(levels), size)] or [0]
    up = max(map(sub, totals, accumulate(totals, min)))
    down = max(map(sub, accumulate(totals, max), totals))
    apart = max(totals) - min(totals)
    went, both = ((2 * far + size) // (2 * size) for far in (apart, min(up, down)))
    error, flicker = noise_nm // isqrt(size), resolution_nm // 2
    return Sway(max(0, went - max(5 * error, flicker)), max(0, both - max(3 * error, flicker)))


def settled(
    levels: Sequence[int], noise_nm: int, errors: int = 1, flicker_nm: int = 0, sway_nm: int = 0
) -> Sequence[int]:
    """Return the end of these levels, from where on they can no longer be told to be rising.

    The oil being squeezed out lets the travel grow towards its end level, fast and then ever slower, and so does what
    comes back. A quarter is left out at a time, as long as that stands below what follows it by more than
    `errors` standard errors of their difference. One is less than is asked to call a trend proven: a tail is there in
    every pack.
    It is only ever the start that is compared: where noise alone made the end high, comparing with that would go on
    cutting until little else was left. Nor does a single reading, since that may have been damaged on its way.
    Where they flicker by one display step, `flicker_nm`, half of that is noise. Where the base goes up and down by
    `sway_nm`, what stands below by no more than that is no beginning: cutting it would only ever lengthen a travel.
    """
    part = list(levels)
    if len(part) >= 2:
        highest = part.index(max(part))
        part[highest] = min(part)
        part[highest] = max(part)
    if flicker_nm:
        part = middles(part)
    while len(part) >= 3:
        count = len(part)
        start = max(1, count // 4)
        rest = count - start
        # The difference of the two means, and its standard error squared, both times start * rest.
        rise = sum(part[start:]) * start - sum(part[:start]) * rest
        if rise <= sway_nm * start * rest:
            break
        one_squared = errors * errors * start * rest * count
        if rise * rise <= noise_nm * noise_nm * one_squared:
            break
        if rise * rise <= with_flicker(part, noise_nm, flicker_nm) ** 2 * one_squared:
            break
        part = part[start:]
    return levels[len(levels) - len(part) :]


def growth(levels: Sequence[int], noise_nm: int, rounding_nm: int, tenths: int) -> int:
    """Return by how much these levels rise from the first to the last (negative: fall), 0 where it cannot be told.

    The slope is that of least squares (NIST/SEMATECH e-Handbook 4.4.3.1, for evenly spaced readings). It can be told
    where it is more than `tenths` tenths of its standard error, sigma^2 12 (n - 1) / (n (n + 1)) squared, and, as far
    as no noise dithers the display, more than a single step of that gives: 1.5 d in the middle, here 1.2 d, for
    `rounding_nm` of d / sqrt(12), since a step is seldom just there.
    """
    count = len(levels)
    if count < 2:
        return 0
    rise: int = 6 * sum(map(mul, range(1 - count, count, 2), levels)) // (count * (count + 1))
    return rise if abs(rise) > may_hide(count, noise_nm, rounding_nm, tenths) else 0


def may_hide(count: int, noise_nm: int, rounding_nm: int, tenths: int) -> int:
    """Return how much so many levels, two at least, can rise or fall before `growth` tells it."""
    doubt = isqrt(tenths * tenths * 12 * noise_nm * noise_nm * (count - 1) // (100 * count * (count + 1)))
    return doubt + rounding_nm * 42 // 10


def likely_growth(levels: Sequence[int], noise_nm: int, rounding_nm: int) -> int:
    """Return by how much these levels, two at least, may well rise where that cannot be told: as much of their rise as
    it stands out against its standard error, r^3 / (r^2 + 6 s^2), since most that rise so little do so by chance. With
    6 a quarter is left of one and a half standard errors, and half of two and a half (chosen from tails and from holds
    without one, half a second long: both end up about a step off at most).
    """
    rose, error = max(0, growth(levels, 0, 0, 0)), may_hide(len(levels), noise_nm, rounding_nm, 10)
    return rose**3 // max(1, rose * rose + 6 * error * error)
