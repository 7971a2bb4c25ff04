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

from array import array
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from itertools import pairwise
from math import isqrt

from capture.stroke_measure import (
    FLAGS,
    SHORT_HOLD_NS,
    StrokeSamples,
    counts,
    measure,
    noise_of_steps,
    return_tolerance,
    rounded_mean,
    steps_between,
)
from drivers.reading import CUT_SHORT, Reading, Unit

__all__ = ["FLAGS", "FinderSettings", "State", "Stroke", "StrokeFinder"]

#: A disturbance smaller than this is never a stroke: pack clearances are tenths of a millimetre and more
#: (common practice).
_LEAST_TRAVEL_NM = 40_000
#: The same while too few readings at rest have been seen to know their noise.
_LEAST_UNPROVEN_NM = 100_000
#: Rest readings kept for the rest level and its noise, and how many arrive before both are worked out anew.
_REST_KEPT, _REST_BATCH = 1024, 32
#: The noise is worked out from the newest so many steps from one reading at rest to the next.
_NOISE_FROM = 64
#: Where a band begins that is empty: above every reading.
_NEVER = 1 << 62
#: From how many readings on a chunk is looked at as a whole, and halved where it is not all at rest.
_FEW, _MANY = 8, 64
_SETTLED_NEAR_NS, _SETTLED_AWAY_NS = 150_000_000, 500_000_000
_LONGEST_HOLD_NS = 60_000_000_000
#: What leaves rest and comes back through it to the other side within this was no stroke.
_BRIEF_NS = 500_000_000
#: A release is over within this; a leak takes longer to fall as far (common practice).
_QUICK_FALL_NS = 300_000_000
_DISTURBANCE_NS = 2_000_000_000
#: A stream slower than this has its rest level worked out anew more often, or drift would outrun it.
_SLOW_STREAM_NS = 20_000_000
#: A quicker stream is judged by the median of so many readings.
_QUICK_STREAM_NS, _QUICK_MEDIAN = 2_500_000, 9
#: A stream that sends only changes: how long it is silent before that is filled in, from how many changes on that
#: is sure enough not to wait for what would be a gap, and how closely and how far it is filled in.
_QUIET_NS, _SURE_CHANGES = 100_000_000, 16
_FILLED_EVERY_NS, _MOST_FILLED = 50_000_000, 256
#: A stream this quick shows a release as more than one step.
_SHOWS_A_FALL_NS = 12_000_000
#: What is below half the top for one or two readings and then above it again was no release.
_DIP_READINGS = 4
_FASTEST_GAP_NS, _GAP_PERIODS = 400_000_000, 6


class State(Enum):
    """Where in a stroke the pack is, as far as the readings tell."""

    STARTING = "unknown"
    REST = "rest"
    APPLIED = "applied"
    RETURNING = "returning"


@dataclass(frozen=True, slots=True)
class Stroke:
    """One apply and release, as measured. Lengths nm (travels positive), times ns since the recording began.

    `creep_nm` is how far the travel was still growing late in the hold (negative: falling away);
    `return_error_nm` is rest after minus rest before, along the travel. `flags` uses the spellings of FLAGS;
    `accepted` says whether the stroke still counts.
    """

    n: int
    start_ns: int
    end_ns: int
    released_nm: int
    peak_travel_nm: int
    held_travel_nm: int
    rise_ns: int
    creep_nm: int
    return_error_nm: int
    flags: tuple[str, ...]
    accepted: bool
    rounding_nm: int | None = None
    """Standard uncertainty that the display's rounding leaves in this travel, dithered by the noise it showed, nm."""
    pressure_min_pa: int | None = None
    """Lowest gauge pressure while held, pascals; None, like the two below, where no fixture measured it."""
    pressure_max_pa: int | None = None
    leak_down_pa_per_s: int | None = None
    """How fast the pressure fell while held, 0 where it did not, pascals a second."""


@dataclass(frozen=True, slots=True)
class FinderSettings:
    """What the finder must know of the indicator and the sheet. Lengths nm."""

    resolution_nm: int
    plunger_range: tuple[int, int] | None = None
    measure: str = "peak"
    """Which travel the sheet judges, "peak" or "held": a leaking stroke still counts only for its peak."""


def _without_wild(values: Sequence[int]) -> list[int]:
    """Return these readings at rest but for wild ones: one alone would make a level and a noise that hide strokes."""
    middle = sorted(values)[len(values) // 2]
    usual = sorted(abs(value - middle) for value in values)[len(values) // 2]
    limit = max(10 * usual, _LEAST_TRAVEL_NM)
    return [value for value in values if abs(value - middle) <= limit]


class StrokeFinder:
    """Finds strokes in a stream of readings. Feed it chunks in order of arrival; it never does I/O."""

    def __init__(self, settings: FinderSettings) -> None:
        self._settings = settings
        self._range = settings.plunger_range
        self._state = State.STARTING
        self._unit: Unit | None = None
        self._period_ns = 0
        # The same for one reading: a chunk may bring several.
        self._reading_ns = 0
        # Whether no value has come twice in a row yet, over how many readings, and the newest of them.
        self._only_changes = True
        self._changes = 0
        self._newest: Reading | None = None
        self._last_ns: int | None = None
        self._count = 0
        self._applied_by_trigger = False
        # Rest: a band that is empty (it begins above every reading) outside REST, so that one comparison decides.
        self._low, self._high = _NEVER, 0
        # The same for a hold.
        self._hold_low, self._hold_high = _NEVER, 0
        self._hold_until = 0
        self._looked_at = 0
        self._base = 0
        self._noise = settings.resolution_nm * 29 // 100
        self._noise_known = False
        self._displayed_noise = 0
        self._band = 2 * settings.resolution_nm
        self._rest: list[int] = []
        self._earlier_steps: list[int] = []
        self._rest_time = 0
        self._rest_full = _REST_BATCH
        # One stroke.
        self._times: array[int] = array("q")
        self._values: array[int] = array("q")
        self._direction = 1
        self._top = 0
        self._confirmed = False
        self._fall_index = 0
        self._near_nm = 0
        self._release_ns: int | None = None
        self._noted: set[str] = set()
        self._after_gap = False
        self._was_near = False
        self._stuck_from: int | None = None
        # The strokes so far: which way and how far the last one went, and the fewest readings a fall showed.
        self._last_direction, self._last_travel = 0, 0
        self._least_fall = 0
        self._settle_value = 0
        self._settle_from = 0
        self._looked_at_flat = 0

    # -- what the screen shows ---------------------------------------------------------------------------

    @property
    def state(self) -> State:
        """The state the last reading left the finder in."""
        return self._state

    def offset(self, value_nm: int) -> int | None:
        """Return the travel from rest of a displayed value, nm, None before the rest level is known."""
        if self._state is State.STARTING:
            return None
        return self._direction * (value_nm - self._base)

    # -- input -------------------------------------------------------------------------------------------

    def feed(self, t_ns: int, readings: Sequence[Reading]) -> list[Stroke]:
        """Take the readings that one chunk completed, which arrived at `t_ns`; return the strokes they complete.

        Several readings in one chunk are spread evenly over the time since the chunk before, since they came
        from an instrument with a steady rate through a buffer without one.
        """
        if not readings:
            return []
        found: list[Stroke] = []
        if self._only_changes:
            self._fill_silence(t_ns, readings, found)
        count = len(readings)
        span = 0
        if self._last_ns is not None:
            span = t_ns - self._last_ns
            if self._period_ns and span > max(_FASTEST_GAP_NS, _GAP_PERIODS * self._period_ns):
                self._stream_broke()
                span = 0
            elif span > 0:
                # A slow-moving typical chunk interval: one long pause must not stretch it much.
                typical = self._period_ns or span
                self._period_ns = typical + (min(span, 3 * typical) - typical) // 8
                each = span // count
                usual = self._reading_ns or each
                self._reading_ns = usual + (min(each, 3 * usual) - usual) // 8
        start = t_ns - span
        # Blocks that are at rest are taken whole, others by halves, few readings one by one.
        blocks = [(0, readings)]
        while blocks:
            begin, block = blocks.pop()
            size = len(block)
            if size >= _FEW and self._all_at_rest(block):
                self._rest_time = start + span * (begin + size) // count
            elif size >= _MANY and self._state is State.REST:
                blocks += ((begin + size // 2, block[size // 2 :]), (begin, block[: size // 2]))
            else:
                self._one_by_one(block, begin, start, span, count, found)
        if self._state is State.REST:
            self._rest_time = t_ns
            self._after_gap = False
            if self._period_ns > _SLOW_STREAM_NS and len(self._rest) >= self._rest_full - _REST_BATCH + 8:
                self._tune()
        self._last_ns = t_ns
        return found

    def _all_at_rest(self, block: Sequence[Reading]) -> bool:
        """Take some readings if they are all at rest, as nearly all of a long recording is; say whether they were."""
        if self._state is not State.REST:
            return False
        unit = self._unit
        values = [reading[0] for reading in block if reading[1] == unit]
        if len(values) < len(block) or min(values) < self._low or max(values) > self._high:
            return False
        self._rest += values
        if len(self._rest) >= self._rest_full:
            self._tune()
        return True

    def _one_by_one(
        self, block: Sequence[Reading], begin: int, start: int, span: int, count: int, found: list[Stroke]
    ) -> None:
        """Take the readings of a chunk of `count` from number `begin` on, spread over `span` ns from `start`."""
        low, high, unit, rest, full = self._low, self._high, self._unit, self._rest, self._rest_full
        hold_low, hold_high, until = self._hold_low, self._hold_high, self._hold_until
        times, values = self._times, self._values
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
                rest.append(value)
                if len(rest) >= full:
                    self._rest_time = start + span * (index + 1) // count
                    self._tune()
                    low, high, full = self._low, self._high, self._rest_full
            else:
                if len(rest) and index and self._state is State.REST:
                    self._rest_time = start + span * index // count
                self._off_rest(start + span * (index + 1) // count, reading, found)
                low, high, unit, rest, full = self._low, self._high, self._unit, self._rest, self._rest_full
                hold_low, hold_high, until = self._hold_low, self._hold_high, self._hold_until
                times, values = self._times, self._values

    def _fill_silence(self, t_ns: int, readings: Sequence[Reading], found: list[Stroke]) -> None:
        """Some indicators send a value only when it changes; then silence says that it stood still.

        So it is for as long as no value has come twice in a row: any other stream repeats itself almost at once,
        and from then on its silences are gaps. What was not sent is filled in as it was displayed.
        """
        previous = self._newest
        self._newest = readings[-1]
        if previous is None or self._last_ns is None:
            return
        self._changes += len(readings)
        if any(after[:2] == before[:2] for before, after in pairwise([previous, *readings])):
            self._only_changes = False
            return
        silence = t_ns - self._last_ns
        least = _QUIET_NS if self._changes >= _SURE_CHANGES else max(_FASTEST_GAP_NS, _GAP_PERIODS * self._period_ns)
        # Several readings at once came through a buffer: what lies before them is no silence.
        if len(readings) > 1 or silence <= max(least, 2 * self._period_ns):
            return
        step = max(_FILLED_EVERY_NS, silence // _MOST_FILLED)
        for filled_ns in range(self._last_ns + step, t_ns - step // 2, step):
            self._step(filled_ns, previous.value_nm, found)
            self._last_ns = filled_ns
            if self._state is State.REST:
                self._rest_time = filled_ns
        if self._state is State.REST:
            self._tune()

    def trigger(self, t_ns: int, applied: bool) -> None:
        """Take the word of a fixture that air was applied or released at `t_ns`."""
        self._applied_by_trigger = applied
        if not applied and self._state is State.APPLIED:
            self._release_ns = t_ns

    def stream_lost(self) -> None:
        """The port was lost: what comes next may have missed anything, however soon it comes."""
        self._newest = None
        self._stream_broke()

    def finish(self) -> list[Stroke]:
        """The stream ended: return the stroke that was still running, if it got as far as being one."""
        found: list[Stroke] = []
        self._catch_up()
        if self._state is State.APPLIED and self._confirmed:
            self._fall_index = len(self._values)
            self._complete(found, None)
        elif self._state is State.RETURNING:
            self._complete(found, self._near_level())
        self._state = State.STARTING
        self._low, self._high = _NEVER, 0
        self._rest = []
        return found

    # -- rest --------------------------------------------------------------------------------------------

    def _tune(self) -> None:
        """Work out the rest level, its noise and the band from the newest readings at rest."""
        if len(self._rest) > _REST_KEPT:
            del self._rest[:-_REST_KEPT]
        window = self._rest[-self._rest_window() :]
        self._base = rounded_mean(window)
        steps = steps_between(self._rest[-_NOISE_FROM - 1 :])
        if len(steps) < _NOISE_FROM:
            # A slow stream has few readings between two strokes: those of the rests before count as well.
            steps = [*self._earlier_steps[len(steps) - _NOISE_FROM :], *steps]
        # Once the noise is known a quick stream is looked at less often, so that a reading costs the same at any rate.
        seldom = min(_REST_KEPT, 4 * self._rest_window()) if len(steps) >= _NOISE_FROM else 0
        self._rest_full = len(self._rest) + max(_REST_BATCH, seldom)
        if len(steps) >= 7:
            raw = noise_of_steps(steps)
            # A few readings tell the noise only roughly, and are read generously.
            self._noise = max(raw + raw // isqrt(len(steps)), self._settings.resolution_nm * 29 // 100)
            # The band takes the noise as seen: read generously, it would swallow a small stroke whole.
            self._band = max((4 if len(steps) >= _REST_BATCH else 3) * raw, 2 * self._settings.resolution_nm)
            self._displayed_noise = raw
            self._noise_known = True
        self._low, self._high = self._base - self._band, self._base + self._band

    def _rest_window(self) -> int:
        """How many readings make about a second of rest, within what is kept."""
        if not self._reading_ns:
            return 8
        return max(8, min(_REST_KEPT, 1_000_000_000 // self._reading_ns))

    def _begin_rest(self, values: Sequence[int], t_ns: int) -> None:
        self._state = State.REST
        self._rest = _without_wild(values)
        self._rest_time = t_ns
        self._times, self._values = array("q"), array("q")
        self._confirmed = False
        self._release_ns = None
        self._noted = set()
        self._tune()

    # -- readings that are not simply at rest ------------------------------------------------------------

    def _off_rest(self, t_ns: int, reading: Reading, found: list[Stroke]) -> None:
        value = reading.value_nm
        if CUT_SHORT in reading.flags:
            if self._state in (State.APPLIED, State.RETURNING):
                self._noted.add("glitch")
            return
        if reading.unit != self._unit:
            if self._unit is not None and self._state in (State.APPLIED, State.RETURNING):
                self._noted.add("rezeroed")
            self._unit = reading.unit
        self._step(t_ns, value, found)

    def _step(self, t_ns: int, value: int, found: list[Stroke]) -> None:
        if self._hold_low is not _NEVER:
            self._catch_up()
        if self._state is State.STARTING:
            self._starting(t_ns, value)
        elif self._state is State.REST:
            if self._low <= value <= self._high:
                self._rest.append(value)
            else:
                self._depart(t_ns, value)
        elif self._state is State.APPLIED:
            self._applied(t_ns, value, found)
        else:
            self._returning(t_ns, value, found)

    def _starting(self, t_ns: int, value: int) -> None:
        self._rest.append(value)
        if len(self._rest) < 3:
            return
        first, second, _ = self._rest[-3:]
        calm = 2 * self._settings.resolution_nm
        if abs(first - second) <= calm and abs(value - second) > max(3 * _LEAST_TRAVEL_NM, 4 * calm):
            # The first stroke came at once: two readings that agree are rest enough to see it leave. Waiting for
            # three would take the hold for the rest, and every stroke after for its reverse.
            self._begin_rest([first, second], t_ns)
            self._depart(t_ns, value)
            return
        spread = max(self._rest[-3:]) - min(self._rest[-3:])
        if spread <= max(_LEAST_TRAVEL_NM, 4 * self._settings.resolution_nm) or len(self._rest) >= 50:
            self._begin_rest(self._rest[-3:], t_ns)

    def _depart(self, t_ns: int, value: int) -> None:
        """A reading left the band. The newest readings at rest may already have been moving: leave them out."""
        steady = self._rest[:-2] if len(self._rest) >= 10 else self._rest
        self._base = rounded_mean(steady[-self._rest_window() :])
        self._state = State.APPLIED
        self._low, self._high = _NEVER, 0
        self._direction = 1 if value > self._base else -1
        self._top = 0
        self._was_near = False
        if self._after_gap:
            self._noted.add("gap")
        self._take(t_ns, value)

    def _take(self, t_ns: int, value: int) -> None:
        self._times.append(t_ns)
        self._values.append(value)

    def _is_quick(self) -> bool:
        return 0 < self._reading_ns < _QUICK_STREAM_NS

    def _median_offset(self) -> int:
        """The newest median of three, as travel from rest; before the third reading, rest stands in for it.

        Of a quick stream it is the median of nine: the more readings a hold has, the further the noise of some goes.
        """
        values = self._values
        if self._is_quick():
            some = [*values[-_QUICK_MEDIAN:], *[self._base] * (_QUICK_MEDIAN - len(values))]
            return self._direction * (sorted(some)[_QUICK_MEDIAN // 2] - self._base)
        newest = values[-1]
        before = values[-2] if len(values) >= 2 else self._base
        oldest = values[-3] if len(values) >= 3 else self._base
        median = max(min(newest, before), min(max(newest, before), oldest))
        return self._direction * (median - self._base)

    def _threshold(self) -> int:
        """Travel at which a departure is a stroke; less is asked where a fixture says that air was applied."""
        least = max(9 * self._noise // 2, 3 * self._settings.resolution_nm, _LEAST_TRAVEL_NM)
        if not self._noise_known:
            least = max(least, _LEAST_UNPROVEN_NM)
        return least * 2 // 3 if self._applied_by_trigger else least

    def _is_beyond_rest(self, travel: int) -> bool:
        """Say whether the travel is clearly on the far side of rest, or of home for a piston that had stuck."""
        home = self._base if self._stuck_from is None else self._stuck_from
        behind = max(0, self._direction * (self._base - home))
        return -travel - behind >= max(self._threshold(), self._top // 4)

    def _went_home(self) -> bool:
        """Say whether a piston that had stuck part way has come back to where it was before it stuck."""
        home = self._stuck_from
        if home is None or self._direction * (home - self._base) <= 0:
            return False
        newest = self._values[-3:]
        limit = self._calm()
        return len(newest) == 3 and all(abs(value - home) <= limit for value in newest)

    def _applied(self, t_ns: int, value: int, found: list[Stroke]) -> None:
        self._take(t_ns, value)
        if self._is_wild_before() and self._without_wild(t_ns, value):
            return
        if self._is_zeroing():
            self._shift_by(self._values[-2] - self._values[-3])
        if self._went_home():
            self._stuck_from = None
            self._begin_rest(self._values[-3:], t_ns)
            return
        travel = self._median_offset()
        if travel > self._top:
            self._top = travel
        if not self._confirmed:
            if travel >= self._threshold() or self._stands_clear():
                self._confirmed = True
            else:
                self._unconfirmed(t_ns, value)
            return
        if self._was_zeroed_before():
            # Strokes go on in the direction they had: judge the next such departure afresh.
            self._last_travel = 0
            self._begin_rest(self._values[-4:], t_ns)
            return
        if travel * 2 < self._top:
            if self._is_beyond_rest(travel) and self._release_ns is None:
                self._crossed_over()
                return
            self._state = State.RETURNING
            self._near_nm = self._tolerance()
            self._fall_index = self._first_fallen()
            self._settle_value, self._settle_from = value, t_ns
            self._was_near |= abs(value - self._base) <= self._near_nm
        elif travel * 4 < self._top * 3 and self._stuck_high(t_ns, value):
            self._state = State.RETURNING
            self._complete(found, self._settled_level())
        elif t_ns - self._times[0] > _LONGEST_HOLD_NS:
            self._fall_index = len(self._values)
            self._complete(found, None)
        elif self._stuck_from is None and (self._direction == self._last_direction or not self._last_travel):
            self._expect_hold(travel)

    def _expect_hold(self, travel: int) -> None:
        """Set the values that decide nothing while the pack is held: nearly all readings of a stroke are such.

        While the median and the newest readings lie between seven eighths of the top and a little above it, another
        reading there is neither a wild one nor the zero key nor a release, nor near any threshold. It may raise the
        top; `_catch_up` sees to that before anything is decided.
        """
        above = 0 if self._is_quick() else self._top // 16
        ends = (
            self._base + self._direction * (self._top * 7 // 8 + 1),
            self._base + self._direction * (self._top + above),
        )
        low, high = min(ends), max(ends)
        if travel * 8 > self._top * 7 and all(low <= value <= high for value in self._values[-3:]):
            self._hold_low, self._hold_high, self._looked_at = low, high, len(self._values)
            self._hold_until = self._times[0] + _LONGEST_HOLD_NS + 1

    def _expect_calm(self, calm: int) -> None:
        """Set the values that decide nothing while a return settles near rest, until it has had the time to.

        Where the reading settles, near rest and short of any threshold: no apply, nor the far side of rest.
        """
        reach = min(self._near_nm, self._threshold() - 1)
        self._hold_low = max(self._settle_value - calm, self._base - reach)
        self._hold_high = min(self._settle_value + calm, self._base + reach)
        self._hold_until = self._settle_from + _SETTLED_NEAR_NS

    def _catch_up(self) -> None:
        """Raise the top by the medians of three of those readings of the hold that were not looked at one by one."""
        self._hold_low, self._hold_high = _NEVER, 0
        if self._looked_at and len(self._values) > self._looked_at and not self._is_quick():
            one, two, three = (self._values[self._looked_at - 2 + at :] for at in range(3))
            medians = map(max, map(min, one, two), map(min, map(max, one, two), three))
            highest = max(medians) if self._direction > 0 else min(medians)
            self._top = max(self._top, self._direction * (highest - self._base))
        self._looked_at = 0

    def _unconfirmed(self, t_ns: int, value: int) -> None:
        """A departure that is no stroke yet: a wild reading, a nudge, noise grown, or a stroke beginning."""
        band = self._band
        inside = [abs(v - self._base) <= band for v in self._values[-2:]]
        if len(self._values) == 2 and inside[-1] and not inside[0]:
            wild = abs(self._values[0] - self._base) > 3 * band
            self._begin_rest([*self._rest, *(self._values[1:] if wild else self._values)], t_ns)
        elif all(inside) and len(inside) == 2:
            # A nudge that went away again. Its readings widen the noise, so that a restless stand stays quiet.
            calm = [v for v in self._values if abs(v - self._base) <= 3 * band]
            self._begin_rest([*self._rest, *calm], t_ns)
        elif t_ns - self._times[0] > _DISTURBANCE_NS and len(self._values) >= 6:
            self._begin_rest(self._values[-max(4, len(self._values) // 2) :], t_ns)
        elif len(self._values) >= 2 and self._direction * (value - self._base) < -band:
            # It left rest one way and goes the other: only the newest side can be the stroke.
            self._direction = -self._direction
            self._top = 0

    def _stands_clear(self) -> bool:
        """Say whether four readings in a row stand clear of rest: in a slow stream the noise is known only roughly,
        and a threshold that allows for that would pass over a small stroke."""
        if self._reading_ns < _SLOW_STREAM_NS or len(self._values) < 4 or not self._noise_known:
            return False
        least = max(5 * self._noise // 2, 3 * self._settings.resolution_nm, _LEAST_TRAVEL_NM)
        return all(self._direction * (value - self._base) >= least for value in self._values[-4:])

    def _is_wild_before(self) -> bool:
        """Say whether the reading before the newest stands further from both its neighbours than anything moves here:
        a line that lost a digit. Further than the plunger can travel, or several times this stroke."""
        if len(self._values) < 2:
            return False
        before = self._values[-3] if len(self._values) >= 3 else self._base
        *_, here, newest = self._values
        if self._confirmed:
            limit = 3 * self._top
        elif self._range is not None:
            limit = self._range[1] - self._range[0]
        else:
            return False
        return min(here - before, here - newest) > limit or min(before - here, newest - here) > limit

    def _without_wild(self, t_ns: int, value: int) -> bool:
        """Take out the reading before the newest; return whether that ends the departure, as it was all of it."""
        del self._times[-2], self._values[-2]
        self._noted.add("glitch")
        if len(self._values) > 1:
            return False
        if abs(value - self._base) <= self._band:
            self._begin_rest([*self._rest, value], t_ns)
            return True
        self._direction = 1 if value > self._base else -1
        self._top = 0
        return False

    def _stuck_high(self, t_ns: int, value: int) -> bool:
        """Say whether the release has begun and ended above half the top: the piston has stuck on its way.

        The travel then lies flat, after a fall that was quick, after a hold that was one. A leak falls slowly and does
        not stop; a bounce is over before a hold could have been.
        """
        calm = self._calm()
        if self._moved_on(t_ns, value, calm):
            return False
        if t_ns - self._settle_from < _SETTLED_AWAY_NS:
            return False
        flat_from = bisect_left(self._times, self._settle_from)
        if len(self._times) - flat_from < 4 or self._settle_from == self._looked_at_flat:
            return False
        self._looked_at_flat = self._settle_from  # once is enough, and every reading of a long hold must stay cheap
        offsets = [self._direction * (value - self._base) for value in self._values]
        held = sorted(offset for offset in offsets[:flat_from] if 2 * offset > self._top)
        level = rounded_mean(offsets[flat_from:])
        high = [index for index in range(flat_from) if offsets[index] * 10 >= self._top * 9]
        # Against the middle of the hold: the top of a quick stream is its highest noise.
        if len(high) < 2 or level * 4 >= held[len(held) // 2] * 3:
            return False
        arrived = next(i for i in range(high[-1], len(offsets)) if abs(offsets[i] - level) <= 3 * calm)
        held_ns = self._times[high[-1]] - self._times[high[0]]
        fell_ns = self._times[arrived] - self._times[high[-1]]
        if held_ns < SHORT_HOLD_NS or fell_ns > max(_QUICK_FALL_NS, 5 * self._reading_ns // 2):
            return False
        self._fall_index = min(high[-1] + 1, len(self._values))
        return True

    def _first_fallen(self) -> int:
        """Index of the first of the newest readings below half the top."""
        index = len(self._values)
        while index > 1 and 2 * self._direction * (self._values[index - 1] - self._base) < self._top:
            index -= 1
        return index

    def _is_zeroing(self) -> bool:
        """Say whether the reading before the newest was the indicator's zero being pressed, not the pack moving.

        The display then goes to zero from one reading to the next and stays there: two readings, since a wild value
        or a movement that passes zero shows it once. A fast release could do that too where the rest level is about
        zero, so there only a stream will do that is quick enough to have shown the fall, as it showed those before,
        and that did not break just then.
        """
        if not self._confirmed or len(self._values) < 4:
            return False
        step = self._settings.resolution_nm
        *before, zero, newest = self._values[-4:]
        about_zero = step + 4 * self._noise
        if abs(zero) > about_zero or abs(newest) > about_zero:
            return False
        jump = abs(zero - before[-1])
        if jump < max(self._threshold(), self._top // 4, 8 * self._noise):
            return False
        if max(before) - min(before) > max(4 * self._noise, 2 * step, self._top // 20):
            return False
        if abs(self._base) > 4 * step + 4 * self._noise:
            return True
        unbroken = self._times[-2] - self._times[-3] <= 3 * self._period_ns
        return unbroken and (self._period_ns <= _SHOWS_A_FALL_NS or self._least_fall >= 2)

    def _shift_by(self, shift: int) -> None:
        """The indicator was zeroed in mid-stroke: carry what was read before into the new zero."""
        self._noted.add("rezeroed")
        self._values = array("q", [*(value + shift for value in self._values[:-2]), *self._values[-2:]])
        self._base += shift
        if self._range is not None:
            self._range = (self._range[0] + shift, self._range[1] + shift)

    def _was_zeroed_before(self) -> bool:
        """Say whether this is no stroke but the release of the last one, whose hold had been zeroed unseen.

        That stroke seemed to go back to a rest of zero at once; then the release goes as far again to the other
        side, and stays. A pack does not travel to the other side of its rest, so the new level is the rest.
        """
        if self._direction == self._last_direction or self._release_ns is not None or not self._last_travel:
            return False
        about_zero = 4 * self._settings.resolution_nm + 4 * self._noise
        if abs(self._base) > about_zero or abs(self._top - self._last_travel) * 5 > self._last_travel:
            return False
        times, values = self._times, self._values
        first = bisect_left(times, times[-1] - _SETTLED_AWAY_NS)
        newest = values[first:]
        return first > 0 and len(newest) >= 4 and max(newest) - min(newest) <= 2 * about_zero

    def _crossed_over(self) -> None:
        """What looked like an apply was the rest level moving: the stroke goes the other way from there."""
        # The median may have fallen while the newest reading has not: something must be left to go on from.
        step = min(self._first_fallen(), len(self._values) - 1)
        if self._stuck_from is not None and self._direction * (self._stuck_from - self._base) > 0:
            # A piston that had stuck part way let go before the air came: it went home, and that is rest.
            self._base, self._stuck_from = self._stuck_from, None
        elif step >= 3:
            self._base = rounded_mean(self._values[max(0, step - 8) : step])
            self._noted.add("base_moved")
        self._rest = [self._base]
        self._rest_time = self._times[max(0, step - 1)]
        self._times, self._values = self._times[step:], self._values[step:]
        self._direction = -self._direction
        self._top = max(0, self._median_offset())
        self._confirmed = self._top >= self._threshold()

    # -- the way back ------------------------------------------------------------------------------------

    def _tolerance(self) -> int:
        return return_tolerance(self._top, self._noise, self._settings.resolution_nm)

    def _returning(self, t_ns: int, value: int, found: list[Stroke]) -> None:
        self._take(t_ns, value)
        travel = self._median_offset()
        brief = t_ns - self._times[0] < _BRIEF_NS and self._release_ns is None
        if brief and self._is_beyond_rest(travel):
            self._state = State.APPLIED
            self._crossed_over()
            return
        if not self._was_near and len(self._values) - self._fall_index <= _DIP_READINGS and travel * 8 > self._top * 5:
            # Nothing came back: noise, or a line that lost a digit, had dipped below half the top.
            self._state = State.APPLIED
            return
        tolerance = self._near_nm
        # Clear of where it was seen to be, or noise on a quick stream's fall would pass for the next apply.
        if self._was_near:
            again = max(self._threshold(), self._top * 15 // 100, tolerance + 2 * self._noise)
        else:
            again = max(self._top * 3 // 5, self._top // 2 + 3 * self._noise)
        # The newest reading as well: the median of a quick stream is still up when that has long been down.
        if min(travel, self._direction * (value - self._base)) > again and len(self._values) - self._fall_index >= 3:
            self._applied_again(t_ns, found)
            return
        near = abs(value - self._base) <= tolerance
        self._was_near |= near
        calm = self._calm()
        if self._moved_on(t_ns, value, calm):
            return
        since_ns = t_ns - self._settle_from
        if since_ns < (_SETTLED_NEAR_NS if near else _SETTLED_AWAY_NS):
            if near:
                self._expect_calm(calm)
            return
        steady = 0
        for earlier in reversed(self._values[-4:]):
            if abs(earlier - self._settle_value) > calm:
                break
            steady += 1
        if (near and steady >= 3) or (steady >= 4 and since_ns >= _SETTLED_AWAY_NS):
            self._complete(found, self._settled_level())

    def _moved_on(self, t_ns: int, value: int, calm: int) -> bool:
        """Say whether the travel is further than `calm` from where it last began to settle, and so begins anew.

        Many readings are never all within a few times their noise of one of them: but for a slow stream, which has
        none to spare, the medians are compared.
        """
        if 0 < self._reading_ns < _SLOW_STREAM_NS:
            value = self._base + self._direction * self._median_offset()
        if abs(value - self._settle_value) <= calm:
            return False
        self._settle_value, self._settle_from = value, t_ns
        return True

    def _settled_level(self) -> int:
        return rounded_mean(self._settled())

    def _calm(self) -> int:
        """Return how far apart readings of a travel that stands still can be, nm."""
        return max(4 * self._noise, 2 * self._settings.resolution_nm)

    def _settled(self) -> list[int]:
        """Return the readings since the travel began to settle, without wild ones."""
        limit = 2 * self._calm()
        newest = self._values[bisect_left(self._times, self._settle_from) :]
        return [value for value in newest if abs(value - self._settle_value) <= limit]

    def _near_level(self) -> int | None:
        """The mean of the readings after the fall that are back at rest, None if there are none."""
        limit = self._tolerance()
        near = [v for v in self._values[self._fall_index :] if abs(v - self._base) <= limit]
        return rounded_mean(near) if near else None

    def _applied_again(self, t_ns: int, found: list[Stroke]) -> None:
        """The next apply began before the return had settled: end the one stroke and begin the next."""
        band = max(self._tolerance(), 4 * self._noise)
        split = len(self._values) - 1  # the newest reading may be below already, where the median is not
        while split > self._fall_index + 1:
            earlier = self._direction * (self._values[split - 1] - self._base)
            if earlier <= (band if self._was_near else self._top // 2):
                break
            split -= 1
        times, values = self._times[split:], self._values[split:]
        rest_time, base = self._times[split - 1], self._base
        self._times, self._values = self._times[:split], self._values[:split]
        level = self._near_level()
        if level is None and len(self._values) > self._fall_index:
            level = min(self._values[self._fall_index :], key=lambda value: self._direction * value)
        self._complete(found, level)
        self._rest = [base if level is None else level]
        self._rest_time = rest_time
        self._depart(times[0], values[0])
        for time, value in zip(times[1:], values[1:], strict=True):
            self._step(time, value, found)

    def _complete(self, found: list[Stroke], rest_after: int | None) -> None:
        if self._stuck_from is not None and rest_after is not None:
            # The stroke before left the piston part way. If this one let it go all the way back, its travel counts
            # from there, as the pack's does; if not, from where it stood.
            tolerance = return_tolerance(self._top, self._noise, self._settings.resolution_nm)
            if abs(rest_after - self._stuck_from) <= tolerance:
                self._top += self._direction * (self._base - self._stuck_from)
                self._base = self._stuck_from
        self._top = self._supported_top()
        near = rest_after is not None and abs(rest_after - self._base) <= self._tolerance()
        samples = StrokeSamples(
            times=self._times,
            values=self._values,
            rest_time=self._rest_time,
            rest_nm=self._base,
            direction=self._direction,
            noise_nm=self._noise,
            rest_noise_nm=self._displayed_noise,
            top_nm=self._top,
            fall_index=self._fall_index,
            rest_after_nm=rest_after,
            returned=near,
            period_ns=self._period_ns,
            release_ns=self._release_ns,
            noted=frozenset(self._noted),
        )
        measured = measure(samples, self._settings.resolution_nm, self._range)
        self._stuck_from = None
        if measured is not None:
            if "no_return" in measured.flags:
                self._stuck_from = self._base
            self._last_direction, self._last_travel = self._direction, measured.peak_travel_nm
            shown = self._readings_in_fall(measured.peak_travel_nm)
            self._least_fall = shown if self._count == 0 else min(self._least_fall, shown)
            self._count += 1
            found.append(
                Stroke(
                    n=self._count,
                    start_ns=measured.start_ns,
                    end_ns=measured.end_ns,
                    released_nm=self._base,
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
        self._after_gap = False
        if measured is None:
            # It was noise, before enough of it had been seen at rest to know it: now it is known.
            self._begin_rest([*self._rest, *self._values], self._times[-1])
            return
        self._earlier_steps = [*self._earlier_steps, *steps_between(self._rest[-_NOISE_FROM - 1 :])][-_NOISE_FROM:]
        settled = self._settled() if self._state is State.RETURNING else list(self._values[-8:])
        self._begin_rest(settled or [self._values[-1]], self._times[-1])

    def _supported_top(self) -> int:
        """The top, or the middle of the hold where wild readings that came together made a top nothing else reached."""
        top = self._top
        offsets = [self._direction * (value - self._base) for value in self._values[: self._fall_index]]
        clear = sorted(offset for offset in offsets if 4 * offset >= top)
        support = sum(9 * top <= 10 * offset <= 12 * top for offset in offsets)
        if support >= 3 or len(clear) < 5:
            return top
        return min(top, clear[len(clear) // 2])

    def _readings_in_fall(self, peak: int) -> int:
        """Return how many readings of the release lay clear of both its ends, noise and all."""
        nearby = self._values[max(0, self._fall_index - 3) : self._fall_index + 4]
        clear = max(peak // 10, 6 * self._noise, 2 * self._settings.resolution_nm)
        return sum(clear < self._direction * (value - self._base) < peak - clear for value in nearby)

    # -- breaks in the stream ----------------------------------------------------------------------------

    def _stream_broke(self) -> None:
        """Readings are missing. A running stroke is marked; the rest level is kept until readings deny it."""
        if self._state is State.APPLIED or (self._state is State.RETURNING and not self._was_near):
            self._noted.add("gap")
        elif self._state is not State.STARTING:
            self._after_gap = True
