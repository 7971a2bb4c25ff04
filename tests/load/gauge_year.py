"""A simulated year of a bench, counted: how often its verdicts hold the truth, how often its gauge alarms, how soon a
drop is found, and what a morning's check does to the share of inconclusive packs.

    python -m tests.load.gauge_year [--years 2] [--packs 4] [--gauges 20000] [--seed N]

Every morning the gauge is checked against a block, three times; then packs are measured, five strokes each, and judged
twice, with the check and without. The gauge drifts slowly, errs a little between two masters, and is dropped on a day
in June. Five technicians set it up, each in a way of his own, and a study at the new year has told by how much: ten
packs, all five, twice. What a smaller one makes of a year's coverage: `capture/clearance/gauge/README.md`, D8. Its seed
is a fresh one unless it is given, and is printed. Each figure that is asked for stands beside its bound; it ends with 1
where one is missed.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from secrets import randbelow
from typing import Final, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from capture.clearance.gauge.error_found import ErrorFound
from capture.clearance.gauge.facts import GaugeChecked, GaugeEntry, GaugeEvent, GaugeFact, study_kept
from capture.clearance.gauge.master_check import CheckSettings, checked
from capture.clearance.gauge.masters import Master
from capture.clearance.gauge.spread import mean_of, sd_of
from capture.clearance.gauge.standing import standing_of
from capture.clearance.gauge.study import Row, studied
from capture.clearance.verdict import MeasurementLimits, Verdict, judge
from capture.plumbing.outward import say
from capture.strokes.stroke import Stroke
from tests.load.gauge_alarms import beside, tell_alarms

__all__ = ["ALONE", "Counted", "Gauge", "Situation", "some_mornings", "year"]

_BLOCK: Final = Master("GB-1", "gauge block", 1_000_000, 1_000_000, 500, 2.0, "C-17", None)
_FIRST: Final = datetime(2026, 1, 5, 7, 0, tzinfo=UTC)
MORNINGS: Final = 250
DROP: Final = 115
"""The working day of the drop, in June."""
_STROKES: Final = 5
_WIDTHS: Final = (400_000, 100_000)
"""Of the ranges of the packs, about 1 mm."""

Truths = Literal["normal", "uniform"]
"""Where the packs' clearances truly are: about the middle of the range with a standard deviation of a third of its
width, or anywhere within three times its width."""


@dataclass(frozen=True, slots=True)
class Gauge:
    """What is simulated, lengths nm: a display of 0.01 mm that its noise dithers."""

    step: int = 10_000
    limit: int = 20_000
    stroke: float = 3_000.0
    """Standard deviation of a stroke; a master's is a third of it."""
    rounding: float = 1_500.0
    """What rounding leaves in a travel, the same in all strokes of a pack."""
    local: float = 2_000.0
    """Half-width of what it errs between two masters."""
    day: float = 500.0
    """Standard deviation of its error from day to day."""
    year: float = 1_000.0
    """How far it drifts in a year."""
    drop: float = 33_000.0
    still: bool = False
    """Whether its noise does not dither the display: all of the rounding is left in a travel."""
    technicians: tuple[float, ...] = (-1_200.0, -500.0, 100.0, 600.0, 1_000.0)
    """By how much each sets it up otherwise."""
    remount: float = 1_500.0
    """Standard deviation of a remount."""
    study: tuple[int, int] = (10, 2)
    """Packs, and how often each technician measures each."""

    @property
    def left(self) -> int:
        """What a stroke says that rounding leaves in it, nm."""
        return round((2 * self.step**2 / 12) ** 0.5 if self.still else self.rounding)


#: The gauge without what technicians and remounts add, which a check does not tell of.
ALONE: Final = Gauge(technicians=(0.0,) * 5, remount=0.0)


class Situation(NamedTuple):
    """What the share of inconclusive packs depends on."""

    width_nm: int
    """Of the range."""
    with_check: bool
    truths: Truths = "normal"


@dataclass(slots=True)
class Counted:
    """What a year came to, or several together."""

    verdicts: int = 0
    held: dict[int, list[bool]] = field(default_factory=dict)
    """Whether the truth was within U, by quarter, of the verdicts with a check; those in doubt left out."""
    inconclusive: dict[Situation, list[bool]] = field(default_factory=dict)
    guard: dict[bool, list[int]] = field(default_factory=dict)
    """U by whether the check was used."""
    wrong: int = 0
    """Verdicts, not in doubt, that the truth is against."""
    false_alarms: int = 0
    mornings: int = 0
    drop_found_after: int = 0
    """Mornings from the drop to the check that found it, at most."""
    in_doubt: int = 0
    measured_after_drop: int = 0
    missed: int = 0
    """Verdicts made with the dropped gauge that are not in doubt."""

    @property
    def coverage(self) -> list[float]:
        """The share of verdicts that held the truth, a quarter each."""
        return [sum(held) / len(held) for _, held in sorted(self.held.items())]

    def share(self, situation: Situation) -> float:
        """The share of packs that stayed inconclusive."""
        told = self.inconclusive[situation]
        return sum(told) / len(told)

    def take(self, other: Counted) -> None:
        """Count another year with this one."""
        for quarter, held in other.held.items():
            self.held.setdefault(quarter, []).extend(held)
        for situation, inconclusive in other.inconclusive.items():
            self.inconclusive.setdefault(situation, []).extend(inconclusive)
        for used, guards in other.guard.items():
            self.guard.setdefault(used, []).extend(guards)
        for name in ("verdicts", "wrong", "false_alarms", "mornings", "in_doubt", "measured_after_drop", "missed"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        self.drop_found_after = max(self.drop_found_after, other.drop_found_after)

    def mean_guard(self, *, with_check: bool) -> float:
        """The mean expanded uncertainty, nm."""
        return sum(self.guard[with_check]) / len(self.guard[with_check])


class _Bench:
    """The gauge, who uses it, and what the record keeps."""

    def __init__(self, gauge: Gauge, seed: int) -> None:
        self.gauge = gauge
        self.rng = np.random.default_rng(seed)
        self.entries: list[GaugeEntry] = []
        self.dropped = 0.0
        self.today = 0.0

    def error(self, day: int) -> float:
        return 3_000.0 + self.gauge.year * day / MORNINGS + self.today + self.dropped

    def keep(self, fact: GaugeFact, at: datetime) -> GaugeEntry:
        number = len(self.entries) + 1
        self.entries.append(GaugeEntry(number, f"{number:064x}", at, fact))
        return self.entries[-1]

    def study(self) -> None:
        """Every technician measures every pack, the indicator set up anew each time."""
        count, trials = self.gauge.study
        year, self.rng = self.rng, self.rng.spawn(1)[0]  # the year is the same whatever the study
        packs = self.rng.uniform(800_000, 1_200_000, count)
        rows, within = [], []
        for p, t in [(p, t) for p in range(count) for t in range(5) for _ in range(trials)]:
            common = packs[p] + self.gauge.technicians[t] + self._setting_up()
            read = [float(nm) for nm in self._read(common + self.rng.normal(0, self.gauge.stroke, 5))]
            rows.append(Row(f"p{p}", f"t{t}", mean_of(read)))
            within.append(sd_of(read).sd ** 2 / 5 + self.gauge.left**2)
        self.rng = year
        self.keep(study_kept("DI-0413", rows, studied(rows), mean_of(within) ** 0.5, "foreman"),
                  _FIRST - timedelta(days=3))  # fmt: skip

    def _setting_up(self) -> float:
        return float(self.rng.normal(0, self.gauge.remount))

    def check(self, day: int, at: datetime, *, as_left: bool = False) -> GaugeEntry:
        """Check the gauge against the block."""
        gauge = self.gauge
        read = self._read(_BLOCK.value_nm + self.error(day) + self.rng.normal(0, gauge.stroke / 3, 3))
        settings = CheckSettings(gauge.step, gauge.limit)
        made = checked([_stroke(n, round(nm), gauge) for n, nm in enumerate(read, 1)], [_BLOCK], settings, at.date())
        return self.keep(
            GaugeChecked("DI-0413", "bay-1", "early shift", as_left, {}, gauge.step, gauge.limit, (_BLOCK,), made, None,
                         at.isoformat(), "", "", 0, ""), at)  # fmt: skip

    def _read(self, travels: NDArray[np.float64]) -> list[int]:
        """What the display says of travels from one rest: whole steps, or nearly what they are where noise dithers."""
        if self.gauge.still:
            rest, step = self.rng.uniform(0, self.gauge.step), self.gauge.step
            return [round(step * (round((rest + one) / step) - round(rest / step))) for one in travels]
        half = self.gauge.rounding * 1.5**0.5
        left = self.rng.uniform(-half, half) + self.rng.uniform(-half, half)
        return [round(one + left) for one in travels]

    def travels(self, day: int, truth: float) -> list[int]:
        """Five strokes of a pack."""
        gauge, technician = self.gauge, self.gauge.technicians[day % 5]
        common = self.error(day) + self.rng.uniform(-gauge.local, gauge.local) + technician + self._setting_up()
        return self._read(truth + common + self.rng.normal(0, gauge.stroke, _STROKES))

    def judged(self, travels: list[int], width: int, found: ErrorFound | None) -> Verdict:
        limits = MeasurementLimits(self.gauge.step, self.gauge.limit, found=found)
        low = 1_000_000 - width // 2
        verdict = judge(travels, low, low + width, limits, [self.gauge.left] * len(travels))
        assert verdict is not None
        return verdict


def some_mornings(count: int, seed: int) -> list[GaugeEntry]:
    """Return a gauge's checks on so many mornings, as a record keeps them."""
    bench = _Bench(ALONE, seed)
    for day in range(count):
        bench.today = float(bench.rng.normal(0, ALONE.day))
        bench.check(day, _FIRST + timedelta(days=day))
    return bench.entries


def _stroke(n: int, held_nm: int, gauge: Gauge) -> Stroke:
    return Stroke(n, n * 10**9, n * 10**9 + 10**8, 0, held_nm, held_nm, 0, 0, 0, (), True, gauge.left, 0, 0)


def year(
    seed: int,
    *,
    packs: int = 8,
    gauge: Gauge | None = None,
    every_situation: bool = False,
    mornings: int = MORNINGS,
) -> Counted:
    """Run a year of working days, or its first `mornings`, `packs` a day, and count; inconclusive packs where truths
    are normal, or of all."""
    bench, counted = _Bench(gauge or Gauge(), seed), Counted()
    rng = bench.rng
    if bench.gauge.remount:
        bench.study()
    after_drop: list[datetime] = []
    last_good, last_alarm = _FIRST, -99
    for day in range(mornings):
        at = _FIRST + timedelta(days=day + 2 * (day // 5))
        bench.today = float(rng.normal(0, bench.gauge.day))
        entry = bench.check(day, at)
        standing = standing_of(bench.entries, "DI-0413", "bay-1", at)
        counted.mornings += 1
        newest = bench.entries[-1].fact
        assert isinstance(newest, GaugeChecked)
        if "do it again" in standing.text or newest.check.refusal is not None:
            bench.check(day, at + timedelta(minutes=2))
            standing = standing_of(bench.entries, "DI-0413", "bay-1", at + timedelta(minutes=2))
        if standing.bad and bench.dropped:
            counted.drop_found_after = day - DROP
            doubted = [one for one in after_drop if last_good < one <= at]
            counted.in_doubt, counted.missed = len(doubted), len(after_drop) - len(doubted)
            bench.dropped = 0.0
            bench.keep(GaugeEvent("DI-0413", "repaired", "foreman"), at + timedelta(minutes=20))
            bench.check(day, at + timedelta(minutes=30), as_left=True)
            standing = standing_of(bench.entries, "DI-0413", "bay-1", at + timedelta(minutes=30))
        elif standing.bad:
            counted.false_alarms += day > last_alarm + 10  # those of one cause once
            last_alarm = day
        else:
            last_good = entry.at
        for pack in range(packs):
            when = at + timedelta(hours=1 + pack)
            if day == DROP and pack == packs // 2:
                bench.dropped = bench.gauge.drop
            _pack(bench, counted, day, standing.error, every_situation=every_situation)
            if bench.dropped:
                counted.measured_after_drop += 1
                after_drop.append(when)
    return counted


def _pack(bench: _Bench, counted: Counted, day: int, found: ErrorFound | None, *, every_situation: bool) -> None:
    """Measure one pack of each range, and judge it with the check and without."""
    both: tuple[Truths, ...] = ("normal", "uniform")
    for width in _WIDTHS:
        for truths in both if every_situation else both[:1]:
            away = bench.rng.normal(0, 1 / 3) if truths == "normal" else bench.rng.uniform(-1.5, 1.5)
            truth = 1_000_000 + width * float(away)
            travels = bench.travels(day, truth)
            if bench.dropped:
                continue
            for used in (found, None):
                verdict = bench.judged(travels, width, used)
                here = Situation(width, used is not None, truths)
                counted.inconclusive.setdefault(here, []).append(verdict.verdict == "inconclusive")
                counted.guard.setdefault(used is not None, []).append(verdict.expanded_uncertainty_nm)
                if used is not None:
                    _hold(counted, day, verdict, truth)


def _hold(counted: Counted, day: int, verdict: Verdict, truth: float) -> None:
    """Hold a verdict against the truth."""
    counted.verdicts += 1
    held = abs(verdict.mean_nm - truth) <= verdict.expanded_uncertainty_nm
    counted.held.setdefault(4 * day // MORNINGS, []).append(held)
    inside = verdict.low_nm <= truth <= verdict.high_nm
    counted.wrong += verdict.verdict != "inconclusive" and (verdict.verdict == "good") != inside


def main() -> int:
    """Run it and print what was counted beside what is asked; return 1 where a bound is missed."""
    options = argparse.ArgumentParser(description=__doc__.partition("\n\n")[0])
    options.add_argument("--packs", type=int, default=4, help="a day, of each range and each kind of truths")
    options.add_argument("--gauges", type=int, default=20_000, help="whose charts are counted")
    options.add_argument("--years", type=int, default=2)
    options.add_argument("--seed", type=int, default=None)
    chosen = options.parse_args()
    seed = randbelow(10**6) if chosen.seed is None else chosen.seed
    say(f"seed {seed}")
    missed = 0
    for name, gauge in (("bench", Gauge()), ("gauge alone", ALONE), ("no dither", replace(ALONE, still=True))):
        together = Counted()
        for number in range(seed, seed + chosen.years):
            together.take(year(number, packs=chosen.packs, gauge=gauge, every_situation=True))
        say(f"\n{name}, {chosen.years} years: {together.verdicts} verdicts with a check")
        missed += _tell(together, asked=name == "bench")
    missed += tell_alarms(chosen.gauges, seed, (0.2, 0.5, 0.8), (60, 120))
    return 1 if missed else 0


def _tell(one: Counted, *, asked: bool) -> int:
    """Print what years came to; return how many bounds are missed. Of a gauge by itself, coverage is only told."""
    every = [held for quarter in one.held.values() for held in quarter]
    quarters = ", ".join(f"{share:.1%}" for share in one.coverage)
    missed = beside(f"coverage {sum(every) / len(every):.1%}, by quarter {quarters}", "93 to 98 %" if asked else "",
                   all(0.93 <= share <= 0.98 for share in one.coverage))  # fmt: skip
    say(f"  wrong verdicts {one.wrong}; false alarms {one.false_alarms} on {one.mornings} mornings")
    missed += beside(f"the drop in June found {one.drop_found_after} morning after it", "1", one.drop_found_after == 1)
    listed = f"{one.in_doubt} of {one.measured_after_drop} packs measured after the drop are in doubt"
    missed += beside(listed, "all", one.missed == 0 and one.in_doubt == one.measured_after_drop)
    say(f"  U {one.mean_guard(with_check=False) / 1000:.1f} -> {one.mean_guard(with_check=True) / 1000:.1f} um")
    for here in (one for one in one.inconclusive if one.with_check):
        without, with_it = one.share(here._replace(with_check=False)), one.share(here)
        truths = "normal, s a third of the range" if here.truths == "normal" else "anywhere in three ranges' width"
        say(f"  inconclusive at {here.width_nm / 1e6:.2f} mm, truths {truths}: {without:.1%} -> {with_it:.1%}")
    return missed


if __name__ == "__main__":
    sys.exit(main())
