"""The zero key, pressed in mid-stroke: whether the running stroke shows it, and what was read before in the new zero.

Lengths are integer nanometres, times integer nanoseconds since the recording began.
"""

from __future__ import annotations

from bisect import bisect_left

from capture.strokes.running import SETTLED_AWAY_NS, RunningStroke


def is_zeroing(stroke: RunningStroke) -> bool:
    """Say whether the reading before the newest was the indicator's zero being pressed, not the pack moving.

    The display then goes to zero from one reading to the next and stays there: two readings, since a wild value
    or a movement that passes zero shows it once. A fast release could do that too where the rest level is about
    zero, so there only a stream will do that is quick enough to have shown the fall, as it showed those before,
    and that did not break just then.
    """
    step, noise = stroke.resolution_nm, stroke.rest.noise_nm
    about_zero = step + 4 * noise
    if len(stroke.values) < 4 or abs(stroke.values[-1]) > about_zero or abs(stroke.values[-2]) > about_zero:
        return False
    *before, zero, _ = stroke.values[-4:]
    if abs(zero - before[-1]) < max(stroke.threshold(), stroke.top_nm // 4, 8 * noise):
        return False
    if max(before) - min(before) > max(4 * noise, 2 * step, stroke.top_nm // 20):
        return False
    if abs(stroke.rest.level_nm) > 4 * step + 4 * noise:
        return True
    unbroken = stroke.times[-2] - stroke.times[-3] <= 3 * stroke.pace.chunk_ns
    return unbroken and (stroke.pace.shows_a_fall or stroke.earlier.least_fall >= 2)


def shift_by(stroke: RunningStroke, shift: int) -> None:
    """The indicator was zeroed in mid-stroke: carry what was read before into the new zero."""
    stroke.noted.add("rezeroed")
    stroke.plateaus = []
    stroke.values = [*(value + shift for value in stroke.values[:-2]), *stroke.values[-2:]]
    stroke.rest.level_nm += shift
    if stroke.plunger_range is not None:
        stroke.plunger_range = (stroke.plunger_range[0] + shift, stroke.plunger_range[1] + shift)


def is_release_after_zeroing(stroke: RunningStroke) -> bool:
    """Say whether this is no stroke but the release of the last one, whose hold had been zeroed unseen.

    That stroke seemed to go back to a rest of zero at once; then the release goes as far again to the other
    side, and stays. A pack does not travel to the other side of its rest, so the new level is the rest.
    """
    last_travel = stroke.earlier.travel_nm
    if stroke.direction == stroke.earlier.direction or stroke.release_ns is not None or not last_travel:
        return False
    about_zero = 4 * stroke.resolution_nm + 4 * stroke.rest.noise_nm
    if abs(stroke.rest.level_nm) > about_zero or abs(stroke.top_nm - last_travel) * 5 > last_travel:
        return False
    first = bisect_left(stroke.times, stroke.times[-1] - SETTLED_AWAY_NS)
    newest = stroke.values[first:]
    return first > 0 and len(newest) >= 4 and max(newest) - min(newest) <= 2 * about_zero
