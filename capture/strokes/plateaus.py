"""Where the running stroke stood still: whether that was the rest, or where the piston has stuck on its way back.

Lengths are integer nanometres as displayed, times integer nanoseconds since the recording began.
"""

from __future__ import annotations

from bisect import bisect_left

from capture.strokes.earlier import Plateau
from capture.strokes.hold import SHORT_HOLD_NS
from capture.strokes.levels import rounded_mean
from capture.strokes.running import LEAST_UNPROVEN_NM, SETTLED_AWAY_NS, RunningStroke

#: A release is over within this; a leak takes longer to fall as far (common practice).
_QUICK_FALL_NS = 600_000_000


def stood_before(stroke: RunningStroke) -> Plateau | None:
    """Say where it stood before, if it now stands there again and between made a stroke, and not back to rest:
    then that is the rest, and the way there was the indicator being moved.

    A stroke is at least half as far as the one before, or clear of a bump where there is none. Towards the old rest
    only what is like a stroke before is one, or a hold in which the air failed for a moment would be a rest.
    """
    earlier, level = stroke.earlier, stroke.rest.level_nm
    for plateau in reversed(stroke.plateaus):
        if abs(stroke.settle_nm - plateau.level_nm) > max(stroke.rest.calm_nm, stroke.tolerance() // 4):
            continue
        between = stroke.values[plateau.end : bisect_left(stroke.times, stroke.settle_from_ns)]
        ways = sorted((value - plateau.level_nm for value in between), key=abs)
        if len(ways) < 2:
            return None
        way = ways[-2]
        if (first := earlier.first_way) and abs(abs(way) - abs(first)) * 8 <= abs(first):
            if way * first > 0:
                return plateau
            continue  # strokes go the other way: this is a hold between two of them
        outwards = (way > 0) == (plateau.level_nm > level)
        known = earlier.sound_travel_nm
        least = max(stroke.threshold(), known // 2 or LEAST_UNPROVEN_NM)
        like = (way > 0) == (earlier.sound_direction > 0) and abs(abs(way) - known) * 4 <= known
        return plateau if abs(way) >= least and (outwards or (known and like)) else None
    return None


def begin_at(stroke: RunningStroke, plateau: Plateau) -> None:
    """It began where it left this plateau, which is the rest."""
    stroke.rest.level_nm, stroke.rest.time_ns = plateau.level_nm, stroke.times[plateau.end - 1]
    stroke.times, stroke.values = stroke.times[plateau.end :], stroke.values[plateau.end :]
    ways = sorted((value - plateau.level_nm for value in stroke.values), key=abs)
    stroke.direction = 1 if ways[-1] > 0 else -1
    stroke.top_nm = abs(ways[-2])
    out = [at for at, travel in enumerate(stroke.travels(stroke.values)) if 2 * travel >= stroke.top_nm]
    stroke.fall_index = out[-1] + 1


def stuck_from(stroke: RunningStroke, t_ns: int) -> int | None:
    """Return the index at which the release began that has ended above half the top, since the piston has stuck on
    its way; None where it has not, or was asked of this stand before.

    The travel then lies flat, after a fall that was quick, after a hold that was one. A leak falls slowly and does
    not stop; a bounce is over before a hold could have been.
    """
    if t_ns - stroke.settle_from_ns < SETTLED_AWAY_NS:
        return None
    flat_from = bisect_left(stroke.times, stroke.settle_from_ns)
    if len(stroke.times) - flat_from < 4 or stroke.settle_from_ns == stroke.flat_from_ns:
        return None
    stroke.flat_from_ns = stroke.settle_from_ns  # once is enough, and every reading of a long hold must stay cheap
    travels = stroke.travels(stroke.values)
    held = sorted(travel for travel in travels[:flat_from] if 2 * travel > stroke.top_nm)
    level = rounded_mean(travels[flat_from:])
    high = [index for index in range(flat_from) if travels[index] * 10 >= stroke.top_nm * 9]
    # Against the middle of the hold: the top of a quick stream is its highest noise.
    if len(high) < 2 or level * 4 >= held[len(held) // 2] * 3:
        return None
    near = 3 * stroke.rest.calm_nm
    arrived = next((index for index in range(high[-1], len(travels)) if abs(travels[index] - level) <= near), None)
    if arrived is None:
        return None  # nothing lies at the mean of what came: it does not lie flat
    held_ns = stroke.times[high[-1]] - stroke.times[high[0]]
    fell_ns = stroke.times[arrived] - stroke.times[high[-1]]
    if held_ns < SHORT_HOLD_NS or fell_ns > max(_QUICK_FALL_NS, 5 * stroke.pace.reading_ns // 2):
        return None
    return min(high[-1] + 1, len(stroke.values))
