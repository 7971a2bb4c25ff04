"""Strokes drawn from formulas, not from the bench simulation, so that the finder is checked by something else too."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field

from capture.strokes.finder import FinderSettings, StrokeFinder
from capture.strokes.stroke import Stroke
from drivers.reading import LengthUnit, Reading

SECOND = 1_000_000_000


@dataclass
class Waveform:
    """A travel against time, sampled as an indicator would. Lengths nm, times s."""

    rate_hz: float = 50.0
    resolution_nm: int = 10_000
    noise_nm: float = 0.0
    direction: int = 1
    rest_nm: int = 2_000_000
    seed: int = 1
    unit: LengthUnit = "mm"
    samples: list[tuple[int, Reading]] = field(default_factory=list)
    t_s: float = 0.0
    _travel: float = 0.0

    def __post_init__(self) -> None:
        self.random = random.Random(self.seed)

    def sample(self, travel: float) -> None:
        """One reading of this travel."""
        shown = self.rest_nm + self.direction * travel + self.random.gauss(0, self.noise_nm)
        value = round(shown / self.resolution_nm) * self.resolution_nm
        self.samples.append((round(self.t_s * SECOND), Reading(value, self.unit)))
        self.t_s += 1 / self.rate_hz
        self._travel = travel

    def rest(self, seconds: float) -> Waveform:
        return self.toward(0.0, seconds, 1e-9)

    def toward(self, level: float, seconds: float, tau_s: float) -> Waveform:
        """A first-order step from where the travel is toward `level`."""
        began, start = self._travel, self.t_s
        while self.t_s < start + seconds:
            self.sample(level + (began - level) * math.exp(-min(700.0, (self.t_s - start) / tau_s)))
        return self

    def line_to(self, level: float, seconds: float) -> Waveform:
        """A straight line to `level`: a leak, a drift."""
        began, start = self._travel, self.t_s
        while self.t_s < start + seconds:
            self.sample(began + (level - began) * (self.t_s - start) / seconds)
        return self

    def stroke(self, travel: float, hold_s: float = 1.0, rest_s: float = 1.0, tau_s: float = 0.03) -> Waveform:
        return self.toward(travel, hold_s, tau_s).toward(0.0, rest_s, tau_s)

    def wild(self, value_nm: int) -> Waveform:
        """One reading that is simply wrong."""
        self.samples.append((round(self.t_s * SECOND), Reading(value_nm, self.unit)))
        self.t_s += 1 / self.rate_hz
        return self

    def silence(self, seconds: float) -> Waveform:
        self.t_s += seconds
        return self

    def zero(self) -> Waveform:
        """The zero key is pressed: from now on the display counts from here."""
        self.rest_nm = -round(self.direction * self._travel)
        return self

    def find(self, batch: int = 1, **settings: object) -> list[Stroke]:
        finder = StrokeFinder(FinderSettings(self.resolution_nm, **settings))  # type: ignore[arg-type]
        found: list[Stroke] = []
        for start in range(0, len(self.samples), batch):
            group = self.samples[start : start + batch]
            found += finder.feed(group[-1][0], [reading for _, reading in group])
        return found + finder.finish()
