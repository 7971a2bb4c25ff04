"""The stroke finder and the verdict against known truths: `python -m tests.load.evaluate_strokes [--quick] [--check]`.

Checks of six strokes are drawn from formulas over a grid of cells (rate, display step, noise); every other circumstance
is drawn anew for every check: travel, hold, rise, squeeze-out, bounce, drift, batching, lost bytes, a soft release with
a slow end, mounting. The true travel of a stroke is the end level of its squeeze-out, without bounce or leak. Beside
the finder stand three programs that a capable person writes in an afternoon. The maker's error and the misalignment are
left out on purpose: both are zero here, in the truth and in the budget. `pressure` is the fixture's flag, and is not
evaluated here. Streams that could hide a stroke or pass for one follow (`tests/load/hard_streams.py`), and last what
a bench in trouble makes of the numbers and of the verdict (`tests/load/troubled_levels.py`).

What the spread is held against stands in `tests/load/bounds.py`. A bound is MISSED where the figure is beyond it by
more than chance allows (one-sided 95 %: its own standard error, or the Clopper-Pearson limit of a proportion).
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import time
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import ruptures
from numpy.typing import NDArray
from scipy.signal import find_peaks, medfilt

from capture.clearance.verdict import MeasurementLimits, judge
from capture.recordings.stream import IndicatorStream, indicator_from
from capture.simulation.physics import PackPhysics
from capture.simulation.simulated_bench import BenchSpec, SimulatedBench
from capture.strokes.finder import FinderSettings, StrokeFinder
from capture.strokes.stroke import Stroke
from drivers.reading import LengthUnit, Reading
from tests.load import hard_streams, troubled_levels
from tests.load.afternoon import Guess, from_rest, max_minus_min
from tests.load.bounds import at_least, at_most, least_error

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SECOND = 1_000_000_000
RATES_HZ = (4, 10, 20, 50, 100, 1000)
#: Display steps: text, nm, unit, decimals.
STEPS: tuple[tuple[str, int, LengthUnit, int], ...] = (
    ("0.01 mm", 10_000, "mm", 2),
    ("0.0005 in", 12_700, "in", 4),
    ("0.0001 in", 2_540, "in", 4),
    ("0.001 mm", 1_000, "mm", 3),
)
NOISES = (0.0, 0.3, 1.0, 2.0)
SCENARIOS = ("plain", "tail", "batched", "bounce", "drift", "lost", "return")
#: Nothing but noise and rounding between the truth and the reading: here the spread has a bound.
UNTROUBLED = ("plain", "batched")
TROUBLES = (
    "glitch", "no_return", "base_moved", "out_of_reach", "creep", "leak", "short_hold", "sparse", "rezeroed", "gap",
)  # fmt: skip
REACH_NM = (0, 12_700_000)
STROKES, AVERAGED, TROUBLED = 6, 5, 2
METHODS = ("finder", "finder, held", "max - min", "median + peaks", "change points")

MOST_BIAS_STEPS, MOST_SPREAD, COVERED, LEAST_CELL, MOST_RISK = 0.25, 1.3, (0.93, 0.98), 0.90, 0.05
LEAST_FLAGGED, MOST_FALSE_FLAGS = 0.98, 0.01


@dataclass(frozen=True, slots=True)
class Cell:
    """One point of the grid; noise in display steps."""

    rate_hz: int
    step: int
    noise: float

    @property
    def resolution_nm(self) -> int:
        return STEPS[self.step][1]

    @property
    def noise_nm(self) -> float:
        return self.noise * self.resolution_nm

    def __str__(self) -> str:
        return f"{self.rate_hz:>4} Hz  {STEPS[self.step][0]:<9}  {self.noise:.1f}"


@dataclass(slots=True)
class TrueStroke:
    """What one stroke truly does. Times s, lengths nm."""

    apply_s: float
    release_s: float
    travel_nm: float
    rise_s: float
    fall_s: float
    tail: float = 0.0
    tail_s: float = 0.1
    bounce: float = 0.0
    bounce_hz: float = 20.0
    leak: float = 0.0
    """The part of the travel that has leaked away at the release."""
    from_nm: float = 0.0
    back_nm: float = 0.0
    """Where it came to rest."""
    late: float = 0.0
    """The part of the way back that is slow; then the valve opens softly as well."""
    late_s: float = 0.1
    trouble: str | None = None


@dataclass(slots=True)
class Wave:
    """One check as the indicator shows it, and its truth."""

    cell: Cell
    scenario: str
    clearance_nm: float
    scatter_nm: float
    strokes: list[TrueStroke]
    t_s: Floats
    counts: Ints
    batch: int = 1
    lost: Floats = field(default_factory=lambda: np.zeros(0))
    """For every byte a number from 0 to 1; those below `loss` are lost."""
    loss: float = 0.0

    @property
    def values_nm(self) -> Ints:
        return self.counts * self.cell.resolution_nm


def travel_at(t_s: Floats, strokes: Sequence[TrueStroke]) -> Floats:
    """Return the true travel, nm: a first-order rise with a squeeze-out and a bounce, a first-order return."""
    x = np.zeros_like(t_s)

    def pressed(stroke: TrueStroke, s: Floats) -> Floats:
        way = stroke.travel_nm - stroke.from_nm
        shape = (1 - stroke.tail) * (1 - np.exp(-s / stroke.rise_s)) + stroke.tail * (1 - np.exp(-s / stroke.tail_s))
        swing = stroke.bounce * np.exp(-s / 0.025) * np.sin(2 * math.pi * stroke.bounce_hz * s)
        leaking = max(0.1, stroke.release_s - stroke.apply_s - 0.3)
        gone = stroke.leak * np.clip((s - 0.3) / leaking, 0, 1)
        return np.asarray(stroke.from_nm + way * (shape + swing) - stroke.travel_nm * gone)

    ends = [stroke.apply_s for stroke in strokes[1:]] + [math.inf]
    for stroke, end_s in zip(strokes, ends, strict=True):
        held = (t_s >= stroke.apply_s) & (t_s < stroke.release_s)
        x[held] = pressed(stroke, t_s[held] - stroke.apply_s)
        top = float(pressed(stroke, np.array([stroke.release_s - stroke.apply_s]))[0])
        back = (t_s >= stroke.release_s) & (t_s < end_s)
        since = t_s[back] - stroke.release_s
        shape = np.exp(-since / stroke.fall_s)
        if stroke.late:
            u = np.clip(since / (8 * stroke.fall_s), 0, 1)
            gone = u**3 * (10 - 15 * u + 6 * u**2)
            shape = 1 - gone + stroke.late * (gone * np.exp(-since / stroke.late_s))
        x[back] = stroke.back_nm + (top - stroke.back_nm) * shape
    return x


def make_wave(cell: Cell, rng: np.random.Generator, scenario: str, trouble: str | None = None) -> Wave:
    """Draw one check; with a trouble, its third stroke has it (`out_of_reach`: all strokes)."""
    rate, step_nm, noise_nm = cell.rate_hz, cell.resolution_nm, cell.noise_nm
    least = 1_200_000 if trouble else max(150_000, 6.5 * math.hypot(noise_nm, step_nm / math.sqrt(12)))
    clearance = float(np.exp(rng.uniform(math.log(least), math.log(3_000_000))))
    scatter = float(rng.uniform(500, 4_000))
    strokes: list[TrueStroke] = []
    t = 3.0 + 4 / rate + float(rng.uniform(0, 1))
    standing = 0.0
    tail, tail_s = (float(rng.uniform(0, 0.05)), float(rng.uniform(0.05, 0.4))) if scenario == "tail" else (0.0, 0.1)
    bounce = float(rng.uniform(0.02, 0.15)) if scenario == "bounce" else 0.0
    late, late_s = (
        (float(rng.uniform(0.02, 0.12)), float(rng.uniform(0.03, 0.15))) if scenario == "return" else (0, 0.1)
    )
    for n in range(STROKES):
        stroke = TrueStroke(
            apply_s=t,
            release_s=0.0,
            travel_nm=clearance + scatter * float(rng.standard_normal()),
            rise_s=float(rng.uniform(0.01, 0.04)),
            fall_s=float(rng.uniform(0.01, 0.04)),
            tail=tail,
            tail_s=tail_s,
            bounce=bounce,
            bounce_hz=float(rng.uniform(12, 25)),
            from_nm=standing,
            late=late,
            late_s=late_s,
        )
        arrived = 5 * stroke.rise_s
        hold = max(float(rng.uniform(0.6, 2.0)), 4.5 / rate) + (float(rng.uniform(4, 7)) * tail_s if tail else 0.0)
        if trouble and (n == TROUBLED or trouble == "out_of_reach"):
            stroke.trouble = trouble
            hold = _spoil(stroke, trouble, hold, rate, rng)
        stroke.release_s = t + arrived + hold
        if trouble == "short_hold" and stroke.trouble:
            stroke.release_s = t + 2.3 * stroke.rise_s + hold
        standing = stroke.back_nm
        strokes.append(stroke)
        t = stroke.release_s + 5 * stroke.fall_s + max(float(rng.uniform(1.0, 2.0)), 6 / rate)
    count = int(t * rate)
    t_s = (np.arange(count) + rng.uniform(0, 1) + 0.02 * rng.standard_normal(count)) / rate
    return _displayed(
        cell, rng, scenario, trouble, Wave(cell, scenario, clearance, scatter, strokes, t_s, t_s.astype(int))
    )


def _spoil(stroke: TrueStroke, trouble: str, hold: float, rate: int, rng: np.random.Generator) -> float:
    """Give the stroke its trouble, if that lies in the movement or the hold; return how long to hold."""
    if trouble == "no_return":
        stroke.back_nm = float(rng.uniform(0.3, 0.55)) * stroke.travel_nm
    elif trouble == "creep":
        hold = max(1.2, 6 / rate)
        stroke.tail, stroke.tail_s = float(rng.uniform(0.2, 0.3)), hold
    elif trouble == "leak":
        hold, stroke.leak = max(2.0, 8 / rate), float(rng.uniform(0.1, 0.3))
    elif trouble == "short_hold":
        hold = float(rng.uniform(0.11, 0.15))
    elif trouble == "sparse":
        hold = 0.6
    elif trouble == "gap":
        hold = max(1.7, 8 / rate) + 2 * max(0.8, 4 / rate)
    elif trouble in ("rezeroed", "glitch"):
        hold = max(hold, 1.5, 8 / rate)
    return hold


def _displayed(cell: Cell, rng: np.random.Generator, scenario: str, trouble: str | None, wave: Wave) -> Wave:
    """Show the wave on an indicator, and let the troubles of the display and the wire happen."""
    step_nm, rate, t_s = cell.resolution_nm, cell.rate_hz, wave.t_s
    direction = int(rng.choice((-1, 1)))
    mount = float(rng.uniform(4_000_000, 8_500_000))
    if trouble == "out_of_reach":
        mount = REACH_NM[1] - 0.8 * wave.clearance_nm if direction > 0 else 0.8 * wave.clearance_nm
    stroke = wave.strokes[TROUBLED]
    plunger = mount + direction * travel_at(t_s, wave.strokes)
    if scenario == "drift":
        plunger += float(rng.uniform(-0.1, 0.1)) * step_nm * t_s
    if trouble == "base_moved":
        size = rng.choice((-1, 1)) * (rng.uniform(0.05, 0.12) * wave.clearance_nm + 8 * cell.noise_nm + 6 * step_nm)
        plunger += size * (t_s > stroke.release_s + stroke.fall_s)
    shown = np.clip(plunger, *REACH_NM) + cell.noise_nm * rng.standard_normal(len(t_s))
    counts = np.floor(shown / step_nm + 0.5).astype(np.int64)
    middle_s = (stroke.apply_s + 5 * stroke.rise_s + stroke.release_s) / 2
    at = int(np.searchsorted(t_s, middle_s))
    keep = np.ones(len(t_s), dtype=bool)
    if trouble == "glitch":
        wild = rng.uniform(0.3, 1.5) * wave.clearance_nm + 12 * cell.noise_nm + 8 * step_nm
        counts[at] += int(rng.choice((-1, 1)) * wild / step_nm)
    elif trouble == "rezeroed":
        counts[at:] -= counts[at]
    elif trouble == "gap":
        keep = np.abs(t_s - middle_s) > max(1.7, 8 / rate) / 2
    elif trouble == "sparse":
        held_s = stroke.release_s - stroke.apply_s
        inside = (t_s >= stroke.apply_s) & (t_s < stroke.release_s)
        keep = ~inside
        for part in (0.4, 0.85):
            keep[int(np.argmin(np.abs(t_s - stroke.apply_s - part * held_s)))] = True
    wave.t_s, wave.counts = t_s[keep], counts[keep]
    if scenario == "batched":
        wave.batch = int(rng.integers(2, 3 + min(6, rate // 10)))
    elif scenario == "lost":
        wave.lost = rng.uniform(0, 1, 16 * len(wave.t_s))
        wave.loss = min(0.002, 1 / (24 * rate))  # a line of sixty, or a line of two seconds
    return wave


def find(wave: Wave) -> list[Stroke]:
    """Return what the finder makes of the wave; through the wire where bytes are lost."""
    cell, times = wave.cell, np.rint(wave.t_s * SECOND).astype(np.int64).tolist()
    text, step_nm, unit, decimals = STEPS[cell.step]
    found: list[Stroke] = []
    if wave.loss:
        header = {"driver": "line", "unit": unit, "resolution": text, "range": ["0 mm", "12.7 mm"]}
        driver, settings, _ = indicator_from(header)
        stream = IndicatorStream(driver, settings)
        per_count = step_nm / (1_000_000 if unit == "mm" else 25_400_000)
        for index, (t_ns, count) in enumerate(zip(times, wave.counts.tolist(), strict=True)):
            line = f"{count * per_count:+.{decimals}f}\r\n".encode()
            lost = wave.lost[16 * index : 16 * index + len(line)] < wave.loss
            if lost.any():
                line = bytes(byte for byte, gone in zip(line, lost, strict=True) if not gone)
            found += stream.feed(t_ns, line)[1]
        return found + stream.finish(times[-1])
    finder = StrokeFinder(FinderSettings(step_nm, REACH_NM))
    known = {count: Reading(count * step_nm, unit) for count in set(wave.counts.tolist())}
    readings = [known[count] for count in wave.counts.tolist()]
    for start in range(0, len(readings), wave.batch):
        group = readings[start : start + wave.batch]
        found += finder.feed(times[start + len(group) - 1], group)
    return found + finder.finish()


# -- what a capable person writes in an afternoon ----------------------------------------------------------


def median_and_peaks(wave: Wave) -> list[Guess]:
    """A moving median of five, then scipy's find_peaks; a peak's prominence is its travel."""
    x = medfilt(from_rest(wave.t_s, wave.values_nm), 5)
    x = np.concatenate(([x[0]], x, [x[-1]]))
    apart = wave.cell.rate_hz  # a second
    peaks, shown = find_peaks(x, prominence=0.5 * max(x.max(), 1.0), distance=apart)
    return [(float(wave.t_s[at - 1]), float(way)) for at, way in zip(peaks, shown["prominences"], strict=True)]


def change_points(wave: Wave) -> list[Guess]:
    """Levels between change points (ruptures, least squares, BIC-like penalty) of the stream thinned to 25 Hz."""
    every = max(1, round(wave.cell.rate_hz / 25))
    size = len(wave.t_s) // every * every
    x = from_rest(wave.t_s, wave.values_nm)[:size].reshape(-1, every).mean(axis=1)
    t_s = wave.t_s[:size:every]
    noise = max(float(np.median(np.abs(np.diff(x)))) / 0.954, wave.cell.resolution_nm / math.sqrt(12 * every))
    ends = ruptures.KernelCPD(kernel="linear", min_size=1).fit(x[:, None]).predict(pen=3 * noise**2 * math.log(len(x)))
    levels = [(start, end, float(np.median(x[start:end]))) for start, end in pairwise([0, *ends])]
    top = max(level for *_, level in levels)
    rest, held, found = (0, 0, 0.0), (0, 0, 0.0), []  # the longest of each so far: readings, where, level
    for start, end, level in [*levels, (len(x), len(x), -math.inf)]:
        if level > top / 2:
            held = max(held, (end - start, start, level))
            continue
        if held[0]:
            found.append((float(t_s[held[1]]), held[2] - rest[2]))
            rest, held = (0, 0, 0.0), (0, 0, 0.0)
        rest = max(rest, (end - start, start, level))
    return found


BASELINES: dict[str, Callable[[Wave], list[Guess]]] = {
    "max - min": lambda wave: max_minus_min(wave.t_s, wave.values_nm),
    "median + peaks": median_and_peaks,
    "change points": change_points,
}

# -- one check, scored -------------------------------------------------------------------------------------


Find = tuple[tuple[float, float], float, bool, int | None, int | None]
"""From when to when, s; the travel, nm; whether it counts; what rounding leaves in it and how sure what was inferred
of it is, nm, if that is known."""


@dataclass(slots=True)
class Score:
    """One check by one method. Lengths nm."""

    scenario: str
    strokes: int
    missed: int
    false: int
    errors: list[float]
    """Of every counted stroke against its own truth."""
    bounds: list[float]
    """The least mean square error of each of these."""
    mean_error: float | None = None
    """Of the mean of five against the mean of their truths."""
    covered: bool | None = None
    verdicts: list[tuple[str, bool]] = field(default_factory=list)
    """The word, and whether the pack was truly as the word says (inconclusive: always)."""
    outside: int = 0


def bound_of(wave: Wave, stroke: TrueStroke, since_s: float) -> float:
    held = np.count_nonzero((wave.t_s >= stroke.apply_s + 5 * stroke.rise_s) & (wave.t_s < stroke.release_s))
    second = max(1.0, 8 / wave.cell.rate_hz)
    rested = np.count_nonzero((wave.t_s < stroke.apply_s) & (wave.t_s >= max(since_s, stroke.apply_s - second)))
    return least_error(wave.cell.noise_nm, wave.cell.resolution_nm, int(held), int(rested))


def match(wave: Wave, spans_s: Sequence[tuple[float, float]]) -> list[int | None]:
    """Return for each span the true stroke it overlaps first, None for a false one (or a second of the same)."""
    slack = 0.3 + 1.5 * wave.batch / wave.cell.rate_hz
    taken: set[int] = set()
    matched: list[int | None] = []
    for start_s, end_s in spans_s:
        for index, stroke in enumerate(wave.strokes):
            if index not in taken and start_s <= stroke.release_s + slack and end_s >= stroke.apply_s - 0.3:
                taken.add(index)
                matched.append(index)
                break
        else:
            matched.append(None)
    return matched


def promised(wave: Wave, stroke: TrueStroke) -> bool:
    """Say whether this stroke must be found: six times the noise, and four readings of the hold that arrived whole."""
    held = np.flatnonzero((wave.t_s >= stroke.apply_s + 5 * stroke.rise_s) & (wave.t_s < stroke.release_s))
    if wave.loss:
        held = held[[not (wave.lost[16 * at : 16 * at + 12] < wave.loss).any() for at in held.tolist()]]
    noise = math.hypot(wave.cell.noise_nm, wave.cell.resolution_nm / math.sqrt(12))
    return stroke.travel_nm >= 6 * noise and len(held) >= 4


def span(stroke: Stroke) -> tuple[float, float]:
    return stroke.start_ns / SECOND, stroke.end_ns / SECOND


def score(wave: Wave, finds: Sequence[Find], rng: np.random.Generator) -> Score:
    """Score what was found in one check without a trouble."""
    matched = match(wave, [at for at, *_ in finds])
    hits = [
        (index, travel, left, inferred)
        for index, (_, travel, good, left, inferred) in zip(matched, finds, strict=True)
        if index is not None and good
    ]
    ends = [0.0] + [stroke.release_s + 5 * stroke.fall_s for stroke in wave.strokes]
    result = Score(
        scenario=wave.scenario,
        strokes=len(wave.strokes),
        missed=sum(index not in matched and promised(wave, true) for index, true in enumerate(wave.strokes)),
        false=matched.count(None),
        errors=[travel - wave.strokes[index].travel_nm for index, travel, *_ in hits],
        bounds=[bound_of(wave, wave.strokes[index], ends[index]) for index, *_ in hits],
    )
    five = hits[:AVERAGED]
    if len(five) < AVERAGED:
        return result
    result.mean_error = float(np.mean(result.errors[:AVERAGED]))
    travels = [round(travel) for _, travel, *_ in five]
    left, inferred = [rounding for *_, rounding, _ in five], [nm for *_, nm in five]
    limits, truth = MeasurementLimits(wave.cell.resolution_nm), wave.clearance_nm
    verdict = judge(travels, 0, 10**8, limits, left, inferred_nm=inferred)
    assert verdict is not None
    result.covered = abs(verdict.mean_nm - truth) <= verdict.expanded_uncertainty_nm
    usual = math.sqrt(limits.resolution_nm**2 / 6 + wave.scatter_nm**2 / AVERAGED + result.bounds[0] / AVERAGED)
    for _ in range(4):
        width, beyond, side = rng.uniform(15, 40) * usual, rng.uniform(-4, 4) * usual, rng.choice((0, 1))
        low = truth + beyond if side else truth - beyond - width
        verdict = judge(travels, round(low), round(low + width), limits, left, inferred_nm=inferred)
        assert verdict is not None
        truly = "tight" if truth < low else "loose" if truth > low + width else "good"
        result.outside += truly != "good"
        result.verdicts.append((verdict.verdict, verdict.verdict in (truly, "inconclusive")))
    return result


# -- the whole evaluation ----------------------------------------------------------------------------------


@dataclass(slots=True)
class Flags:
    """Per flag: troubled strokes and those flagged, strokes without and those flagged, and next to a trouble."""

    troubled: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    hit: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    clean: int = 0
    false: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    beside: int = 0
    false_beside: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    missed_at: dict[str, list[str]] = field(default_factory=lambda: defaultdict(list))
    false_at: dict[str, list[str]] = field(default_factory=lambda: defaultdict(list))

    def take(self, wave: Wave, strokes: Sequence[Stroke], trouble: str | None) -> None:
        """Count the flags of one check."""
        matched = match(wave, [span(stroke) for stroke in strokes])
        by_index = {index: stroke for index, stroke in zip(matched, strokes, strict=True) if index is not None}
        for index, true in enumerate(wave.strokes):
            flags = by_index[index].flags if index in by_index else ()
            if true.trouble:
                self.troubled[true.trouble] += 1
                self.hit[true.trouble] += true.trouble in flags
                if true.trouble not in flags:
                    self.missed_at[true.trouble].append(f"{wave.cell}: {','.join(flags) or '-'}")
                continue
            beside = trouble is not None and index == TROUBLED + 1
            self.beside += beside
            self.clean += not beside
            for flag in flags:
                # A lost byte is a wild reading or a missing one: nothing false about saying so.
                if not (wave.scenario == "lost" and flag == "glitch"):
                    (self.false_beside if beside else self.false)[flag] += 1
                    self.false_at[flag].append(f"{wave.cell} {wave.scenario} {trouble or ''}{'+1' if beside else ''}")


@dataclass(slots=True)
class Evaluation:
    """Every score, by cell and method."""

    scores: dict[str, dict[str, list[tuple[Cell, Score]]]] = field(default_factory=dict)
    flags: Flags = field(default_factory=Flags)

    def add(self, cell: Cell, method: str, result: Score) -> None:
        self.scores.setdefault(str(cell), {}).setdefault(method, []).append((cell, result))

    def of(
        self, method: str, keep: Callable[[Cell, Score], bool] = lambda cell, result: True
    ) -> list[tuple[Cell, Score]]:
        return [pair for cell in self.scores.values() for pair in cell.get(method, []) if keep(*pair)]


def grid(cells: int | None) -> list[Cell]:
    """Return the grid, or `cells` of it spread evenly."""
    whole = [Cell(rate, step, noise) for rate in RATES_HZ for step in range(len(STEPS)) for noise in NOISES]
    if cells is None or cells >= len(whole):
        return whole
    # 37 shares no factor with the size of the grid: every prefix mixes rates, steps and noises.
    return sorted((whole[index * 37 % len(whole)] for index in range(cells)), key=whole.index)


def evaluate(cells: Sequence[Cell], checks: int, troubled: int, seed: int, benches: int = 0) -> Evaluation:
    """Draw `checks` checks a cell and `troubled` more a trouble (where the noise lets it show), and score all."""
    result = Evaluation()
    for cell in cells:
        # A generator a cell: what one cell draws does not depend on which others are run.
        rng = np.random.default_rng([seed, cell.rate_hz, cell.step, round(10 * cell.noise)])
        for number in range(max(1, checks // 2) if cell.rate_hz >= 1000 else checks):
            wave = make_wave(cell, rng, SCENARIOS[number % len(SCENARIOS)])
            strokes = find(wave)
            result.flags.take(wave, strokes, None)
            limits_seed = int(rng.integers(2**31))

            def scored(finds: Sequence[Find], wave: Wave = wave, draw: int = limits_seed) -> Score:
                return score(wave, finds, np.random.default_rng(draw))

            peak = [(span(s), float(s.peak_travel_nm), s.accepted, s.rounding_nm, s.inferred_nm) for s in strokes]
            held = [(span(s), float(s.held_travel_nm), s.accepted, s.rounding_nm, s.inferred_nm) for s in strokes]
            result.add(cell, "finder", scored(peak))
            result.add(cell, "finder, held", scored(held))
            for name, baseline in BASELINES.items():
                result.add(cell, name, scored([((at, at), travel, True, None, None) for at, travel in baseline(wave)]))
        if cell.noise <= 0.3:
            for trouble in TROUBLES:
                # Below 20 Hz a short hold is a reading or two: nobody can tell how long it was.
                if trouble == "short_hold" and cell.rate_hz < 20:
                    continue
                for _ in range(troubled):
                    wave = make_wave(cell, rng, "plain", trouble)
                    result.flags.take(wave, find(wave), trouble)
    for number in range(benches):
        _simulated(result, seed + number)
    return result


def _simulated(result: Evaluation, seed: int) -> None:
    """One check of the bench in software, whose physics are not the formulas above."""
    spec = BenchSpec()
    spec = replace(spec, indicator=replace(spec.indicator, rate_hz=20.0))
    clearance = 600_000 + (seed * 137_911) % 900_000
    bench = SimulatedBench(spec, PackPhysics(clearance_nm=clearance), seed)
    header = {"driver": "line", "unit": "mm", "resolution": "0.01 mm", "range": ["0 mm", "12.7 mm"]}
    driver, settings, _ = indicator_from(header)
    stream = IndicatorStream(driver, settings)
    found: list[Stroke] = []
    for t_ns, data in bench.check(PackPhysics(clearance_nm=clearance), STROKES, seated=True):
        found += stream.feed(t_ns, data)[1]
    found += stream.finish(bench.t_ns)
    strokes = [
        TrueStroke(true.start_ns / SECOND, true.release_ns / SECOND, true.true_travel_nm, 0.03, 0.03)
        for true in bench.truths
    ]
    cell = Cell(20, 0, spec.indicator.noise_nm / 10_000)
    t_s = np.arange(bench.t_ns / SECOND * 20) / 20
    wave = Wave(cell, "bench", clearance, spec.spread_nm, strokes, t_s, np.zeros(len(t_s), dtype=np.int64))
    finds = [(span(s), float(s.peak_travel_nm), s.accepted, s.rounding_nm, s.inferred_nm) for s in found]
    result.add(cell, "finder", score(wave, finds, np.random.default_rng(seed)))


def figures(pairs: Sequence[tuple[Cell, Score]]) -> dict[str, float]:
    """Return the figures of these scores; bias and spread in display steps, `_se` their standard errors."""
    scores = [result for _, result in pairs]
    biases = np.array([s.mean_error / c.resolution_nm for c, s in pairs if s.mean_error is not None])
    errors = np.concatenate([np.array(s.errors) / c.resolution_nm for c, s in pairs] or [np.zeros(0)])
    calm = [
        (np.mean(np.square(s.errors)), np.mean(s.bounds)) for _, s in pairs if s.scenario in UNTROUBLED and s.errors
    ]
    squares, bounds = np.array([a for a, _ in calm]), np.array([b for _, b in calm])
    ratio = math.sqrt(float(np.mean(squares / bounds))) if len(calm) else math.nan
    ratio_se = (
        float(np.std(squares / bounds, ddof=1)) / math.sqrt(len(calm)) / (2 * ratio) if len(calm) > 1 else math.nan
    )
    covered = [s.covered for s in scores if s.covered is not None]
    words = [verdict for s in scores for verdict in s.verdicts]
    good, off = [ok for word, ok in words if word == "good"], [ok for word, ok in words if word in ("tight", "loose")]
    strokes = sum(s.strokes for s in scores)
    return {
        "checks": len(scores),
        "strokes": strokes,
        "missed": sum(s.missed for s in scores),
        "false": sum(s.false for s in scores),
        "not_counted": strokes - sum(s.missed for s in scores) - sum(len(s.errors) for s in scores),
        "bias": float(biases.mean()) if len(biases) else math.nan,
        "bias_se": float(biases.std(ddof=1)) / math.sqrt(len(biases)) if len(biases) > 1 else math.nan,
        "spread": float(np.sqrt(np.mean(errors**2))) if len(errors) else math.nan,
        "ratio": ratio,
        "ratio_se": ratio_se,
        "judged": len(covered),
        "covered": sum(covered),
        "good": len(good),
        "good_wrong": good.count(False),
        "outside": sum(s.outside for s in scores),
        "off": len(off),
        "off_wrong": off.count(False),
        "inconclusive": sum(word == "inconclusive" for word, _ in words),
    }


def missed_bounds(f: dict[str, float], total: bool = False) -> list[str]:
    """Return the names of the bounds these figures miss."""
    missed = [name for name in ("missed", "false") if f[name]]
    if abs(f["bias"]) - 1.645 * f["bias_se"] >= MOST_BIAS_STEPS:
        missed.append("bias")
    if f["ratio"] - 1.645 * f["ratio_se"] > MOST_SPREAD:
        missed.append("spread")
    judged, covered = int(f["judged"]), int(f["covered"])
    if judged and at_most(covered, judged) < (COVERED[0] if total else LEAST_CELL):
        missed.append("coverage low")
    if judged and total and at_least(covered, judged) > COVERED[1]:
        missed.append("coverage high")
    if f["good"] and at_least(int(f["good_wrong"]), int(f["good"])) > MOST_RISK:
        missed.append("good outside")
    return missed


HEADER = (
    f"{'':<30}{'strokes':>8}{'missed':>7}{'false':>6}{'uncnt':>6}{'bias/d':>8}{'+-':>6}{'rms/d':>7}{'/bound':>7}"
    f"{'cover':>7}{'good!':>7}{'off!':>7}{'undec':>7}"
)


def row(name: str, f: dict[str, float], missed: Sequence[str] = ()) -> str:
    """Return one line of the table."""

    def share(hits: str, of: str) -> str:
        return f"{100 * f[hits] / f[of]:.1f}" if f[of] else "-"

    all_verdicts = {**f, "all": f["good"] + f["off"] + f["inconclusive"]}
    undecided = 100 * f["inconclusive"] / all_verdicts["all"] if all_verdicts["all"] else math.nan
    return (
        f"{name:<30}{f['strokes']:>8.0f}{f['missed']:>7.0f}{f['false']:>6.0f}{f['not_counted']:>6.0f}{f['bias']:>8.3f}"
        f"{f['bias_se']:>6.3f}{f['spread']:>7.2f}{f['ratio']:>7.2f}{share('covered', 'judged'):>7}"
        f"{share('good_wrong', 'good'):>7}{share('off_wrong', 'off'):>7}{undecided:>7.1f}"
        + (f"  MISSED {', '.join(missed)}" if missed else "")
    )


def report(result: Evaluation, write: Callable[[str], object]) -> dict[str, Any]:
    """Write the tables; return all figures, and under `missed` each bound that was."""
    missed: list[str] = []
    out: dict[str, Any] = {"cells": {}, "groups": {}, "total": {}, "flags": {}, "missed": missed}
    write(HEADER + "\n")
    for name, methods in result.scores.items():
        f = figures(methods["finder"])
        beyond = missed_bounds(f)
        missed += [f"{name}: {bound}" for bound in beyond]
        out["cells"][name] = {method: figures(pairs) for method, pairs in methods.items()}
        write(row(name, f, beyond) + "\n")
    groups: list[tuple[str, Callable[[Cell, Score], bool]]] = [
        *((scenario, lambda c, s, k=scenario: s.scenario == k) for scenario in (*SCENARIOS, "bench")),
        *((f"{rate} Hz", lambda c, s, k=rate: c.rate_hz == k) for rate in RATES_HZ),
        *((STEPS[step][0], lambda c, s, k=step: c.step == k) for step in range(len(STEPS))),
        *((f"noise {noise} d", lambda c, s, k=noise: c.noise == k) for noise in NOISES),
    ]
    for name, keep in groups:
        write("\n" if name in ("plain", "4 Hz", STEPS[0][0], f"noise {NOISES[0]} d") else "")
        for method in METHODS:
            if pairs := result.of(method, keep):
                f = figures(pairs)
                out["groups"].setdefault(name, {})[method] = f
                write(row(f"{name}: {method}", f) + "\n")
    write("\n")
    for method in METHODS:
        if pairs := result.of(method):
            f = out["total"][method] = figures(pairs)
            beyond = missed_bounds(f, total=True)
            missed += [f"total: {bound}" for bound in beyond] if method == "finder" else []
            write(row(f"TOTAL: {method}", f, beyond) + "\n")
    flags = result.flags
    write(f"\n{'flag':<14}{'troubled':>9}{'flagged %':>10}{'clean':>8}{'false %':>9}{'beside':>8}{'false %':>9}\n")
    for flag in TROUBLES:
        troubled, hit, false, beside = (
            flags.troubled[flag],
            flags.hit[flag],
            flags.false[flag],
            flags.false_beside[flag],
        )
        beyond = []
        if troubled and at_most(hit, troubled) < LEAST_FLAGGED:
            beyond.append("not flagged")
        if flags.clean and at_least(false, flags.clean) > MOST_FALSE_FLAGS:
            beyond.append("false flags")
        missed += [f"{flag}: {bound}" for bound in beyond]
        out["flags"][flag] = {
            "troubled": troubled, "hit": hit, "clean": flags.clean, "false": false, "beside": flags.beside,
            "false_beside": beside, "missed_at": flags.missed_at[flag], "false_at": flags.false_at[flag],
        }  # fmt: skip
        rate = f"{100 * hit / troubled:.1f}" if troubled else "-"
        write(
            f"{flag:<14}{troubled:>9}{rate:>10}{flags.clean:>8}{100 * false / max(1, flags.clean):>9.2f}"
            f"{flags.beside:>8}{100 * beside / max(1, flags.beside):>9.2f}"
            + (f"  MISSED {', '.join(beyond)}" if beyond else "")
            + "\n"
        )
    write(f"\n{len(missed)} bounds missed{': ' if missed else ''}{'; '.join(missed)}\n")
    return out


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the evaluation; return 1 if `--check` was asked and a bound was missed."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--quick", action="store_true", help="a few cells and checks, to see that it works")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--cells", type=int, help="only so many cells of the grid, spread evenly")
    parser.add_argument("--checks", type=int, help="checks a cell (half as many at 1000 Hz)")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write all figures there")
    parser.add_argument("--check", action="store_true", help="exit with 1 if a bound is missed")
    options = parser.parse_args(arguments)
    began = time.perf_counter()
    cells = grid(options.cells or (6 if options.quick else None))
    checks = options.checks or (7 if options.quick else 42)
    result = evaluate(cells, checks, 1 if options.quick else 4, options.seed, benches=1 if options.quick else 12)
    out = report(result, sys.stdout.write)
    out["missed"] += hard_streams.report(10 if options.quick else 300, options.seed, sys.stdout.write)
    out["troubles"] = troubled_levels.measure(4 if options.quick else 100, options.seed)
    out["missed"] += troubled_levels.report(out["troubles"], sys.stdout.write)
    missed = out["missed"]
    sys.stdout.write(f"\n{len(missed)} bounds missed in all{': ' if missed else ''}{'; '.join(missed)}\n")
    sys.stdout.write(f"{time.perf_counter() - began:.0f} s, seed {options.seed}\n")
    if options.json:
        options.json.write_text(json.dumps(out, indent=1), encoding="utf-8")
    return 1 if options.check and out["missed"] else 0


if __name__ == "__main__":
    sys.exit(main())
