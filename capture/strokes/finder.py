"""Readings in, strokes out: finds every apply, hold and release from the readings alone, as they arrive.

Theory. The finder is a small state machine over the displayed value: `machine` has its table, `signs` says what a
reading shows, here is done what follows, and `ending` has what a departure turns out to have been. No trigger is
needed, since a technician may work the valve by hand; one is used where there is one.

    STARTING   the first few readings give a first rest level
    REST       readings inside a narrow band keep the rest level and its noise up to date
    LEAVING    readings left the band; the median of three must clear a threshold, or it was no stroke
    APPLIED    it is a stroke, being applied or held
    RETURNING  the median of three fell below half the top; the stroke is complete when it has settled

The band, and the threshold that tells a stroke from a disturbance, follow the noise at rest and the display
step. Single wild readings never get through the median of three. What the direction of travel is, nothing
says: a stroke goes whichever way the reading leaves rest. When the level settles away from the old rest the
stroke ends there and the new level becomes rest, so that one slip does not spoil all that follows.

Trouble. A step that stays is no hold: the indicator was moved. That shows when a stroke begins and ends where the
step had left the reading, on the side of rest where no stroke goes, or while a fixture says that its valve is
closed; rest is taken anew, and the stroke counts. A stand that sways raises the threshold by how far its level
went, and before the first sound stroke a small one must be steady.

A check begun with the air on begins with a release. That is seen where a fixture releases before it has applied, or
applies while the pack stands where its first departure left it; and where the first departure ends at about zero, since
an indicator is zeroed at rest. It is no stroke: rest begins where it stands, and it is asked about. By hand and not
zeroed, the levels are those of a check begun without, the other way round: what all strokes say together is weighed
(`sides`). A bench asks; whoever measures a recording begins again behind that release, where it is sure.

Cost. Each reading is looked at once, and those that decide nothing (nearly all: at rest, held, settling) are only
compared with one pair of limits; memory is one stroke's readings and a short window of rest. Times and lengths are
integers, so a replay of the same chunks gives the same strokes on any machine.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from capture.strokes.ending import Ending
from capture.strokes.hardly_seen import HardlySeen
from capture.strokes.levels import rounded_mean
from capture.strokes.machine import TABLE, Notice, Sign, StrokeState
from capture.strokes.pace import Pace
from capture.strokes.plateaus import begin_at, stood_before
from capture.strokes.rest import LEAST_TRAVEL_NM, NEVER, RestLevel
from capture.strokes.running import LAG_NS, RunningStroke
from capture.strokes.signs import Shown, sign_of_a_departure, sign_of_a_return, sign_of_a_start, sign_of_an_apply
from capture.strokes.stroke import Stroke
from drivers.reading import CUT_SHORT, OUT_OF_RANGE, TOO_MANY_DIGITS, LengthUnit, Reading

__all__ = ["FinderSettings", "StrokeFinder"]

#: From how many readings on a chunk is looked at as a whole, and halved where some of it decides something.
_FEW, _MANY = 8, 64
#: Flags of a reading that was damaged on its way.
_DAMAGED = frozenset({CUT_SHORT, TOO_MANY_DIGITS})
#: A pack has moved within this of the air being given or taken, and been seen to (common practice).
AIR_WITHIN_NS = 1_000_000_000


@dataclass(frozen=True, slots=True)
class FinderSettings:
    """What the finder must know of the indicator and the sheet. Lengths nm."""

    resolution_nm: int
    plunger_range: tuple[int, int] | None = None
    measure: str = "peak"
    """Which travel the sheet judges, "peak" or "held": a leaking stroke still counts only for its peak."""


class _Chunk:
    """The readings of one chunk, spread evenly over how long it was in coming."""

    __slots__ = ("flags", "readings", "span_ns", "start_ns", "units", "values_nm")

    def __init__(self, readings: Sequence[Reading], start_ns: int, span_ns: int) -> None:
        self.readings, self.start_ns, self.span_ns = readings, start_ns, span_ns
        self.values_nm, self.units, self.flags = zip(*readings, strict=True)

    def at_ns(self, count: int) -> int:
        """Return when that many of its readings had come."""
        return self.start_ns + self.span_ns * count // len(self.readings)

    def times_ns(self, begin: int, end: int) -> list[int]:
        """Return when each came from this reading to before that."""
        start, span, count = self.start_ns, self.span_ns, len(self.readings)
        return [start + span * at // count for at in range(begin + 1, end + 1)]


class StrokeFinder:
    """Finds strokes in a stream of readings. Feed it chunks in order of arrival; it never does I/O."""

    def __init__(self, settings: FinderSettings) -> None:
        self._settings = settings
        self._state = StrokeState.STARTING
        self._unit: LengthUnit | None = None
        self._pace = Pace()
        self._rest = RestLevel(settings.resolution_nm, self._pace)
        self._stroke = RunningStroke(settings.resolution_nm, settings.plunger_range, self._rest, self._pace)
        self._noticed: set[Notice] = set()
        # When a fixture last gave or took air, and how many strokes there were when it gave it.
        self._air_ns, self._count_at_air = 0, 0
        self._air_unseen = self._begins_at_rest = False
        self._hardly_seen = HardlySeen(settings.resolution_nm, self._stroke, self._rest, self._pace)
        self._ending = Ending(
            settings.resolution_nm, settings.measure, self._stroke, self._rest, self._hardly_seen, self._noticed
        )

    # -- what the screen shows ---------------------------------------------------------------------------

    @property
    def state(self) -> StrokeState:
        """The state the last reading left the finder in."""
        return self._state

    @property
    def notices(self) -> tuple[Notice, ...]:
        """What a person should know now, what matters most first."""
        said = set(self._noticed)
        if self._rest.shakes:
            said.add(Notice.SHAKES)
        if self._stroke.earlier.brief_nm:
            said.add(Notice.UNSEEN)
        newest_ns = self._pace.last_ns or 0
        if self.air_may_have_been_on or self._outstays(newest_ns):
            said.add(Notice.AIR_WAS_ON)
        if self._state is StrokeState.REST and self._stroke.air_applied and newest_ns - self._air_ns > AIR_WITHIN_NS:
            said.add(Notice.AIR_ON)
        return tuple(notice for notice in Notice if notice in said)

    def offset(self, value_nm: int) -> int | None:
        """Return the travel from rest of a displayed value, nm, None before the rest level is known."""
        return None if self._state is StrokeState.STARTING else self._stroke.travel(value_nm)

    # -- input -------------------------------------------------------------------------------------------

    def feed(self, t_ns: int, readings: Sequence[Reading]) -> list[Stroke]:
        """Take the readings that one chunk completed, which arrived at `t_ns`; return the strokes they complete.

        Several readings in one chunk are spread evenly over the time since the chunk before, since they came
        from an instrument with a steady rate through a buffer without one.
        """
        if not readings:
            return []
        found: list[Stroke] = []
        if self._pace.only_changes:
            self._fill_silence(t_ns, readings, found)
        span = self._pace.arrived(t_ns, len(readings))
        if span is None:
            self._stream_broke()
            span = 0
        if len(readings) == 1:
            self._take_one(t_ns, readings[0], found)
        else:
            self._take(_Chunk(readings, t_ns - span, span), 0, len(readings), found)
        if self._state is StrokeState.REST:
            self._rest.time_ns = t_ns
            self._stroke.after_gap = False
            self._rest.tune_if_slow()
            if self._air_unseen and t_ns - self._air_ns > AIR_WITHIN_NS:
                self._air_unseen = False
                if self._stroke.earlier.count == self._count_at_air:
                    self._noticed.add(Notice.UNSEEN)
        self._pace.last_ns = t_ns
        return found

    def _take_one(self, t_ns: int, reading: Reading, found: list[Stroke]) -> None:
        """Take the only reading of a chunk."""
        low, high, until_ns, resting = self._quiet()
        value = reading[0]
        if low <= value <= high and reading[1] == self._unit:
            if resting:
                if len(self._rest.readings) + 1 >= self._rest.full:
                    self._rest.time_ns = t_ns
                self._rest.take((value,))
                return
            if not reading[2] and t_ns < until_ns:
                self._stroke.take(t_ns, value)
                return
        self._decide(t_ns, reading, found)

    def _take(self, chunk: _Chunk, begin: int, end: int, found: list[Stroke]) -> None:
        """Take the readings of a chunk from this one to before that.

        What decides nothing is taken whole, other blocks by halves, and few readings one by one.
        """
        rest, stroke, size = self._rest, self._stroke, end - begin
        low, high, until, resting = self._quiet()
        if size >= _FEW and low is not NEVER:
            values = chunk.values_nm[begin:end]
            # At rest a display shows few values: the least and the most of those are soon found.
            shown = set(values) if resting else values
            if (
                low <= min(shown)
                and max(shown) <= high
                and chunk.units[begin:end].count(self._unit) == size
                and (resting or (chunk.flags[begin:end].count(()) == size and chunk.at_ns(end) < until))
            ):
                if resting:
                    rest.take(values)
                    rest.time_ns = chunk.at_ns(end)
                else:
                    stroke.times.extend(chunk.times_ns(begin, end))
                    stroke.values.extend(values)
                return
            if size >= _MANY:
                self._take(chunk, begin, begin + size // 2, found)
                self._take(chunk, begin + size // 2, end, found)
                return
        unit, at_rest, times, held = self._unit, rest.readings, stroke.times, stroke.values
        # `at_ns`, written out where nearly every reading of a stroke would call it.
        start_ns, span_ns, count = chunk.start_ns, chunk.span_ns, len(chunk.readings)
        for index, reading in enumerate(chunk.readings[begin:end], start=begin):
            value = reading[0]
            if low <= value <= high and reading[1] == unit:
                if resting:
                    at_rest.append(value)
                    if len(at_rest) >= rest.full:
                        rest.time_ns = chunk.at_ns(index + 1)
                        rest.tune()
                        low, high = rest.low, rest.high
                    continue
                if not reading[2] and (at_ns := start_ns + span_ns * (index + 1) // count) < until:
                    times.append(at_ns)
                    held.append(value)
                    continue
            if resting and index and at_rest:
                rest.time_ns = chunk.at_ns(index)
            self._decide(chunk.at_ns(index + 1), reading, found)
            low, high, until, resting = self._quiet()
            unit, at_rest, times, held = self._unit, rest.readings, stroke.times, stroke.values

    def _quiet(self) -> tuple[int, int, int, bool]:
        """Return between which values and until when a reading decides nothing, and whether that is at rest."""
        if self._state is StrokeState.REST:
            return self._rest.low, self._rest.high, NEVER, True
        stroke = self._stroke
        return stroke.quiet_low, stroke.quiet_high, stroke.quiet_until_ns, False

    def _fill_silence(self, t_ns: int, readings: Sequence[Reading], found: list[Stroke]) -> None:
        """Fill in what an indicator that sends only changes did not send, as it was displayed."""
        value, silent_at = self._pace.silence(t_ns, readings)
        for filled_ns in silent_at:
            self._step(filled_ns, value, found)
            self._pace.last_ns = filled_ns
            if self._state is StrokeState.REST:
                self._rest.time_ns = filled_ns
        if silent_at and self._state is StrokeState.REST:
            self._rest.tune()

    def trigger(self, t_ns: int, applied: bool) -> None:
        """Take the word of a fixture that air was applied or released at `t_ns`."""
        stroke = self._stroke
        departed = self._state in (StrokeState.LEAVING, StrokeState.APPLIED)
        since_ns = t_ns - stroke.times[0] if departed else 0
        if departed and not stroke.earlier.count:
            stroke.catch_up()
        if departed and applied and since_ns >= LAG_NS and not stroke.earlier.count and stroke.air_applied is False:
            # It left without air and is pushed from where it stands, or stood until the newest reading.
            newest = stroke.values[-1]
            pushed = abs(newest - stroke.stood_nm()) > self._rest.calm_nm and self._state is StrokeState.APPLIED
            self._follow(t_ns, newest, Sign.CROSSES if pushed else Sign.MOVED, stroke.settled(), [])
        elif departed and not applied:
            # What left only just before the air was taken, long after it was given, left because it was taken.
            given_ns = since_ns + stroke.times[0] - self._air_ns if stroke.air_applied else None
            let_go = since_ns < LAG_NS and (given_ns is None or 4 * since_ns < given_ns)
            if stroke.earlier.count or not let_go:
                stroke.release_ns = t_ns
        stroke.air_applied, self._air_ns, self._air_unseen = applied, t_ns, not applied
        if applied:
            self._count_at_air = stroke.earlier.count

    @property
    def air_may_have_been_on(self) -> bool:
        """Whether the strokes by hand, for want of a fixture, look as if the check had begun with the air on."""
        return self._stroke.air_applied is None and self._ending.sides.seem_swapped

    @property
    def air_was_on_until_ns(self) -> int | None:
        """Until when the air was on that a check by hand surely began with, None where it did not."""
        by_hand = self._stroke.air_applied is None
        return self._ending.sides.first_ns if by_hand and self._ending.sides.are_swapped else None

    def deny_air(self) -> None:
        """A person who was there says that the check began with the air off."""
        self._ending.sides.deny()
        self._noticed.discard(Notice.AIR_WAS_ON)

    def begin_at_rest(self) -> None:
        """The first readings to come are of rest, as those before them told."""
        self._begins_at_rest = True

    def ends_by_itself(self) -> None:
        """The stream is over, and nobody broke it off: so the air is off."""
        stroke, earlier = self._stroke, self._stroke.earlier
        ends = self._ending.sides
        if self._state is StrokeState.APPLIED and stroke.direction == earlier.direction:
            # The last of the way home may not be over yet; an indicator that was taken off lies elsewhere.
            if 3 * earlier.travel_nm <= 4 * stroke.travel(stroke.stood_nm()) <= 5 * earlier.travel_nm:
                ends.ends_out()
        elif self._state is StrokeState.RETURNING:  # of the last of a slow way home nobody waits for the end
            if 4 * abs(stroke.travel(stroke.values[-1])) <= earlier.travel_nm:
                ends.ends_at_rest()
        elif self._state is StrokeState.REST and 4 * abs(self._rest.level_nm - earlier.rest_nm) <= earlier.travel_nm:
            ends.ends_at_rest()

    def _outstays(self, now_ns: int) -> bool:
        """Say whether a check by hand is held for so long that it may rest."""
        stroke = self._stroke
        by_hand = stroke.air_applied is None and self._state is StrokeState.APPLIED
        return by_hand and self._ending.sides.outstays(now_ns - stroke.times[0])

    def stream_lost(self) -> None:
        """The port was lost: what comes next may have missed anything, however soon it comes."""
        self._pace.lost()
        self._stream_broke()

    def _stream_broke(self) -> None:
        """Readings are missing. A running stroke is marked; the rest level is kept until readings deny it."""
        returning = self._state is StrokeState.RETURNING
        if self._running and not (returning and self._stroke.was_near):
            self._stroke.noted.add("gap")
        elif self._state is not StrokeState.STARTING:
            self._stroke.after_gap = True

    def finish(self) -> list[Stroke]:
        """The stream ended: return the stroke that was still running, if it got as far as being one."""
        found: list[Stroke] = []
        self._stroke.catch_up()
        self._follow(0, 0, Sign.ENDS, (), found)
        return found

    # -- one reading -------------------------------------------------------------------------------------

    @property
    def _running(self) -> bool:
        return self._state not in (StrokeState.STARTING, StrokeState.REST)

    def _decide(self, t_ns: int, reading: Reading, found: list[Stroke]) -> None:
        """Take a reading that may decide something."""
        if reading.flags and (
            not _DAMAGED.isdisjoint(reading.flags)
            or (OUT_OF_RANGE in reading.flags and self._is_no_plungers(reading.value_nm))
        ):
            if self._running:
                self._stroke.noted.add("glitch")
            return
        if reading.unit != self._unit:
            if self._unit is not None and self._running:
                self._stroke.noted.add("rezeroed")
            self._unit = reading.unit
        self._step(t_ns, reading.value_nm, found)

    def _is_no_plungers(self, value_nm: int) -> bool:
        """Say whether the plunger cannot show this, wherever it was zeroed."""
        reach = self._settings.plunger_range
        return reach is not None and not 2 * reach[0] - reach[1] <= value_nm <= 2 * reach[1] - reach[0]

    def _step(self, t_ns: int, value: int, found: list[Stroke]) -> None:
        """Take one more value, see what it shows and follow that."""
        rest, stroke = self._rest, self._stroke
        if stroke.quiet_low is not NEVER:
            stroke.catch_up()
        shown: Shown = None
        match self._state:
            case StrokeState.STARTING:
                rest.readings.append(value)
                shown = sign_of_a_start(rest.readings, self._settings.resolution_nm, self._begins_at_rest)
            case StrokeState.REST if rest.low <= value <= rest.high:
                rest.readings.append(value)
            case StrokeState.REST:
                shown = Sign.LEAVES, ()
            case _:
                stroke.take(t_ns, value)
                if self._state is StrokeState.LEAVING:
                    shown = sign_of_a_departure(stroke, rest, t_ns, value)
                elif self._state is StrokeState.APPLIED:
                    shown = sign_of_an_apply(stroke, t_ns, value)
                else:
                    shown = sign_of_a_return(stroke, rest, t_ns, value)
        if shown is not None:
            self._follow(t_ns, value, *shown, found)

    def _follow(self, t_ns: int, value: int, sign: Sign, readings: Sequence[int], found: list[Stroke]) -> None:
        """Go where the sign of the value at `t_ns` leads; rest goes on from `readings`, where it leads there."""
        rest, stroke = self._rest, self._stroke
        before, self._state = self._state, TABLE[self._state, sign]
        match sign:
            case Sign.AGREE:
                self._ending.begin_rest(readings, t_ns)
            case Sign.STAYS | Sign.HOME | Sign.ZEROED | Sign.MOVED:
                stroke.earlier.stayed += sign is Sign.STAYS
                if sign is Sign.HOME:
                    stroke.earlier.stuck_from_nm = None
                elif sign is Sign.ZEROED:
                    # Strokes go on in the direction they had: judge the next such departure afresh.
                    stroke.earlier.travel_nm = 0
                elif sign is Sign.MOVED and not stroke.earlier.count:
                    self._air_unseen = False  # the check began with the air on, and this was its release
                    self._noticed.add(Notice.AIR_WAS_ON)
                elif sign is Sign.MOVED or (abs(value - rest.level_nm) >= LEAST_TRAVEL_NM and not rest.shakes):
                    self._noticed.add(Notice.MOVED)
                self._hardly_seen.pass_over(len(stroke.values))
                if sign is Sign.HOME:
                    self._hardly_seen.came_home(rounded_mean(readings), t_ns)
                self._hardly_seen.say_passed_over(t_ns + 1, False, 0, found)
                self._ending.begin_rest(readings, t_ns)
            case Sign.NOTHING:
                self._hardly_seen.hold_back(t_ns)
                stroke.clear()
                rest.go_on(readings, t_ns)
            case Sign.BRIEF:
                self._hardly_seen.keep_brief(t_ns, found)
                rest.go_on(readings, t_ns)
            case Sign.AT_ONCE:
                self._ending.begin_rest(readings, t_ns)
                self._depart(t_ns, value)
            case Sign.LEAVES:
                self._depart(t_ns, value)
            case Sign.CROSSES:
                self._ending.cross_over()
                if stroke.top_nm >= stroke.threshold():
                    self._follow(t_ns, value, Sign.CLEARS, (), found)
            case Sign.FALLS:
                stroke.begin_return(t_ns, value)
            case Sign.STICKS | Sign.SETTLES:
                self._ending.complete(rounded_mean(readings), readings, found)
            case Sign.STOOD:
                if plateau := stood_before(stroke):
                    self._hardly_seen.pass_over(plateau.end)
                    begin_at(stroke, plateau)
                self._ending.complete(rounded_mean(readings), readings, found)
                self._noticed.add(Notice.MOVED)
            case Sign.TOO_LONG:
                self._ending.outlast(readings, found)
            case Sign.AGAIN:
                self._apply_again(found)
            case Sign.ENDS:
                if before is StrokeState.APPLIED:
                    self._ending.outlast((), found)
                elif before is StrokeState.RETURNING:
                    self._ending.complete(stroke.near_level(), (), found)
                rest.close()
                rest.readings = []

    # -- what follows from a sign ------------------------------------------------------------------------

    def _depart(self, t_ns: int, value: int) -> None:
        """A reading left the band."""
        earlier = self._stroke.earlier
        self._rest.leave(value, earlier.direction or self._stroke.direction, earlier.travel_nm)
        self._stroke.depart(value)
        if self._stroke.after_gap:
            self._stroke.noted.add("gap")
        self._stroke.take(t_ns, value)

    def _apply_again(self, found: list[Stroke]) -> None:
        """The next apply began before the return had settled: end the one stroke and begin the next."""
        stroke, rest = self._stroke, self._rest
        band = max(stroke.tolerance(), 4 * rest.noise_nm)
        split = len(stroke.values) - 1  # the newest reading may be below already, where the median is not
        if stroke.was_near:
            while split > stroke.fall_index + 1 and stroke.travel(stroke.values[split - 1]) > band:
                split -= 1
            # What is near rest may have left it: by a reading of a slow stream, by several of a travel that is long.
            while split > stroke.fall_index + 2:
                before, last = stroke.travels(stroke.values[split - 2 : split])
                if last - before <= rest.calm_nm:
                    break
                split -= 1
        else:
            split = max(stroke.lowest() + 1, min(split, stroke.fall_index + 1))
        times, values = stroke.times[split:], stroke.values[split:]
        rest_time, base = stroke.times[split - 1], rest.level_nm
        stroke.times, stroke.values = stroke.times[:split], stroke.values[:split]
        if stroke.settle_from_ns > rest_time:
            stroke.stood_until_now()
        level = stroke.near_level()
        if level is None and len(stroke.values) > stroke.fall_index:
            level = min(stroke.values[stroke.fall_index :], key=stroke.travel)
        back = stroke.came_back()
        if level is not None:
            level = rounded_mean(back)
        settled = stroke.was_near
        # What was still on its way, and not far from home, was going there.
        homeward = not settled and level is not None and 8 * stroke.travel(level) <= stroke.top_nm
        self._ending.complete(level, back, found)
        if level is None or homeward:
            rest.readings = [base]
        rest.time_ns = rest_time
        self._depart(times[0], values[0])
        if not settled:
            stroke.noted.add("base_moved")  # nobody saw where it rested
        for time, value in zip(times[1:], values[1:], strict=True):
            self._step(time, value, found)
