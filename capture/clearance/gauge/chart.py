"""The gauge's mornings on a chart: is its spread what it usually is, and is its level? Pure; lengths nm.

Theory. One master, the check standard, is read every time. Two charts of it (NIST/SEMATECH e-Handbook, 2.2.2, 2.2.3):

    spread      of the repeats of one morning, against what all mornings before pool to, by F at 99 %
    level       the error, a value a morning: an individuals chart, with an exponentially weighted moving average beside
                it (z = 0.2 e + 0.8 z before), which finds small shifts that stay

The limits are estimated, from at least 12 mornings in control and at most the phase's first 100, and without the
newest 20 of more: a shift has to be found before it is learned. So the quantiles are those of t, and what is not known
of the mean is in them: s sqrt(1 + 1/K) for a value, at 3.5 s of a normal distribution, s sqrt(0.2 / 1.8 + 1/K) for the
average, at 2.75 s. s is never below what the display's rounding and the repeats leave in an error: otherwise a coarse
display alarms by its digits. A value outside its own limits does not enter the average, nor later limits.

One check outside the limits asks for another with wiped faces; two in a row are an alarm. By simulation, half of the
variance being the day's and half the repeats': a false alarm in 457 mornings, and a shift of one s found in 11 or 12,
in 14 where only 60 mornings went before. With limits known exactly, and no second check, 3.5 and 3 s give 465 and 11
(worked out as a Markov chain).

A phase ends where the gauge or its stand became another: dropped, a new tip, repaired. Nothing is compared across it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, Literal

from capture.clearance.gauge.spread import Spread, mean_of, pooled, sd_of

#: How many mornings the limits rest on, at least and at most.
LEAST_MORNINGS: Final = 12
MOST_MORNINGS: Final = 100
#: So many of the newest mornings have no part in the limits, where there are enough before them.
NEWEST: Final = 20
#: The newest value's weight in the moving average.
WEIGHT: Final = 0.2
#: One-sided probabilities beyond 3.5 and 2.75 standard deviations of a normal distribution.
_BEYOND_VALUE: Final = 2.326e-4
_BEYOND_AVERAGE: Final = 2.980e-3
#: How sure the F test of the spread is.
_SPREAD_SURE: Final = 0.99

ControlWord = Literal["too few", "in control", "level", "spread"]


@dataclass(frozen=True, slots=True)
class Point:
    """One check of the check standard. Lengths nm."""

    error_nm: float
    spread: Spread
    """Of the morning's repeats."""
    repeats: int
    rounding_nm: float
    phase: int = 0
    """Grows with every event after which the gauge is another."""


@dataclass(frozen=True, slots=True)
class Limits:
    """What the mornings before let one expect of the next. Lengths nm."""

    mean_nm: float
    sd_nm: float
    mornings: int
    """How many they rest on."""
    value_nm: float
    """How far a value may be from the mean."""
    average_nm: float
    """How far the moving average may be."""
    spread: Spread
    """Short-term, pooled over the mornings."""


@dataclass(frozen=True, slots=True)
class Charted:
    """A check on the chart: what was expected of it, and whether it is so."""

    point: Point
    limits: Limits | None
    """None while there are too few mornings in the phase."""
    average_nm: float
    """The moving average with this check, unless its value is outside by itself."""
    word: ControlWord
    """What this check is outside of, if anything."""
    alarm: bool
    """Whether the check before was outside too: do not measure with it."""

    @property
    def shift_nm(self) -> float:
        """How far the moving average is from the mean, 0 while there is none to compare it with."""
        return 0.0 if self.limits is None else abs(self.average_nm - self.limits.mean_nm)


def average(values: Iterable[float], start: float, weight: float = WEIGHT) -> list[float]:
    """Return the exponentially weighted moving average after each value (e-Handbook, 6.3.2.4)."""
    averages, last = [], start
    for value in values:
        last = weight * value + (1 - weight) * last
        averages.append(last)
    return averages


def average_limit(sd: float, width: float, weight: float = WEIGHT) -> float:
    """Return how far the average may be from the mean, `width` of its own standard deviations (e-Handbook, 6.3.2.4)."""
    return width * sd * math.sqrt(weight / (2 - weight))


class Chart:
    """Takes checks in the order they were made, and judges each by those before it alone."""

    def __init__(self) -> None:
        self._baseline: list[Point] = []
        self._limits: Limits | None = None
        self._rests_on = 0
        self._average = 0.0
        self._before: Charted | None = None

    def add(self, point: Point) -> Charted:
        """Put the next check on the chart."""
        before = self._before
        if before is None or point.phase != before.point.phase:
            self._baseline, self._limits, self._rests_on, self._average = [], None, 0, point.error_nm
            before = None
        limits = self._usual()
        now = WEIGHT * point.error_nm + (1 - WEIGHT) * self._average
        word = _word(point, limits, now)
        if limits is not None and abs(point.error_nm - limits.mean_nm) > limits.value_nm:
            now = self._average
        outside = word in ("level", "spread")
        alarm = outside and before is not None and before.word in ("level", "spread")
        self._average = now
        if not outside:
            self._baseline.append(point)
        self._before = Charted(point, limits, now, word, alarm)
        return self._before

    def _usual(self) -> Limits | None:
        count = len(self._baseline)
        if count < LEAST_MORNINGS:
            return None
        settled = min(MOST_MORNINGS, max(LEAST_MORNINGS, count - NEWEST))
        if self._limits is None or settled != self._rests_on:
            first = self._limits is None
            self._limits, self._rests_on = _limits(self._baseline[:settled]), settled
            if first:
                self._average = self._limits.mean_nm
        return self._limits


def chart(points: Iterable[Point]) -> list[Charted]:
    """Put checks on the chart in the order they were made."""
    made = Chart()
    return [made.add(point) for point in points]


def _limits(baseline: Sequence[Point]) -> Limits:
    from scipy.special import stdtrit

    errors = [point.error_nm for point in baseline]
    short = pooled(point.spread for point in baseline)
    mornings, mean = len(errors), mean_of(errors)
    least = max(math.hypot(point.rounding_nm, short.sd / math.sqrt(point.repeats)) for point in baseline)
    sd = max(sd_of(errors).sd, least)
    wide, narrow = (float(stdtrit(mornings - 1, 1 - beyond)) for beyond in (_BEYOND_VALUE, _BEYOND_AVERAGE))
    return Limits(
        mean_nm=mean,
        sd_nm=sd,
        mornings=mornings,
        value_nm=wide * sd * math.sqrt(1 + 1 / mornings),
        average_nm=narrow * sd * math.sqrt(WEIGHT / (2 - WEIGHT) + 1 / mornings),
        spread=short,
    )


def _word(point: Point, limits: Limits | None, average_nm: float) -> ControlWord:
    if limits is None:
        return "too few"
    # Repeats that all show the same digits say nothing of the spread; rounding is at least as much as they can differ.
    usual = Spread(max(limits.spread.sd, point.rounding_nm), limits.spread.dof)
    if point.spread.exceeds(usual, _SPREAD_SURE):
        return "spread"
    if abs(point.error_nm - limits.mean_nm) > limits.value_nm:
        return "level"
    return "level" if abs(average_nm - limits.mean_nm) > limits.average_nm else "in control"


def day_to_day(points: Sequence[Point]) -> Spread:
    """Return how much the error moves from one morning to the next: root mean square successive difference / sqrt 2
    (von Neumann's), without those across phases."""
    steps = [b.error_nm - a.error_nm for a, b in pairwise(points) if a.phase == b.phase]
    if not steps:
        return Spread(0.0, 0)
    return Spread(math.sqrt(math.fsum(step**2 for step in steps) / len(steps) / 2), len(steps))
