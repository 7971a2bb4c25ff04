"""The chart of a gauge's mornings over very many gauges at once, counted: how rarely it alarms for nothing, and how
soon it finds a shift of one standard deviation.

    python -m tests.load.gauge_alarms [--gauges 40000] [--seed 1] [--repeats 0.2 0.5 0.8]

The rules are those of `capture/clearance/gauge/chart.py`, for arrays of gauges, so that a hundred thousand years take
minutes; a test holds both against each other, word for word. Lengths in units of the mornings' standard deviation.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtri, ndtr, stdtrit

from capture.clearance.gauge import chart as rules
from capture.plumbing.outward import say

__all__ = ["Alarms", "ManyCharts", "beside", "counted_alarms", "days_to_find", "tell_alarms"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

REPEATS: Final = 3
MORNINGS: Final = 250
#: So many gauges are worked through at a time.
_AT_ONCE: Final = 20_000
#: Alarms within so many mornings have one cause.
_ONE_CAUSE: Final = 10


class ManyCharts:
    """As many charts as there are gauges, each of three repeats a morning and a display that leaves no rounding."""

    def __init__(self, gauges: int) -> None:
        most = rules.MOST_MORNINGS
        self._learned = np.zeros(gauges, dtype=np.int64)
        # Of the first so many mornings in control: the sum of errors, of their squares, and of the repeats' variances.
        self._sums = np.zeros((3, gauges, most + 1))
        self._average = np.zeros(gauges)
        self._alarmed = np.zeros(gauges, dtype=np.bool_)
        self._fresh, self._first_limits = True, np.ones(gauges, dtype=np.bool_)
        self.looks = 0
        """How many checks were made in all."""

    def morning(self, read: Callable[[Flags], tuple[Floats, Floats]]) -> tuple[Flags, Flags]:
        """Put a morning on every chart; `read` makes a check of the gauges it is given: the error, and the repeats'
        variance. Return which alarm by their level, and which by their spread."""
        gauges = len(self._average)
        limits = self._limits()
        pending, looks = np.ones(gauges, dtype=np.bool_), 0
        total, level, spread = np.zeros(gauges), np.zeros(gauges, dtype=np.bool_), np.zeros(gauges, dtype=np.bool_)
        all_scatter = np.ones(gauges, dtype=np.bool_)
        while pending.any():
            error, variance = read(pending)
            looks += 1
            self.looks += int(pending.sum())
            if self._fresh:
                self._average, self._fresh = error.copy(), False
            total = np.where(pending, total + error, total)
            value = total / looks
            moved = rules.WEIGHT * value + (1 - rules.WEIGHT) * self._average
            scatters = limits.known & (variance > limits.variance * limits.ratio)
            all_scatter = np.where(pending, all_scatter & scatters, all_scatter)
            off, average_off = np.abs(value - limits.mean), np.abs(moved - limits.mean)
            near = (off > limits.look_value) | (average_off > limits.look_average) | scatters
            outside = (off > limits.value) | (average_off > limits.average)
            judged = pending & limits.known & (self._alarmed | (looks > 1))
            level |= judged & outside
            spread |= judged & ~outside & all_scatter
            again = pending & limits.known & np.where(judged, scatters & ~level & ~spread, near)
            stays = limits.known & (off > limits.value)
            average = np.where(stays, self._average, moved)
            self._keep(pending & ~again, value, variance, average, learn=~(level | spread))
            pending = again
        self._alarmed = level | spread
        return level, spread

    def _keep(self, settled: Flags, value: Floats, variance: Floats, average: Floats, *, learn: Flags) -> None:
        self._average = np.where(settled, average, self._average)
        (which,) = np.nonzero(settled & learn & (self._learned < rules.MOST_MORNINGS + rules.NEWEST))
        self._learned[which] += 1
        kept = which[self._learned[which] <= rules.MOST_MORNINGS]
        at = self._learned[kept]
        for sums, added in zip(self._sums, (value, value**2, variance), strict=True):
            sums[kept, at] = sums[kept, at - 1] + added[kept]

    def _limits(self) -> _ManyLimits:
        known = self._learned >= rules.LEAST_MORNINGS
        settled = np.clip(self._learned - rules.NEWEST, rules.LEAST_MORNINGS, rules.MOST_MORNINGS)
        sums, squares, variances = (one[np.arange(len(settled)), settled] for one in self._sums)
        mean, short = sums / settled, variances / settled
        own = short / REPEATS
        sd2 = np.maximum((squares - sums * mean) / (settled - 1), own)
        share = np.where(known, own / np.where(known, sd2, 1.0), 0.0)
        widths = (
            rules._ALARM_AVERAGE
            + rules._MORE_BY_MORNING * np.maximum(0, settled - rules._MORE_ABOVE)
            - rules._LESS_BY_REPEATS * np.minimum(1.0, share)
        )
        value = np.sqrt(sd2 * (1 + 1 / settled))
        moving = np.sqrt(sd2 * (rules.WEIGHT / (2 - rules.WEIGHT) + rules._FEW / settled**2))
        first = known & self._first_limits
        self._average = np.where(first, mean, self._average)
        self._first_limits &= ~known
        return _ManyLimits(
            known, mean, short, _RATIOS[settled],
            _quantiles(rules._LOOK_VALUE, settled) * value, _quantiles(rules._LOOK_AVERAGE, settled) * moving,
            _quantiles(rules._ALARM_VALUE, settled) * value, _quantiles(widths, settled) * moving,
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _ManyLimits:
    """What the mornings before let one expect of the next, for every gauge."""

    known: Flags
    mean: Floats
    variance: Floats
    ratio: Floats
    look_value: Floats
    look_average: Floats
    value: Floats
    average: Floats


_COUNTS: Final = np.arange(rules.MOST_MORNINGS + 1)
_WIDTHS: Final = np.arange(400) / 100
_RATIOS: Final = np.array([0.0, *fdtri(2, 2 * _COUNTS[1:], rules._SPREAD_SURE)])
with np.errstate(all="ignore"):
    _QUANTILES: Final = -stdtrit(np.maximum(1, _COUNTS - 1)[None, :], ndtr(-_WIDTHS)[:, None])


def _quantiles(width: float | Floats, mornings: NDArray[np.int64]) -> Floats:
    found: Floats = _QUANTILES[np.rint(100 * np.asarray(width)).astype(np.int64), mornings]
    return found


@dataclass(frozen=True, slots=True)
class Alarms:
    """How many mornings there are for one false alarm, those of one cause counted once."""

    of_a_year: float
    after_60: float
    from_33_to_80: float
    after_120: float
    looks_a_morning: float


def _reader(rng: np.random.Generator, day: Floats, repeats: float) -> Callable[[Flags], tuple[Floats, Floats]]:
    def read(which: Flags) -> tuple[Floats, Floats]:
        count = int(which.sum())
        three = rng.normal(0.0, (REPEATS * repeats) ** 0.5, (REPEATS, count))
        error, variance = np.zeros(len(which)), np.zeros(len(which))
        error[which], variance[which] = day[which] + three.mean(axis=0), three.var(axis=0, ddof=1)
        return error, variance

    return read


def _mornings(charts: ManyCharts, rng: np.random.Generator, gauges: int, shift: float, repeats: float) -> Flags:
    """Put a morning of gauges on their charts, so much of whose variance is the repeats' and the rest the day's."""
    day = rng.normal(shift, (1 - repeats) ** 0.5, gauges)
    level, spread = charts.morning(_reader(rng, day, repeats))
    return level | spread


def counted_alarms(gauges: int, rng: np.random.Generator, repeats: float) -> Alarms:
    """Count the false alarms of so many gauges in a year each."""
    found, looks = np.zeros(MORNINGS, dtype=np.int64), 0
    for some in _batches(gauges):
        charts, last = ManyCharts(some), np.full(some, -99)
        for morning in range(MORNINGS):
            new = _mornings(charts, rng, some, 0.0, repeats) & (morning > last + _ONE_CAUSE)
            found[morning] += new.sum()
            last[new] = morning
        looks += charts.looks

    def one_in(since: int, until: int = MORNINGS) -> float:
        return gauges * (until - since) / max(1, int(found[since:until].sum()))

    return Alarms(one_in(0), one_in(60), one_in(32, 80), one_in(120), looks / (gauges * MORNINGS))


def days_to_find(gauges: int, before: int, rng: np.random.Generator, repeats: float) -> NDArray[np.int64]:
    """Return how many mornings a shift of one standard deviation takes with each gauge, after so many mornings; at most
    100 are waited for."""
    taken: list[NDArray[np.int64]] = []
    for some in _batches(gauges):
        charts, found = ManyCharts(some), np.full(some, 100)
        for _ in range(before):
            _mornings(charts, rng, some, 0.0, repeats)
        for day in range(1, 101):
            alarmed = _mornings(charts, rng, some, 1.0, repeats)
            found = np.where(alarmed & (found == 100), day, found)
            if (found < 100).all():
                break
        taken.append(found)
    return np.concatenate(taken)


def _batches(gauges: int) -> list[int]:
    return [min(_AT_ONCE, gauges - done) for done in range(0, gauges, _AT_ONCE)]


def tell_alarms(gauges: int, seed: int, shares: Sequence[float], afters: Sequence[int]) -> int:
    """Count and print, for each share that the repeats have of a morning's variance; return how many bounds are
    missed."""
    missed = 0
    for share in shares:
        rng = np.random.default_rng([seed, round(100 * share)])
        one = counted_alarms(gauges, rng, share)
        say(f"\n{gauges} gauges, the repeats {share:.0%} of their mornings' variance")
        missed += beside(f"one false alarm in {one.of_a_year:.0f} mornings", "400 or more", one.of_a_year >= 400)
        say(f"  after 60 in {one.after_60:.0f}, from 33 to 80 in {one.from_33_to_80:.0f}, after 120 in "
            f"{one.after_120:.0f}; {one.looks_a_morning:.2f} looks a morning")  # fmt: skip
        for before in afters:
            days = float(days_to_find(gauges, before, rng, share).mean())
            missed += beside(f"a shift of one s after {before} found in {days:.1f} mornings", "12 or fewer", days <= 12)
    return missed


def beside(told: str, asked: str, held: object) -> int:
    """Print what was counted beside what is asked of it, empty for nothing; return 1 where it does not hold."""
    say(f"  {told}" + (f" (asked: {asked}{'' if held else '; MISSED'})" if asked else ""))
    return 0 if held or not asked else 1


def main() -> int:
    """Run it and print what was counted; return 1 where a bound is missed."""
    options = argparse.ArgumentParser(description=__doc__.partition("\n\n")[0])
    options.add_argument("--gauges", type=int, default=40_000)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--repeats", type=float, nargs="+", default=[0.2, 0.5, 0.8])
    chosen = options.parse_args()
    return min(1, tell_alarms(chosen.gauges, chosen.seed, chosen.repeats, (60, 90, 120, 200)))


if __name__ == "__main__":
    sys.exit(main())
