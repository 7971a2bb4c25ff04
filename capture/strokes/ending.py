"""What a departure turns out to have been once it ends: a stroke, one that does not count, or the indicator moved.

`finder` follows the signs of the readings to here; `measure` puts the numbers on a stroke. Lengths are integer
nanometres, times integer nanoseconds since the recording began.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import isqrt

from capture.strokes.complete import came_from_beyond, readings_in_fall, samples, slow_from, supported_top, without_lone
from capture.strokes.hardly_seen import FURTHER_THAN_SWAY_NM, HardlySeen
from capture.strokes.levels import rounded_mean
from capture.strokes.machine import Notice
from capture.strokes.measure import Measured, measure
from capture.strokes.rest import RestLevel
from capture.strokes.running import SURELY_A_STROKE_NM, RunningStroke
from capture.strokes.sides import LONG_STAY, Sides, stay
from capture.strokes.stroke import Stroke, counts

#: Flags of a stroke that says nothing of how far the others go.
_NO_MEASURE = frozenset({"no_return", "short_hold", "sparse", "rezeroed", "gap"})
#: Flags of a stroke after which the pack rests elsewhere than before.
_NOT_HOME = frozenset({"no_return", "base_moved", "rezeroed", "gap"})
#: Flags of a stroke that ended where the reading had moved to.
_ENDS_AWAY = frozenset({"no_return", "base_moved"})
#: Flags of small strokes before the first sound one that are a stand swaying.
_LIKE_SWAYING = frozenset({"no_return", "base_moved", "leak", "short_hold", "sparse"})
#: Flags of strokes of which a rest or a hold was not seen.
_UNSEEN_SIDES = frozenset({"no_return", "short_hold", "sparse", "rezeroed", "gap"})
#: How long a piston bounces that was thrown against its end (common practice).
_BOUNCES_NS = 150_000_000
#: So many readings before it left tell rest where a check began with the air on.
_TELL_REST = 12
#: A stand that stayed elsewhere so often before the first sound stroke sways (common practice).
_SWAYS_AGAIN = 4
#: Flags with which a stroke still says which way strokes go and how far: a leak is followed back to its beginning.
_SOUND_WITH = frozenset({"leak"})
_ONLY_SHORT = frozenset({"short_hold", "sparse", "glitch"})


class Ending:
    """Ends the running stroke: measures it, tells whether it was one, and has rest go on from there."""

    def __init__(
        self,
        resolution_nm: int,
        judged: str,
        stroke: RunningStroke,
        rest: RestLevel,
        hardly_seen: HardlySeen,
        noticed: set[Notice],
    ) -> None:
        self._resolution_nm = resolution_nm
        self._judged = judged
        self._stroke = stroke
        self._rest = rest
        self._hardly_seen = hardly_seen
        self._noticed = noticed
        self.sides = Sides(resolution_nm)
        """Where the pack rested and was held in the strokes so far."""

    def begin_rest(self, values: Sequence[int], t_ns: int) -> None:
        """It is over; rest goes on from these readings."""
        self._stroke.clear()
        self._rest.begin(values, t_ns)

    def cross_over(self) -> None:
        """What looked like an apply was the rest level moving: the stroke goes the other way from there."""
        stroke, rest = self._stroke, self._rest
        earlier = stroke.earlier
        # The median may have fallen while the newest reading has not: something must be left to go on from.
        step = min(stroke.first_fallen(), len(stroke.values) - 1)
        self._hardly_seen.pass_over(step)
        if earlier.stuck_from_nm is not None and stroke.travel(earlier.stuck_from_nm) > 0:
            # A piston that had stuck part way let go before the air came: it went home, and that is rest.
            rest.level_nm, earlier.stuck_from_nm = earlier.stuck_from_nm, None
        elif stroke.let_go_at_first():
            stood, middle = stroke.values[step // 3 : step], stroke.stood_nm()
            rest.level_nm = rounded_mean([value for value in stood if abs(value - middle) <= rest.calm_nm] or [middle])
            stroke.plateaus = []
            self._noticed.add(Notice.AIR_WAS_ON)
        elif stroke.plateaus:
            rest.level_nm = stroke.plateaus[-1].level_nm
            step = min(max(step, stroke.plateaus[-1].end), len(stroke.values) - 1)
            stroke.plateaus = []
            self._noticed.add(Notice.MOVED)
        elif step >= 3:
            rest.level_nm = rounded_mean(stroke.values[max(0, step - 8) : step])
            stroke.noted.add("base_moved")
        rest.readings = [rest.level_nm]
        rest.time_ns = stroke.times[max(0, step - 1)]
        stroke.times, stroke.values = stroke.times[step:], stroke.values[step:]
        stroke.direction = -stroke.direction
        stroke.was_near = False
        stroke.top_nm = max(0, stroke.median_travel())

    def _note_sides(self, back: Sequence[int], seen: bool) -> None:
        """Note where the pack stood before and at the top of a stroke, where both were `seen`."""
        stroke, rest, way = self._stroke, self._rest, self._stroke.direction
        values, out = stroke.values, stroke.shown(stroke.top_nm * 9 // 10)
        there = next((at for at in range(stroke.fall_index) if way * (values[at] - out) >= 0), None)
        if there is None:
            return
        gone = next(at for at in range(stroke.fall_index, there, -1) if way * (values[at - 1] - out) >= 0)
        # Of a short stay the end: its beginning may still be on the way there.
        self.sides.departed(stroke.times[max(there, min((there + gone) // 2, gone - _TELL_REST))])
        stood = len(rest.readings) >= 3 and abs(rounded_mean(rest.readings) - rest.level_nm) <= stroke.tolerance()
        if not seen or not back or not stood:  # after one that stuck, the rest that counts is not where it stood
            return
        self.sides.lasted(stroke.times[0], stroke.times[stroke.fall_index - 1])
        if self.sides.tell_nothing_new:
            return
        reading_ns, clear = stroke.pace.reading_ns, max(stroke.top_nm // 100, 2 * self._resolution_nm)
        soon = min(gone, there + _BOUNCES_NS // max(1, reading_ns))
        home = rounded_mean(back) - rest.level_nm
        came_home = [value - home for value in values[stroke.fall_index :]]
        at_top = values[max(there, gone - LONG_STAY) : gone]
        self.sides.take(
            stay(came_home, rest.readings, way, reading_ns, self._resolution_nm, clear),
            stay(values[there:soon], at_top, -way, reading_ns, self._resolution_nm, clear),
        )

    def _is_a_move(self, measured: Measured) -> bool:
        """Say whether what went the other way than all strokes was the indicator, moved there and back or further."""
        usual = self._stroke.earlier.sound_travel_nm
        return bool(measured.flags) or abs(measured.peak_travel_nm - usual) * 4 > usual

    def _hardly_rested(self, measured: Measured) -> bool:
        """Say whether the first departure of a check went hardly further than a restless stand does, and for longer
        than it was seen to rest before: vibration that a slow stream shows as a slow wave does that."""
        stroke = self._stroke
        rested_ns = len(self._rest.readings) * stroke.pace.reading_ns
        untold = not stroke.earlier.count and stroke.air_applied is None  # where a fixture tells of air it is known
        small = untold and measured.peak_travel_nm < FURTHER_THAN_SWAY_NM
        return small and rested_ns < stroke.times[-1] - stroke.times[0]

    def _like_its_swaying(self, measured: Measured) -> bool:
        """Say whether it went hardly further than the stand was seen to go both ways, or than some stands go of which
        this one was seen to stay elsewhere again and again."""
        stroke, travel = self._stroke, measured.peak_travel_nm
        restless = stroke.earlier.stayed >= _SWAYS_AGAIN and travel < FURTHER_THAN_SWAY_NM
        return stroke.air_applied is None and (restless or travel < 2 * self._rest.sway.both_ways_nm)

    def _is_unlike(self, measured: Measured) -> bool:
        """Say whether it went further than the strokes before, or less far."""
        usual = self._stroke.earlier.sound_travel_nm or measured.peak_travel_nm
        return abs(measured.peak_travel_nm - usual) * 8 > usual

    def outlast(self, readings: Sequence[int], found: list[Stroke]) -> None:
        """It is still applied, or what began as a stroke was the indicator being moved, and strokes came after that."""
        stroke = self._stroke
        self._hardly_seen.pass_over(len(stroke.values))
        if self._hardly_seen.say_passed_over(stroke.times[-1], False, 0, found):
            self._noticed.add(Notice.MOVED)
            self.begin_rest(readings or [stroke.values[-1]], stroke.times[-1])
            return
        stroke.fall_index = len(stroke.values)
        self.complete(None, readings, found)

    def complete(self, rest_after: int | None, back: Sequence[int], found: list[Stroke]) -> None:
        """A stroke is over: measure it, and go on at rest with the readings `back`."""
        stroke, rest = self._stroke, self._rest
        earlier = stroke.earlier
        home = earlier.stuck_from_nm
        if home is not None and rest_after is not None and abs(rest_after - home) <= stroke.tolerance():
            # The stroke before left the piston part way, and this one let it go all the way back: its travel counts
            # from there, as the pack's does. Where it did not, from where it stood.
            stroke.top_nm -= stroke.travel(home)
            rest.level_nm = home
        without_lone(stroke)
        stroke.top_nm = supported_top(stroke)
        if came_from_beyond(stroke):
            stroke.noted.add("base_moved")
        slow = slow_from(stroke)
        measured = measure(samples(stroke, rest_after, back, slow), self._resolution_nm, stroke.plunger_range)
        earlier.stuck_from_nm = None
        stroke.after_gap = False
        newest_ns = stroke.times[-1]
        swaying = (
            measured is not None
            and measured.peak_travel_nm < SURELY_A_STROKE_NM
            and not earlier.least_nm
            and not (_was_thrown(measured) and self._hardly_seen.kept_like(stroke.direction * measured.peak_travel_nm))
            and (
                not _LIKE_SWAYING.isdisjoint(measured.flags)
                or self._hardly_rested(measured)
                or self._like_its_swaying(measured)
            )
        )
        if (measured is None or swaying) and stroke.is_brief_hold and stroke.is_brief():
            # A slow stream showed it by a reading or two.
            self._hardly_seen.keep_brief(newest_ns, found)
            self.begin_rest(back or [rest.level_nm], newest_ns)
            return
        further = measured is not None and measured.peak_travel_nm >= FURTHER_THAN_SWAY_NM
        short = measured is not None and _ONLY_SHORT.issuperset(measured.flags)
        if measured is not None and swaying and further and (short or _was_thrown(measured)):
            # It may have been a stroke, or a stand that sways: another like it tells.
            self._hardly_seen.keep_unsure(newest_ns, True)
            self.begin_rest([*rest.readings, *back] if short else back or [stroke.values[-1]], newest_ns)
            return
        if measured is None or swaying:
            self._hardly_seen.hold_back(newest_ns)
            if stroke.is_against_the_others:
                self._hardly_seen.pass_over(stroke.fall_index)
                self._hardly_seen.bumped()
            # It was noise or a stand that sways, before enough of that had been seen at rest to know it: now it is.
            self.begin_rest([*rest.readings, *stroke.values], newest_ns)
            return
        if stroke.is_against_the_others and stroke.air_applied is None and self._is_a_move(measured):
            self._hardly_seen.pass_over(len(stroke.values))
            if measured.return_error_nm * 3 < measured.peak_travel_nm:
                self._hardly_seen.bumped()
            self._noticed.add(Notice.MOVED)
            self.begin_rest(back or [stroke.values[-1]], newest_ns)
            return
        away = not _ENDS_AWAY.isdisjoint(measured.flags)
        if away and earlier.sound_travel_nm and self._is_unlike(measured):
            # It may be several, with the indicator moved between.
            self._hardly_seen.pass_over(len(stroke.values))
            if self._hardly_seen.say_passed_over(newest_ns, False, 0, found):
                self._noticed.add(Notice.MOVED)
                self.begin_rest(back or [stroke.values[-1]], newest_ns)
                return
        if measured.peak_travel_nm <= 0:
            # So few readings went away that none of their levels did: it was there, and how far cannot be measured.
            newest = stroke.values[-1]
            self._hardly_seen.keep_brief(newest_ns, found)
            self.begin_rest(back or [newest], newest_ns)
            return
        furthest = stroke.furthest_nm() if stroke.is_brief_hold else stroke.direction * measured.peak_travel_nm
        self._hardly_seen.say_held_back(furthest, found, measured=not stroke.is_brief_hold)
        sound = _SOUND_WITH.issuperset(measured.flags)
        sound_way = 0 if not sound else stroke.direction * measured.peak_travel_nm
        self._hardly_seen.say_passed_over(stroke.times[0], True, sound_way, found)
        earlier.ended_away = away
        # What came back to elsewhere may be held there, where it was no stroke but the indicator that was moved twice.
        near_home = not self._is_unlike(measured) and 3 * abs(measured.return_error_nm) <= measured.peak_travel_nm
        self._hardly_seen.begin_track(not away or near_home)
        if "no_return" in measured.flags:
            earlier.stuck_from_nm = rest.level_nm
        earlier.direction, earlier.travel_nm = stroke.direction, measured.peak_travel_nm
        earlier.rest_nm = rest.level_nm
        # What leaked before it was let go is no release that the stream was quick enough to show.
        shown = 0 if "leak" in measured.flags else readings_in_fall(stroke, measured.peak_travel_nm)
        if sound:
            earlier.sound_count = earlier.sound_count + 1 if stroke.direction == earlier.sound_direction else 1
            earlier.sound_direction, earlier.sound_travel_nm = stroke.direction, measured.peak_travel_nm
        self._note_sides(back, _UNSEEN_SIDES.isdisjoint(measured.flags))
        if not _NO_MEASURE.intersection(measured.flags):
            earlier.least_nm = min(measured.peak_travel_nm // 4, SURELY_A_STROKE_NM)
        earlier.least_fall = shown if earlier.count == 0 else min(earlier.least_fall, shown)
        earlier.count += 1
        earlier.brief_nm = 0
        if "sparse" in measured.flags and stroke.is_brief_hold:
            earlier.was_brief(furthest)
        found.append(
            Stroke(
                n=earlier.count,
                start_ns=measured.start_ns,
                end_ns=measured.end_ns,
                released_nm=rest.level_nm,
                peak_travel_nm=measured.peak_travel_nm,
                held_travel_nm=measured.held_travel_nm,
                rise_ns=measured.rise_ns,
                creep_nm=measured.creep_nm,
                return_error_nm=measured.return_error_nm,
                fall_nm_per_s=measured.fall_nm_per_s,
                inferred_nm=isqrt(measured.inferred_nm**2 + rest.inferred_nm**2),
                rounding_nm=measured.rounding_nm,
                flags=measured.flags,
                accepted=counts(measured.flags, self._judged),
            )
        )
        self._noticed -= {Notice.MOVED, Notice.UNSEEN, Notice.AIR_WAS_ON}
        rest.remember()
        begins = min(slow, len(stroke.values) - len(back))
        coming, since_ns = stroke.values[begins : len(stroke.values) - len(back)], stroke.times[begins]
        self.begin_rest(back or [stroke.values[-1]], newest_ns)
        if back and _NOT_HOME.isdisjoint(measured.flags):
            rest.comes_home(coming, since_ns)


def _was_thrown(measured: Measured) -> bool:
    """Say whether it rose in a quarter of its time: air throws a pack, and a stand that sways turns evenly."""
    return 4 * measured.rise_ns < measured.end_ns - measured.start_ns
