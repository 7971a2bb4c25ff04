"""Where a piston stands that the air threw past its end, once it has come back from there.

Theory. A piston that runs against the air behind it, or against a springy pack, goes further than it stays, comes back
and may swing a few times more. What it reached in passing is no travel: it is over sooner than a bounce is, and what
follows is level for longer. A leak is neither: it goes on falling to the end. So the overshoot is what lies clear above
the level of the second half, from when the rise crossed that to when an eighth of it is left, where that took no longer
than a bounce; and the hold begins where the swings are over as well.

All arithmetic is on integers, so that a replay gives the same on any machine.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import compress

from capture.strokes.hold import BOUNCE_NS, StrokeSamples, crossing
from capture.strokes.levels import growth

#: So many times as long as the overshoot the level must stand to be told (common practice).
_STANDS = 2
#: An overshoot is at least this part of the travel, and at most that one (common practice).
_LEAST, _MOST = 100, 4


@dataclass(frozen=True, slots=True)
class Overshoot:
    """What a hold is after its piston had gone too far."""

    level_nm: int
    """Where it stands then."""
    until: int
    """The index of the first reading of those that stand."""
    told: bool
    """Whether it stood there for long enough to tell the level."""


def overshoot(
    samples: StrokeSamples, offsets: list[int], keep: list[bool], noise_nm: int, resolution_nm: int
) -> Overshoot | None:
    """Return how this stroke overshot, None where it did not or where that cannot be told from a leak."""
    end, times = samples.fall_index, samples.times
    start = next((at for at in range(end) if offsets[at] * 10 >= samples.top_nm * 9), end)
    top = max(compress(offsets[start:end], keep[start:end]), default=0)
    clear = max(3 * resolution_nm, 6 * noise_nm, 2 * samples.sway.all_nm, top // _LEAST)
    later = offsets[(start + end) // 2 : end]
    if end - start < 4 or top - max(later) < clear:
        return None
    level = sorted(later)[len(later) // 2]
    above = top - level
    if above * _MOST > level:
        return None
    left = max(above // 8, clear // 3)
    highest = offsets.index(top, start)
    back = next((at for at in range(highest, end) if offsets[at] <= level + left), end)
    gone = max((at for at in range(back, end) if offsets[at] >= level - left), default=back)
    lasted = times[back] - crossing(samples, offsets, level) if back < end else 0
    if back >= gone or lasted > BOUNCE_NS + samples.reading_ns or max(offsets[back : gone + 1]) > level + above // 2:
        return None
    # What only goes through a level on its way back is near it for a sixth of the time since it came through it.
    stood = times[gone] - times[back]
    if 2 * stood < lasted:
        return None
    # What still falls leaks, whatever came before.
    stands = offsets[(back + gone + 1) // 2 : gone + 1]
    if -growth(stands, noise_nm, resolution_nm * 29 // 100, 30) > left:
        return None
    still = max(3 * noise_nm, 3 * resolution_nm // 2)
    swings = (at for at in range((back + gone) // 2, back - 1, -1) if abs(offsets[at] - level) > still)
    return Overshoot(level, next(swings, back - 1) + 1, stood >= _STANDS * lasted)
