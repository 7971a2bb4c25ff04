"""Readings in, strokes out: finds every apply, hold and release from the readings alone, as they arrive.

Theory. The finder is a small state machine over the displayed value; `stroke_measure` puts numbers on what
it finds. No trigger is needed, since a technician may work the valve by hand; one is used where there is one.

    STARTING   the first few readings give a first rest level
    REST       readings inside a narrow band keep the rest level and its noise up to date
    APPLIED    readings left the band; the median of three must clear a threshold, or it was no stroke
    RETURNING  the median of three fell below half the top; the stroke is complete when it has settled

The band, and the threshold that tells a stroke from a disturbance, follow the noise at rest and the display
step. Single wild readings never get through the median of three. What the direction of travel is, nothing
says: a stroke goes whichever way the reading leaves rest. When the level settles away from the old rest the
stroke ends there and the new level becomes rest, so that one slip does not spoil all that follows.

Cost. Each reading is looked at once, and readings at rest (nearly all of a day) only compared with the band;
memory is one stroke's readings and a short window of rest. Times and lengths are integers, so a replay of the
same chunks gives the same strokes on any machine.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

from capture.strokes.levels import rounded_mean
from capture.strokes.measure import measure
from capture.strokes.pace import Pace
from capture.strokes.rest import LEAST_TRAVEL_NM, NEVER, RestLevel
from capture.strokes.running import SETTLED_AWAY_NS, RunningStroke
from capture.strokes.stroke import FLAGS, Stroke, counts
from drivers.reading import CUT_SHORT, LengthUnit, Reading

__all__ = ["FLAGS", "FinderSettings", "State", "StrokeFinder"]

#: From how many readings on a chunk is looked at as a whole, and halved where it is not all at rest.
_FEW, _MANY = 8, 64
#: How long a travel must stand still near rest to be back there, and how long it is waited for.
_SETTLED_NEAR_NS, _LONGEST_RETURN_NS = 300_000_000, 2_000_000_000
_LONGEST_HOLD_NS = 60_000_000_000
#: What leaves rest and comes back through it to the other side within this was no stroke.
_BRIEF_NS = 500_000_000
_DISTURBANCE_NS = 2_000_000_000
#: What is below half the top for one or two readings and then above it again was no release.
_DIP_READINGS = 4


class State(Enum):
    """Where in a stroke the pack is, as far as the readings tell."""

    STARTING = "unknown"
    REST = "rest"
    APPLIED = "applied"
    RETURNING = "returning"


@dataclass(frozen=True, slots=True)
class FinderSettings:
    """What the finder must know of the indicator and the sheet. Lengths nm."""

    resolution_nm: int
    plunger_range: tuple[int, int] | None = None
    measure: str = "peak"
    """Which travel the sheet judges, "peak" or "held": a leaking stroke still counts only for its peak."""


class StrokeFinder:
    """Finds strokes in a stream of readings. Feed it chunks in order of arrival; it never does I/O."""

    def __init__(self, settings: FinderSettings) -> None:
        self._settings = settings
        self._range = settings.plunger_range
        self._state = State.STARTING
        self._unit: LengthUnit | None = None
        self._pace = Pace()
        self._rest = RestLevel(settings.resolution_nm, self._pace)
        self._stroke = RunningStroke(settings.resolution_nm, self._rest, self._pace)
        self._after_gap = False
        # Values that decide nothing while a pack is held or settles: as for rest, one comparison is to be enough.
        self._hold_low, self._hold_high = NEVER, 0
        self._hold_until = 0
        self._looked_at = 0
        # The strokes so far: which way and how far the last one went, and the fewest readings a fall showed.
        self._count = 0
        self._last_direction, self._last_travel = 0, 0
        self._least_fall = 0

    # -- what the screen shows ---------------------------------------------------------------------------

    @property
    def state(self) -> State:
        """The state the last reading left the finder in."""
        return self._state

    def offset(self, value_nm: int) -> int | None:
        """Return the travel from rest of a displayed value, nm, None before the rest level is known."""
        return None if self._state is State.STARTING else self._stroke.travel(value_nm)

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
        count = len(readings)
        span = self._pace.arrived(t_ns, count)
        if span is None:
            self._stream_broke()
            span = 0
        start = t_ns - span
        # Blocks that are at rest or held are taken whole, others by halves, few readings one by one.
        blocks = [(0, readings)]
        while blocks:
            begin, block = blocks.pop()
            size = len(block)
            held = self._hold_low is not NEVER
            if size >= _FEW and self._all_at_rest(block):
                self._rest.time_ns = start + span * (begin + size) // count
            elif size >= _FEW and held and self._all_held(block, begin, start, span, count):
                continue
            elif size >= _MANY and (held or self._state is State.REST):
                blocks += ((begin + size // 2, block[size // 2 :]), (begin, block[: size // 2]))
            else:
                self._one_by_one(block, begin, start, span, count, found)
        if self._state is State.REST:
            self._rest.time_ns = t_ns
            self._after_gap = False
            self._rest.tune_if_slow()
        self._pace.last_ns = t_ns
        return found

    def _all_at_rest(self, block: Sequence[Reading]) -> bool:
        """Take some readings if they are all at rest, as nearly all of a long recording is; say whether they were."""
        if self._state is not State.REST:
            return False
        rest = self._rest
        values, units, _ = zip(*block, strict=True)
        # At rest a display shows few values: the least and the most of those are soon found.
        shown = set(values)
        if min(shown) < rest.low or max(shown) > rest.high or units.count(self._unit) < len(units):
            return False
        rest.readings += values
        if len(rest.readings) >= rest.full:
            rest.tune()
        return True

    def _all_held(self, block: Sequence[Reading], begin: int, start: int, span: int, count: int) -> bool:
        """Take some readings if none of them decides anything while the pack is held or settles; say whether so."""
        values, units, flags = zip(*block, strict=True)
        size = len(block)
        if min(values) < self._hold_low or max(values) > self._hold_high or units.count(self._unit) < size:
            return False
        if flags.count(()) < size or start + span * (begin + size) // count >= self._hold_until:
            return False
        self._stroke.times.extend([start + span * at // count for at in range(begin + 1, begin + size + 1)])
        self._stroke.values.extend(values)
        return True

    def _one_by_one(
        self, block: Sequence[Reading], begin: int, start: int, span: int, count: int, found: list[Stroke]
    ) -> None:
        """Take the readings of a chunk of `count` from number `begin` on, spread over `span` ns from `start`."""
        rest, stroke = self._rest, self._stroke
        low, high, unit, at_rest, full = rest.low, rest.high, self._unit, rest.readings, rest.full
        hold_low, hold_high, until = self._hold_low, self._hold_high, self._hold_until
        times, values = stroke.times, stroke.values
        for index, reading in enumerate(block, start=begin):
            value = reading[0]
            if (
                hold_low <= value <= hold_high
                and reading[1] == unit
                and not reading[2]
                and (at_ns := start + span * (index + 1) // count) < until
            ):
                times.append(at_ns)
                values.append(value)
            elif low <= value <= high and reading[1] == unit:
                at_rest.append(value)
                if len(at_rest) >= full:
                    rest.time_ns = start + span * (index + 1) // count
                    rest.tune()
                    low, high, full = rest.low, rest.high, rest.full
            else:
                if len(at_rest) and index and self._state is State.REST:
                    rest.time_ns = start + span * index // count
                self._off_rest(start + span * (index + 1) // count, reading, found)
                low, high, unit, at_rest, full = rest.low, rest.high, self._unit, rest.readings, rest.full
                hold_low, hold_high, until = self._hold_low, self._hold_high, self._hold_until
                times, values = stroke.times, stroke.values

    def _fill_silence(self, t_ns: int, readings: Sequence[Reading], found: list[Stroke]) -> None:
        """Fill in what an indicator that sends only changes did not send, as it was displayed."""
        value, silent_at = self._pace.silence(t_ns, readings)
        for filled_ns in silent_at:
            self._step(filled_ns, value, found)
            self._pace.last_ns = filled_ns
            if self._state is State.REST:
                self._rest.time_ns = filled_ns
        if silent_at and self._state is State.REST:
            self._rest.tune()

    def trigger(self, t_ns: int, applied: bool) -> None:
        """Take the word of a fixture that air was applied or released at `t_ns`."""
        self._stroke.air_applied = applied
        if not applied and self._state is State.APPLIED:
            self._stroke.release_ns = t_ns

    def stream_lost(self) -> None:
        """The port was lost: what comes next may have missed anything, however soon it comes."""
        self._pace.lost()
        self._stream_broke()

    def finish(self) -> list[Stroke]:
        """The stream ended: return the stroke that was still running, if it got as far as being one."""
        found: list[Stroke] = []
        self._catch_up()
        stroke = self._stroke
        if self._state is State.APPLIED and stroke.confirmed:
            stroke.fall_index = len(stroke.values)
            self._complete(found, None)
        elif self._state is State.RETURNING:
            self._complete(found, stroke.near_level())
        self._state = State.STARTING
        self._rest.close()
        self._rest.readings = []
        return found

    # -- one reading -------------------------------------------------------------------------------------

    def _off_rest(self, t_ns: int, reading: Reading, found: list[Stroke]) -> None:
        """Take a reading that is not simply at rest."""
        running = self._state in (State.APPLIED, State.RETURNING)
        if CUT_SHORT in reading.flags:
            if running:
                self._stroke.noted.add("glitch")
            return
        if reading.unit != self._unit:
            if self._unit is not None and running:
                self._stroke.noted.add("rezeroed")
            self._unit = reading.unit
        self._step(t_ns, reading.value_nm, found)

    def _step(self, t_ns: int, value: int, found: list[Stroke]) -> None:
        if self._hold_low is not NEVER:
            self._catch_up()
        if self._state is State.STARTING:
            self._starting(t_ns, value)
        elif self._state is State.REST:
            if self._rest.low <= value <= self._rest.high:
                self._rest.readings.append(value)
            else:
                self._depart(t_ns, value)
        elif self._state is State.APPLIED:
            self._applied(t_ns, value, found)
        else:
            self._returning(t_ns, value, found)

    def _starting(self, t_ns: int, value: int) -> None:
        newest = self._rest.readings
        newest.append(value)
        if len(newest) < 3:
            return
        first, second, _ = newest[-3:]
        calm = 2 * self._settings.resolution_nm
        if abs(first - second) <= calm and abs(value - second) > max(3 * LEAST_TRAVEL_NM, 4 * calm):
            # The first stroke came at once: two readings that agree are rest enough to see it leave. Waiting for
            # three would take the hold for the rest, and every stroke after for its reverse.
            self._begin_rest([first, second], t_ns)
            self._depart(t_ns, value)
            return
        # Three readings that agree are rest, or five that do so roughly: a display may be restless.
        for count, steps in ((3, 4), (5, 8)):
            some = newest[-count:]
            agree = max(some) - min(some) <= max(LEAST_TRAVEL_NM, steps * self._settings.resolution_nm)
            if (agree and len(some) == count) or len(newest) >= 50:
                self._begin_rest(some, t_ns)
                return

    def _begin_rest(self, values: Sequence[int], t_ns: int) -> None:
        self._state = State.REST
        self._stroke.clear()
        self._rest.begin(values, t_ns)

    def _rest_goes_on(self, values: Sequence[int], t_ns: int) -> None:
        self._state = State.REST
        self._stroke.clear()
        self._rest.go_on(values, t_ns)

    def _depart(self, t_ns: int, value: int) -> None:
        """A reading left the band."""
        self._state = State.APPLIED
        self._rest.leave(self._stroke.direction)
        self._stroke.depart(value)
        if self._after_gap:
            self._stroke.noted.add("gap")
        self._stroke.take(t_ns, value)

    # -- applied -----------------------------------------------------------------------------------------

    def _applied(self, t_ns: int, value: int, found: list[Stroke]) -> None:
        stroke = self._stroke
        stroke.take(t_ns, value)
        reach = None if self._range is None else self._range[1] - self._range[0]
        if stroke.is_wild_before(reach) and self._without_wild(t_ns, value):
            return
        if stroke.is_zeroing(falls_show=self._least_fall >= 2):
            self._shift_by(stroke.values[-2] - stroke.values[-3])
        if stroke.went_home():
            stroke.stuck_from_nm = None
            self._begin_rest(stroke.values[-3:], t_ns)
            return
        travel = stroke.median_travel()
        if travel > stroke.top_nm:
            stroke.top_nm = travel
        if not stroke.confirmed:
            if travel >= stroke.threshold() or stroke.stands_clear():
                stroke.confirmed = True
            else:
                self._unconfirmed(t_ns, value)
        elif stroke.is_release_after_zeroing(self._last_direction, self._last_travel):
            # Strokes go on in the direction they had: judge the next such departure afresh.
            self._last_travel = 0
            self._begin_rest(stroke.values[-4:], t_ns)
        elif travel * 2 < stroke.top_nm:
            if stroke.is_beyond_rest(travel) and stroke.release_ns is None:
                self._crossed_over()
                return
            self._state = State.RETURNING
            stroke.near_nm = stroke.tolerance()
            stroke.fall_index = stroke.first_fallen()
            stroke.settle_nm, stroke.settle_from_ns = value, t_ns
            stroke.was_near |= stroke.is_near_rest(stroke.steadied(value, travel))
        elif travel * 4 < stroke.top_nm * 3 and stroke.stuck_high(t_ns, stroke.steadied(value, travel)):
            self._state = State.RETURNING
            self._complete(found, rounded_mean(stroke.came_back()))
        elif t_ns - stroke.times[0] > _LONGEST_HOLD_NS:
            stroke.fall_index = len(stroke.values)
            self._complete(found, None)
        elif stroke.stuck_from_nm is None and (stroke.direction == self._last_direction or not self._last_travel):
            self._expect_hold(travel)

    def _unconfirmed(self, t_ns: int, value: int) -> None:
        """A departure that is no stroke yet: a wild reading, a nudge, noise grown, or a stroke beginning."""
        stroke, rest = self._stroke, self._rest
        band, values = rest.band_nm, stroke.values
        inside = [abs(v - rest.level_nm) <= band for v in values[-2:]]
        if len(values) == 2 and inside[-1] and not inside[0]:
            wild = abs(values[0] - rest.level_nm) > 3 * band
            self._rest_goes_on(values[1:] if wild else values, t_ns)
        elif all(inside) and len(inside) == 2:
            # A nudge that went away again. Its readings widen the noise, so that a restless stand stays quiet.
            calm = [v for v in values if abs(v - rest.level_nm) <= 3 * band]
            self._rest_goes_on(calm, t_ns)
        elif t_ns - stroke.times[0] > _DISTURBANCE_NS and len(values) >= 6:
            self._begin_rest(values[-max(4, len(values) // 2) :], t_ns)
        elif len(values) >= 2 and stroke.travel(value) < -band:
            # It left rest one way and goes the other: only the newest side can be the stroke.
            stroke.direction = -stroke.direction
            stroke.top_nm = 0

    def _without_wild(self, t_ns: int, value: int) -> bool:
        """Take out the reading before the newest; return whether that ends the departure, as it was all of it."""
        stroke, rest = self._stroke, self._rest
        del stroke.times[-2], stroke.values[-2]
        stroke.noted.add("glitch")
        if len(stroke.values) > 1:
            return False
        if abs(value - rest.level_nm) <= rest.band_nm:
            self._rest_goes_on([value], t_ns)
            return True
        stroke.direction = 1 if value > rest.level_nm else -1
        stroke.top_nm = 0
        return False

    def _shift_by(self, shift: int) -> None:
        """The indicator was zeroed in mid-stroke."""
        self._stroke.shift_by(shift)
        if self._range is not None:
            self._range = (self._range[0] + shift, self._range[1] + shift)

    def _crossed_over(self) -> None:
        """What looked like an apply was the rest level moving: the stroke goes the other way from there."""
        stroke, rest = self._stroke, self._rest
        # The median may have fallen while the newest reading has not: something must be left to go on from.
        step = min(stroke.first_fallen(), len(stroke.values) - 1)
        if stroke.stuck_from_nm is not None and stroke.travel(stroke.stuck_from_nm) > 0:
            # A piston that had stuck part way let go before the air came: it went home, and that is rest.
            rest.level_nm, stroke.stuck_from_nm = stroke.stuck_from_nm, None
        elif step >= 3:
            rest.level_nm = rounded_mean(stroke.values[max(0, step - 8) : step])
            stroke.noted.add("base_moved")
        rest.readings = [rest.level_nm]
        rest.time_ns = stroke.times[max(0, step - 1)]
        stroke.times, stroke.values = stroke.times[step:], stroke.values[step:]
        stroke.direction = -stroke.direction
        stroke.top_nm = max(0, stroke.median_travel())
        stroke.confirmed = stroke.top_nm >= stroke.threshold()

    # -- readings that decide nothing --------------------------------------------------------------------

    def _expect_hold(self, travel: int) -> None:
        """Set the values that decide nothing while the pack is held: nearly all readings of a stroke are such.

        While the median and the newest readings lie between seven eighths of the top and a little above it, another
        reading there is neither a wild one nor the zero key nor a release, nor near any threshold. It may raise the
        top; `_catch_up` sees to that before anything is decided.
        """
        stroke, top = self._stroke, self._stroke.top_nm
        above = 0 if self._pace.is_quick else top // 16
        ends = stroke.shown(top * 7 // 8 + 1), stroke.shown(top + above)
        low, high = min(ends), max(ends)
        if travel * 8 > top * 7 and all(low <= value <= high for value in stroke.values[-3:]):
            self._hold_low, self._hold_high, self._looked_at = low, high, len(stroke.values)
            self._hold_until = stroke.times[0] + _LONGEST_HOLD_NS + 1

    def _expect_calm(self) -> None:
        """Set the values that decide nothing while a return settles near rest, until it has had the time to.

        Where the reading settles, near rest and short of any threshold: no apply, nor the far side of rest.
        """
        stroke, level, calm = self._stroke, self._rest.level_nm, self._rest.calm_nm
        reach = min(stroke.near_nm, stroke.threshold() - 1)
        self._hold_low = max(stroke.settle_nm - calm, level - reach)
        self._hold_high = min(stroke.settle_nm + calm, level + reach)
        self._hold_until = stroke.settle_from_ns + _SETTLED_NEAR_NS

    def _catch_up(self) -> None:
        """Look at those readings of the hold that were not looked at one by one."""
        self._hold_low, self._hold_high = NEVER, 0
        if self._looked_at:
            self._stroke.catch_up(self._looked_at)
        self._looked_at = 0

    # -- the way back ------------------------------------------------------------------------------------

    def _returning(self, t_ns: int, value: int, found: list[Stroke]) -> None:
        stroke = self._stroke
        stroke.take(t_ns, value)
        travel = stroke.median_travel()
        brief = t_ns - stroke.times[0] < _BRIEF_NS and stroke.release_ns is None
        if brief and stroke.is_beyond_rest(travel):
            self._state = State.APPLIED
            self._crossed_over()
            return
        fallen = len(stroke.values) - stroke.fall_index
        if not stroke.was_near and fallen <= _DIP_READINGS and travel * 8 > stroke.top_nm * 5:
            # Nothing came back: noise, or a line that lost a digit, had dipped below half the top.
            self._state = State.APPLIED
            return
        # Clear of where it was seen to be, or noise on a quick stream's fall would pass for the next apply.
        if stroke.was_near:
            again = max(stroke.threshold(), stroke.top_nm * 15 // 100, stroke.near_nm + 2 * self._rest.noise_nm)
        else:
            again = max(stroke.top_nm * 3 // 5, stroke.top_nm // 2 + 3 * self._rest.noise_nm)
        # The newest reading as well: the median of a quick stream is still up when that has long been down.
        if min(travel, stroke.travel(value)) > again and fallen >= 3:
            self._applied_again(t_ns, found)
            return
        now = stroke.steadied(value, travel)
        near = stroke.is_near_rest(now)
        stroke.was_near |= near
        if stroke.moved_on(t_ns, now):
            return
        since_ns = t_ns - stroke.settle_from_ns
        if since_ns < (_SETTLED_NEAR_NS if near else SETTLED_AWAY_NS):
            if near:
                self._expect_calm()
            return
        steady = 0
        for earlier in reversed(stroke.values[-4:]):
            if abs(earlier - stroke.settle_nm) > self._rest.calm_nm:
                break
            steady += 1
        if (near and steady >= 3) or (steady >= 4 and since_ns >= SETTLED_AWAY_NS):
            back = stroke.came_back()
            moving = 2 * len(back) < len(stroke.settled())
            if moving and t_ns - stroke.times[stroke.fall_index] < _LONGEST_RETURN_NS:
                # The last of the way back is slow: what is still moving is no rest level.
                stroke.settle_from_ns = stroke.times[-len(back)]
                return
            self._complete(found, rounded_mean(back))

    def _applied_again(self, t_ns: int, found: list[Stroke]) -> None:
        """The next apply began before the return had settled: end the one stroke and begin the next."""
        stroke, rest = self._stroke, self._rest
        band = max(stroke.tolerance(), 4 * rest.noise_nm)
        split = len(stroke.values) - 1  # the newest reading may be below already, where the median is not
        while split > stroke.fall_index + 1:
            if stroke.travel(stroke.values[split - 1]) <= (band if stroke.was_near else stroke.top_nm // 2):
                break
            split -= 1
        times, values = stroke.times[split:], stroke.values[split:]
        rest_time, base = stroke.times[split - 1], rest.level_nm
        stroke.times, stroke.values = stroke.times[:split], stroke.values[:split]
        level = stroke.near_level()
        if level is None and len(stroke.values) > stroke.fall_index:
            level = min(stroke.values[stroke.fall_index :], key=stroke.travel)
        self._complete(found, level)
        rest.readings = [base if level is None else level]
        rest.time_ns = rest_time
        self._depart(times[0], values[0])
        for time, value in zip(times[1:], values[1:], strict=True):
            self._step(time, value, found)

    def _complete(self, found: list[Stroke], rest_after: int | None) -> None:
        stroke, rest = self._stroke, self._rest
        home = stroke.stuck_from_nm
        if home is not None and rest_after is not None and abs(rest_after - home) <= stroke.tolerance():
            # The stroke before left the piston part way, and this one let it go all the way back: its travel counts
            # from there, as the pack's does. Where it did not, from where it stood.
            stroke.top_nm -= stroke.travel(home)
            rest.level_nm = home
        stroke.top_nm = stroke.supported_top()
        measured = measure(stroke.samples(rest_after), self._settings.resolution_nm, self._range)
        stroke.stuck_from_nm = None
        self._after_gap = False
        newest_ns = stroke.times[-1]
        if measured is None:
            # It was noise, before enough of it had been seen at rest to know it: now it is known.
            self._begin_rest([*rest.readings, *stroke.values], newest_ns)
            return
        if "no_return" in measured.flags:
            stroke.stuck_from_nm = rest.level_nm
        self._last_direction, self._last_travel = stroke.direction, measured.peak_travel_nm
        shown = stroke.readings_in_fall(measured.peak_travel_nm)
        self._least_fall = shown if self._count == 0 else min(self._least_fall, shown)
        self._count += 1
        found.append(
            Stroke(
                n=self._count,
                start_ns=measured.start_ns,
                end_ns=measured.end_ns,
                released_nm=rest.level_nm,
                peak_travel_nm=measured.peak_travel_nm,
                held_travel_nm=measured.held_travel_nm,
                rise_ns=measured.rise_ns,
                creep_nm=measured.creep_nm,
                return_error_nm=measured.return_error_nm,
                rounding_nm=measured.rounding_nm,
                flags=measured.flags,
                accepted=counts(measured.flags, self._settings.measure),
            )
        )
        rest.remember_noise()
        back = stroke.came_back() if self._state is State.RETURNING else list(stroke.values[-8:])
        self._begin_rest(back or [stroke.values[-1]], newest_ns)

    # -- breaks in the stream ----------------------------------------------------------------------------

    def _stream_broke(self) -> None:
        """Readings are missing. A running stroke is marked; the rest level is kept until readings deny it."""
        if self._state is State.APPLIED or (self._state is State.RETURNING and not self._stroke.was_near):
            self._stroke.noted.add("gap")
        elif self._state is not State.STARTING:
            self._after_gap = True
