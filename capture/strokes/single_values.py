"""Single values in, strokes out: finds the strokes of an indicator that sends one value each time its key is pressed.

Theory. At rest the key is pressed, air is given and it is pressed again, the air is taken and it is pressed again, and
so on. A stroke is an applied value with the rests around it; each rest but the first and the last belongs to two
strokes.

    STARTING   nothing was sent yet; the first value is a rest
    REST       the newest value is a rest. One that lies no further away than a rest may is sent twice: it is the rest
    APPLIED    the newest value is an applied one. One further away than half of that is another of the same hold; the
               first other one is the rest after, and the stroke is complete

Where a fixture says what its valve does, that says which a value is, and how far it lies away does not.

The travel counts from the middle between the two rests, as that of a stand which drifts evenly does. Where the rest
lay while the air was on, nobody saw: anywhere between the two, each place as likely (JCGM 100, 4.3.7), so that a stroke
has `inferred` of their difference / sqrt(12). That also bears what strokes share by a common rest. For single readings
of a standard deviation s, the variance of the mean of n travels is s^2 (2 n - 1/2) / n^2, of which the scatter of the
travels shows 1.5 s^2 / n; the difference of two rests adds 2 s^2 / 12 on the average, which is more than what is left
from n = 3 on. Nothing dithers the display: rounding leaves d / sqrt(12) in each of two values, all of it.

What cannot be seen is not claimed: no rise, and neither `short_hold`, `sparse` nor `creep`, since nobody was looking. A
fall is seen where a hold has two values. Lengths are integer nanometres, times integer nanoseconds since the recording
began; a stroke begins with its rest before and ends with its rest after.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import isqrt

from capture.strokes.finder import FinderSettings
from capture.strokes.machine import Notice, StrokeState
from capture.strokes.stroke import FLAGS, Stroke, counts
from drivers.reading import CUT_SHORT, OUT_OF_RANGE, TOO_MANY_DIGITS, LengthUnit, Reading

#: No clearance is smaller, and no rest that is sent twice differs by more (common practice).
_LEAST_TRAVEL_NM = 20_000
_DAMAGED = frozenset({CUT_SHORT, TOO_MANY_DIGITS})


class SingleValueFinder:
    """Finds strokes among single values. Feed it what arrives, in order; it never does I/O."""

    def __init__(self, settings: FinderSettings) -> None:
        self._settings = settings
        self.state = StrokeState.STARTING
        """What the newest value was."""
        self._unit: LengthUnit | None = None
        self._rest_nm, self._rest_ns = 0, 0
        self._hold: list[tuple[int, int]] = []
        """Time and value of what was sent since the rest, and is none."""
        self._noted: set[str] = set()
        self._valve_open: bool | None = None
        self._seen_since_air = True
        self._count = 0
        self._sound_nm = 0
        """Travel of the newest stroke that counts."""
        self._told: Notice | None = None

    @property
    def notices(self) -> tuple[Notice, ...]:
        """What a person should know of the newest value."""
        return () if self._told is None else (self._told,)

    def offset(self, value_nm: int) -> int | None:
        """Return the travel from rest of a value, nm, None before the first."""
        return None if self.state is StrokeState.STARTING else self._way * (value_nm - self._rest_nm)

    @property
    def _way(self) -> int:
        """The direction of the running stroke: 1 for values that grow, -1 for values that fall."""
        return -1 if self._hold and self._furthest() < self._rest_nm else 1

    def _furthest(self) -> int:
        return max((value for _, value in self._hold), key=lambda value: abs(value - self._rest_nm))

    def trigger(self, t_ns: int, applied: bool) -> None:
        """Take the word of a fixture that air was applied or released at `t_ns`."""
        if applied:
            self._seen_since_air = False
        elif not self._seen_since_air:
            self._told = Notice.NOT_SENT
        self._valve_open = applied

    def air_unknown(self) -> None:
        """Nothing says any more what the valve does."""
        self._valve_open, self._seen_since_air = None, True

    def stream_lost(self) -> None:
        """The port was lost: a value may have been sent that did not arrive."""
        self._noted.add("gap")

    def finish(self) -> list[Stroke]:
        """The recording ended: what has no rest after it is no stroke."""
        self.state, self._hold = StrokeState.STARTING, []
        return []

    def feed(self, t_ns: int, readings: Sequence[Reading]) -> list[Stroke]:
        """Take what arrived at `t_ns`; return the strokes that are complete with it."""
        found: list[Stroke] = []
        for reading in readings:
            self._told = None
            if not _DAMAGED.isdisjoint(reading.flags) or (
                OUT_OF_RANGE in reading.flags and self._is_no_plungers(reading.value_nm)
            ):
                self._noted.add("glitch")
                self._told = Notice.DAMAGED
                continue
            if reading.unit != self._unit:
                if self._unit is not None:
                    self._noted.add("rezeroed")
                self._unit = reading.unit
            self._take(t_ns, reading.value_nm, found)
        return found

    def _is_no_plungers(self, value_nm: int) -> bool:
        """Say whether the plunger cannot show this, wherever it was zeroed."""
        reach = self._settings.plunger_range
        return reach is not None and not 2 * reach[0] - reach[1] <= value_nm <= 2 * reach[1] - reach[0]

    def _take(self, t_ns: int, value: int, found: list[Stroke]) -> None:
        if self._is_applied(value):
            if self.state is StrokeState.REST:
                self.state = StrokeState.APPLIED
            elif self.state is StrokeState.STARTING:  # nobody saw the rest: this hold belongs to no stroke
                self._told = Notice.AIR_WAS_ON
                return
            self._seen_since_air = True
            self._hold.append((t_ns, value))
            return
        if self.state is StrokeState.APPLIED:
            found.append(self._complete(t_ns, value))
        elif self.state is StrokeState.REST and self._valve_open is None:
            self._told = Notice.SAME
        self.state, self._hold = StrokeState.REST, []
        self._rest_nm, self._rest_ns = value, t_ns

    def _is_applied(self, value: int) -> bool:
        if self._valve_open is not None:
            return self._valve_open
        if self.state is StrokeState.STARTING:
            return False
        if self._hold:
            top = self._furthest() - self._rest_nm
            return 2 * abs(value - self._rest_nm) > abs(top) and (value - self._rest_nm) * top > 0
        least = max(3 * self._settings.resolution_nm, _LEAST_TRAVEL_NM, self._sound_nm // 4)
        return abs(value - self._rest_nm) >= least

    def _complete(self, t_ns: int, rest_after_nm: int) -> Stroke:
        """Return the stroke that ends with this rest."""
        resolution, way = self._settings.resolution_nm, self._way
        base = (self._rest_nm + rest_after_nm) // 2
        error = way * (rest_after_nm - self._rest_nm)
        travels = [way * (value - base) for _, value in self._hold]
        peak, held = max(travels), travels[-1]
        grown = held - travels[0]
        fallen = peak - held
        flags = self._noted
        # One flicker of the display is a step; two values that differ by two were not the same place.
        away = max(5 * resolution // 2, peak // 50)
        if error > away and error * 8 > peak:
            flags.add("no_return")
        if abs(error) > away and error * 3 <= peak:
            flags.add("base_moved")
        if 2 * fallen > 3 * resolution:
            flags.add("leak")
        if self._at_an_end():
            flags.add("out_of_reach")
        self._noted = set()
        self._count += 1
        ordered = tuple(flag for flag in FLAGS if flag in flags)
        accepted = counts(ordered, self._settings.measure)
        if accepted:
            self._sound_nm = peak
        return Stroke(
            n=self._count,
            start_ns=self._rest_ns,
            end_ns=t_ns,
            released_nm=self._rest_nm,
            peak_travel_nm=peak,
            held_travel_nm=held,
            rise_ns=0,
            creep_nm=-fallen if fallen > 0 else grown,
            return_error_nm=error,
            flags=ordered,
            accepted=accepted,
            rounding_nm=isqrt(resolution * resolution // 6),
            fall_nm_per_s=self._fall() if "leak" in flags else 0,
            inferred_nm=isqrt(error * error // 12),
        )

    def _fall(self) -> int:
        """Return how fast it fell from its furthest value to its last, nm a second."""
        began_ns, furthest = max(self._hold, key=lambda sent: abs(sent[1] - self._rest_nm))
        ended_ns, last = self._hold[-1]
        return abs(furthest - last) * 1_000_000_000 // max(1, ended_ns - began_ns)

    def _at_an_end(self) -> bool:
        """Say whether the plunger was at or near an end of its range."""
        reach, resolution = self._settings.plunger_range, self._settings.resolution_nm
        if reach is None:
            return False
        margin = max(2 * resolution, (reach[1] - reach[0]) // 200)
        seen = [value for _, value in self._hold]
        # An indicator zeroed at rest shows zero wherever its plunger stands, so zero at rest says nothing.
        if abs(self._rest_nm) > 2 * resolution:
            seen.append(self._rest_nm)
        return any(value <= reach[0] + margin or value >= reach[1] - margin for value in seen)
