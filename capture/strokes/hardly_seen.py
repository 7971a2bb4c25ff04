"""Strokes of which too little was seen: what is kept until another like it comes, and what was passed over.

Theory. Of a short hold a slow stream shows a reading or none: one that goes as far as the strokes before is a stroke
that does not count; any other may be a wild one, and that is said, until another like it makes a stroke of it too.
While the indicator is being moved nobody knows which stand is rest: what was passed over then is told, as strokes that
do not count, once it is known how far strokes go (`moves`). Lengths are integer nanometres, times integer nanoseconds
since the recording began.
"""

from __future__ import annotations

from dataclasses import replace

from capture.strokes.moves import Stand, Track, stands_among
from capture.strokes.pace import Pace
from capture.strokes.rest import RestLevel
from capture.strokes.running import RunningStroke
from capture.strokes.stroke import Stroke

#: So many strokes of which one reading each was seen are kept until another tells that they were some.
_MOST_UNSURE = 8
#: What a restless stand hardly shows, and the smallest clearances are (common practice).
FURTHER_THAN_SWAY_NM = 85_000


class HardlySeen:
    """The strokes of a check that do not count since too little was seen of them."""

    def __init__(self, resolution_nm: int, stroke: RunningStroke, rest: RestLevel, pace: Pace) -> None:
        self._resolution_nm = resolution_nm
        self._stroke = stroke
        self._rest = rest
        self._pace = pace
        self._track = Track()
        # What may have been strokes, their ways, and whether they stood: another like one makes it one.
        self._unsure: list[tuple[Stroke, int, bool]] = []

    def keep_brief(self, t_ns: int, found: list[Stroke]) -> None:
        """A stroke was there and cannot be measured: say so, or a technician would count one that is not counted."""
        stroke = self._stroke
        brief = self._brief(t_ns)
        if not brief.peak_travel_nm:  # it came back to the very rest that it is now known to have left
            stroke.clear()
            return
        self.say_held_back(stroke.furthest_nm(), found)
        stroke.earlier.was_brief(stroke.furthest_nm())
        stroke.earlier.count += 1
        found.append(replace(brief, n=stroke.earlier.count))
        stroke.clear()

    def _brief(self, t_ns: int) -> Stroke:
        """Return what was too short to be measured, as a stroke that does not count; it ends at `t_ns`."""
        stroke = self._stroke
        travel = abs(stroke.furthest_nm())
        return Stroke(
            n=0,
            start_ns=stroke.times[0],
            end_ns=t_ns,
            released_nm=self._rest.level_nm,
            peak_travel_nm=travel,
            held_travel_nm=travel,
            rise_ns=0,
            creep_nm=0,
            return_error_nm=0,
            rounding_nm=self._resolution_nm * 29 // 100,
            flags=("short_hold", "sparse"),
            accepted=False,
        )

    def hold_back(self, t_ns: int) -> None:
        """Keep what may have been a stroke too short to see, until another like it says that it was one."""
        earlier = self._stroke.earlier
        way = self._stroke.furthest_nm()
        if way == earlier.brief_nm and not earlier.sound_travel_nm:
            self.keep_unsure(t_ns, False)

    def keep_unsure(self, t_ns: int, steady: bool) -> None:
        """Keep it until another goes about so far, closely where it was `steady`."""
        kept = self._brief(t_ns), self._stroke.furthest_nm(), steady
        self._unsure = [*self._unsure[1 - _MOST_UNSURE :], kept]

    def kept_like(self, way: int) -> bool:
        """Say whether one that stood went closely as far: no stand is thrown twice alike."""
        return any(steady and _is_close(way, its_way) for _, its_way, steady in self._unsure)

    def say_held_back(self, way: int, found: list[Stroke], measured: bool = False) -> None:
        """A stroke went that far that way: what was held back and went about so far was one as well.

        One that was measured says that more closely than another that was hardly seen.
        """
        for held, its_way, steady in self._unsure:
            about = way * its_way > 0 and abs(way) <= 3 * abs(its_way) <= 9 * abs(way)
            if _is_close(way, its_way) if steady or measured else about:
                self._stroke.earlier.count += 1
                found.append(replace(held, n=self._stroke.earlier.count))
        self._unsure = []

    def pass_over(self, until: int) -> None:
        """The first readings until that one are no part of a stroke: keep where they stood."""
        rest, stroke = self._rest, self._stroke
        apart, began_ns = rest.calm_nm, rest.time_ns - len(rest.readings) * self._pace.reading_ns
        self._track.stood(Stand(rest.level_nm, began_ns, rest.time_ns), apart)
        for stand in stands_among(stroke.times[:until], stroke.values[:until], rest.calm_nm):
            self._track.stood(stand, apart)
        if not stroke.earlier.count:
            stroke.earlier.first_way_nm = self._track.first_way_nm

    def came_home(self, level_nm: int, t_ns: int) -> None:
        """It went back to where it was before the last one ended elsewhere, and rests there from then on."""
        self._track.stood(Stand(level_nm, t_ns, t_ns), self._rest.calm_nm)

    def bumped(self) -> None:
        """What was passed over went the way that no stroke goes and came back at once, as where the indicator is moved
        by about as much as a stroke in the very moment of an apply: it may be held there."""
        stroke = self._stroke
        self._track.bumped(stroke.times[min(stroke.fall_index, len(stroke.times) - 1)])

    def say_passed_over(self, until_ns: int, ends_at_rest: bool, way_nm: int, found: list[Stroke]) -> bool:
        """Say which strokes were passed over until then, since the indicator was being moved; none of them counts.

        `way_nm` is how far strokes go, where none did so far that is sound.
        """
        earlier = self._stroke.earlier
        usual = earlier.sound_direction * earlier.sound_travel_nm or way_nm
        if abs(usual) < FURTHER_THAN_SWAY_NM:
            return False
        passed = self._track.passed_over(usual, self._rest.calm_nm, until_ns, ends_at_rest)
        for one in passed:
            earlier.count += 1
            found.append(
                Stroke(
                    n=earlier.count,
                    start_ns=one.start_ns,
                    end_ns=one.end_ns,
                    released_nm=one.rest_nm,
                    peak_travel_nm=abs(one.way_nm),
                    held_travel_nm=abs(one.way_nm),
                    rise_ns=0,
                    creep_nm=0,
                    return_error_nm=0,
                    rounding_nm=self._resolution_nm * 29 // 100,
                    flags=("base_moved",),
                    accepted=False,
                )
            )
        return bool(passed)

    def begin_track(self, at_rest: bool) -> None:
        """A stroke was told: what is passed over from here on begins with a stand that is rest, or may be a hold."""
        self._track.begin(at_rest)


def _is_close(way: int, other: int) -> bool:
    return way * other > 0 and abs(way - other) * 4 <= abs(way)
