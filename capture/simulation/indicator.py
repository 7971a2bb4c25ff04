"""How a digital indicator shows a travel: its update rate, filter, noise, mounting, range and steps. No wire form."""

from __future__ import annotations

import math
from dataclasses import dataclass
from random import Random
from typing import NamedTuple

from drivers.reading import LengthUnit

_NS_PER_S = 1_000_000_000


class Displayed(NamedTuple):
    """One displayed value: whole display steps, the step in nm, and the unit on the display."""

    counts: int
    resolution_nm: int
    unit: LengthUnit

    @property
    def value_nm(self) -> int:
        """The displayed length, exact nanometres."""
        return self.counts * self.resolution_nm


@dataclass(frozen=True, slots=True)
class IndicatorSpec:
    """One indicator and how it is mounted."""

    rate_hz: float = 10.0
    rate_jitter: float = 0.01
    """Standard deviation of one update interval, as a part of it."""
    resolution_nm: int = 10_000
    unit: LengthUnit = "mm"
    switched_resolution_nm: int = 12_700
    """The display step after its unit button is pressed."""
    noise_nm: float = 1_500.0
    """Standard deviation of what the display would show with endless digits."""
    filter_s: float = 0.012
    """Time constant of the indicator's own smoothing; 0 for none."""
    direction: int = 1
    """1 if the plunger goes in when the pack applies, -1 if it comes out."""
    mount_nm: int = 3_000_000
    """Where the plunger stands with the pack at rest."""
    range_nm: tuple[int, int] = (0, 12_700_000)

    def __post_init__(self) -> None:
        if self.direction not in (-1, 1):
            raise ValueError(f"direction {self.direction} must be 1 or -1")
        if self.rate_hz <= 0 or self.resolution_nm <= 0 or self.range_nm[0] >= self.range_nm[1]:
            raise ValueError("rate_hz and resolution_nm must be above zero, and range_nm must rise")


class SimulatedIndicator:
    """Follows a travel step by step and says now and then what it displays."""

    def __init__(self, spec: IndicatorSpec, rng: Random) -> None:
        self.spec = spec
        self.mount_nm = float(spec.mount_nm)
        """Where the plunger stands at rest now; a knocked post changes it."""
        self._rng = rng
        self._filtered_nm = 0.0
        self._step_ns = 0
        self._blend = 1.0
        self._now_ns = 0
        self._slow_ns: int | None = None
        self._due_ns = self._interval_ns()
        self._zero_nm = 0.0
        self._switched = False
        self._misread_nm = 0
        self._silent_until_ns = -1

    def follow(self, t_ns: int, step_ns: int, travel_nm: float) -> tuple[int, Displayed] | None:
        """Take the travel at `t_ns`, `step_ns` after the last; return the time and value of an update, if due."""
        if step_ns != self._step_ns:
            self._step_ns = step_ns
            tau_ns = self.spec.filter_s * _NS_PER_S
            self._blend = 1.0 - math.exp(-step_ns / tau_ns) if tau_ns else 1.0
        self._filtered_nm += self._blend * (travel_nm - self._filtered_nm)
        self._now_ns = t_ns
        if t_ns < self._due_ns:
            return None
        due_ns = self._due_ns
        self._due_ns += self._interval_ns()
        if due_ns < self._silent_until_ns:
            return None
        return due_ns, self._display()

    def zero(self) -> None:
        """Press the zero button: what is displayed now becomes zero."""
        self._zero_nm = self._plunger_nm()

    def switch_unit(self) -> None:
        """Press the unit button: the other unit, with its own display step."""
        self._switched = not self._switched

    def misread_next(self, by_nm: int) -> None:
        """Let the next update be wrong by `by_nm`."""
        self._misread_nm = by_nm

    def slow_to(self, interval_ns: int | None) -> None:
        """Update only every `interval_ns` from the next update on; None for the usual rate."""
        self._slow_ns = interval_ns
        self._due_ns = self._now_ns + self._interval_ns()

    def silent_until(self, t_ns: int) -> None:
        """Lose every update before `t_ns`."""
        self._silent_until_ns = t_ns

    def restore(self) -> None:
        """Put it back as its spec says: mounting, zero, unit and rate."""
        self.mount_nm = float(self.spec.mount_nm)
        self._zero_nm, self._switched, self._misread_nm = 0.0, False, 0
        if self._slow_ns is not None:
            self.slow_to(None)

    def _interval_ns(self) -> int:
        spec = self.spec
        nominal = self._slow_ns if self._slow_ns is not None else _NS_PER_S / spec.rate_hz
        return max(1, round(nominal * (1.0 + spec.rate_jitter * self._rng.gauss(0.0, 1.0))))

    def _plunger_nm(self) -> float:
        low, high = self.spec.range_nm
        return min(max(self.mount_nm + self.spec.direction * self._filtered_nm, low), high)

    def _display(self) -> Displayed:
        low, high = self.spec.range_nm
        noisy = self._plunger_nm() + self._rng.gauss(0.0, 1.0) * self.spec.noise_nm
        shown_nm = min(max(noisy, low), high) - self._zero_nm + self._misread_nm
        self._misread_nm = 0
        unit: LengthUnit = self.spec.unit
        resolution_nm = self.spec.resolution_nm
        if self._switched:
            unit = "in" if unit == "mm" else "mm"
            resolution_nm = self.spec.switched_resolution_nm
        return Displayed(math.floor(shown_nm / resolution_nm + 0.5), resolution_nm, unit)
