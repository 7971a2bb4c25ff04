"""The stroke that is running: its readings so far, and what can be asked of them. Which sign that makes, `signs` says.

Travels are offsets from the rest level along the direction the reading left it, integer nanometres; times are integer
nanoseconds since the recording began. Most questions look at the newest few readings only; those that look at all of
them are asked once a stroke, so that a reading of a long hold costs no more than one of a short one. Three subjects
have files of their own: `zero_key`, `plateaus` and, for the stroke that is over, `complete`.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence

from capture.strokes.earlier import EarlierStrokes, Plateau
from capture.strokes.levels import middles_of_threes, rounded_mean, settled
from capture.strokes.pace import Pace
from capture.strokes.rest import LEAST_TRAVEL_NM, NEVER, RestLevel
from capture.strokes.returned import base_moves, return_tolerance

#: The same as LEAST_TRAVEL_NM while too few readings at rest have been seen to know their noise.
LEAST_UNPROVEN_NM = 100_000
#: A travel that no restless stand shows (common practice), so that one such stroke tells which way strokes go.
SURELY_A_STROKE_NM = 150_000
#: How long a travel must stand still near rest to be back there, and away from rest to be settled there.
SETTLED_NEAR_NS, SETTLED_AWAY_NS = 300_000_000, 500_000_000
LONGEST_HOLD_NS = 60_000_000_000
#: A fixture's word and the reading that shows it come within this of each other (common practice).
LAG_NS = 300_000_000
#: A stream so slow that a short hold is a reading or none.
_SHOWS_NO_HOLD_NS = 80_000_000
_BRIEF_READINGS = 3
#: No more than this part of a travel is still to come of a return when the next apply comes (common practice).
_STILL_TO_COME = 32
#: A quick stream is judged by the median of so many readings, any other by that of three.
_QUICK_MEDIAN = 9


class RunningStroke:
    """One departure from rest, from the first reading that left it to the last of the return."""

    __slots__ = (
        "after_gap", "air_applied", "direction", "earlier", "fall_index", "flat_from_ns", "looked_at", "moved_nm",
        "near_nm", "noted", "pace", "plateaus", "plunger_range", "quiet_high", "quiet_low", "quiet_until_ns",
        "release_ns", "resolution_nm", "rest", "settle_from_ns", "settle_nm", "taken_out", "times",
        "top_nm", "values", "was_near",
    )  # fmt: skip

    def __init__(self, resolution_nm: int, plunger_range: tuple[int, int] | None, rest: RestLevel, pace: Pace) -> None:
        self.resolution_nm = resolution_nm
        self.plunger_range = plunger_range
        """The displayed values that the plunger can reach; None where nothing says."""
        self.rest = rest
        self.pace = pace
        self.earlier = EarlierStrokes()
        self.air_applied: bool | None = None
        """Whether a fixture says that air is applied, None where none ever did."""
        self.after_gap = False
        """Whether readings are missing since the pack was last seen to rest."""
        self.moved_nm = 0
        """How far the level at rest moved from before a stroke to after it: less and less of what it did some ago."""
        self.direction = 1
        self.top_nm = 0
        self.near_nm = 0
        """How near rest is back at rest, once it is returning."""
        self.was_near = False
        self.fall_index = 0
        """The first reading below half the top."""
        self.flat_from_ns = 0
        """Since when it stood where it was last asked whether the piston stuck there."""
        self.clear()

    def clear(self) -> None:
        """Forget the readings: it is over."""
        self.times: list[int] = []
        self.values: list[int] = []
        self.quiet_low, self.quiet_high, self.quiet_until_ns = NEVER, 0, 0
        """Between which values and until when a reading decides nothing, while the pack is held or settles."""
        self.looked_at = 0
        """From which reading on the hold was not looked at one by one, 0 where all were."""
        self.plateaus: list[Plateau] = []
        """Where it stood still so far and then moved on."""
        self.settle_nm, self.settle_from_ns = 0, 0
        """Where the travel began to stand still, as displayed, and since when."""
        self.release_ns: int | None = None
        """When the fixture released, None if nothing said so."""
        self.taken_out: list[int] = []
        """Wild readings, as displayed: in a slow stream one may have been all that showed a hold."""
        self.noted: set[str] = set()
        """Flags raised while it runs."""

    def depart(self, value: int) -> None:
        """It begins with this reading."""
        self.turn(1 if value > self.rest.level_nm else -1)
        self.was_near = False

    def turn(self, direction: int) -> None:
        """It goes this way, as far as can be told."""
        self.direction = direction
        self.top_nm = 0

    def take(self, t_ns: int, value: int) -> None:
        """Take one more reading."""
        self.times.append(t_ns)
        self.values.append(value)

    # -- travel ------------------------------------------------------------------------------------------

    def travels(self, values: Sequence[int]) -> list[int]:
        """Return the travels of displayed values."""
        way, level = self.direction, self.rest.level_nm
        return [way * (value - level) for value in values]

    def travel(self, value: int) -> int:
        """Return the travel of a displayed value."""
        return self.direction * (value - self.rest.level_nm)

    def shown(self, travel_nm: int) -> int:
        """Return the displayed value of a travel."""
        return self.rest.level_nm + self.direction * travel_nm

    def median_travel(self) -> int:
        """Return the newest median of three, as travel; before the third reading, rest stands in for it.

        Of a quick stream it is the median of nine: the more readings a hold has, the further the noise of some goes.
        """
        values, rest = self.values, self.rest.level_nm
        if self.pace.is_quick:
            some = [*values[-_QUICK_MEDIAN:], *[rest] * (_QUICK_MEDIAN - len(values))]
            return self.direction * (sorted(some)[_QUICK_MEDIAN // 2] - rest)
        a, b, c = values[-3:] if len(values) >= 3 else [*values, rest, rest][:3]
        middle = (b if b <= c else c if a <= c else a) if a <= b else (a if a <= c else c if b <= c else b)
        return self.direction * (middle - rest)

    # -- readings that decide nothing --------------------------------------------------------------------

    def expect_hold(self, travel: int) -> None:
        """Set the values that decide nothing while the pack is held: nearly all readings of a stroke are such.

        While the median and the newest readings lie between a little below the top and a little above it, another
        reading there is neither a wild one nor the zero key nor a release, nor near any threshold. It may raise the
        top; `catch_up` sees to that before anything is decided.
        """
        earlier, top, newest = self.earlier, self.top_nm, self.values[-3:]
        if 8 * self.travel(min(newest) if self.direction > 0 else max(newest)) <= 7 * top:
            return
        unlike = earlier.travel_nm and self.direction != earlier.direction
        if self.plateaus or earlier.stuck_from_nm is not None or unlike or self.is_against_the_others:
            return
        # Nor is a step of the size of a stroke, however far the indicator was moved before.
        least = self.threshold()
        above = 0 if self.pace.is_quick else min(top // 16, least)
        below = max(top * 7 // 8 + 1, top - max(least, top // 32))
        ends = self.shown(below), self.shown(top + above)
        low, high = min(ends), max(ends)
        if self.came_to_zero(min(max(0, low), high)):
            return
        if travel >= below and low <= min(newest) and max(newest) <= high:
            self.quiet_low, self.quiet_high, self.looked_at = low, high, len(self.values)
            self.quiet_until_ns = self.times[0] + LONGEST_HOLD_NS + 1

    def expect_calm(self) -> None:
        """Set the values that decide nothing while a return settles near rest, until it has had the time to.

        Where the reading settles, near rest and short of any threshold: no apply, nor the far side of rest.
        """
        level, calm = self.rest.level_nm, self.rest.calm_nm
        reach = min(self.near_nm, self.threshold() - 1)
        self.quiet_low = max(self.settle_nm - calm, level - reach)
        self.quiet_high = min(self.settle_nm + calm, level + reach)
        self.quiet_until_ns = self.settle_from_ns + SETTLED_NEAR_NS

    def catch_up(self) -> None:
        """Raise the top by the medians of three of those readings that were not looked at one by one."""
        since, self.looked_at = self.looked_at, 0
        self.quiet_low, self.quiet_high = NEVER, 0
        if not since or len(self.values) <= since or self.pace.is_quick:
            return
        if middles := middles_of_threes(self.values[since - 2 :]):
            self.top_nm = max(self.top_nm, self.travel(max(middles) if self.direction > 0 else min(middles)))

    # -- is it one? --------------------------------------------------------------------------------------

    def threshold(self) -> int:
        """Return the travel at which a departure is a stroke; less where a fixture says that air was applied."""
        rest = self.rest
        smallest = LEAST_TRAVEL_NM * 2 // 3 if self.air_applied else LEAST_TRAVEL_NM
        restless = max(9 * rest.noise_nm // 2, 3 * self.resolution_nm, rest.wander_nm * 5 // 4)
        least = max(restless, smallest, self.earlier.least_nm)
        if not rest.known:
            least = max(least, LEAST_UNPROVEN_NM)
        return least * 2 // 3 if self.air_applied else least

    def stands_clear(self) -> bool:
        """Say whether four readings in a row stand clear of rest: in a slow stream the noise is known only roughly,
        and a threshold that allows for that would pass over a small stroke."""
        if not self.pace.reading_ns or not self.pace.is_slow or len(self.values) < 4 or not self.rest.known:
            return False
        least = max(
            5 * self.rest.noise_nm // 2, 3 * self.resolution_nm, LEAST_TRAVEL_NM, self.rest.wander_nm * 5 // 4,
            self.earlier.least_nm,
        )  # fmt: skip
        return all(self.travel(value) >= least for value in self.values[-4:])

    def is_beyond_rest(self, travel: int) -> bool:
        """Say whether the travel is clearly on the far side of rest, or of home for a piston that had stuck."""
        home = self.rest.level_nm if self.earlier.stuck_from_nm is None else self.earlier.stuck_from_nm
        behind = max(0, -self.travel(home))
        return -travel - behind >= max(self.threshold(), self.top_nm // 4)

    def went_home(self) -> bool:
        """Say whether a piston that had stuck part way has come back to where it was before it stuck."""
        home = self.earlier.stuck_from_nm
        if home is None or self.travel(home) <= 0:
            return False
        newest = self.values[-3:]
        return len(newest) == 3 and all(abs(value - home) <= self.rest.calm_nm for value in newest)

    def is_brief(self) -> bool:
        """Say whether what went away again was a stroke all the same, of which a slow stream showed a reading or two.

        It went where the strokes before went, or where another such reading did: a line that lost a digit does neither.
        """
        if self.pace.reading_ns < _SHOWS_NO_HOLD_NS:
            return False
        earlier, way = self.earlier, self.furthest_nm()
        if abs(way) < max(2 * self.threshold(), LEAST_UNPROVEN_NM):
            return False
        before, earlier.brief_nm = earlier.brief_nm or earlier.direction * earlier.travel_nm, way
        if earlier.sound_travel_nm:
            usual = earlier.sound_travel_nm * earlier.sound_direction
            return abs(way - usual) * 8 <= abs(usual)
        furthest = earlier.brief_furthest_nm
        if way * furthest > 0 and abs(way) * 8 <= abs(furthest) * 9:
            return True  # strokes so brief may show on their way only
        return way * before > 0 and abs(before) <= 3 * abs(way) <= 9 * abs(before)

    @property
    def is_brief_hold(self) -> bool:
        """Whether a slow stream showed it by a few readings only."""
        return self.pace.reading_ns >= _SHOWS_NO_HOLD_NS and self.fall_index <= _BRIEF_READINGS

    def furthest_nm(self) -> int:
        """Return how far from rest and which way it went, as displayed, by one reading."""
        return max((value - self.rest.level_nm for value in (*self.values, *self.taken_out)), key=abs)

    def is_wild_before(self, limit_nm: int | None) -> bool:
        """Say whether the reading before the newest stands further than `limit_nm` from both its neighbours, which is
        further than anything moves here: a line that lost a digit."""
        if limit_nm is None or len(self.values) < 2:
            return False
        here, newest = self.values[-2], self.values[-1]
        if abs(here - newest) <= limit_nm:
            return False
        before = self.values[-3] if len(self.values) >= 3 else self.rest.level_nm
        return min(here - before, here - newest) > limit_nm or min(before - here, newest - here) > limit_nm

    def without_wild(self) -> bool:
        """Take out the reading before the newest; return whether the newest is all that is left."""
        self.taken_out.append(self.values[-2])
        del self.times[-2], self.values[-2]
        self.noted.add("glitch")
        return len(self.values) == 1

    # -- the way back ------------------------------------------------------------------------------------

    def tolerance(self) -> int:
        """Return how far from rest still counts as back at rest."""
        return return_tolerance(self.top_nm, self.rest.noise_nm, self.resolution_nm)

    def begin_return(self, t_ns: int, value: int) -> None:
        """It fell with this reading below half the top."""
        self.near_nm = self.tolerance()
        self.fall_index = self.first_fallen()
        self.settle_nm, self.settle_from_ns = value, t_ns
        self.was_near |= self.is_near_rest(self.steadied(value, self.median_travel()))

    def first_fallen(self) -> int:
        """Return the index of the first of the newest readings below half the top."""
        index = len(self.values)
        while index > 1 and 2 * self.travel(self.values[index - 1]) < self.top_nm:
            index -= 1
        return index

    def steadied(self, value: int, median: int) -> int:
        """Return the newest value, or that of the newest median travel but in a slow stream, with none to spare.

        Of many readings some are always a few times their noise from where the pack is.
        """
        return value if self.pace.is_slow else self.shown(median)

    def is_near_rest(self, value: int) -> bool:
        """Say whether this value is back at rest."""
        return abs(value - self.rest.level_nm) <= self.near_nm

    def is_off_rest(self, level_nm: int) -> bool:
        """Say whether a rest there would be another than before."""
        off_nm = abs(level_nm - self.rest.level_nm)
        return off_nm > base_moves(self.top_nm, self.rest.noise_nm, self.resolution_nm)

    def has_moved_on(self, value: int) -> bool:
        """Say whether the travel is no longer where it last began to stand still."""
        return abs(value - self.settle_nm) > self.rest.calm_nm

    def stand_anew(self, t_ns: int, value: int) -> None:
        """It begins to stand still with this reading; where it stood until now is kept."""
        if self.settle_from_ns and t_ns - self.settle_from_ns >= SETTLED_NEAR_NS:
            self._left_plateau()
        self.settle_nm, self.settle_from_ns = value, t_ns

    def stood_until_now(self) -> None:
        """It stands still for as long as its newest readings are like the last."""
        self.settle_nm, at = self.values[-1], len(self.values) - 1
        while at > self.fall_index and not self.has_moved_on(self.values[at - 1]):
            at -= 1
        self.settle_from_ns = self.times[at]

    def _left_plateau(self) -> None:
        """Keep where it stood until now; where that is as good as where it stood before, as one."""
        end, calm = len(self.values) - 1, self.rest.calm_nm
        low, high = self.settle_nm - calm, self.settle_nm + calm
        while end > 0 and not low <= self.values[end - 1] <= high:
            end -= 1
        begin = max(bisect_left(self.times, self.settle_from_ns), end - 64, 0)
        if end - begin < 3:
            # What decided nothing was not looked at: it may have come to stand elsewhere meanwhile.
            begin, end = self._stood_at_last()
        if end - begin < 3:
            return
        level = sorted(self.values[begin:end])[(end - begin) // 2]
        if self.plateaus and abs(self.plateaus[-1].level_nm - level) < self.threshold():
            self.plateaus.pop()
        self.plateaus.append(Plateau(level, end))

    def _stood_at_last(self) -> tuple[int, int]:
        """Return which of the readings before it left lie together, from one to before another; none where that was
        for a moment only."""
        end, calm = len(self.values) - 1, self.rest.calm_nm
        left = 1 if self.pace.is_slow else _QUICK_MEDIAN // 2 + 1 if self.pace.is_quick else 2
        begin = max(0, end + 1 - left)
        while end > begin and abs(self.values[end - 1] - self.values[begin - 1]) > calm:
            end -= 1
        here = self.values[begin - 1]
        while begin > 0 and abs(self.values[begin - 1] - here) <= calm:
            begin -= 1
            if self.times[end - 1] - self.times[begin] >= SETTLED_NEAR_NS:
                return begin, end
        return end, end

    @property
    def is_against_the_others(self) -> bool:
        """Whether it goes the other way from rest than the strokes before, or without air, as a fixture tells that
        has given air before: no stroke does."""
        earlier = self.earlier
        if not earlier.sound_count and earlier.ended_away and self.direction == -earlier.direction:
            # No stroke has told which way they go; this one ends what the indicator was moved in.
            return abs(self.top_nm - earlier.travel_nm) * 8 <= earlier.travel_nm
        sure = earlier.sound_count >= 2 or earlier.sound_travel_nm >= SURELY_A_STROKE_NM
        return (sure and earlier.sound_direction == -self.direction) or self.air_applied is False

    def came_to_zero(self, value: int, still_nm: int = 0) -> bool:
        """Say whether the first departure of a check by hand came from elsewhere to a display of about zero, which is
        where an indicator is zeroed: at rest. Not where zero is an end of what the plunger reaches. So much as
        `still_nm` may still have been to come.
        """
        about_zero = max(self.resolution_nm + 4 * self.rest.noise_nm, still_nm)
        if self.earlier.count or self.air_applied is not None or "rezeroed" in self.noted or abs(value) > about_zero:
            return False
        return self.plunger_range is None or min(map(abs, self.plunger_range)) > 4 * about_zero

    def let_go_at_first(self) -> bool:
        """Say whether what was just left is where the first departure of a check begun with the air on had ended."""
        if self.earlier.count or len(self.values) < 5:
            return False
        if self.air_applied is False:
            return True
        stood = self._stood()
        still_nm, out = self.top_nm // _STILL_TO_COME, len(stood) // 5
        # What was pushed there by hand and turned at once did not stand there.
        return stood[-1 - out] - stood[out] <= 2 * still_nm and self.came_to_zero(stood[len(stood) // 2], still_nm)

    def doubt_release(self, t_ns: int) -> None:
        """Forget when the fixture let go of the first departure of a check where that came just before, and the pack
        still stands: it left because it was let go.
        """
        let_go_ns = self.release_ns
        if let_go_ns is None or self.earlier.count or let_go_ns - self.times[0] >= LAG_NS:
            return
        if t_ns - let_go_ns >= SETTLED_AWAY_NS:
            self.release_ns = None

    def stood_nm(self) -> int:
        """Return where it mostly stood before it fell, as displayed: lately, since it may have come there slowly."""
        stood = self._stood()
        return stood[len(stood) // 2]

    def _stood(self) -> list[int]:
        """Return the readings where it lately stood before it fell, in order of size."""
        end = self.first_fallen()
        return sorted(self.values[max(0, min(2 * end // 3, end - 3)) : end])

    def stands_still(self, t_ns: int) -> bool:
        """Say whether it has stood where it is for so long that it is settled there."""
        long = t_ns - self.settle_from_ns >= SETTLED_AWAY_NS
        return long and len(self.times) - bisect_left(self.times, self.settle_from_ns) >= 4

    def settled(self) -> list[int]:
        """Return the readings since the travel began to stand still, without wild ones; the newest where all are."""
        limit = 2 * self.rest.calm_nm
        newest = self.values[bisect_left(self.times, self.settle_from_ns) :]
        return [value for value in newest if abs(value - self.settle_nm) <= limit] or [self.values[-1]]

    def came_back(self) -> Sequence[int]:
        """Return those of the settled readings from where on they can no longer be told to be coming back."""
        values = self.rest.without_lone(self.settled())
        rising = [-self.direction * value for value in values]
        return values[len(values) - len(settled(rising, self.rest.noise_nm, sway_nm=self.rest.sway.both_ways_nm)) :]

    def lowest(self) -> int:
        """Return the index of the last reading after the fall from which nothing went further back."""
        values, last = self.values, len(self.values) - 1
        return min(range(last, min(self.fall_index, last) - 1, -1), key=lambda at: self.travel(values[at]))

    def near_level(self) -> int | None:
        """Return the mean of the readings after the fall that are back at rest, None if there are none."""
        limit = self.tolerance()
        near = [value for value in self.values[self.fall_index :] if abs(value - self.rest.level_nm) <= limit]
        return rounded_mean(near) if near else None
