"""Readings at rest in; the rest level, its noise and the band around it out.

Noise is what readings differ by from one to the next; wander is how far the level itself goes, which that does not
show. The band is what the finder compares every reading of a long rest with, so it and the rest are worked out
anew only now and then. Lengths are integer nanometres.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from math import isqrt

from capture.strokes.followed import Inferred
from capture.strokes.home import FOLLOWED_NS, Drift, WayHome, home_of, tail_unseen
from capture.strokes.levels import (
    Sway,
    agreed,
    middles,
    noise_of_steps,
    rounded_mean,
    rounding_left,
    settled,
    signed,
    steps_between,
    sway_of,
)
from capture.strokes.pace import Pace

#: A disturbance smaller than this is never a stroke: pack clearances are tenths of a millimetre and more
#: (common practice).
LEAST_TRAVEL_NM = 60_000
#: The band while too few readings at rest have been seen to know their noise.
_UNKNOWN_BAND_NM = LEAST_TRAVEL_NM // 3
#: Rest readings kept for the rest level and its noise, and how many arrive before both are worked out anew: fewer
#: where they come slowly.
_KEPT, _BATCH, _SOONER = 1024, 32, 8
#: The noise is worked out from the newest so many steps from one reading at rest to the next, which in a quick stream
#: lie about so far apart: a bench that vibrates moves less from one reading to the next than it does.
_NOISE_FROM, _STEP_NS, _FARTHEST = 64, 10_000_000, 16
#: Over how long readings at rest are averaged to see their level sway (common practice: a stand sways in seconds).
_SWAY_NS = 250_000_000
#: A standard deviation of the readings at rest that is no calm bench (common practice).
_SHAKES_NM = 12_000
#: Of fewer readings at rest none can be told to be leaving it.
_MANY_AT_REST = 16
#: Where a band begins that is empty: above every reading.
NEVER = 1 << 62


class RestLevel:
    """Where the pack rests, as displayed, and how restless that is."""

    __slots__ = (
        "_earlier_steps",
        "_left",
        "_pace",
        "_resolution_nm",
        "_slow",
        "_slow_ns",
        "_swayed",
        "age_ns",
        "band_nm",
        "calm_nm",
        "displayed_noise_nm",
        "drift",
        "full",
        "high",
        "inferred_nm",
        "known",
        "left_variance",
        "level_nm",
        "low",
        "noise_nm",
        "readings",
        "sway",
        "time_ns",
        "wander_nm",
    )  # fmt: skip

    def __init__(self, resolution_nm: int, pace: Pace) -> None:
        self._resolution_nm = resolution_nm
        self._pace = pace
        self.level_nm = 0
        self.noise_nm = resolution_nm * 29 // 100
        """Standard deviation of a reading, read generously while few have been seen, and never below d/sqrt(12)."""
        self.calm_nm = 2 * resolution_nm
        """How far apart readings of a travel that stands still can be."""
        self.displayed_noise_nm = 0
        """The same as it was displayed: zero where every reading was the same."""
        self.wander_nm = 0
        """How far the rest level itself went up and down lately, beyond what the noise of a reading makes of it."""
        self.known = False
        """Whether enough readings at rest have been seen to know the noise."""
        self.band_nm = 2 * resolution_nm
        self.low, self.high = NEVER, 0
        self.readings: list[int] = []
        self.full = _BATCH
        """At how many readings `tune` is due."""
        self.age_ns = 0
        """How long before the newest the readings of the level came, on average, once the pack has left rest."""
        self.time_ns = 0
        """When the newest reading at rest came."""
        self.inferred_nm = 0
        """Standard uncertainty of the level where the pack was still coming home, and followed there; else 0."""
        self._slow: list[int] = []
        self._slow_ns: int | None = None
        self.drift = Drift()
        self._left: tuple[Inferred, int, bool] | None = None
        self.left_variance = 0
        """What noise and rounding make of the level that was left, nm squared."""
        self._earlier_steps: list[int] = []
        self.sway = self._swayed = Sway()
        """How far the level went before the stroke that is running, or before one not long ago."""

    @property
    def shakes(self) -> bool:
        """Whether it is so restless that somebody should see to it."""
        return self.displayed_noise_nm >= _SHAKES_NM or self.wander_nm >= 2 * _SHAKES_NM

    def window(self) -> int:
        """Return how many readings make about a second of rest, within what is kept."""
        if not self._pace.reading_ns:
            return 8
        return max(8, min(_KEPT, 1_000_000_000 // self._pace.reading_ns))

    def tune(self) -> None:
        """Work out the rest level, its noise and the band from the newest readings at rest."""
        if len(self.readings) > _KEPT:
            # What came home long ago is not followed any more, and a rest may last for days.
            if self._slow_ns is not None and self.time_ns - self._slow_ns <= 2 * FOLLOWED_NS:
                self._slow += self.readings[:-_KEPT]
            del self.readings[:-_KEPT]
        self.level_nm = rounded_mean(self.readings[-self.window() :])
        steps = self._steps()
        if len(steps) < _NOISE_FROM:
            # A slow stream has few readings between two strokes: those of the rests before count as well.
            steps = [*self._earlier_steps[len(steps) - _NOISE_FROM :], *steps]
        # Once the noise is known a quick stream is looked at less often, so that a reading costs the same at any rate.
        seldom = min(_KEPT, 8 * self.window()) if len(steps) >= _NOISE_FROM else 0
        self.full = len(self.readings) + max(_BATCH, seldom)
        if len(steps) < 7 and not self.known:
            # What is not yet known to be restless may be: a stroke goes further than this.
            self.band_nm = max(self.band_nm, _UNKNOWN_BAND_NM)
        elif len(steps) >= 7:
            # A reading that was damaged on its way makes two steps that are no noise.
            steps.sort()
            most = max(8 * steps[len(steps) // 2], 2 * self._resolution_nm)
            raw = noise_of_steps(steps if steps[-1] <= most else [min(step, most) for step in steps])
            # A few readings tell the noise only roughly, and are read generously.
            self.noise_nm = max(raw + raw // isqrt(len(steps)), self._resolution_nm * 29 // 100)
            self.calm_nm = max(4 * self.noise_nm, 2 * self._resolution_nm)
            # The band takes the noise as seen: read generously, it would swallow a small stroke whole.
            self.band_nm = max((4 if len(steps) >= _BATCH else 3) * raw, 2 * self._resolution_nm)
            self.displayed_noise_nm = raw
            if len(self.readings) >= _BATCH // 2:
                # So many readings of white noise lie within eight standard deviations, a display step added.
                readings = agreed(self.readings)
                shown = set(readings)  # few values, of which the most and the least are soon found
                most = 8 * raw + self._resolution_nm
                seen = max(shown) - min(shown) - most
                if seen > 0:  # any single one may have been damaged
                    ordered = sorted(readings)
                    seen = ordered[-2] - ordered[1] - most
                self.wander_nm = max(seen, self.wander_nm * 15 // 16, 0)
            self.known = True
        self.low, self.high = self.level_nm - self.band_nm, self.level_nm + self.band_nm

    def _steps(self) -> list[int]:
        apart = min(_FARTHEST, max(1, _STEP_NS // self._pace.reading_ns)) if self._pace.reading_ns else 1
        newest = self.readings[-1 : -2 - apart * _NOISE_FROM : -apart]
        return steps_between(newest if any(self._earlier_steps) else agreed(newest))

    def without_lone(self, readings: Sequence[int]) -> Sequence[int]:
        """Return these readings, a single one put where the others agree, unless the display flickers anyway."""
        return readings if self.displayed_noise_nm else agreed(readings, self._resolution_nm)

    def take(self, values: Sequence[int]) -> None:
        """Take readings that lie in the band."""
        self.readings += values
        if len(self.readings) >= self.full:
            self.tune()

    def tune_if_slow(self) -> None:
        """Work it out sooner where so few readings come that a drift would outrun it."""
        if self._pace.comes_slowly and len(self.readings) >= self.full - _BATCH + _SOONER:
            self.tune()

    def room(self, surely_quick: bool) -> int:
        """Return how many readings can be taken before it is worked out anew, in a stream that surely comes quickly."""
        return self.full - len(self.readings) - 1 - (0 if surely_quick else _BATCH - _SOONER)

    def begin(self, values: Sequence[int], t_ns: int) -> None:
        """Rest begins (again) with these readings."""
        self._slow, self._slow_ns = [], None
        self._left = None
        self.readings = _without_wild(values)
        self.time_ns = t_ns
        self.tune()

    def comes_home(self, slow: Sequence[int], since_ns: int) -> None:
        """What rest begins with is the end of a return, of which these readings are the slow part before, since then.

        It came back to where it had rested, so that what was known of that level still tells something.
        """
        self._slow, self._slow_ns = list(slow), since_ns

    def go_on(self, values: Sequence[int], t_ns: int) -> None:
        """It was no stroke: rest goes on with these readings as well, of which none is wild."""
        self.readings += values
        self.time_ns = t_ns
        self.tune()

    def leave(self, value: int, direction: int, travel_nm: int) -> None:
        """This reading left the band. The newest readings at rest may already have been moving: leave them out.

        `direction` and `travel_nm` are those of the stroke before: the pack may still have been coming back from it.
        """
        if leaving := self._leaving(value):
            del self.readings[-leaving:]
            self.time_ns -= leaving * self._pace.reading_ns
        if not self.known:
            self.tune()  # a small stroke soon after the beginning is told by the few readings there are
        left_out = 2 if len(self.readings) >= 10 else 0
        over = len(self.readings) - left_out
        newest = self.without_lone(self.readings[max(0, over - self.window()) : over])
        turn = -1 if direction >= 0 else 1
        rising = signed(newest, turn)
        run = max(1, _SWAY_NS // max(1, self._pace.reading_ns))
        now, before = sway_of(agreed(self.readings), run, self.noise_nm, self._resolution_nm), self._swayed
        self.sway = Sway(max(now.all_nm, before.all_nm), max(now.both_ways_nm, before.both_ways_nm))
        still = len(settled(rising, self.noise_nm, 2, sway_nm=self.sway.both_ways_nm))
        self.level_nm = self.level_of(newest[-still:])
        self.age_ns = (2 * left_out + still - 1) * self._pace.reading_ns // 2
        at_ns, sure = self.time_ns - self.age_ns, self.surely(self.level_nm, still)
        self.left_variance = self.variance(still)
        home, unseen = sure, 0
        if self._slow_ns is not None and self.time_ns - self._slow_ns <= FOLLOWED_NS:
            way = [*self._slow, *self.readings[:over]]
            apart_ns = max(1, (self.time_ns - self._slow_ns) // (len(way) + left_out))
            times = range(self._slow_ns + apart_ns, self._slow_ns + apart_ns * len(way) + 1, apart_ns)
            still_ns = (still - 1) * self._pace.reading_ns
            way_home = WayHome(times, signed(way, turn), turn, travel_nm, still_ns)
            home = self.home(way_home, sure, at_ns)
            if (first_nm := self.drift.first_nm) is not None:
                unseen = tail_unseen(way_home, home.level_nm, first_nm, self.noise_nm, self.rounding_nm)
        self.level_nm = home.level_nm
        self.inferred_nm = isqrt(max(0, home.standard_nm**2 - sure.standard_nm**2) + unseen**2)
        self._left = home, at_ns, unseen > 0
        self.close()

    def _leaving(self, value: int) -> int:
        """Return how many of the newest of many readings at rest were on the way to this value already: all that lie
        further that way from the older half than noise does. Where the stand shakes the band is wide, and a pack that
        starts slowly needs many readings to cross it; on any other stand what goes that way may be a drift.
        """
        if self.displayed_noise_nm < _SHAKES_NM:
            return 0
        newest = self.readings[-self.window() :]
        if len(newest) < _MANY_AT_REST:
            return 0
        level, way = rounded_mean(newest[: len(newest) // 2]), 1 if value > self.level_nm else -1
        staying = (at for at in range(1, len(newest) // 2) if way * (newest[-at] - level) <= self.noise_nm)
        return next(staying, len(newest) // 2) - 1

    def level_of(self, readings: Sequence[int]) -> int:
        """Return the mean of these readings at rest, without one that was damaged on its way: its digits differ by
        little from what was shown, but it by much from what it should be.
        """
        stood = sorted(readings)
        middle, limit = stood[len(stood) // 2], max(4 * self.noise_nm, 3 * self._resolution_nm // 2)
        return rounded_mean(stood[bisect_left(stood, middle - limit) : bisect_right(stood, middle + limit)])

    def surely(self, level_nm: int, count: int) -> Inferred:
        """Return this mean of so many readings at rest, with how well they tell it."""
        return Inferred(level_nm, isqrt(self.variance(count)) + self._resolution_nm // 10)

    def variance(self, count: int) -> int:
        """Return what noise and rounding make of the mean of so many readings at rest, nm squared."""
        return self.noise_nm**2 // count + self.rounding_nm**2

    @property
    def rounding_nm(self) -> int:
        """What the display's rounding leaves in the mean of readings at rest."""
        return rounding_left(self.displayed_noise_nm, self._resolution_nm)

    def home(self, way: WayHome, still: Inferred, at_ns: int) -> Inferred:
        """Return where the readings on the way home go to, the last of which stand `still` there, at that time."""
        return home_of(way, still, self.noise_nm, self.rounding_nm, self.drift.expected(at_ns))

    def close(self) -> None:
        """No reading is at rest until it begins again."""
        self.low, self.high = NEVER, 0

    def remember(self) -> None:
        """It was a stroke: keep what this rest told for the next, the steps of its noise and where it was."""
        self._earlier_steps = [*self._earlier_steps, *self._steps()][-_NOISE_FROM:]
        self._swayed = Sway(self.sway.all_nm * 15 // 16, self.sway.both_ways_nm * 15 // 16)
        if self._left is not None:
            level, at_ns, a_tail = self._left
            if self._slow_ns is None:
                # No single reading moves a stand that keeps still.
                still = not (self.wander_nm or self.sway.both_ways_nm)
                readings = agreed(self.readings)
                reading_ns, noise_nm = self._pace.reading_ns, self.noise_nm
                self.drift.drifted(
                    middles(readings) if still else readings, reading_ns, noise_nm, self.rounding_nm, self.wander_nm
                )
            self.drift.rested(level.level_nm, level.standard_nm, at_ns, self.left_variance, a_tail)


def _without_wild(values: Sequence[int]) -> list[int]:
    """Return these readings at rest but for wild ones: one alone would make a level and a noise that hide strokes."""
    ordered = sorted(values)
    middle = ordered[len(ordered) // 2]
    if max(middle - ordered[0], ordered[-1] - middle) <= LEAST_TRAVEL_NM:
        return list(values)
    usual = sorted(abs(value - middle) for value in values)[len(values) // 2]
    limit = max(10 * usual, LEAST_TRAVEL_NM)
    return [value for value in values if abs(value - middle) <= limit]
