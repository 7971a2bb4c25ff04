"""What one more reading shows, by the state it comes in: `machine` says what follows from a sign, `finder` does it.

A sign comes with the readings that rest goes on from, where it leads there, as displayed in nanometres.
"""

from __future__ import annotations

from collections.abc import Sequence

from capture.strokes.levels import rounded_mean
from capture.strokes.machine import Sign
from capture.strokes.plateaus import stood_before, stuck_from
from capture.strokes.rest import LEAST_TRAVEL_NM, RestLevel
from capture.strokes.running import LONGEST_HOLD_NS, SETTLED_AWAY_NS, SETTLED_NEAR_NS, RunningStroke
from capture.strokes.zero_key import is_release_after_zeroing, is_zeroing, shift_by

Shown = tuple[Sign, Sequence[int]] | None

#: How long a return is waited for that is still moving.
_LONGEST_RETURN_NS = 2_000_000_000
#: What leaves rest and comes back through it to the other side within this was no stroke.
_BRIEF_NS = 500_000_000
_DISTURBANCE_NS = 2_000_000_000
#: What is below half the top for one or two readings and then above it again was no release.
_DIP_READINGS = 4


def sign_of_a_start(newest: Sequence[int], resolution_nm: int, at_rest: bool) -> Shown:
    """Say whether the first readings, of which the newest has just come, are rest, if that is not known."""
    if len(newest) < 3:
        return None
    if at_rest:
        return Sign.AGREE, newest
    first, second, value = newest[-3:]
    calm = 2 * resolution_nm
    if abs(first - second) <= calm and abs(value - second) > max(3 * LEAST_TRAVEL_NM, 4 * calm):
        # The first stroke came at once: two readings that agree are rest enough to see it leave. Waiting for
        # three would take the hold for the rest, and every stroke after for its reverse.
        return Sign.AT_ONCE, [first, second]
    # Three readings that agree are rest, or five that do so roughly: a display may be restless.
    for count, steps in ((3, 4), (5, 8)):
        some = newest[-count:]
        agree = max(some) - min(some) <= max(LEAST_TRAVEL_NM, steps * resolution_nm)
        if (agree and len(some) == count) or len(newest) >= 50:
            return Sign.AGREE, some
    return None


def sign_of_a_departure(stroke: RunningStroke, rest: RestLevel, t_ns: int, value: int) -> Shown:
    """Say what one more reading of a departure shows, which is no stroke yet: a nudge, noise, or a stroke beginning."""
    reach = stroke.plunger_range
    if stroke.is_wild_before(reach and reach[1] - reach[0]) and stroke.without_wild():
        if abs(value - rest.level_nm) <= rest.band_nm:
            return Sign.NOTHING, [value]
        stroke.turn(1 if value > rest.level_nm else -1)
    if stroke.went_home():
        return Sign.HOME, stroke.values[-3:]
    travel = stroke.median_travel()
    stroke.top_nm = max(stroke.top_nm, travel)
    if travel >= stroke.threshold() or stroke.stands_clear():
        return Sign.CLEARS, ()
    band, values = rest.band_nm, stroke.values
    inside = [abs(v - rest.level_nm) <= band for v in values[-2:]]
    gone = inside[-1] and (all(inside) or len(values) == 2)
    if gone and stroke.is_brief():
        return Sign.BRIEF, values[-1:]
    if len(values) == 2 and inside[-1] and not inside[0]:
        wild = abs(values[0] - rest.level_nm) > 3 * band
        return Sign.NOTHING, values[1:] if wild else values
    if all(inside) and len(inside) == 2:
        # A nudge that went away again. Its readings widen the noise, so that a restless stand stays quiet.
        return Sign.NOTHING, [v for v in values if abs(v - rest.level_nm) <= 3 * band]
    now = stroke.steadied(value, travel)
    if stroke.has_moved_on(now):
        stroke.stand_anew(t_ns, now)
    elif stroke.stands_still(t_ns):
        return Sign.STAYS, stroke.settled()
    if t_ns - stroke.times[0] > _DISTURBANCE_NS and len(values) >= 6:
        return Sign.STAYS, values[-max(4, len(values) // 2) :]
    if len(values) >= 2 and stroke.travel(value) < -band:
        # It left rest one way and goes the other: only the newest side can be the stroke.
        stroke.turn(-stroke.direction)
    return None


def sign_of_an_apply(stroke: RunningStroke, t_ns: int, value: int) -> Shown:
    """Say what one more reading of a stroke shows that is being applied or held."""
    if stroke.is_wild_before(3 * stroke.top_nm):
        stroke.without_wild()
    if is_zeroing(stroke):
        shift_by(stroke, stroke.values[-2] - stroke.values[-3])
    if stroke.went_home():
        return Sign.HOME, stroke.values[-3:]
    travel = stroke.median_travel()
    if travel > stroke.top_nm:
        stroke.top_nm = travel
    if is_release_after_zeroing(stroke):
        return Sign.ZEROED, stroke.values[-4:]
    stroke.doubt_release(t_ns)
    if travel * 2 < stroke.top_nm:
        # What stood where no stroke goes, for however short a time, was rest, and this is the stroke.
        moved = (stroke.plateaus and stroke.is_against_the_others) or stroke.let_go_at_first()
        crosses = (moved or stroke.is_beyond_rest(travel)) and stroke.release_ns is None
        return Sign.CROSSES if crosses else Sign.FALLS, ()
    now = stroke.steadied(value, travel)
    if stroke.has_moved_on(now):
        stroke.stand_anew(t_ns, now)
    else:
        if stroke.plateaus and t_ns - stroke.settle_from_ns >= SETTLED_NEAR_NS and stood_before(stroke):
            return Sign.STOOD, stroke.settled()
        no_stroke = stroke.is_against_the_others or stroke.came_to_zero(now)
        if stroke.release_ns is None and no_stroke and stroke.stands_still(t_ns):
            return Sign.MOVED, stroke.settled()
    if travel * 4 < stroke.top_nm * 3 and (let_go := stuck_from(stroke, t_ns)) is not None:
        stroke.fall_index = let_go
        return Sign.STICKS, stroke.came_back()
    if t_ns - stroke.times[0] > LONGEST_HOLD_NS:
        return Sign.TOO_LONG, stroke.values[-8:]
    stroke.expect_hold(travel)
    return None


def sign_of_a_return(stroke: RunningStroke, rest: RestLevel, t_ns: int, value: int) -> Shown:
    """Say what one more reading of a return shows."""
    travel = stroke.median_travel()
    brief = t_ns - stroke.times[0] < _BRIEF_NS and stroke.release_ns is None
    # So is what a first stroke goes far beyond: noise that was not known yet, and that never settles.
    brief |= not stroke.earlier.count and -travel > 4 * stroke.top_nm and stroke.release_ns is None
    if brief and stroke.is_beyond_rest(travel):
        return Sign.CROSSES, ()
    fallen = len(stroke.values) - stroke.fall_index
    if not stroke.was_near and fallen <= _DIP_READINGS and travel * 8 > stroke.top_nm * 5:
        # Nothing came back: noise, or a line that lost a digit, had dipped below half the top.
        return Sign.DIPPED, ()
    # The newest reading as well: the median of a quick stream is still up when that has long been down.
    if fallen >= 3 and _is_up_again(stroke, rest, min(travel, stroke.travel(value))):
        return Sign.AGAIN, ()
    now = stroke.steadied(value, travel)
    near = stroke.is_near_rest(now)
    stroke.was_near |= near
    if stroke.has_moved_on(now):
        stroke.stand_anew(t_ns, now)
        return None
    since_ns = t_ns - stroke.settle_from_ns
    if since_ns < (SETTLED_NEAR_NS if near else SETTLED_AWAY_NS):
        if near:
            stroke.expect_calm()
        return None
    steady = 0
    for earlier in reversed(stroke.values[-4:]):
        if abs(earlier - stroke.settle_nm) > rest.calm_nm:
            break
        steady += 1
    if not (near and steady >= 3) and (steady < 4 or since_ns < SETTLED_AWAY_NS):
        return None
    back = stroke.came_back()
    if since_ns < SETTLED_AWAY_NS and stroke.is_off_rest(rounded_mean(back)):
        return None  # a little longer: it may still be coming home, and noise hides that
    moving = 2 * len(back) < len(stroke.settled())
    if moving and t_ns - stroke.times[stroke.fall_index] < _LONGEST_RETURN_NS:
        # The last of the way back is slow: what is still moving is no rest level.
        stroke.settle_from_ns = stroke.times[-len(back)]
        return None
    return Sign.STOOD if not near and stood_before(stroke) else Sign.SETTLES, back


def _is_up_again(stroke: RunningStroke, rest: RestLevel, travel: int) -> bool:
    """Say whether a return that has come to this travel is the next apply: clear of where it was seen to be, or noise
    on a quick stream's fall would pass for one."""
    if stroke.was_near:
        clear = max(stroke.top_nm * 15 // 100, stroke.near_nm + 2 * rest.noise_nm)
        return travel > clear and travel > stroke.threshold()
    return travel > max(stroke.top_nm * 3 // 5, stroke.top_nm // 2 + 3 * rest.noise_nm)
