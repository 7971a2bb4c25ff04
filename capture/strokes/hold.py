"""Which readings of one stroke are its hold: from reaching the top to letting go, without glitches.

Theory. A reading that stands clear of both neighbours is a glitch and is set aside. The hold runs from the first
reading at 90 % of the top to the last one before the release falls away, where the fall is a small part of its fastest;
what leaks is slower than what is released. What stood level and then went faster than any seal under air loses it, or
ever faster, was let go there, slowly and by hand. How a hold begins that was overshot is in `overshoot`.

A travel that was only pushed out, turned and came back has no hold: it stood near its top for less time than it took to
come there, or it is bent there where a hold is flat; what sinks evenly, many times as slowly as it came, does neither,
but leaks. Where there is none, sustained means a twentieth of a second, five readings at 100 Hz, and the highest
travel is the highest median of that: a hand or a piston turns no quicker, and most of a bounce or a wild reading is
over sooner.

All arithmetic is on integers, so that a replay gives the same on any machine.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import accumulate
from math import isqrt
from operator import sub

from capture.strokes.levels import Sway, highest_median

#: A bounce is over within this (common practice).
BOUNCE_NS = 250_000_000
#: A hold shorter than this cannot have settled: squeezing the oil out takes a tenth of a second and more
#: (common practice).
SHORT_HOLD_NS = 250_000_000
#: A travel is sustained that stood for most of this: what a hand or a piston turns in takes longer, a bounce less.
SUSTAINED_NS = 50_000_000
#: What sinks so many times as slowly as it came leaks: a hand lets go not so much more slowly (common practice).
SINKS_SLOWER = 8
_FEW_IN_THIRD = 4
#: A seal loses no more than this of a pack that fills at all, and no hand that moves an indicator is so slow (common
#: practice).
LEAKS_NM_PER_S = 800_000
#: A hand lets a piston back faster than this, and no seal under air does (common practice): it is 0.2 in/s, and a pack
#: that lost so much would never have filled.
LET_BACK_NM_PER_S = 5_000_000
#: A hand that lets a piston back lets it go nowhere so many times as fast as at first; a valve does (common practice).
_EVENLY = 4
#: In fewer readings no level is told from what follows.
_MANY_HELD = 8
#: Of more readings none that is damaged by less than a glitch moves a level by a tenth of a display step.
_FEW = 64


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
    rest_mean_ns: int | None = None
    """The mean time of the readings of the rest level before; None where it is not known."""
    drift_nm_per_s: int = 0
    """How fast the rest level moved, as displayed, as far as what still comes home did not make it."""
    drift_doubt_nm_per_s: int = 0
    moved_nm: int = 0
    """How far the level at rest moved from before to after, this stroke or, less and less, one before."""
    sway: Sway = field(default_factory=Sway)
    """How far the level went at rest before this stroke, or before one not long ago."""


def without_glitches(samples: StrokeSamples, offsets: list[int], noise_nm: int, resolution_nm: int) -> list[bool]:
    """Say of each offset whether it can be kept: not clear of both its neighbours.

    Clear is eight times the noise, 3.5 display steps, and as long as the pack may bounce an eighth of the travel. The
    first has only rest before it, and may be a bounce: it must be clear by the whole of the top.
    """
    keep = [True] * len(offsets)
    if len(offsets) <= _FEW:
        keep = _on_the_steps(samples.values, resolution_nm)
    top, times = samples.top_nm, samples.times
    least = max(8 * noise_nm, 7 * resolution_nm // 2)
    bouncing = max(least, top * 12 // 100)
    if len(offsets) >= 2 and offsets[0] - max(0, offsets[1]) > max(bouncing, top):
        keep[0] = False
    reached = next((at for at, offset in enumerate(offsets) if offset * 10 >= top * 9), 0)
    still_ns = times[reached] + BOUNCE_NS if offsets else 0
    # Of most readings the step to them says it already. One that is found wild here has a step behind it as well.
    doubtful = [at for at, step in enumerate(map(sub, offsets[1:-1], offsets), 1) if not -least <= step <= least]
    if False in keep:
        doubtful = sorted({*doubtful, *(at + 1 for at, kept in enumerate(keep[:-2]) if not kept)})
    for index in doubtful:
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


def _on_the_steps(values: Sequence[int], resolution_nm: int) -> list[bool]:
    """Say of each displayed value whether it is one that the display can show, where all others are: the digits of a
    damaged line need not be. A display that has finer steps than it is said to have is none to tell by.
    """
    places = [value % resolution_nm for value in values]
    usual = sorted(places)[len(places) // 2]
    return [place == usual for place in places] if places.count(usual) >= len(places) - 2 else [True] * len(places)


def hold_of(samples: StrokeSamples, offsets: list[int], keep: list[bool]) -> list[int]:
    """Return the indices of the kept readings between reaching 90 % of the top and letting go."""
    top = samples.top_nm
    end = samples.fall_index
    if samples.release_ns is not None:
        end = min(end, bisect_left(samples.times, samples.release_ns))
    start = next((i for i in range(end) if keep[i] and offsets[i] * 10 >= top * 9), None)
    if start is None:
        return []
    inside = list(range(start, end))
    if False in keep[start:end] or 2 * min(offsets[start:end]) < top:
        inside = [i for i in inside if keep[i] and offsets[i] * 2 >= top]
    if samples.fall_index < len(offsets):
        del inside[max(1, bisect_right(inside, _let_go(samples, offsets, keep))) :]
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
    if not all(keep):
        for at in range(1, len(clean)):
            if not keep[at]:
                clean[at] = clean[at - 1]
    sums = [0, *accumulate(clean)]
    first = max(near_top + 1, 2 * width - 1)
    ends = (sums[first + 1 - part * width :] for part in range(3))
    falls = [2 * middle - before - end for end, middle, before in zip(*ends, strict=False)]
    drop = max(0, max(falls, default=0))
    index = first + falls.index(drop) if drop else fallen
    # Where one reading to the next takes in the whole of a fall, what leaks meanwhile is not so very much less.
    slower = 16 if width > 1 else 4
    # A valve opens in about the time that the rest of the fall takes: what fell for longer before it leaked.
    over = next(
        (at for at in range(max(index, 2 * width - 1), len(offsets)) if 8 * _fell(sums, at, width) < drop),
        len(offsets) - 1,
    )
    earliest = index - max(2 * width, 3 * (over - index) // 2)
    # What falls half as fast as it does anywhere was let go, however long it takes.
    while index >= 2 * width and 2 * _fell(sums, index, width) >= drop > 0:
        index -= 1
    while index >= max(2 * width, earliest) and slower * _fell(sums, index, width) >= drop:
        index -= 1
    # Of a hold that began no earlier than that, single readings must tell.
    while max(2, earliest) <= index < 2 * width and slower * width * width * _fell(sums, index, 1) >= drop:
        index -= 1
    return max(0, index - max(1, 40_000_000 // typical_ns))


def _fell(sums: list[int], index: int, width: int) -> int:
    """Return by how much the `width` readings up to `index` are below those before them, times `width`."""
    return 2 * sums[index - width + 1] - sums[index - 2 * width + 1] - sums[index + 1]


def crossing(samples: StrokeSamples, offsets: list[int], level: int) -> int:
    """Return when the rise first crossed `level`, interpolated between the readings on either side."""
    before_time, before = samples.rest_time, 0
    for time, offset in zip(samples.times, offsets, strict=True):
        if offset >= level:
            step = offset - before
            return before_time + ((time - before_time) * (level - before) // step if step > 0 else 0)
        before_time, before = time, offset
    return before_time


def held_ns(samples: StrokeSamples, offsets: list[int], hold: list[int], level: int) -> int:
    """Return how long the travel stayed above `level`, interpolated into the readings before and after the hold."""
    end = samples.times[hold[-1]]
    if hold[-1] + 1 < len(offsets):
        last, following = offsets[hold[-1]], offsets[hold[-1] + 1]
        after = samples.times[hold[-1] + 1]
        if last > following and last > level:
            end += (after - end) * min(last - level, last - following) // (last - following)
    return end - crossing(samples, offsets, level)


def turned(samples: StrokeSamples, offsets: list[int], hold: list[int], lasted_nm: int | None) -> bool:
    """Say whether the travel only rose, turned and fell, by hand and not by air: it stood near its top for less time
    than it took to come there, and hardly longer than it took to fall. A pack that is filled rises in a small part of
    its hold, one that leaks as well, and one that creeps is let go as quickly as it should be. A stream too slow to
    show the rise says nothing of it. `lasted_nm` is the crest of the offsets, None where that was not asked yet.
    """
    top = samples.top_nm
    rise = crossing(samples, offsets, top * 9 // 10) - crossing(samples, offsets, top // 10)
    fall = returned_ns(samples, offsets, top) - samples.times[hold[-1]]
    if rise <= 3 * samples.reading_ns:
        return False
    if _sinks_evenly(samples, offsets, hold, rise):
        return False
    stood = held_ns(samples, offsets, hold, top * 9 // 10)
    if 3 * offsets[hold[-1]] <= 2 * top:
        # What sank by a third before it was let go, and from nine tenths sooner than it had come, was never held.
        high = next((at for at in reversed(hold) if offsets[at] * 10 >= top * 9), hold[0])
        if samples.times[high] - crossing(samples, offsets, top * 9 // 10) < rise:
            return True
    return stood < min(rise, 2 * fall) or _bent(samples, offsets, rise, lasted_nm)


def _sinks_evenly(samples: StrokeSamples, offsets: list[int], hold: list[int], rise_ns: int) -> bool:
    """Say whether the travel sank many times as slowly as it had come, and no faster to the end, as what turns does."""
    third = len(hold) // 4
    if third < _FEW_IN_THIRD:
        return False
    first, second, last = (
        sum(offsets[at] for at in hold[len(hold) - part * third : len(hold) - (part - 1) * third]) for part in (3, 2, 1)
    )
    sank, span = first - last, samples.times[hold[-1 - third // 2]] - samples.times[hold[-1 - third // 2 - 2 * third]]
    # What a turn loses before its hold seems to end is less, and no more even than noise.
    if sank * 16 < samples.top_nm * third or 15 * (first - second) < 7 * sank:
        return False
    if sank * SINKS_SLOWER * rise_ns < third * span * (samples.top_nm * 8 // 10):
        return True
    # What filled slowly as well, but sinks as slowly as a seal lets it, and then was let go many times as quickly.
    apart = SUSTAINED_NS // max(1, samples.reading_ns) + 1
    gone = offsets[max(0, hold[-1] - apart) :]
    steepest = max(map(sub, gone, gone[apart:]), default=0)
    slowly = sank * 1_000_000_000 <= LEAKS_NM_PER_S * third * span and 16 * steepest > samples.top_nm
    return slowly and sank * SINKS_SLOWER * apart * samples.reading_ns < 2 * third * span * steepest


def while_level(samples: StrokeSamples, offsets: list[int], hold: list[int], noise_nm: int, step_nm: int) -> list[int]:
    """Return the hold without the end of it in which the travel was let back slowly, by hand.

    A seal may fail during a hold, but does not lose so much at once: what stood level for half the hold and then went
    so fast was let go there. So was what went faster than any seal lets it and on to rest, nowhere many times as fast:
    a leak ends with a release. And so was what went ever faster: what leaks sinks evenly, or ever more slowly.
    """
    level = sorted(offsets[at] for at in hold[: len(hold) // 2 + 1])[len(hold) // 4]
    away = level - offsets[hold[-1]]
    still = max(2 * step_nm, 4 * noise_nm)
    if len(hold) < _MANY_HELD or away <= still:
        return hold
    # Of a slow stream the last readings may be of the release itself.
    end = len(hold) - 1 - samples.reading_ns * 2 // SUSTAINED_NS
    if (top := max(offsets[at] for at in hold)) * 7 > offsets[hold[-1]] * 8 and 2 * samples.reading_ns <= SUSTAINED_NS:
        turns = next(at for at in range(len(hold) - 1, -1, -1) if offsets[hold[at]] >= top - still)
        brief = samples.times[hold[turns]] - samples.times[hold[0]] < SHORT_HOLD_NS
        if brief and _ever_faster([offsets[at] for at in hold[turns:end]], noise_nm, step_nm):
            return hold[: turns + 1]
    knee = next(at for at in range(len(hold) - 1, -1, -1) if offsets[hold[at]] >= level - still)
    stood = [offsets[at] for at in hold[knee // 4 : knee + 1]]
    began_ns, went_ns, over_ns = (samples.times[hold[at]] for at in (0, knee, -1))
    if went_ns - began_ns < SHORT_HOLD_NS or max(stood) - min(stood) > 2 * still:
        return hold
    if away > samples.sway.all_nm and _ever_faster([offsets[at] for at in hold[knee:end]], noise_nm, step_nm):
        return hold[: knee + 1]
    if 2 * (went_ns - began_ns) < over_ns - began_ns or away <= level * 3 // 100:
        return hold
    rate, lasted_ns = away * 1_000_000_000, over_ns - went_ns
    apart = SUSTAINED_NS // max(1, samples.reading_ns)
    gone = offsets[hold[knee] :]
    evenly = (
        rate > 2 * LEAKS_NM_PER_S * lasted_ns
        and apart >= 2  # a slower stream shows no release as steep as it was
        and max(map(sub, gone, gone[apart:]), default=0) * lasted_ns <= _EVENLY * away * apart * samples.reading_ns
    )
    return hold[: knee + 1] if evenly or rate > LET_BACK_NM_PER_S * lasted_ns else hold


def _ever_faster(levels: list[int], noise_nm: int, step_nm: int) -> bool:
    """Say whether these sink half as fast again in their second half as in their first, clear of noise and steps."""
    third = len(levels) // 3
    if third < _FEW_IN_THIRD:
        return False
    first, second, last = (sum(levels[at : at + third]) for at in (0, third, len(levels) - third))
    soon, late = first - second, second - last
    # Three standard errors of the difference of two such differences, each of 2 * third readings.
    clear = 3 * noise_nm * isqrt(6 * third) + step_nm * third
    return 2 * late > 3 * soon and late - soon > clear


def _bent(samples: StrokeSamples, offsets: list[int], rise_ns: int, lasted_nm: int | None) -> bool:
    """Say whether the travel turned round at a top that is bent and not flat: above nine tenths for hardly longer than
    it took to come and to go, above 97 % in a part of that only, and fallen from there as a bend falls.

    Of a top that is bent as |t|^p, with p from one to four, the fall from 97 to 90 % takes a tenth to a third of that
    from 90 to 10 %, which is nowhere four times as steep as it is on average. Where a valve lets go it is a thirtieth
    (of an exponential: 0.075 / 2.2), and of a hold that leaks down to a tenth the release is far the steepest.
    """
    times, reading_ns = samples.times, samples.reading_ns
    top = crest(offsets, reading_ns) if lasted_nm is None else lasted_nm
    if top <= 0:  # nothing lasted on this side of rest
        return False
    width = _lasting_width(offsets, reading_ns)
    places = range(len(offsets) - width + 1)

    def lasts(at: int, part: int) -> bool:
        return sorted(offsets[at : at + width])[width // 2] * 100 >= top * part

    last: list[int] = []
    reaches = len(offsets) - 1
    for part in (10, 90, 97):
        # Half of its readings at least reach that, so the last that does is no further on than so many.
        while offsets[reaches] * 100 < top * part:
            reaches -= 1
        at = min(reaches - (width - 1) // 2, places[-1])
        while not lasts(at, part):
            at -= 1
        last.insert(0, at)
    first_at_90 = next(at for at in places if lasts(at, 90))
    first = [next(at for at in places[first_at_90:] if lasts(at, 97)), first_at_90]
    bend, fall = times[last[1]] - times[last[0]], times[last[2]] - times[last[1]]
    high, stood = times[last[0]] - times[first[0]], times[last[1]] - times[first[1]]
    if 2 * stood >= 3 * (rise_ns + fall) or 10 * high >= 8 * stood or 2 * bend < 3 * reading_ns:
        return False
    if not 12 * bend > fall > 8 * reading_ns:
        return False
    apart = SUSTAINED_NS // max(1, reading_ns) + 1
    smooth = [sorted(offsets[at : at + width])[width // 2] for at in places]
    steepest = max(map(sub, smooth, smooth[apart:]), default=0)
    return steepest * fall < 4 * (top * 8 // 10) * apart * reading_ns


def crest(levels: Sequence[int], reading_ns: int) -> int:
    """Return the highest travel that lasted, where there was no hold: the highest median of SUSTAINED_NS."""
    return highest_median(levels, _lasting_width(levels, reading_ns))


def _lasting_width(levels: Sequence[int], reading_ns: int) -> int:
    """Return how many readings make SUSTAINED_NS, three at least, of these levels, of which there are some."""
    return min(len(levels), max(3, SUSTAINED_NS // max(1, reading_ns)) | 1)


def returned_ns(samples: StrokeSamples, offsets: list[int], peak: int) -> int:
    """Return when the travel was back: the first reading after the fall within a tenth of the way to its end."""
    last = offsets[-1]
    near = max(abs(peak - last) // 10, 1)
    for index in range(samples.fall_index, len(offsets)):
        if offsets[index] <= last + near:
            return samples.times[index]
    return samples.times[-1]
