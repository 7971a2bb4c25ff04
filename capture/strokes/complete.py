"""The stroke that is complete: what is asked once of all its readings, and how they are handed to `measure`.

Lengths are integer nanometres, times integer nanoseconds since the recording began.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from itertools import islice, pairwise
from math import isqrt
from operator import sub

from capture.strokes.hold import StrokeSamples
from capture.strokes.home import MOST_DRIFT_NM_PER_S, WayHome
from capture.strokes.levels import rounded_mean, signed
from capture.strokes.running import RunningStroke

_SECOND = 1_000_000_000
#: So many readings on the far side of rest are none that were damaged.
_FEW_BEYOND = 3


def without_lone(stroke: RunningStroke) -> None:
    """Take out the readings of the return that stand clear of both neighbours: one such passes for a slow end."""
    clear = max(8 * stroke.rest.noise_nm, 7 * stroke.resolution_nm // 2)
    first = max(1, stroke.fall_index)  # the very reading that seemed to fall may be such a one
    returning = stroke.values[first - 1 :]
    steps = [step if abs(step) > clear else 0 for step in map(sub, returning[1:], returning)]
    if all(step * after >= 0 for step, after in pairwise(steps)):
        return
    for at in range(len(stroke.values) - 2, first - 1, -1):
        before, here, after = stroke.values[at - 1 : at + 2]
        if here - max(before, after) > clear or min(before, after) - here > clear:
            del stroke.times[at], stroke.values[at]
            stroke.noted.add("glitch")


def supported_top(stroke: RunningStroke) -> int:
    """Return the top, or the middle of the hold where wild readings that came together made a top nothing else
    reached."""
    top, out = stroke.top_nm, stroke.values[: stroke.fall_index]
    if next(islice((1 for value in out if 9 * top <= 10 * stroke.travel(value) <= 12 * top), 2, None), 0):
        return top
    clear = sorted(travel for travel in stroke.travels(out) if 4 * travel >= top)
    return top if len(clear) < 5 else min(top, clear[len(clear) // 2])


def came_from_beyond(stroke: RunningStroke) -> bool:
    """Say whether it went further past rest, on its way there, than any pack swings: the indicator was moved, and that
    it came to about where it had rested is chance."""
    way, beyond = stroke.direction, stroke.shown(-stroke.top_nm // 4)
    furthest = sorted(signed(stroke.values[stroke.fall_index :], way))[:_FEW_BEYOND]
    return len(furthest) == _FEW_BEYOND and furthest[-1] < way * beyond


def readings_in_fall(stroke: RunningStroke, peak: int) -> int:
    """Return how many readings of the release lay clear of both its ends, noise and all."""
    nearby = stroke.values[max(0, stroke.fall_index - 3) : stroke.fall_index + 4]
    clear = max(peak // 10, 6 * stroke.rest.noise_nm, 2 * stroke.resolution_nm)
    return sum(clear < stroke.travel(value) < peak - clear for value in nearby)


def slow_from(stroke: RunningStroke) -> int:
    """Return the index of the reading from which on the quick part of the return is over, at most the last.

    Of that hardly anything is left four times as long after its last tenth as it took to get there.
    """
    top, last = stroke.top_nm, len(stroke.values) - 1
    start = min(stroke.fall_index, last)
    while start > 0 and stroke.travel(stroke.values[start - 1]) * 10 < top * 9:
        start -= 1
    low = next((at for at in range(stroke.fall_index, last) if stroke.travel(stroke.values[at]) * 10 <= top), last)
    reading_ns = stroke.pace.reading_ns
    took = stroke.times[low] - stroke.times[max(0, start - 1)] - reading_ns
    return min(bisect_left(stroke.times, stroke.times[low] + max(4 * took, reading_ns * 3 // 4)), last)


def samples(stroke: RunningStroke, rest_after_nm: int | None, back: Sequence[int], slow_from: int) -> StrokeSamples:
    """Return it as it is measured, with the rest level after it, None if it never settled.

    Its return is slow from that reading on. Where the level is the mean of the newest readings, those that came `back`,
    it is known when they came.
    """
    rest = stroke.rest
    drift, inferred = 0, 0
    if len(back) >= 2 and rest_after_nm == rounded_mean(back):
        drift, inferred = _drifted(stroke, rest_after_nm, len(back), slow_from)
    tolerance = stroke.tolerance()
    moved = 0 if rest_after_nm is None else abs(rest_after_nm - rest.level_nm)
    # What moved much further was moved, and does not move by itself; nor did what the noise of few readings makes on a
    # stand that was seen to keep still.
    still = not rest.sway.all_nm and not rest.wander_nm and 10 * rest.displayed_noise_nm >= 9 * stroke.resolution_nm
    made_by_noise = 2 * rest.displayed_noise_nm // isqrt(max(1, len(back))) if still else 0
    by_itself = moved - made_by_noise if moved <= 2 * tolerance else 0
    stroke.moved_nm = max(by_itself, stroke.moved_nm * 3 // 4)
    return StrokeSamples(
        times=stroke.times,
        values=stroke.values,
        rest_time=rest.time_ns,
        rest_nm=rest.level_nm,
        direction=stroke.direction,
        noise_nm=rest.noise_nm,
        rest_noise_nm=rest.displayed_noise_nm,
        top_nm=stroke.top_nm,
        fall_index=stroke.fall_index,
        rest_after_nm=rest_after_nm,
        returned=rest_after_nm is not None and moved <= tolerance,
        reading_ns=stroke.pace.reading_ns,
        release_ns=stroke.release_ns,
        noted=frozenset(stroke.noted),
        moved_nm=stroke.moved_nm,
        sway=rest.sway,
        rest_mean_ns=rest.time_ns - rest.age_ns,
        drift_nm_per_s=drift,
        drift_doubt_nm_per_s=inferred,
    )


def _drifted(stroke: RunningStroke, rest_after_nm: int, count: int, slow_from: int) -> tuple[int, int]:
    """Return how fast the rest level moved from before to after, where those are `count` readings, and in how
    much doubt a return that may not have ended leaves that."""
    rest, still_ns = stroke.rest, (count - 1) * stroke.pace.reading_ns
    mean_ns = stroke.times[-1] - still_ns // 2
    span = mean_ns - rest.time_ns + rest.age_ns
    if span <= 0 or abs(rest_after_nm - rest.level_nm) > stroke.tolerance():
        return 0, 0
    slow = min(slow_from, len(stroke.values) - count)
    sure = rest.surely(rest.level_of(stroke.values[-count:]), count)
    turn = -stroke.direction
    way = WayHome(stroke.times[slow:], signed(stroke.values[slow:], turn), turn, stroke.top_nm, still_ns)
    after = rest.home(way, sure, mean_ns)
    moved, doubt = after.level_nm - rest.level_nm, isqrt(max(0, after.standard_nm**2 - sure.standard_nm**2))
    if abs(moved) * _SECOND > MOST_DRIFT_NM_PER_S * span:
        return 0, 0
    rate = moved * _SECOND // span
    drift = rest.drift.evident(rate, (rest.variance(count) + rest.left_variance) * _SECOND**2 // span**2)
    # What is not taken out may be drift all the same.
    return drift, isqrt((doubt * _SECOND // span) ** 2 + (rate - drift) ** 2)
