"""One stroke's readings in, its numbers and flags out. Finding where a stroke begins and ends is in `strokes`.

Theory. The readings of one stroke are offsets from the rest level along the direction of travel. A reading
that stands clear of both neighbours is a glitch and is set aside. The hold runs from the first reading at
90 % of the top to the last one before the release falls away. Its levels are means over many readings, so
that noise dithers the display and the level is finer than one display step:

* let go: the hold ends where the fall is a small part of its fastest; what leaks is slower than what is released.
* standing: the start of the hold, where the oil is being squeezed out, is left out as long as it stands below the rest
  of it. Where the release cut that short, its end level is followed from how it shrank.
* peak: the hold is cut into windows of a fifth of its readings; every window that cannot be told from the
  highest one, given the noise, is pooled. A bounce shorter than half a window cannot set the peak, and pooling
  keeps the highest of several noisy means from reading high.
* held: the state level of IEEE Std 181, the mode of the hold's histogram, refined by the mean around it.
* rise: the transition duration of IEEE Std 181, from 10 % to 90 % of the held level, interpolated.
* creep and leak: the slope of the later part of the hold, where it is larger than noise and rounding could make it.

All arithmetic is on integers, so a replay gives the same numbers on any machine.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate
from math import isqrt
from operator import and_

from capture.strokes.levels import (
    curvature_noise,
    end_level,
    growth,
    rounded_mean,
    rounding_left,
    settled,
    successive_noise,
)
from capture.strokes.stroke import FLAGS

__all__ = ["SHORT_HOLD_NS", "Measured", "StrokeSamples", "measure", "return_tolerance"]


#: A hold shorter than this cannot have settled: squeezing the oil out takes a tenth of a second and more
#: (common practice).
SHORT_HOLD_NS = 250_000_000
#: What no number of readings proves of a level, in ten-thousandths of a display step: a tenth of one as half-width,
#: 0.1 d / sqrt(3). The steps of a display are not equally wide, and the last of a squeeze-out or a return is not told
#: from none (common practice: no reading is trusted below a tenth of its step).
_UNPROVEN_STEP = 577
#: A bounce is over within this (common practice).
_BOUNCE_NS = 250_000_000
#: Fewer readings than this in the hold are too few to trust.
SPARSE_READINGS = 3


@dataclass(slots=True)
class StrokeSamples:
    """What the finder hands over when a stroke is complete. Times ns, values displayed nm."""

    times: Sequence[int]
    values: Sequence[int]
    """Every reading from the first that left rest to the last of the return, oldest first."""
    rest_time: int
    """When the last reading at rest came before the stroke."""
    rest_nm: int
    """The rest level before the stroke."""
    direction: int
    noise_nm: int
    rest_noise_nm: int
    """The noise at rest as it was displayed: zero where every reading was the same."""
    top_nm: int
    """Highest median-of-three travel seen on line."""
    fall_index: int
    """Index of the reading at which the travel was seen to have fallen below half the top."""
    rest_after_nm: int | None
    """The rest level after the stroke, None if it never settled."""
    returned: bool
    """Whether the travel came back near the rest level."""
    reading_ns: int
    """The usual time between two readings."""
    release_ns: int | None
    """When the fixture released, None if nothing said so."""
    noted: frozenset[str]
    """Flags that the finder raised while the stroke ran."""


@dataclass(frozen=True, slots=True)
class Measured:
    """The numbers of one stroke, as `Stroke` carries them."""

    start_ns: int
    end_ns: int
    peak_travel_nm: int
    held_travel_nm: int
    rise_ns: int
    creep_nm: int
    return_error_nm: int
    rounding_nm: int
    flags: tuple[str, ...]


def _without_glitches(samples: StrokeSamples, offsets: list[int], noise_nm: int, resolution_nm: int) -> list[bool]:
    """Say of each offset whether it can be kept: not clear of both its neighbours.

    Clear is eight times the noise, six display steps, and as long as the pack may bounce an eighth of the travel. The
    first has only rest before it, and may be a bounce: it must be clear by the whole of the top.
    """
    keep = [True] * len(offsets)
    top, times = samples.top_nm, samples.times
    least = max(8 * noise_nm, 6 * resolution_nm)
    bouncing = max(least, top * 12 // 100)
    if len(offsets) >= 2 and offsets[0] - max(0, offsets[1]) > max(bouncing, top):
        keep[0] = False
    reached = next((at for at, offset in enumerate(offsets) if offset * 10 >= top * 9), 0)
    still_ns = times[reached] + _BOUNCE_NS if offsets else 0
    for index in range(1, len(offsets) - 1):
        before, here, after = offsets[index - 1 : index + 2]
        held = times[index] > still_ns and index < samples.fall_index and after * 10 >= top * 9
        limit = least if held else bouncing
        if keep[index - 1] and -limit <= here - before <= limit:
            continue
        if not keep[index - 1]:
            # The neighbour was itself wild: look past it, or its good successor would be rejected for it.
            before = offsets[index - 2] if index >= 2 else after
        if here - max(before, after) > limit or min(before, after) - here > limit:
            keep[index] = False
    return keep


def _hold(samples: StrokeSamples, offsets: list[int], keep: list[bool]) -> list[int]:
    """Return the indices of the kept readings between reaching 90 % of the top and letting go."""
    top = samples.top_nm
    end = samples.fall_index
    if samples.release_ns is not None:
        end = min(end, bisect_left(samples.times, samples.release_ns))
    start = next((i for i in range(end) if keep[i] and offsets[i] * 10 >= top * 9), None)
    if start is None:
        return []
    inside = [i for i in range(start, end) if keep[i] and offsets[i] * 2 >= top]
    if samples.fall_index < len(offsets):
        let_go = _let_go(samples, offsets, keep)
        while len(inside) > 1 and inside[-1] > let_go:
            inside.pop()
    return inside


def _let_go(samples: StrokeSamples, offsets: list[int], keep: list[bool]) -> int:
    """Return the index of the last reading before the release falls away.

    A leaking pack falls too, but slower: the release begins where the fall is a sixteenth as fast as where it is
    fastest, since a valve takes a moment to open, and in a slow stream a quarter. That is after the last reading near
    the top, but need not be where half the top is crossed: a pack that leaks badly is below that before it is let go,
    and one that sticks half way back crosses it with the noise. A fall is that between means over 15 to 60 ms each,
    as the release is quick or slow, or from one reading of a slower stream to the next, so that noise is little; and as
    it still hides the very beginning, a little more is left out. It is counted a reading, not by the clock: readings
    that come through a buffer have their times from it.
    """
    fallen = samples.fall_index
    typical_ns = max(1, samples.reading_ns)
    near_top = next((at for at in range(fallen - 1, 0, -1) if keep[at] and offsets[at] * 10 >= samples.top_nm * 9), 0)
    width = max(1, 15_000_000 // typical_ns, min(60_000_000 // typical_ns, fallen - near_top))
    clean = list(offsets)
    for at in range(1, len(clean)):
        if not keep[at]:
            clean[at] = clean[at - 1]
    sums = [0, *accumulate(clean)]
    index, drop = fallen, 0
    for later in range(max(near_top + 1, 2 * width - 1), len(offsets)):
        fell = _fell(sums, later, width)
        if fell > drop:
            index, drop = later, fell
    # Where one reading to the next takes in the whole of a fall, what leaks meanwhile is not so very much less.
    slower = 16 if width > 1 else 4
    # A valve opens in about the time that the rest of the fall takes: what fell for longer before it leaked.
    over = next(
        (at for at in range(max(index, 2 * width - 1), len(offsets)) if 8 * _fell(sums, at, width) < drop),
        len(offsets) - 1,
    )
    earliest = index - max(2 * width, 3 * (over - index) // 2)
    while index >= max(2 * width, earliest) and slower * _fell(sums, index, width) >= drop:
        index -= 1
    # Of a hold that began no earlier than that, single readings must tell.
    while max(2, earliest) <= index < 2 * width and slower * width * width * _fell(sums, index, 1) >= drop:
        index -= 1
    return max(0, index - max(1, 40_000_000 // typical_ns))


def _fell(sums: list[int], index: int, width: int) -> int:
    """Return by how much the `width` readings up to `index` are below those before them, times `width`."""
    return 2 * sums[index - width + 1] - sums[index - 2 * width + 1] - sums[index + 1]


def _late_noise(noise_nm: int, levels: list[int], resolution_nm: int) -> int:
    """Return the noise, or that of the second half of the hold, where hardly any tail is left to be taken for it."""
    late = levels[len(levels) // 2 :]
    shaky = successive_noise(late)
    if len(late) >= 5:
        shaky = min(shaky, curvature_noise(late))
    return max(noise_nm, shaky if shaky > resolution_nm else 0)


def _peak(levels: Sequence[int], noise_nm: int, resolution_nm: int) -> int:
    """Return the highest sustained level: the pool of all windows that cannot be told from the highest.

    A window's level is the mean of its readings near its median, so that a bounce shorter than half a window does
    not lift it.
    """
    count = len(levels)
    width = max(min(3, count), count // 5)
    starts = list(range(0, count - width + 1, max(1, width // 4)))
    if starts[-1] != count - width:
        starts.append(count - width)
    reach = max(3 * noise_nm, resolution_nm)
    windows: list[tuple[int, list[int]]] = []
    for start in starts:
        median = sorted(levels[start : start + width])[width // 2]
        near = [index for index in range(start, start + width) if abs(levels[index] - median) <= reach]
        windows.append((rounded_mean([levels[index] for index in near]), near))
    highest = max(level for level, _ in windows)
    # Four standard errors of a window's mean, squared to stay with integers: of so many windows one is always high.
    allowed_squared = 16 * noise_nm * noise_nm // width
    pooled: set[int] = set()
    for level, near in windows:
        if (highest - level) ** 2 <= allowed_squared:
            pooled.update(near)
    return rounded_mean([levels[index] for index in pooled])


def _state_level(levels: Sequence[int], bin_nm: int) -> int:
    """Return the histogram-mode state level (IEEE Std 181), refined by the mean around the mode."""
    lowest = min(levels)
    counts_by_bin: dict[int, int] = {}
    for level in levels:
        number = (level - lowest) // bin_nm
        counts_by_bin[number] = counts_by_bin.get(number, 0) + 1
    mode = max(counts_by_bin, key=lambda number: (counts_by_bin[number], number))
    centre = lowest + mode * bin_nm + bin_nm // 2
    for _ in range(2):
        around = [level for level in levels if 2 * abs(level - centre) <= 3 * bin_nm]
        centre = rounded_mean(around) if around else centre
    return centre


def _crossing(samples: StrokeSamples, offsets: list[int], level: int) -> int:
    """Return when the rise first crossed `level`, interpolated between the readings on either side."""
    before_time, before = samples.rest_time, 0
    for time, offset in zip(samples.times, offsets, strict=True):
        if offset >= level:
            step = offset - before
            return before_time + ((time - before_time) * (level - before) // step if step > 0 else 0)
        before_time, before = time, offset
    return before_time


def _held_ns(samples: StrokeSamples, offsets: list[int], hold: list[int], level: int) -> int:
    """Return how long the travel stayed above `level`, interpolated into the readings before and after the hold."""
    end = samples.times[hold[-1]]
    if hold[-1] + 1 < len(offsets):
        last, following = offsets[hold[-1]], offsets[hold[-1] + 1]
        after = samples.times[hold[-1] + 1]
        if last > following and last > level:
            end += (after - end) * min(last - level, last - following) // (last - following)
    return end - _crossing(samples, offsets, level)


def _drift_in_hold(levels: list[int]) -> tuple[int, int, int]:
    """Return how far the hold moved from its third to its last quarter, the last quarter's mean, and its size.

    Of a short hold it is thirds, since a quarter of it would be a reading or two.
    """
    size = max(1, len(levels) // (4 if len(levels) >= 16 else 3))
    last = rounded_mean(levels[-size:])
    previous = levels[-2 * size : -size] or levels[:1]
    return last - rounded_mean(previous), last, size


def measure(samples: StrokeSamples, resolution_nm: int, plunger_range: tuple[int, int] | None) -> Measured | None:
    """Measure one complete stroke; None if its readings hold no level that stands clear of their noise.

    `resolution_nm` is the display step and `plunger_range` the displayed values the plunger can reach, nm.
    """
    offsets = [samples.direction * (value - samples.rest_nm) for value in samples.values]
    noise = max(samples.noise_nm, resolution_nm * 29 // 100)  # a display step alone is d/sqrt(12) of noise
    keep = _without_glitches(samples, offsets, noise, resolution_nm)
    flags = set(samples.noted)
    hold = _hold(samples, offsets, keep)
    if not hold:
        # A slow stream shows a tap as one reading clear of those on its way there and back: nothing wild about it,
        # where the one beside it was on the way, and not far below.
        out = [samples.top_nm <= 2 * offset <= 5 * samples.top_nm for offset in offsets]
        if not any(map(and_, out, out[1:])):
            return None
        keep = [True] * len(offsets)
        hold = _hold(samples, offsets, keep)
        if not hold:
            return None
    if not all(keep):
        flags.add("glitch")

    levels = [offsets[index] for index in hold]
    late = _late_noise(noise, levels, resolution_nm)
    rounding = rounding_left(samples.rest_noise_nm, resolution_nm)
    # Sluggish or shaky hands make the hold noisier than the rest; the larger of the two is the truth.
    # Up to a display step, what looks like noise is the display stepping as the level settles.
    # Few readings tell their noise only roughly: the smaller of two estimates is not the one that strayed.
    shaky = curvature_noise(levels)
    if len(levels) < 16:
        shaky = min(shaky, successive_noise(levels))
    if shaky > resolution_nm:
        noise = max(noise, shaky)
    # The first eighth of every hold is left out, told to be rising or not.
    standing = settled(levels[len(levels) // 8 :], late)
    peak = _peak(standing, noise, resolution_nm)
    if peak < (3 if len(levels) >= 16 else 2) * shaky:
        return None
    held = _state_level(standing, max(resolution_nm, 2 * noise))
    creep, last_level, quarter = _drift_in_hold(levels)

    rise = _crossing(samples, offsets, held * 9 // 10) - _crossing(samples, offsets, held // 10)
    # A slow stream tells how long it was to about half a reading: in doubt it was short.
    short = _held_ns(samples, offsets, hold, held * 9 // 10) < SHORT_HOLD_NS + samples.reading_ns // 2
    if short:
        flags.add("short_hold")
    # Of three readings of a short hold one was on the way there or back.
    if len(hold) < SPARSE_READINGS or (short and len(hold) == SPARSE_READINGS):
        flags.add("sparse")
    elif not short:
        if growth(levels[len(levels) // 3 :], noise, rounding, 22) > peak * 22 // 1000:
            flags.add("creep")
        elif (end := end_level(levels, late, rounding)) is not None and held < end < held + held // 50:
            peak, held = max(peak, end), end
        # Four standard errors of a difference of two means of `quarter` readings.
        doubt = isqrt(32 * noise * noise // quarter)
        sudden = peak - last_level > max(2 * resolution_nm, doubt, peak * 3 // 100)
        if sudden or -growth(levels[len(levels) // 4 :], noise, rounding, 25) > peak * 15 // 1000:
            flags.add("leak")

    return_error = _return_flags(samples, peak, noise, resolution_nm, flags)
    if plunger_range is not None:
        _reach_flags(samples, peak, resolution_nm, plunger_range, flags)
    return Measured(
        start_ns=samples.times[0],
        end_ns=_end(samples, offsets, peak),
        peak_travel_nm=peak,
        held_travel_nm=held,
        rise_ns=rise,
        creep_nm=creep,
        return_error_nm=return_error,
        rounding_nm=isqrt(
            rounding**2
            + rounding_left(successive_noise(levels[len(levels) // 4 :]), resolution_nm) ** 2  # once it has settled
            + 2 * (resolution_nm * _UNPROVEN_STEP // 10_000) ** 2
        ),
        flags=tuple(flag for flag in FLAGS if flag in flags),
    )


def return_tolerance(travel_nm: int, noise_nm: int, resolution_nm: int) -> int:
    """Return how far from rest still counts as back at rest: display steps, noise, or 2 % of the travel.

    Of a stroke hardly above its noise, at most a third, or its hold would be near rest.
    """
    return max(5 * resolution_nm // 2, min(4 * noise_nm, travel_nm // 3), travel_nm // 50)


def _return_flags(samples: StrokeSamples, peak: int, noise: int, resolution_nm: int, flags: set[str]) -> int:
    """Add what the return says, and return the rest after minus the rest before, along the travel."""
    after = samples.values[-1] if samples.rest_after_nm is None else samples.rest_after_nm
    error = samples.direction * (after - samples.rest_nm)
    # Both levels are means of several readings, at least four: twice the noise of one is four times theirs.
    if error * 8 > peak and (not samples.returned or error > 2 * noise):
        flags.add("no_return")
    # From an eighth to a third of the travel it may be either: a piston that stuck, or an indicator that slipped.
    if error * 3 <= peak and abs(error) > max(5 * resolution_nm // 2, 2 * noise, peak // 50):
        flags.add("base_moved")
    return error


def _reach_flags(
    samples: StrokeSamples, peak: int, resolution_nm: int, plunger_range: tuple[int, int], flags: set[str]
) -> None:
    """Add `out_of_reach` where the plunger was at or near an end of its range."""
    low, high = plunger_range
    margin = max(2 * resolution_nm, (high - low) // 200)
    seen = [samples.rest_nm + samples.direction * peak]
    # An indicator zeroed at rest shows zero wherever its plunger stands, so zero at rest says nothing.
    if abs(samples.rest_nm) > 2 * resolution_nm:
        seen.append(samples.rest_nm)
    if any(value <= low + margin or value >= high - margin for value in seen):
        flags.add("out_of_reach")


def _end(samples: StrokeSamples, offsets: list[int], peak: int) -> int:
    """Return when the travel was back: the first reading after the fall within a tenth of the way to its end."""
    last = offsets[-1]
    near = max(abs(peak - last) // 10, 1)
    for index in range(samples.fall_index, len(offsets)):
        if offsets[index] <= last + near:
            return samples.times[index]
    return samples.times[-1]
