"""Strokes whose oil is slow to be squeezed out or to come home: `python -m tests.load.slow_streams [--checks N]`.

Each check has six strokes of one travel and is judged with an indicator that is perfect, so that only what the strokes
themselves say is in the uncertainty. It counts how often that holds the truth.

    return      3 % of the travel comes back with a time constant of 0.6 s, 0.7 to 1.6 s between strokes, 1 um
    hurried     the same with 0.5 to 1.1 s between strokes, 1 um and 0.0001 in
    squeeze     3 % of the travel is squeezed out with a time constant of 0.6 s, held for 0.35 to 0.6 s
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from capture.clearance.verdict import MeasurementLimits, judge
from capture.strokes.finder import FinderSettings, StrokeFinder
from capture.strokes.stroke import Stroke
from drivers.reading import Reading

__all__ = ["SLOW", "SlowCheck", "SlowTally", "draw", "found_in", "tallied"]

SLOW = ("return", "squeeze", "hurried")
STROKES = 6
SECOND = 1_000_000_000


@dataclass(slots=True)
class SlowCheck:
    """One check as displayed, and its true travel, nm."""

    resolution_nm: int
    travel_nm: float
    times_ns: list[int]
    values_nm: list[int]


@dataclass(slots=True)
class SlowTally:
    """What was made of the checks. Lengths nm."""

    checks: int
    strokes: int
    found: int
    counted: int
    bias_steps: float
    """Mean error of the strokes that count, in display steps."""
    judged: int
    covered: float
    """Part of the judged checks whose interval holds the truth."""
    expanded_nm: float
    """Mean half-width of that interval."""


def draw(trouble: str, rng: np.random.Generator) -> SlowCheck:
    """Draw one check."""
    rate = float(rng.choice([10, 20, 50, 100]))
    step = int(rng.choice({"return": [1_000], "hurried": [1_000, 2_540]}.get(trouble, [1_000, 10_000, 2_540])))
    travel = float(rng.uniform(0.6e6, 2.4e6))
    noise = float(rng.uniform(0.3, 1.0)) * min(step, 2_540)
    quick = float(rng.uniform(0.008, 0.03))
    part, slow = float(rng.uniform(0.025, 0.035)), float(rng.uniform(0.45, 0.75))
    back, out = (0.0, part) if trouble == "squeeze" else (part, 0.0)
    t = float(rng.uniform(2.5, 3.5))
    strokes = []
    for _ in range(STROKES):
        hold = rng.uniform(0.35, 0.6) if trouble == "squeeze" else rng.uniform(0.9, 1.6)
        rest = rng.uniform(*{"return": (0.7, 1.6), "hurried": (0.5, 1.1)}.get(trouble, (1.0, 1.8)))
        strokes.append((t, t + float(hold)))
        t += float(hold + rest)
    times = (np.arange(int((t + 0.5) * rate)) + rng.uniform(0, 1)) / rate
    times = times + 0.02 / rate * rng.standard_normal(len(times))
    x, at = np.zeros(len(times)), 0.0
    for (apply_s, release_s), end in zip(strokes, [*(s for s, _ in strokes[1:]), math.inf], strict=True):
        held = (times >= apply_s) & (times < release_s)
        x[held] = travel - (travel - at) * _left(times[held] - apply_s, out, quick, slow)
        top = travel - (travel - at) * float(_left(np.array([release_s - apply_s]), out, quick, slow)[0])
        gone = (times >= release_s) & (times < end)
        x[gone] = top * _left(times[gone] - release_s, back, quick, slow)
        if end < math.inf:
            at = top * float(_left(np.array([end - release_s]), back, quick, slow)[0])
    way = int(rng.choice((-1, 1)))
    shown = rng.uniform(3e6, 8e6) + way * x + noise * rng.standard_normal(len(times))
    values = (np.rint(shown / step) * step).astype(np.int64)
    return SlowCheck(step, travel, np.rint(times * SECOND).astype(np.int64).tolist(), values.tolist())


def _left(since_s: np.ndarray, part: float, quick_s: float, slow_s: float) -> np.ndarray:  # type: ignore[type-arg]
    """Return what is left of a way of which a part is slow."""
    return np.asarray((1 - part) * np.exp(-since_s / quick_s) + part * np.exp(-since_s / slow_s))


def found_in(check: SlowCheck) -> list[Stroke]:
    """Return the strokes that are found in a check."""
    finder = StrokeFinder(FinderSettings(check.resolution_nm))
    found: list[Stroke] = []
    for t_ns, value in zip(check.times_ns, check.values_nm, strict=True):
        found += finder.feed(t_ns, [Reading(value, "mm")])
    return found + finder.finish()


def _checks(trouble: str, checks: int, seed: int) -> Iterator[SlowCheck]:
    for number in range(checks):
        yield draw(trouble, np.random.default_rng([seed, SLOW.index(trouble), number]))


def tallied(trouble: str, checks: int, seed: int = 11) -> SlowTally:
    """Find and judge so many checks."""
    errors: list[float] = []
    found = judged = covered = 0
    expanded = 0.0
    for check in _checks(trouble, checks, seed):
        strokes = found_in(check)
        found += len(strokes)
        counted = [stroke for stroke in strokes if stroke.accepted]
        errors += [(stroke.peak_travel_nm - check.travel_nm) / check.resolution_nm for stroke in counted]
        verdict = judge(
            [stroke.peak_travel_nm for stroke in counted],
            0,
            10_000_000,
            MeasurementLimits(check.resolution_nm),
            [stroke.rounding_nm for stroke in counted],
            inferred_nm=[stroke.inferred_nm for stroke in counted],
        )
        if verdict is not None:
            judged += 1
            covered += abs(verdict.mean_nm - check.travel_nm) <= verdict.expanded_uncertainty_nm
            expanded += verdict.expanded_uncertainty_nm
    return SlowTally(
        checks=checks,
        strokes=checks * STROKES,
        found=found,
        counted=len(errors),
        bias_steps=sum(errors) / len(errors) if errors else 0.0,
        judged=judged,
        covered=covered / judged if judged else 1.0,
        expanded_nm=expanded / judged if judged else 0.0,
    )


def main() -> int:
    """Print a line for each trouble."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--checks", type=int, default=200)
    parser.add_argument("--seed", type=int, default=11)
    options = parser.parse_args()
    for trouble in SLOW:
        one = tallied(trouble, options.checks, options.seed)
        sys.stdout.write(
            f"{trouble:<8} found {one.found}/{one.strokes}, counted {one.counted}, bias {one.bias_steps:+.2f} steps, "
            f"coverage {one.covered:.3f} of {one.judged}, U {one.expanded_nm / 1_000:.1f} um\n"
        )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
