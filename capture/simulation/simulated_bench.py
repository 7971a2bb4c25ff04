"""The bench in software: pack, indicator, technician and wire together, as timed chunks of bytes. Pure; no clock.

`SimulatedBench` keeps one simulated time. Whatever is asked of it (rest, a check, the air held by a fixture) goes on
where the last left off and yields `(t_ns, bytes)` as the port would have received them; what truly happened is noted
beside, a `StrokeTruth` a stroke.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from random import Random
from typing import Literal

from capture.simulation.indicator import Displayed, IndicatorSpec, SimulatedIndicator
from capture.simulation.physics import PackPhysics, PistonSimulator
from capture.simulation.technician import StrokePlan, Technician, Trouble, plan_strokes, troubled_physics
from capture.simulation.wire_bytes import WireSpec, encode

Chunk = tuple[int, bytes]

#: One step of the simulated time.
STEP_NS = 500_000

_MS = 1_000_000
_GAP_NS = 1_700 * _MS
#: The part of the clearance at which the technician sees the needle arrive and starts counting the hold.
_ARRIVED = 0.66
_ARRIVE_LIMIT_NS = 1_500 * _MS
_RETURN_LIMIT_NS = 1_200 * _MS
_BACK = 0.01
_STILL_NM_PER_S = 50_000.0


@dataclass(frozen=True, slots=True)
class BenchSpec:
    """How the bench is equipped and worked."""

    indicator: IndicatorSpec = field(default_factory=IndicatorSpec)
    wire: WireSpec = field(default_factory=WireSpec)
    technician: Technician = field(default_factory=Technician)
    batch: int = 1
    """How many frames arrive together, as a USB bridge delivers them."""
    spread_nm: float = 1_500.0
    """Standard deviation of a pack's true travel from stroke to stroke."""
    seat_nm: int = 30_000
    """How much farther a fresh pack goes on its first stroke; what is left of it shrinks to a fifth with each stroke.

    A pack that was just assembled lies loosely: its plates stand apart on burrs and oil, and the piston has not found
    its seal's place. The first applies press all that together, and it does not spring back as far: the first stroke
    reads high, and the strokes settle downwards (common practice; the size and the fifth are ours).
    """
    rezero: Literal["zero", "unit"] = "zero"
    """Which button the technician presses in a stroke with the trouble `rezeroed`."""


@dataclass(frozen=True, slots=True)
class StrokeTruth:
    """What one stroke truly did. Lengths nm of true travel from the stop, times ns of simulated time."""

    n: int
    true_travel_nm: int
    """The pack's settled travel on this stroke: what a perfect measurement finds."""
    start_ns: int
    """The valve opened."""
    release_ns: int
    """The valve was shut."""
    end_ns: int
    """The piston stood still again, or the technician stopped waiting for it."""
    rest_nm: int
    """Travel at which the stroke began; not zero if the piston had stuck."""
    peak_nm: int
    held_nm: int
    """Travel when the valve was shut."""
    returned_nm: int
    """Travel at `end_ns`."""
    trouble: Trouble | None


class SimulatedBench:
    """One simulated bench, the same for the same spec, physics and seed."""

    def __init__(self, spec: BenchSpec, physics: PackPhysics, seed: int) -> None:
        self.spec = spec
        self.t_ns = 0
        self.truths: list[StrokeTruth] = []
        """Every stroke so far, in order; a new check adds to it."""
        self._physics = physics
        self._piston = PistonSimulator(physics)
        # One generator each, so that a change in one part leaves the others' random numbers alone.
        self._indicator = SimulatedIndicator(spec.indicator, Random(f"{seed} indicator"))
        self._hand = Random(f"{seed} hand")
        self._pack = Random(f"{seed} pack")
        self._waiting: list[bytes] = []

    @property
    def pressure_pa(self) -> float:
        """Gauge pressure in the apply cavity now, pascals."""
        return self._piston.pressure_pa

    @property
    def travel_nm(self) -> float:
        """True travel now, nanometres."""
        return self._piston.travel_nm

    def load(self, physics: PackPhysics) -> None:
        """Put another pack, or the same with other parts, on the bench; a jammed piston comes free, and the indicator
        is mounted as it should be."""
        self._indicator.restore()
        self._physics = physics
        self._piston.free()
        self._piston.retune(physics)

    def rest(self, duration_ns: int) -> Iterator[Chunk]:
        """Yield what arrives while nobody touches the valve."""
        return self.air(duration_ns, valve_open=False)

    def air(self, duration_ns: int, *, valve_open: bool) -> Iterator[Chunk]:
        """Yield what arrives while the valve is kept open or shut, as a fixture would."""
        end_ns = self.t_ns + duration_ns
        while self.t_ns < end_ns:
            yield from self._step(valve_open)

    def check(
        self,
        physics: PackPhysics,
        strokes: int,
        troubles: Mapping[int, Trouble] | None = None,
        *,
        seated: bool = False,
        technician: Technician | None = None,
    ) -> Iterator[Chunk]:
        """Yield one pack's check: `strokes` strokes with a rest before each and after the last.

        A pack that is already `seated` goes too far on none of them. `technician` works at another pace than the
        bench's does.

        An indicator mounted `out_of_reach` stays so mounted for the whole check. Raises ValueError for a trouble that
        is unknown or on a stroke that is not made.
        """
        technician = technician or self.spec.technician
        plans = plan_strokes(technician, strokes, troubles or {}, self._hand)
        self.load(physics)
        if any(plan.trouble == "out_of_reach" for plan in plans):
            plans = [replace(plan, trouble=plan.trouble or "out_of_reach") for plan in plans]
            self._indicator.mount_nm = self._mount_near_end()
        for plan in plans:
            yield from self.rest(plan.rest_ns)
            yield from self._stroke(plan, 0 if seated else self.spec.seat_nm)
        yield from self.rest(round(technician.rest_s * 1_000) * _MS)

    def _stroke(self, plan: StrokePlan, seat_nm: float) -> Iterator[Chunk]:
        seat_nm /= 5.0 ** (plan.n - 1)
        travel_nm = round(self._physics.clearance_nm + seat_nm + self.spec.spread_nm * self._pack.gauss(0.0, 1.0))
        pack = troubled_physics(replace(self._physics, clearance_nm=travel_nm), plan)
        piston = self._piston
        piston.retune(pack)
        start_ns, began_nm, peak_nm = self.t_ns, piston.travel_nm, piston.travel_nm
        if plan.trouble == "sparse":
            self._indicator.slow_to(round(0.55 * plan.hold_ns))

        while piston.travel_nm < _ARRIVED * travel_nm and self.t_ns < start_ns + _ARRIVE_LIMIT_NS:
            yield from self._step(True)
        arrived_ns, struck = self.t_ns, False
        while self.t_ns < arrived_ns + plan.hold_ns:
            if not struck and self.t_ns >= arrived_ns + plan.event_ns:
                struck = True
                self._strike_held(plan)
            yield from self._step(True)
            peak_nm = max(peak_nm, piston.travel_nm)
        release_ns, held_nm = self.t_ns, piston.travel_nm
        if plan.trouble == "sparse":
            self._indicator.slow_to(None)

        knocked = plan.trouble != "base_moved"
        while not self._back(travel_nm) and self.t_ns < release_ns + _RETURN_LIMIT_NS:
            yield from self._step(False)
            if not knocked and piston.travel_nm < 0.5 * travel_nm:
                knocked = True
                self._indicator.mount_nm += plan.size_nm
        self.truths.append(
            StrokeTruth(
                n=plan.n,
                true_travel_nm=travel_nm,
                start_ns=start_ns,
                release_ns=release_ns,
                end_ns=self.t_ns,
                rest_nm=round(began_nm),
                peak_nm=round(peak_nm),
                held_nm=round(held_nm),
                returned_nm=round(piston.travel_nm),
                trouble=plan.trouble,
            )
        )

    def _strike_held(self, plan: StrokePlan) -> None:
        if plan.trouble == "glitch":
            self._indicator.misread_next(plan.size_nm)
        elif plan.trouble == "gap":
            self._indicator.silent_until(self.t_ns + _GAP_NS)
        elif plan.trouble == "rezeroed":
            if self.spec.rezero == "zero":
                self._indicator.zero()
            else:
                self._indicator.switch_unit()

    def _back(self, travel_nm: int) -> bool:
        piston = self._piston
        at_rest = abs(piston.speed_nm_per_s) < _STILL_NM_PER_S
        near_nm = _BACK * travel_nm + piston.physics.rest_error_nm
        return at_rest and piston.travel_nm <= near_nm

    def _mount_near_end(self) -> float:
        """Where the plunger has a fifth too little way left for the pack's travel."""
        low, high = self.spec.indicator.range_nm
        way_nm = 0.8 * self._physics.clearance_nm
        return high - way_nm if self.spec.indicator.direction > 0 else low + way_nm

    def _step(self, valve_open: bool) -> Iterator[Chunk]:
        travel_nm, _ = self._piston.step(STEP_NS * 1e-9, valve_open)
        self.t_ns += STEP_NS
        update = self._indicator.follow(self.t_ns, STEP_NS, travel_nm)
        if update is not None:
            t_ns, displayed = update
            yield from self._send(t_ns, displayed)

    def _send(self, t_ns: int, displayed: Displayed) -> Iterator[Chunk]:
        self._waiting.append(encode(self.spec.wire, displayed))
        if len(self._waiting) >= self.spec.batch:
            data = b"".join(self._waiting)
            self._waiting.clear()
            yield t_ns, data
