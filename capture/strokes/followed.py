"""What was not read but can be followed: a squeeze-out or a return to its end, a leak back to where it began.

Theory. A level that is not reached, or was left before it could be read, is inferred from the shape of what was read:

    y(t) = L + c g(t)      L the level wanted, g a shape with one unknown: a time constant, or when a leak began

For each value of the unknown on a grid, L and c are those of least squares, and the sum of squares S that is left says
how well that value fits. With Gaussian errors its likelihood is exp(-S / 2 v) for means of variance v, so the level is
the mean of the L, weighted so, and its variance that of least squares, weighted so, plus that of the L about their mean
(the law of total variance; Bayes with a flat prior over the grid). Where the unknown cannot be told, its whole grid
remains in the uncertainty. Where no shape fits, v is enlarged by what the best one leaves (Birge's ratio). A shape that
goes the wrong way has no weight.

    a tail   g = -exp(-t / tau), 0.03 to 2 s in equal ratios: oil that is being squeezed out, a piston coming home
             (common practice; longer ones nobody holds for)
    a leak   g = -T (1 - exp(-(t - t0) / T)) from t0 on, and 0 before, with T of 0.4 s, 1.5 s and without end: the seal
             loses at one rate, or ever less as the pressure falls. Where t0 lies before anything could be read, every
             t0 since the pack was half full fits as well, and that is what the uncertainty says.

The readings are first averaged in runs, so that a fit costs the same at any rate, and means of readings that noise
does not dither keep their rounding. Lengths are integer nanometres, times integer nanoseconds, and all arithmetic is on
integers, so that it gives the same on any machine.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import isqrt

from capture.strokes.levels import rounded_mean

#: Readings are averaged in at most so many runs.
_RUNS = 40
#: Fixed-point fractions: 2^-24.
_ONE = 1 << 24
#: exp(-1), exp(-2) ... in such fractions.
_POWERS = [_ONE]
for _ in range(16):
    _POWERS.append(_POWERS[-1] * 6_171_992 // _ONE)
#: Time constants of tails, ns: in equal ratios of the fourth root of two.
_TAILS_NS = tuple(isqrt(isqrt((30_000_000**4) << at)) for at in range(25))
#: The time constant of a long tail; and whoever waits for so long, in a hold or at rest, sees one where there is one
#: (common practice).
LONG_TAIL_NS, WAITED_NS = 600_000_000, 650_000_000
#: Time constants of leaks, ns; 0 for one that goes on as it began.
_LEAKS_NS = (0, 1_500_000_000, 400_000_000)
#: How many beginnings of a leak are tried before the first reading.
_UNSEEN = 8


@dataclass(frozen=True, slots=True)
class Inferred:
    """A level that was inferred, and its standard uncertainty, nm."""

    level_nm: int
    standard_nm: int


def decay(t_ns: int, tau_ns: int) -> int:
    """Return exp(-t / tau) in fractions of 2^-24, by its series; t is not negative."""
    whole, part = divmod((t_ns << 24) // tau_ns, _ONE)
    if whole > 16:
        return 0
    total = term = _ONE
    for number in range(1, 9):
        term = -term * part // (number * _ONE)
        total += term
    return total * _POWERS[whole] >> 24


def _runs(times: Sequence[int], levels: Sequence[int]) -> tuple[list[int], list[int], int]:
    """Return mean times and mean levels of runs of equally many readings, and how many those are."""
    size = -(-len(levels) // _RUNS)
    first = len(levels) % size  # what does not fill a run is left out where it is least sure: at the beginning
    starts = range(first, len(levels), size)
    return (
        [rounded_mean(times[at : at + size]) for at in starts],
        [rounded_mean(levels[at : at + size]) for at in starts],
        size,
    )


def _fitted(levels: Sequence[int], shapes: Iterable[Sequence[int]], variance: int) -> Inferred | None:
    """Return the level that shapes (in fractions of 2^-24, all falling or none) leave, None where none fits.

    `variance` is that of one of the levels, nm^2.
    """
    count = len(levels)
    zero = levels[0]
    offsets = [level - zero for level in levels]
    total = sum(offsets)
    squares = count * sum(offset * offset for offset in offsets) - total * total
    fits: list[tuple[int, int, int]] = []  # what is left, the level, its variance
    for shape in shapes:
        along = sum(shape)
        own = sum(one * one for one in shape)
        spread = count * own - along * along
        with_it = sum(one * offset for one, offset in zip(shape, offsets, strict=True))
        slope = count * with_it - along * total
        if slope <= 0 or spread <= 0:
            continue
        left = max(0, squares - slope * slope // spread) // count
        fits.append((left, (own * total - along * with_it) // spread, variance * own // spread))
    if not fits:
        return None
    best = min(left for left, _, _ in fits)
    spare = max(1, count - 3)
    scale = max(variance, best // spare, 1)
    weights = [decay((left - best), 2 * scale) for left, _, _ in fits]
    sure = sum(weights)
    level = sum(weight * value for weight, (_, value, _) in zip(weights, fits, strict=True)) // sure
    about = sum(
        weight * ((value - level) ** 2 + doubt * scale // max(1, variance))
        for weight, (_, value, doubt) in zip(weights, fits, strict=True)
    )
    return Inferred(zero + level, isqrt(about // sure))


def tail_followed(times: Sequence[int], levels: Sequence[int], noise_nm: int, rounding_nm: int) -> Inferred | None:
    """Return the level that these levels rise to ever more slowly, None where there are too few or they do not rise."""
    if len(levels) < 6:
        return None
    at, means, size = _runs(times, levels)
    shapes = ([-decay(time - at[0], tau) for time in at] for tau in _TAILS_NS)
    return _fitted(means, shapes, noise_nm**2 // size + rounding_nm**2)


def leak_followed_back(
    times: Sequence[int], levels: Sequence[int], noise_nm: int, rounding_nm: int, began_ns: int
) -> Inferred | None:
    """Return the level that these levels leaked from, None where there are too few or they do not fall.

    `began_ns` is when the pack was half full: what leaked before took nothing from its highest travel.
    """
    if len(levels) < 4:
        return None
    at, means, size = _runs(times, levels)
    unseen = [began_ns + (at[0] - began_ns) * (2 * part + 1) // (2 * _UNSEEN) for part in range(_UNSEEN)]
    seen = [
        since for here, after in pairwise(at[:-1]) for since in (here, (2 * here + after) // 3, (here + 2 * after) // 3)
    ]
    shapes = ([_leaked(time - since, tau) for time in at] for since in (*unseen, *seen) for tau in _LEAKS_NS)
    return _fitted(means, shapes, noise_nm**2 // size + rounding_nm**2)


def _leaked(since_ns: int, tau_ns: int) -> int:
    """Return what has leaked after that time, negative, in a unit of its own."""
    if since_ns <= 0:
        return 0
    return -(since_ns >> 8) if tau_ns == 0 else -(tau_ns * (_ONE - decay(since_ns, tau_ns)) >> 32)
