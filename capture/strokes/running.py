"""The stroke that is running: its readings so far, and what can be asked of them. Which sign that makes, `signs` says.

Travels are offsets from the rest level along the direction the reading left it, integer nanometres; times are integer
nanoseconds since the recording began. Most questions look at the newest few readings only; those that look at all of
them are asked once a stroke, so that a reading of a long hold costs no more than one of a short one.
"""

from __future__ import annotations

from array import array
from bisect import bisect_left
from collections.abc import Sequence
from math import isqrt

from capture.strokes.earlier import EarlierStrokes, Plateau
from capture.strokes.hold import StrokeSamples
from capture.strokes.home import MOST_DRIFT_NM_PER_S, WayHome
from capture.strokes.levels import rounded_mean, settled, sway_of
from capture.strokes.measure import SHORT_HOLD_NS, return_tolerance
from capture.strokes.pace import Pace
from capture.strokes.rest import LEAST_TRAVEL_NM, NEVER, RestLevel

#: The same as LEAST_TRAVEL_NM while too few readings at rest have been seen to know their noise.
_LEAST_UNPROVEN_NM = 100_000
#: A travel that no restless stand shows (common practice), so that one such stroke tells which way strokes go.
SURELY_A_STROKE_NM = 150_000
#: How long a travel must stand still near rest to be back there, and away from rest to be settled there.
SETTLED_NEAR_NS, SETTLED_AWAY_NS = 300_000_000, 500_000_000
LONGEST_HOLD_NS = 60_000_000_000
#: A fixture's word and the reading that shows it come within this of each other (common practice).
LAG_NS = 300_000_000
#: A release is over within this; a leak takes longer to fall as far (common practice).
_QUICK_FALL_NS = 600_000_000
#: A stream so slow that a short hold is a reading or none.
_SHOWS_NO_HOLD_NS = 80_000_000
_BRIEF_READINGS = 3
#: Over how long readings at rest are averaged to see their level sway (common practice: a stand sways in seconds).
_SWAY_NS = 250_000_000
_SECOND = 1_000_000_000
#: A quick stream is judged by the median of so many readings, any other by that of three.
_QUICK_MEDIAN = 9


class RunningStroke:
    """One departure from rest, from the first reading that left it to the last of the return."""

    __slots__ = (
        "_flat_from_ns", "_pace", "_resolution_nm", "_rest", "after_gap", "air_applied", "direction", "earlier",
        "fall_index", "looked_at", "near_nm", "noted", "plateaus", "plunger_range", "quiet_high", "quiet_low",
        "quiet_until_ns", "release_ns", "settle_from_ns", "settle_nm", "sway_nm", "taken_out", "times", "top_nm",
        "values", "was_near",
    )  # fmt: skip

    def __init__(self, resolution_nm: int, plunger_range: tuple[int, int] | None, rest: RestLevel, pace: Pace) -> None:
        self._resolution_nm = resolution_nm
        self.plunger_range = plunger_range
        """The displayed values that the plunger can reach; None where nothing says."""
        self._rest = rest
        self._pace = pace
        self.earlier = EarlierStrokes()
        self.air_applied: bool | None = None
        """Whether a fixture says that air is applied, None where none ever did."""
        self.after_gap = False
        """Whether readings are missing since the pack was last seen to rest."""
        self.sway_nm = 0
        """How far the level at rest went lately, beyond noise: less and less of what it did some strokes ago."""
        self.direction = 1
        self.top_nm = 0
        self.near_nm = 0
        """How near rest is back at rest, once it is returning."""
        self.was_near = False
        self.fall_index = 0
        """The first reading below half the top."""
        self._flat_from_ns = 0
        self.clear()

    def clear(self) -> None:
        """Forget the readings: it is over."""
        self.times: array[int] = array("q")
        self.values: array[int] = array("q")
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
        self.turn(1 if value > self._rest.level_nm else -1)
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
        way, level = self.direction, self._rest.level_nm
        return [way * (value - level) for value in values]

    def travel(self, value: int) -> int:
        """Return the travel of a displayed value."""
        return self.direction * (value - self._rest.level_nm)

    def shown(self, travel_nm: int) -> int:
        """Return the displayed value of a travel."""
        return self._rest.level_nm + self.direction * travel_nm

    def median_travel(self) -> int:
        """Return the newest median of three, as travel; before the third reading, rest stands in for it.

        Of a quick stream it is the median of nine: the more readings a hold has, the further the noise of some goes.
        """
        values, rest = self.values, self._rest.level_nm
        if self._pace.is_quick:
            some = [*values[-_QUICK_MEDIAN:], *[rest] * (_QUICK_MEDIAN - len(values))]
            return self.direction * (sorted(some)[_QUICK_MEDIAN // 2] - rest)
        newest = values[-1]
        before = values[-2] if len(values) >= 2 else rest
        oldest = values[-3] if len(values) >= 3 else rest
        return self.direction * (max(min(newest, before), min(max(newest, before), oldest)) - rest)

    # -- readings that decide nothing --------------------------------------------------------------------

    def expect_hold(self, travel: int) -> None:
        """Set the values that decide nothing while the pack is held: nearly all readings of a stroke are such.

        While the median and the newest readings lie between a little below the top and a little above it, another
        reading there is neither a wild one nor the zero key nor a release, nor near any threshold. It may raise the
        top; `catch_up` sees to that before anything is decided.
        """
        earlier, top = self.earlier, self.top_nm
        unlike = earlier.travel_nm and self.direction != earlier.direction
        if self.plateaus or earlier.stuck_from_nm is not None or unlike or self.is_against_the_others:
            return
        # Nor is a step of the size of a stroke, however far the indicator was moved before.
        least = self.threshold()
        above = 0 if self._pace.is_quick else min(top // 16, least)
        below = max(top * 7 // 8 + 1, top - max(least, top // 32))
        ends = self.shown(below), self.shown(top + above)
        low, high = min(ends), max(ends)
        if self.came_to_zero(min(max(0, low), high)):
            return
        if travel >= below and all(low <= value <= high for value in self.values[-3:]):
            self.quiet_low, self.quiet_high, self.looked_at = low, high, len(self.values)
            self.quiet_until_ns = self.times[0] + LONGEST_HOLD_NS + 1

    def expect_calm(self) -> None:
        """Set the values that decide nothing while a return settles near rest, until it has had the time to.

        Where the reading settles, near rest and short of any threshold: no apply, nor the far side of rest.
        """
        level, calm = self._rest.level_nm, self._rest.calm_nm
        reach = min(self.near_nm, self.threshold() - 1)
        self.quiet_low = max(self.settle_nm - calm, level - reach)
        self.quiet_high = min(self.settle_nm + calm, level + reach)
        self.quiet_until_ns = self.settle_from_ns + SETTLED_NEAR_NS

    def catch_up(self) -> None:
        """Raise the top by the medians of three of those readings that were not looked at one by one."""
        since, self.looked_at = self.looked_at, 0
        self.quiet_low, self.quiet_high = NEVER, 0
        if not since or len(self.values) <= since or self._pace.is_quick:
            return
        one, two, three = (self.values[since - 2 + at :] for at in range(3))
        medians = map(max, map(min, one, two), map(min, map(max, one, two), three))
        highest = max(medians) if self.direction > 0 else min(medians)
        self.top_nm = max(self.top_nm, self.travel(highest))

    # -- is it one? --------------------------------------------------------------------------------------

    def threshold(self) -> int:
        """Return the travel at which a departure is a stroke; less where a fixture says that air was applied."""
        rest = self._rest
        smallest = LEAST_TRAVEL_NM * 2 // 3 if self.air_applied else LEAST_TRAVEL_NM
        restless = max(9 * rest.noise_nm // 2, 3 * self._resolution_nm, rest.wander_nm * 5 // 4)
        least = max(restless, smallest, self.earlier.least_nm)
        if not rest.known:
            least = max(least, _LEAST_UNPROVEN_NM)
        return least * 2 // 3 if self.air_applied else least

    def stands_clear(self) -> bool:
        """Say whether four readings in a row stand clear of rest: in a slow stream the noise is known only roughly,
        and a threshold that allows for that would pass over a small stroke."""
        if not self._pace.reading_ns or not self._pace.is_slow or len(self.values) < 4 or not self._rest.known:
            return False
        least = max(
            5 * self._rest.noise_nm // 2, 3 * self._resolution_nm, LEAST_TRAVEL_NM, self._rest.wander_nm * 5 // 4,
            self.earlier.least_nm,
        )  # fmt: skip
        return all(self.travel(value) >= least for value in self.values[-4:])

    def is_beyond_rest(self, travel: int) -> bool:
        """Say whether the travel is clearly on the far side of rest, or of home for a piston that had stuck."""
        home = self._rest.level_nm if self.earlier.stuck_from_nm is None else self.earlier.stuck_from_nm
        behind = max(0, -self.travel(home))
        return -travel - behind >= max(self.threshold(), self.top_nm // 4)

    def went_home(self) -> bool:
        """Say whether a piston that had stuck part way has come back to where it was before it stuck."""
        home = self.earlier.stuck_from_nm
        if home is None or self.travel(home) <= 0:
            return False
        newest = self.values[-3:]
        return len(newest) == 3 and all(abs(value - home) <= self._rest.calm_nm for value in newest)

    def is_brief(self) -> bool:
        """Say whether what went away again was a stroke all the same, of which a slow stream showed a reading or two.

        It went where the strokes before went, or where another such reading did: a line that lost a digit does neither.
        """
        if self._pace.reading_ns < _SHOWS_NO_HOLD_NS:
            return False
        earlier, way = self.earlier, self.furthest_nm()
        if abs(way) < max(2 * self.threshold(), _LEAST_UNPROVEN_NM):
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
        return self._pace.reading_ns >= _SHOWS_NO_HOLD_NS and self.fall_index <= _BRIEF_READINGS

    def furthest_nm(self) -> int:
        """Return how far from rest and which way it went, as displayed, by one reading."""
        return max((value - self._rest.level_nm for value in (*self.values, *self.taken_out)), key=abs)

    def is_wild_before(self, limit_nm: int | None) -> bool:
        """Say whether the reading before the newest stands further than `limit_nm` from both its neighbours, which is
        further than anything moves here: a line that lost a digit."""
        if limit_nm is None or len(self.values) < 2:
            return False
        before = self.values[-3] if len(self.values) >= 3 else self._rest.level_nm
        here, newest = self.values[-2:]
        return min(here - before, here - newest) > limit_nm or min(before - here, newest - here) > limit_nm

    def without_wild(self) -> bool:
        """Take out the reading before the newest; return whether the newest is all that is left."""
        self.taken_out.append(self.values[-2])
        del self.times[-2], self.values[-2]
        self.noted.add("glitch")
        return len(self.values) == 1

    # -- the zero key ------------------------------------------------------------------------------------

    def is_zeroing(self) -> bool:
        """Say whether the reading before the newest was the indicator's zero being pressed, not the pack moving.

        The display then goes to zero from one reading to the next and stays there: two readings, since a wild value
        or a movement that passes zero shows it once. A fast release could do that too where the rest level is about
        zero, so there only a stream will do that is quick enough to have shown the fall, as it showed those before,
        and that did not break just then.
        """
        if len(self.values) < 4:
            return False
        step, noise = self._resolution_nm, self._rest.noise_nm
        *before, zero, newest = self.values[-4:]
        about_zero = step + 4 * noise
        if abs(zero) > about_zero or abs(newest) > about_zero:
            return False
        if abs(zero - before[-1]) < max(self.threshold(), self.top_nm // 4, 8 * noise):
            return False
        if max(before) - min(before) > max(4 * noise, 2 * step, self.top_nm // 20):
            return False
        if abs(self._rest.level_nm) > 4 * step + 4 * noise:
            return True
        unbroken = self.times[-2] - self.times[-3] <= 3 * self._pace.chunk_ns
        return unbroken and (self._pace.shows_a_fall or self.earlier.least_fall >= 2)

    def shift_by(self, shift: int) -> None:
        """The indicator was zeroed in mid-stroke: carry what was read before into the new zero."""
        self.noted.add("rezeroed")
        self.plateaus = []
        self.values = array("q", [*(value + shift for value in self.values[:-2]), *self.values[-2:]])
        self._rest.level_nm += shift
        if self.plunger_range is not None:
            self.plunger_range = (self.plunger_range[0] + shift, self.plunger_range[1] + shift)

    def is_release_after_zeroing(self) -> bool:
        """Say whether this is no stroke but the release of the last one, whose hold had been zeroed unseen.

        That stroke seemed to go back to a rest of zero at once; then the release goes as far again to the other
        side, and stays. A pack does not travel to the other side of its rest, so the new level is the rest.
        """
        last_travel = self.earlier.travel_nm
        if self.direction == self.earlier.direction or self.release_ns is not None or not last_travel:
            return False
        about_zero = 4 * self._resolution_nm + 4 * self._rest.noise_nm
        if abs(self._rest.level_nm) > about_zero or abs(self.top_nm - last_travel) * 5 > last_travel:
            return False
        first = bisect_left(self.times, self.times[-1] - SETTLED_AWAY_NS)
        newest = self.values[first:]
        return first > 0 and len(newest) >= 4 and max(newest) - min(newest) <= 2 * about_zero

    # -- the way back ------------------------------------------------------------------------------------

    def tolerance(self) -> int:
        """Return how far from rest still counts as back at rest."""
        return return_tolerance(self.top_nm, self._rest.noise_nm, self._resolution_nm)

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
        return value if self._pace.is_slow else self.shown(median)

    def is_near_rest(self, value: int) -> bool:
        """Say whether this value is back at rest."""
        return abs(value - self._rest.level_nm) <= self.near_nm

    def has_moved_on(self, value: int) -> bool:
        """Say whether the travel is no longer where it last began to stand still."""
        return abs(value - self.settle_nm) > self._rest.calm_nm

    def stand_anew(self, t_ns: int, value: int) -> None:
        """It begins to stand still with this reading; where it stood until now is kept."""
        if self.settle_from_ns and t_ns - self.settle_from_ns >= SETTLED_NEAR_NS:
            self._left_plateau()
        self.settle_nm, self.settle_from_ns = value, t_ns

    def _left_plateau(self) -> None:
        """Keep where it stood until now; where that is as good as where it stood before, as one."""
        end = len(self.values) - 1
        while end > 0 and abs(self.values[end - 1] - self.settle_nm) > self._rest.calm_nm:
            end -= 1
        begin = max(bisect_left(self.times, self.settle_from_ns), end - 64, 0)
        if end - begin < 3:
            return
        level = sorted(self.values[begin:end])[(end - begin) // 2]
        if self.plateaus and abs(self.plateaus[-1].level_nm - level) < self.threshold():
            self.plateaus.pop()
        self.plateaus.append(Plateau(level, end))

    def stood_before(self) -> Plateau | None:
        """Say where it stood before, if it now stands there again and between made a stroke, and not back to rest:
        then that is the rest, and the way there was the indicator being moved.

        A stroke is at least half as far as the one before, or clear of a bump where there is none. Towards the old rest
        only what is like a stroke before is one, or a hold in which the air failed for a moment would be a rest.
        """
        earlier, level = self.earlier, self._rest.level_nm
        for plateau in reversed(self.plateaus):
            if abs(self.settle_nm - plateau.level_nm) > max(self._rest.calm_nm, self.tolerance() // 4):
                continue
            between = self.values[plateau.end : bisect_left(self.times, self.settle_from_ns)]
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
            least = max(self.threshold(), known // 2 or _LEAST_UNPROVEN_NM)
            like = (way > 0) == (earlier.sound_direction > 0) and abs(abs(way) - known) * 4 <= known
            return plateau if abs(way) >= least and (outwards or (known and like)) else None
        return None

    def begin_at(self, plateau: Plateau) -> None:
        """It began where it left this plateau, which is the rest."""
        self._rest.level_nm, self._rest.time_ns = plateau.level_nm, self.times[plateau.end - 1]
        self.times, self.values = self.times[plateau.end :], self.values[plateau.end :]
        ways = sorted((value - plateau.level_nm for value in self.values), key=abs)
        self.direction = 1 if ways[-1] > 0 else -1
        self.top_nm = abs(ways[-2])
        out = [at for at, travel in enumerate(self.travels(self.values)) if 2 * travel >= self.top_nm]
        self.fall_index = out[-1] + 1

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

    def came_to_zero(self, value: int) -> bool:
        """Say whether the first departure of a check by hand came from elsewhere to a display of about zero, which is
        where an indicator is zeroed: at rest. Not where zero is an end of what the plunger reaches.
        """
        about_zero = self._resolution_nm + 4 * self._rest.noise_nm
        if self.earlier.count or self.air_applied is not None or "rezeroed" in self.noted or abs(value) > about_zero:
            return False
        return self.plunger_range is None or min(map(abs, self.plunger_range)) > 4 * about_zero

    def let_go_at_first(self) -> bool:
        """Say whether what was just left is where the first departure of a check begun with the air on had ended."""
        if self.earlier.count or len(self.values) < 5:
            return False
        return self.air_applied is False or self.came_to_zero(self.stood_nm())

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
        """Return where it mostly stood since it had left, as displayed."""
        stood = sorted(self.values[len(self.values) // 3 :])
        return stood[len(stood) // 2]

    def stands_still(self, t_ns: int) -> bool:
        """Say whether it has stood where it is for so long that it is settled there."""
        long = t_ns - self.settle_from_ns >= SETTLED_AWAY_NS
        return long and len(self.times) - bisect_left(self.times, self.settle_from_ns) >= 4

    def settled(self) -> list[int]:
        """Return the readings since the travel began to stand still, without wild ones; the newest where all are."""
        limit = 2 * self._rest.calm_nm
        newest = self.values[bisect_left(self.times, self.settle_from_ns) :]
        return [value for value in newest if abs(value - self.settle_nm) <= limit] or [self.values[-1]]

    def without_lone(self) -> None:
        """Take out the readings of the return that stand clear of both neighbours: one such passes for a slow end."""
        clear = max(8 * self._rest.noise_nm, 7 * self._resolution_nm // 2)
        for at in range(len(self.values) - 2, self.fall_index, -1):
            before, here, after = self.values[at - 1 : at + 2]
            if here - max(before, after) > clear or min(before, after) - here > clear:
                del self.times[at], self.values[at]
                self.noted.add("glitch")

    def came_back(self) -> list[int]:
        """Return those of the settled readings from where on they can no longer be told to be coming back."""
        values = self.settled()
        rising = [-travel for travel in self.travels(values)]
        return values[len(values) - len(settled(rising, self._rest.noise_nm)) :]

    def near_level(self) -> int | None:
        """Return the mean of the readings after the fall that are back at rest, None if there are none."""
        limit = self.tolerance()
        near = [value for value in self.values[self.fall_index :] if abs(value - self._rest.level_nm) <= limit]
        return rounded_mean(near) if near else None

    def slow_from(self) -> int:
        """Return the index of the reading from which on the quick part of the return is over, at most the last.

        Of that hardly anything is left four times as long after its last tenth as it took to get there.
        """
        top, last = self.top_nm, len(self.values) - 1
        start = min(self.fall_index, last)
        while start > 0 and self.travel(self.values[start - 1]) * 10 < top * 9:
            start -= 1
        low = next((at for at in range(self.fall_index, last) if self.travel(self.values[at]) * 10 <= top), last)
        reading_ns = self._pace.reading_ns
        took = self.times[low] - self.times[max(0, start - 1)] - reading_ns
        return min(bisect_left(self.times, self.times[low] + max(4 * took, reading_ns * 3 // 4)), last)

    def stuck_from(self, t_ns: int) -> int | None:
        """Return the index at which the release began that has ended above half the top, since the piston has stuck on
        its way; None where it has not, or was asked of this stand before.

        The travel then lies flat, after a fall that was quick, after a hold that was one. A leak falls slowly and does
        not stop; a bounce is over before a hold could have been.
        """
        if t_ns - self.settle_from_ns < SETTLED_AWAY_NS:
            return None
        flat_from = bisect_left(self.times, self.settle_from_ns)
        if len(self.times) - flat_from < 4 or self.settle_from_ns == self._flat_from_ns:
            return None
        self._flat_from_ns = self.settle_from_ns  # once is enough, and every reading of a long hold must stay cheap
        travels = self.travels(self.values)
        held = sorted(travel for travel in travels[:flat_from] if 2 * travel > self.top_nm)
        level = rounded_mean(travels[flat_from:])
        high = [index for index in range(flat_from) if travels[index] * 10 >= self.top_nm * 9]
        # Against the middle of the hold: the top of a quick stream is its highest noise.
        if len(high) < 2 or level * 4 >= held[len(held) // 2] * 3:
            return None
        near = 3 * self._rest.calm_nm
        arrived = next((index for index in range(high[-1], len(travels)) if abs(travels[index] - level) <= near), None)
        if arrived is None:
            return None  # nothing lies at the mean of what came: it does not lie flat
        held_ns = self.times[high[-1]] - self.times[high[0]]
        fell_ns = self.times[arrived] - self.times[high[-1]]
        if held_ns < SHORT_HOLD_NS or fell_ns > max(_QUICK_FALL_NS, 5 * self._pace.reading_ns // 2):
            return None
        return min(high[-1] + 1, len(self.values))

    # -- when it is complete -----------------------------------------------------------------------------

    def supported_top(self) -> int:
        """Return the top, or the middle of the hold where wild readings that came together made a top nothing else
        reached."""
        top = self.top_nm
        travels = self.travels(self.values[: self.fall_index])
        if len([1 for travel in travels if 9 * top <= 10 * travel <= 12 * top]) >= 3:
            return top
        clear = sorted(travel for travel in travels if 4 * travel >= top)
        return top if len(clear) < 5 else min(top, clear[len(clear) // 2])

    def readings_in_fall(self, peak: int) -> int:
        """Return how many readings of the release lay clear of both its ends, noise and all."""
        nearby = self.values[max(0, self.fall_index - 3) : self.fall_index + 4]
        clear = max(peak // 10, 6 * self._rest.noise_nm, 2 * self._resolution_nm)
        return sum(clear < self.travel(value) < peak - clear for value in nearby)

    def samples(self, rest_after_nm: int | None, back: Sequence[int]) -> StrokeSamples:
        """Return it as it is measured, with the rest level after it, None if it never settled.

        Where that is the mean of the newest readings, those that came `back`, it is known when they came.
        """
        rest = self._rest
        drift, inferred = 0, 0
        if len(back) >= 3 and rest_after_nm == rounded_mean(back):
            drift, inferred = self._drifted(rest_after_nm, len(back))
        run = max(1, _SWAY_NS // max(1, self._pace.reading_ns))
        swayed = sway_of(rest.readings, run, rest.noise_nm, self._resolution_nm)
        self.sway_nm = max(swayed, self.sway_nm * 3 // 4)
        return StrokeSamples(
            times=self.times,
            values=self.values,
            rest_time=rest.time_ns,
            rest_nm=rest.level_nm,
            direction=self.direction,
            noise_nm=rest.noise_nm,
            rest_noise_nm=rest.displayed_noise_nm,
            top_nm=self.top_nm,
            fall_index=self.fall_index,
            rest_after_nm=rest_after_nm,
            returned=rest_after_nm is not None and abs(rest_after_nm - rest.level_nm) <= self.tolerance(),
            reading_ns=self._pace.reading_ns,
            release_ns=self.release_ns,
            noted=frozenset(self.noted),
            sway_nm=self.sway_nm,
            rest_mean_ns=rest.time_ns - rest.age_ns,
            drift_nm_per_s=drift,
            drift_doubt_nm_per_s=inferred,
        )

    def _drifted(self, rest_after_nm: int, count: int) -> tuple[int, int]:
        """Return how fast the rest level moved from before to after, where those are `count` readings, and in how
        much doubt a return that may not have ended leaves that."""
        rest, still_ns = self._rest, (count - 1) * self._pace.reading_ns
        mean_ns = self.times[-1] - still_ns // 2
        span = mean_ns - rest.time_ns + rest.age_ns
        if span <= 0 or abs(rest_after_nm - rest.level_nm) > self.tolerance():
            return 0, 0
        slow = min(self.slow_from(), len(self.values) - count)
        sure = rest.surely(rest_after_nm, count)
        way = WayHome(self.times[slow:], self.values[slow:], self.direction, self.top_nm, still_ns)
        after = rest.home(way, sure, mean_ns)
        moved, doubt = after.level_nm - rest.level_nm, isqrt(max(0, after.standard_nm**2 - sure.standard_nm**2))
        if abs(moved) * _SECOND > MOST_DRIFT_NM_PER_S * span:
            return 0, 0
        return moved * _SECOND // span, doubt * _SECOND // span
