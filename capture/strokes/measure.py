"""One stroke's readings in, its numbers and flags out. Finding where a stroke begins and ends is in `finder`.

Theory. The readings of one stroke are offsets from the rest level along the direction of travel, and from where a base
that drifts evenly was at the time of each; which of them are the hold is in `hold`. Its levels are means over many
readings, so that noise dithers the display and the level is finer than one display step:

* standing: the start of the hold, where the oil is being squeezed out, is left out as long as it stands below the rest
  of it. Where the release cut that short, it is followed to its end (`inferred`).
* peak: the highest travel that was sustained. The hold is cut into windows of a fifth of its readings; every window
  that cannot be told from the highest one, given the noise, is pooled. Sustained so means for a tenth of the hold and
  more: a bounce shorter than half a window cannot set the peak, and pooling keeps the highest of several noisy means
  from reading high. What leaks is followed back to where the leak began, since every window reads low by what has
  leaked before it; how far back that is, where nobody saw it, is in the uncertainty. Without a hold see `hold`.
  What is inferred lies at most an eighth above the highest travel that lasted, or the stroke does not count.
* held: the state level of IEEE Std 181, the mode of the hold's histogram, refined by the mean around it.
* rise: the transition duration of IEEE Std 181, from 10 % to 90 % of the held level, interpolated.
* creep and leak: the slope of the later part of the hold, where it is larger than noise and rounding could make it.
  A base that goes up and down at rest does so in a hold as well: a fall is a leak, and a growth a squeeze-out, where
  it stands out against that, and windows that differ by no more than that are pooled for the peak.
* fall: that slope where it falls, of the hold without the very beginning of the release.

All arithmetic is on integers, so a replay gives the same numbers on any machine.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate, compress
from math import isqrt
from operator import and_, sub

from capture.strokes.hold import (
    LET_BACK_NM_PER_S,
    SHORT_HOLD_NS,
    SINKS_SLOWER,
    SUSTAINED_NS,
    StrokeSamples,
    crest,
    crossing,
    held_ns,
    hold_of,
    returned_ns,
    turned,
    while_level,
    without_glitches,
)
from capture.strokes.inferred import (
    OPENING_NS,
    before_the_leak,
    fell_at_first,
    never_waited_for,
    surely_reached,
    to_its_end,
)
from capture.strokes.levels import (
    agreed,
    bends_of,
    growth,
    middles,
    noise_but_for_one,
    noise_of_bends,
    noise_of_steps,
    rounded_mean,
    rounding_left,
    settled,
    steps_between,
    with_flicker,
)
from capture.strokes.overshoot import overshoot
from capture.strokes.returned import reach_flags, return_flags
from capture.strokes.stroke import FLAGS

__all__ = ["Measured", "measure"]


#: What no number of readings proves of a level, in ten-thousandths of a display step: a tenth of one as half-width,
#: 0.1 d / sqrt(3). The steps of a display are not equally wide, and the last of a squeeze-out or a return is not told
#: from none (common practice: no reading is trusted below a tenth of its step).
_UNPROVEN_STEP = 577
#: A base that moves faster than this does not drift (common practice: a stand warms by a few micrometres a minute, and
#: in the sun by some a second).
_MOST_DRIFT_NM_PER_S = 3_500
#: Travel lost faster than this is a leak, however little of the travel it takes: 0.0016 in/s, as leaks from 0.002 in/s
#: on are looked for (common practice).
LEAK_NM_PER_S = 40_000
#: What sinks for so much longer than it took to rise, and for so long at least, was not let go (common practice).
_SINKS_NS = 200_000_000
#: What sinks faster than this was pulled back: a pack of some millimetres that lost so much would never have filled
#: (common practice).
_LOST_NM_PER_S = 10_000_000
#: No level is inferred that lies above the highest travel that lasted by more than this part of it: at 0.8 mm/s a seal
#: loses an eighth of 1.6 mm in a quarter of a second, longer than the first readings of any hold are waited for, and
#: of a squeeze-out of which more is still to come too little was seen (common practice). A stroke that would need more
#: does not count.
_MOST_INFERRED = 8
#: A fall stands out that is so many times what the level at rest went up and down, or moved from before to after.
_SWAYS, _MOVES = 5, 3
#: So many times where the rest moved by more than a display step: of holds on such a stand one in two hundred falls by
#: four times that.
_FALLS = 5
#: Of a hold that grows less than this part stands still enough for its end to tell a leak.
_RISEN = 3
#: A hold of fewer readings tells a leak only roughly.
_FEW_HELD = 8
#: Fewer readings than this in the hold are too few to trust.
SPARSE_READINGS = 3


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
    fall_nm_per_s: int
    inferred_nm: int
    rounding_nm: int
    flags: tuple[str, ...]


def _late_noise(noise_nm: int, late: list[int], steps: list[int], bends: list[int], resolution_nm: int) -> int:
    """Return the noise, or that of the second half of the hold, where hardly any tail is left to be taken for it.

    One reading that was damaged is no noise.
    """
    shaky = noise_of_steps(steps)
    if shaky > max(noise_nm, resolution_nm) and len(late) >= 5:
        shaky = min(shaky, noise_of_bends(bends), noise_but_for_one(late))
    return max(noise_nm, shaky if shaky > resolution_nm else 0)


def _peak(levels: Sequence[int], noise_nm: int, resolution_nm: int, sway_nm: int) -> int:
    """Return the highest sustained level: the pool of all windows that cannot be told from the highest.

    A window's level is the mean of its readings near its median, so that a bounce shorter than half a window does
    not lift it.
    """
    count = len(levels)
    width = max(min(3, count), count // 5)
    starts = list(range(0, count - width + 1, max(1, width // 4)))
    if starts[-1] != count - width:
        starts.append(count - width)
    reach = max(3 * noise_nm, resolution_nm * 3 // 2)
    # No single reading makes a window the highest.
    calm = middles(levels)
    sums = [0, *accumulate(calm)]
    windows: list[tuple[int, Sequence[int]]] = []
    for start in starts:
        inside: Sequence[int] = range(start, start + width)
        window = sorted(levels[start : start + width])
        low, high = window[width // 2] - reach, window[width // 2] + reach
        if low > window[0] or window[-1] > high:
            inside = [at for at in inside if low <= levels[at] <= high]
            windows.append((rounded_mean([calm[at] for at in inside]), inside))
        else:
            windows.append(((2 * (sums[start + width] - sums[start]) + width) // (2 * width), inside))
    highest = max(level for level, _ in windows)
    # Four standard errors of a window's mean, squared to stay with integers: of so many windows one is always high.
    # The base goes up and down by as much as it was seen to at rest.
    allowed_squared = 16 * with_flicker(calm, noise_nm, resolution_nm) ** 2 // width + (2 * sway_nm) ** 2
    pooled, ones = bytearray(count), b"\1" * width
    for level, inside in windows:
        if (highest - level) ** 2 <= allowed_squared:
            if isinstance(inside, range):
                pooled[inside.start : inside.stop] = ones
            else:
                for at in inside:
                    pooled[at] = 1
    some = sorted(compress(levels, pooled))
    middle = some[len(some) // 2]
    return rounded_mean(some[bisect_left(some, middle - reach) : bisect_right(some, middle + reach)])


def _state_level(levels: Sequence[int], bin_nm: int) -> int:
    """Return the histogram-mode state level (IEEE Std 181), refined by the mean around the mode."""
    ordered = sorted(levels)
    begin = most = centre = 0
    while begin < len(ordered):
        low = ordered[0] + (ordered[begin] - ordered[0]) // bin_nm * bin_nm
        end = bisect_left(ordered, low + bin_nm, begin)
        if end - begin >= most:  # of those with as many the highest
            most, centre = end - begin, low + bin_nm // 2
        begin = end
    for _ in range(2):
        # Within one and a half bins.
        low, high = -((3 * bin_nm - 2 * centre) // 2), (2 * centre + 3 * bin_nm) // 2
        around = ordered[bisect_left(ordered, low) : bisect_right(ordered, high)]
        centre = rounded_mean(around) if around else centre
    return centre


def _drift_in_hold(levels: list[int]) -> tuple[int, int, int]:
    """Return how far the hold moved from its third to its last quarter, the last quarter's mean, and its size.

    Of a short hold it is thirds, since a quarter of it would be a reading or two.
    """
    size = max(1, len(levels) // (4 if len(levels) >= 16 else 3))
    last = rounded_mean(levels[-size:])
    previous = levels[-2 * size : -size] or levels[:1]
    return last - rounded_mean(previous), last, size


def _swayed(samples: StrokeSamples) -> int:
    """Return how far the travel may move because the base did, which is no leak and no squeeze-out: so many times what
    the level at rest went lately, and from before to after, since a hold is longer than what was seen of a rest.
    """
    return max(_SWAYS * samples.sway.all_nm, _MOVES * samples.moved_nm)


def _offsets(samples: StrokeSamples) -> list[int]:
    """Return the travels of the readings from where the base was at the time of each.

    A stand that warms moves the base evenly: between the rest before and the rest after, each at the mean time of its
    readings, it is interpolated. What moved by more than a stand does was a step, or the piston is still coming home,
    and nobody knows when: then the rest before counts all along.
    """
    way, base, before, drift = samples.direction, samples.rest_nm, samples.rest_mean_ns, samples.drift_nm_per_s
    if before is not None and drift:
        # The base in billionths: one floor division a reading gives what is taken from it.
        billionths = base * 1_000_000_000 - drift * before
        bases = [(billionths + drift * time) // 1_000_000_000 for time in samples.times]
        return list(map(sub, samples.values, bases) if way > 0 else map(sub, bases, samples.values))
    return [value - base for value in samples.values] if way > 0 else [base - value for value in samples.values]


def measure(samples: StrokeSamples, resolution_nm: int, plunger_range: tuple[int, int] | None) -> Measured | None:
    """Measure one complete stroke; None if its readings hold no level that stands clear of their noise.

    `resolution_nm` is the display step and `plunger_range` the displayed values the plunger can reach, nm.
    """
    offsets = _offsets(samples)
    noise = max(samples.noise_nm, resolution_nm * 29 // 100)  # a display step alone is d/sqrt(12) of noise
    keep = without_glitches(samples, offsets, noise, resolution_nm)
    flags = set(samples.noted)
    too_far = overshoot(samples, offsets, keep, noise, resolution_nm)
    if too_far is not None:
        samples.top_nm = too_far.level_nm
    hold = hold_of(samples, offsets, keep)
    if not hold:
        # A slow stream shows a tap as one reading clear of those on its way there and back: nothing wild about it,
        # where the one beside it was on the way, and not far below.
        out = [samples.top_nm <= 2 * offset <= 5 * samples.top_nm for offset in offsets]
        if not any(map(and_, out, out[1:])):
            return None
        keep = [True] * len(offsets)
        hold = hold_of(samples, offsets, keep)
        if not hold:
            return None
    whole = all(keep)
    if not whole:
        flags.add("glitch")
    if too_far is not None:
        hold = [at for at in hold if at >= too_far.until] or hold[-1:]

    whole_hold = len(hold)
    hold = while_level(samples, offsets, hold, noise, resolution_nm)
    let_back = len(hold) < whole_hold
    levels = [offsets[index] for index in hold]
    lasted = crest(offsets if whole else list(compress(offsets, keep)), samples.reading_ns)
    steps, bends, half = steps_between(levels), bends_of(levels), len(levels) // 2
    late = _late_noise(noise, levels[half:], steps[half:], bends[half:], resolution_nm)
    rounding = rounding_left(samples.rest_noise_nm, resolution_nm)
    # Sluggish or shaky hands make the hold noisier than the rest; the larger of the two is the truth.
    # Up to a display step, what looks like noise is the display stepping as the level settles.
    # Few readings tell their noise only roughly: the smaller of two estimates is not the one that strayed.
    shaky = noise_of_bends(bends)
    if len(levels) < 16:
        shaky = min(shaky, noise_of_steps(steps))
    if shaky > resolution_nm:
        noise = max(noise, shaky)
    sway_nm = samples.sway.both_ways_nm
    # The first eighth of every hold is left out, told to be rising or not.
    as_read = settled(levels[len(levels) // 8 :], late, flicker_nm=resolution_nm, sway_nm=sway_nm)
    standing = as_read if samples.rest_noise_nm else agreed(as_read, resolution_nm)
    peak = _peak(standing, noise, resolution_nm, sway_nm)
    if peak < (3 if len(levels) >= 16 else 2) * shaky:
        return None
    held = _state_level(standing, max(resolution_nm, 2 * noise))
    creep, last_level, quarter = _drift_in_hold(levels)
    fall = inferred = 0

    rise = crossing(samples, offsets, held * 9 // 10) - crossing(samples, offsets, held // 10)
    # A slow stream tells how long it was to about half a reading: in doubt it was short.
    short = held_ns(samples, offsets, hold, held * 9 // 10) < SHORT_HOLD_NS + samples.reading_ns // 2
    if too_far is not None:
        short, by_hand = short or not too_far.told, False
        if not short:
            lasted = too_far.level_nm
    else:
        by_hand = not short and turned(samples, offsets, hold, lasted if whole else None)
    if by_hand or (short and 2 * samples.reading_ns <= SUSTAINED_NS):
        # A quick stream shows how far it went, for however short a time.
        peak = lasted if by_hand or too_far is not None else min(peak, lasted)
        held = min(held, peak)
    if short or by_hand:
        flags.add("short_hold")
        fall = 0 if too_far is not None or let_back else _sank(samples, offsets, lasted, rise)
        if fall:
            flags.add("leak")
    # Of three readings of a short hold one was on the way there or back.
    if len(hold) < SPARSE_READINGS or (short and len(hold) == SPARSE_READINGS):
        flags.add("sparse")
    elif not short and not by_hand:
        swayed = _swayed(samples)
        swayed_down = max(swayed, _FALLS * samples.moved_nm if samples.moved_nm > resolution_nm else 0)
        later = levels[len(levels) // 3 :]
        grew = growth(later, noise, rounding, 22)
        if grew > max(peak * 22 // 1000, 2 * sway_nm):
            flags.add("creep")
        # Four standard errors of a difference of two means of `quarter` readings.
        doubt = isqrt(32 * noise * noise // quarter)
        sudden = peak - last_level > max(2 * resolution_nm, doubt, peak * 3 // 100, swayed_down)
        least = max(2 * resolution_nm, swayed_down)
        down = too_far is None and fell_at_first(samples, hold, levels, noise, least, resolution_nm)
        # The beginning of the release is no leak.
        held_on = standing[: len(standing) - min(len(standing) // 8, OPENING_NS // max(1, samples.reading_ns))]
        # A hold may be noisier than the rest by less than a step; few readings know their noise roughly.
        many = len(held_on) >= 16
        first = len(hold) - len(standing)
        on, bent = steps[first : first + len(held_on) - 1], bends[first : first + len(held_on) - 2]
        if standing is not as_read:
            on, bent = steps_between(held_on), bends_of(held_on)
        restless = noise
        if many and noise_of_steps(on) > noise:
            restless = max(noise, min(noise_of_steps(on), noise_of_bends(bent)))
        # Where the display flickers, one hold in a hundred seems to fall by three of them; of a brief one that must do.
        flickers = samples.rest_noise_nm > 0 and len(held_on) >= _FEW_HELD
        errors = (30 if many else 25 + 60 // len(held_on)) + 5 * flickers
        fell = max(0, -growth(held_on, restless, rounding, errors))
        # What rises on to its very end stands there for too short a time to fall.
        if fell <= swayed_down or (grew > 0 and _RISEN * len(held_on) < len(hold)):
            fell = 0
        fall = (
            fell * 1_000_000_000 // max(1, samples.times[hold[first + len(held_on) - 1]] - samples.times[hold[first]])
        )
        if fall > LET_BACK_NM_PER_S:
            # Nothing was held that went so fast: it stood for a moment on its way.
            peak, fall = max(peak, lasted), 0
            flags.add("short_hold")
        elif sudden or fell > peak * 15 // 1000 or fall >= LEAK_NM_PER_S or down:
            flags.add("leak")
            followed = before_the_leak(samples, offsets, hold, noise, rounding, resolution_nm)
            if followed is not None and followed.level_nm - lasted > lasted // _MOST_INFERRED:
                # So much was never seen: what was read is all that can be said, and no clearance.
                peak = max(peak, lasted)
                flags.add("short_hold")
                if rise > 3 * samples.reading_ns:
                    flags.discard("leak")
                    fall = 0
            elif followed is not None:
                # A top that is round was seen, and its beginning is no flat one from which a leak began.
                below = max(0, surely_reached(levels, noise) - followed.level_nm)
                peak, inferred = followed.level_nm + below, isqrt(followed.standard_nm**2 + below**2)
        elif "creep" not in flags:
            # What goes one way was taken out, as the drift it is, or is the end of a return, and hides no growth.
            # Without the last as well: one reading that is damaged, or already falling, is no squeeze-out.
            grows = min(growth(some, noise, rounding, 30) for some in (later, later[:-1])) > 0
            told = grows and grew > _SWAYS * sway_nm
            followed = to_its_end(samples, offsets, hold, rise, late, rounding) if told else None
            if followed is None or followed.level_nm <= held:
                followed = never_waited_for(samples, hold, peak, later, grew if told else None, noise, rounding)
            if followed is not None and followed.level_nm - lasted > lasted // _MOST_INFERRED:
                flags.add("creep")
            elif followed is not None and told and followed.standard_nm * 1000 > followed.level_nm * 22:
                # Too little is known of where it was going to: what was read is all that can be said.
                flags.add("creep")
            elif followed is not None:
                # What could hide says nothing of where the travel is, and what it grew by in noise little.
                if told or followed.level_nm > peak:
                    peak = held = followed.level_nm
                inferred = followed.standard_nm

    return_error = return_flags(samples, peak, noise, resolution_nm, flags)
    if plunger_range is not None:
        reach_flags(samples, peak, resolution_nm, plunger_range, flags)
    return Measured(
        start_ns=samples.times[0],
        end_ns=returned_ns(samples, offsets, peak),
        peak_travel_nm=peak,
        held_travel_nm=held,
        rise_ns=rise,
        creep_nm=creep,
        return_error_nm=return_error,
        fall_nm_per_s=fall,
        inferred_nm=isqrt(inferred**2 + _drift_doubt(samples, hold) ** 2),
        rounding_nm=isqrt(
            rounding**2
            + rounding_left(noise_of_steps(steps[len(levels) // 4 :]), resolution_nm) ** 2  # once it has settled
            + 2 * (resolution_nm * _UNPROVEN_STEP // 10_000) ** 2
        ),
        flags=tuple(flag for flag in FLAGS if flag in flags),
    )


def _drift_doubt(samples: StrokeSamples, hold: list[int]) -> int:
    """Return in how much doubt the drift leaves the base in the middle of the hold."""
    if samples.rest_mean_ns is None:
        return 0
    since = samples.times[hold[len(hold) // 2]] - samples.rest_mean_ns
    return samples.drift_doubt_nm_per_s * since // 1_000_000_000


def _sank(samples: StrokeSamples, offsets: list[int], top_nm: int, rise_ns: int) -> int:
    """Return how fast what came quickly sank from nine tenths to three, nm/s; 0 where it was let go, or came by hand.

    A seal that loses so much leaves no hold. A valve takes no longer to let the air out than to let it in.
    """
    times = samples.times
    high = max((at for at, offset in enumerate(offsets) if offset * 10 >= top_nm * 9), default=0)
    low = next((at for at in range(high, len(offsets)) if offsets[at] * 10 <= top_nm * 3), len(offsets) - 1)
    took = times[low] - times[high]
    rise_ns = max(0, rise_ns - samples.reading_ns)  # between two readings it may have taken no time
    if low - high < 4 or 2 * rise_ns > OPENING_NS or took < max(SINKS_SLOWER * rise_ns, _SINKS_NS):
        return 0
    fell = (offsets[high] - offsets[low]) * 1_000_000_000 // took
    return fell if fell <= _LOST_NM_PER_S else 0
