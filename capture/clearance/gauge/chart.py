"""The gauge's mornings on a chart: is its spread what it usually is, and is its level? Pure; lengths nm.

Theory. One master, the check standard, is read every time. Two charts of it (NIST/SEMATECH e-Handbook, 2.2.2, 2.2.3):

    spread      of the repeats of one morning, against what all mornings before pool to, by F at 99 %
    level       the error, a value a morning: an individuals chart, with an exponentially weighted moving average beside
                it (z = w e + (1 - w) z before), which finds small shifts that stay

The limits are estimated, from at least 12 mornings in control and at most the phase's first 130, and without the
newest 20 of more: a shift has to be found before it is learned. So the quantiles are those of t. s is never below what
the display's rounding and the repeats leave in an error: otherwise a coarse display alarms by its digits. A value
outside its own limits does not enter the average, nor later limits.

A check near the edge, a value beyond 3 s or an average beyond 1.4 of its own, asks for another look with wiped faces,
and the mean of the looks is the morning's value. What is outside then is an alarm:

    value       beyond 3.5 s sqrt(1 + 1/K)
    average     beyond (A - 0.4 f) s sqrt(w / (2 - w) + 10/K^2), w = 0.12 the newest value's weight

f is the share of a morning's variance that its own repeats make: as much as a second look halves. 10/K^2 stands for
what is not known of the mean of K mornings: wide while there are few. A is 2.82 up to 40 mornings and rises to 3.13 at
130: a mean that is known finds a shift sooner, and what that gains is spent on fewer false alarms. The widths are
chosen by simulation (the room's README, D1); with limits known exactly, weight 0.2 and no second look, 3.5 and 3 s give
one false alarm in 465 mornings, and a shift of one s found in 11 (worked out as a Markov chain).

A phase ends where the gauge or its stand became another: dropped, a new tip, repaired. Nothing is compared across it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import accumulate, pairwise
from typing import Final, Literal

from capture.clearance.gauge.spread import Spread, mean_of, pooled, sd_of

#: How many mornings the limits rest on, at least and at most.
LEAST_MORNINGS: Final = 12
MOST_MORNINGS: Final = 130
#: So many of the newest mornings have no part in the limits, where there are enough before them.
NEWEST: Final = 20
#: The newest value's weight in the moving average.
WEIGHT: Final = 0.12
#: Beyond so many standard deviations a check asks for another look.
_LOOK_VALUE: Final = 3.0
_LOOK_AVERAGE: Final = 1.4
#: And beyond so many the mean of the looks is an alarm; the average's more by every morning above so many, and less by
#: what a second look halves.
_ALARM_VALUE: Final = 3.5
_ALARM_AVERAGE: Final = 2.82
_MORE_ABOVE: Final = 40
_MORE_BY_MORNING: Final = 1 / 290
_LESS_BY_REPEATS: Final = 0.4
#: What is not known of the mean of K mornings, over K^2.
_FEW: Final = 10.0
#: How sure the F test of the spread is.
_SPREAD_SURE: Final = 0.99

ControlWord = Literal["too few", "in control", "look again", "level", "spread"]


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
    look_value_nm: float
    """How far a value may be from the mean before it asks for another look."""
    look_average_nm: float
    """How far the moving average may be before it does."""
    value_nm: float
    """How far a value may be from the mean, looked at again."""
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
    value_nm: float
    """Its error, or the mean of the looks of which it is the last."""
    average_nm: float
    """The moving average with this check, unless its value is outside by itself."""
    scatters: bool
    """Whether its repeats scatter more than usual."""
    word: ControlWord
    """`look again` asks for another look; `level` and `spread` say what is outside though it was looked at again."""

    @property
    def alarm(self) -> bool:
        """Whether it is out of control: do not measure with it."""
        return self.word in ("level", "spread")

    @property
    def shift_nm(self) -> float:
        """How far the moving average is from the mean, 0 while there is none to compare it with."""
        return 0.0 if self.limits is None else abs(self.average_nm - self.limits.mean_nm)


def average(values: Iterable[float], start: float, weight: float = WEIGHT) -> list[float]:
    """Return the exponentially weighted moving average after each value (e-Handbook, 6.3.2.4)."""
    return list(accumulate(values, lambda last, value: weight * value + (1 - weight) * last, initial=start))[1:]


def average_limit(sd: float, width: float, weight: float = WEIGHT, *, of_mean: float = 0.0) -> float:
    """Return how far the average may be from the mean, `width` of its own standard deviations (e-Handbook, 6.3.2.4);
    `of_mean` is the variance of a mean that is not known, as a share of `sd` squared."""
    return width * sd * math.sqrt(weight / (2 - weight) + of_mean)


class Chart:
    """Takes checks in the order they were made, and judges each by those before it alone."""

    def __init__(self) -> None:
        self._baseline: list[Point] = []
        self._limits: Limits | None = None
        self._rests_on = 0
        self._average = 0.0
        self._looks: list[Point] = []
        self._all_scatter = False
        self._before: Charted | None = None

    def add(self, point: Point) -> Charted:
        """Put the next check on the chart. After one that asked for another look, it is that look."""
        before = self._before
        if before is None or point.phase != before.point.phase:
            self._baseline, self._limits, self._rests_on, self._average = [], None, 0, point.error_nm
            self._looks, before = [], None
        limits = self._usual()
        self._looks.append(point)
        value = mean_of([one.error_nm for one in self._looks])
        scatters = limits is not None and _scatters(point, limits)
        self._all_scatter = scatters and (len(self._looks) == 1 or self._all_scatter)
        word = self._word(limits, value, scatters, alarmed=before is not None and before.alarm)
        now = self._with(value)
        if limits is not None and abs(value - limits.mean_nm) > limits.value_nm:
            now = self._average
        if word != "look again":
            if word in ("in control", "too few"):
                self._baseline.append(point if value == point.error_nm else replace(point, error_nm=value))
            self._average, self._looks = now, []
        self._before = Charted(point, limits, value, now, scatters, word)
        return self._before

    def _with(self, value_nm: float) -> float:
        return average([value_nm], self._average)[0]

    def _word(self, limits: Limits | None, value_nm: float, scatters: bool, *, alarmed: bool) -> ControlWord:
        if limits is None:
            return "too few"
        off, average_off = abs(value_nm - limits.mean_nm), abs(self._with(value_nm) - limits.mean_nm)
        if len(self._looks) > 1 or alarmed:
            if off > limits.value_nm or average_off > limits.average_nm:
                return "level"
            if self._all_scatter:
                return "spread"
            return "look again" if scatters else "in control"
        near = off > limits.look_value_nm or average_off > limits.look_average_nm
        return "look again" if near or scatters else "in control"

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
    errors = [point.error_nm for point in baseline]
    short = pooled(point.spread for point in baseline)
    mornings, mean = len(errors), mean_of(errors)
    repeats = [short.sd / math.sqrt(point.repeats) for point in baseline]
    least = max(math.hypot(point.rounding_nm, own) for point, own in zip(baseline, repeats, strict=True))
    sd = max(sd_of(errors).sd, least)
    share = min(1.0, mean_of([own**2 for own in repeats]) / sd**2) if sd else 0.0
    value = sd * math.sqrt(1 + 1 / mornings)
    moving = average_limit(sd, 1, of_mean=_FEW / mornings**2)
    widths = _ALARM_AVERAGE + _MORE_BY_MORNING * max(0, mornings - _MORE_ABOVE) - _LESS_BY_REPEATS * share
    return Limits(
        mean_nm=mean,
        sd_nm=sd,
        mornings=mornings,
        look_value_nm=_quantile(_LOOK_VALUE, mornings) * value,
        look_average_nm=_quantile(_LOOK_AVERAGE, mornings) * moving,
        value_nm=_quantile(_ALARM_VALUE, mornings) * value,
        average_nm=_quantile(round(widths, 2), mornings) * moving,
        spread=short,
    )


@cache
def _quantile(width: float, mornings: int) -> float:
    """Return how many estimated standard deviations are as rare as `width` known ones."""
    from scipy.special import ndtr, stdtrit

    return -float(stdtrit(mornings - 1, ndtr(-width)))


def most_scatter(point: Point, limits: Limits) -> float | None:
    """Return the most that the repeats of a check may scatter (a standard deviation, nm); None where nothing tells."""
    usual, dof = _usual_scatter(point, limits), point.spread.dof
    return usual.most(dof, _SPREAD_SURE) if usual.dof and dof else None


def _usual_scatter(point: Point, limits: Limits) -> Spread:
    # Repeats that all show the same digits say nothing of the spread; rounding is at least as much as they can differ.
    return Spread(max(limits.spread.sd, point.rounding_nm), limits.spread.dof)


def _scatters(point: Point, limits: Limits) -> bool:
    return point.spread.exceeds(_usual_scatter(point, limits), _SPREAD_SURE)


def day_to_day(points: Sequence[Point]) -> Spread:
    """Return how much the error moves from one morning to the next: root mean square successive difference / sqrt 2
    (von Neumann's), without those across phases."""
    steps = [b.error_nm - a.error_nm for a, b in pairwise(points) if a.phase == b.phase]
    if not steps:
        return Spread(0.0, 0)
    return Spread(math.sqrt(math.fsum(step**2 for step in steps) / len(steps) / 2), len(steps))
