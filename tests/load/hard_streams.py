"""Streams with a trouble that could hide a stroke, or pass for one: `python -m tests.load.hard_streams [--checks N]`.

Each trouble draws whole checks of six strokes; a check counts how many strokes it truly had, how many of those were
found, how many were found that were none, and how many that count (no spoiling flag) are off by more than a twentieth
of their travel and three display steps.

    moved       the indicator is moved or re-set at rest, once or twice a check, by 0.12 to 8 mm, either way
    air on      the check begins while the air is on, which is released after a while: by a fixture, whose word comes
                before or after the reading that shows it, or by hand, with an indicator that was zeroed at rest
    begun held  the same by hand and not zeroed, as a recording of it is measured: the shape of all its readings tells
    unlike      that, with dwells of 0.3 to 4 s, short against the way, and apply and return as unlike as 20 to 800 ms
    small       0.1 mm of travel with noise of 2 to 4 um, ten readings a second
    wander      the level wanders by 20 to 40 um while the pack rests and is held, display 0.01 mm
    vibration   25 to 50 Hz of 20 to 40 um, display 0.01 mm
    brief       holds of 0.10 to 0.20 s, five to ten readings a second: found, or no reading fell into them
    no hold     pushed and let go at once, half a sine or a lean triangle, 1 to 36 mm, a hundred readings a second
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from capture.strokes.finder import FinderSettings, StrokeFinder
from capture.strokes.machine import Notice
from capture.strokes.stroke import Stroke
from drivers.reading import Reading

__all__ = ["TROUBLES", "HardStream", "Tally", "draw", "found_in", "report", "tally"]

TROUBLES = ("moved", "air on", "small", "wander", "vibration", "brief", "no hold", "begun held", "unlike")
STROKES = 6
SECOND = 1_000_000_000


@dataclass(slots=True)
class HardStream:
    """One check as displayed, and the strokes it truly has, as (apply s, release s, travel nm)."""

    resolution_nm: int
    times_ns: list[int]
    values_nm: list[int]
    strokes: list[tuple[float, float, float]]
    unseen: int = 0
    """How many strokes no reading shows."""
    moves_s: list[float] = field(default_factory=list)
    """When the indicator was moved."""
    air: list[tuple[int, bool]] = field(default_factory=list)
    """When a fixture says that it gave or took air, ns."""
    clearance_nm: float = 0.0
    """What the strokes scatter about."""
    noise_nm: float = 0.0


@dataclass(slots=True)
class Tally:
    """What was made of the checks with one trouble."""

    strokes: int = 0
    lost: int = 0
    false: int = 0
    counted: int = 0
    off: int = 0

    def __str__(self) -> str:
        return f"{self.strokes:>7}{self.lost:>6}{self.false:>6}{self.counted:>8}{self.off:>5}"


def _travel(t_s: NDArray[np.float64], strokes: list[tuple[float, float, float]], tau_s: float) -> NDArray[np.float64]:
    x = np.zeros_like(t_s)
    for apply_s, release_s, travel in strokes:
        x += np.where(t_s >= apply_s, travel * (1 - np.exp(-np.clip(t_s - apply_s, 0, None) / tau_s)), 0)
        x -= np.where(t_s >= release_s, travel * (1 - np.exp(-np.clip(t_s - release_s, 0, None) / tau_s)), 0)
    return x


def draw(trouble: str, rng: np.random.Generator) -> HardStream:
    """Draw one check with this trouble."""
    if trouble == "unlike":
        return draw_unlike(rng, True)
    uniform = rng.uniform
    rate = float({"small": 10, "brief": uniform(5, 10), "no hold": 100}.get(trouble, rng.choice((10, 20, 50, 100))))
    step = int(
        {"small": 1_000, "wander": 10_000, "vibration": 10_000}.get(trouble, rng.choice((1_000, 2_540, 10_000, 12_700)))
    )
    travel = {"small": 100_000.0, "no hold": 10 ** uniform(6, 7.55)}.get(trouble, 10 ** uniform(5.6, 6.4))
    noise = {"small": uniform(2_000, 4_000), "vibration": 500.0, "wander": 500.0}.get(trouble, uniform(0, 0.7) * step)
    tau_s = uniform(0.01, 0.04)
    strokes, t = [], uniform(2.0, 4.0) + 6 / rate
    for _ in range(STROKES):
        hold = max(uniform(0.5, 2.5), 7 / rate)
        if trouble == "brief":
            hold = uniform(0.10, 0.20)
        elif trouble == "no hold":
            hold = uniform(0.25, 1.2)
        strokes.append((t, t + hold, travel * (1 + 0.004 * rng.standard_normal())))
        t += hold + max(uniform(1.0, 3.0), 9 / rate)
    times = np.arange(0, t, 1 / rate) + uniform(0, 1 / rate)
    times = times + 0.03 / rate * rng.standard_normal(len(times)).clip(-3, 3)
    moves: list[float] = []
    if trouble == "no hold":
        x = np.zeros_like(times)
        lean = uniform(0.3, 0.7)
        for apply_s, release_s, way in strokes:
            u = (times - apply_s) / (release_s - apply_s)
            inside = (u > 0) & (u < 1)
            shape = np.sin(math.pi * u) if rng.random() < 0.5 else np.minimum(u / lean, (1 - u) / (1 - lean))
            x += np.where(inside, way * shape, 0)
    else:
        x = _travel(times, strokes, tau_s)
    if trouble == "moved":
        for _ in range(int(rng.integers(1, 3))):
            after = int(rng.integers(0, STROKES - 1))
            gap_s = strokes[after][1] + 0.25, strokes[after + 1][0] - 0.25
            at = uniform(0.3, 0.7) * (gap_s[1] - gap_s[0]) + gap_s[0]
            by = rng.choice((-1, 1)) * 10 ** uniform(5.1, 6.9)
            # In one go, or by hand in up to a fifth of a second.
            x += by * np.clip((times - at) / rng.choice((1e-6, 0.05, 0.2)), 0, 1)
            moves.append(at)
    elif trouble in ("air on", "begun held"):
        off_s = uniform(0.35, strokes[0][0] - 0.6)
        x += travel * np.where(times < off_s, 1, np.exp(-np.clip(times - off_s, 0, None) / tau_s))
    elif trouble == "wander":
        size = uniform(20_000, 40_000)
        for _ in range(5):
            x += size / 4 * np.sin(2 * math.pi * (uniform(0.03, 1.5) * times + uniform(0, 1)))
    elif trouble == "vibration":
        x += uniform(20_000, 40_000) * np.sin(2 * math.pi * (uniform(25, 50) * times + uniform(0, 1)))
    rest, air = uniform(3e6, 9e6), []
    if trouble == "air on" and rng.random() < 0.5:
        rest = 0.0
    elif trouble == "air on":
        # Whether it says at once that its valve is open, or speaks only when it moves it.
        late_s = uniform(-0.1, 0.15)
        words = [(0.0, True)] if rng.random() < 0.5 else []
        words += [(off_s + late_s, False)]
        words += [(at + late_s, given) for a, r, _ in strokes for at, given in ((a, True), (r, False))]
        air = [(round(at * SECOND), given) for at, given in words]
    shown = rest + rng.choice((-1, 1)) * x + noise * rng.standard_normal(len(times))
    values = np.floor(shown / step + 0.5).astype(np.int64) * step
    unseen = sum(
        not np.any((times > a + 2 * tau_s) & (times < r + 0.3 * tau_s)) for a, r, _ in strokes if trouble == "brief"
    )
    shown_ns = np.rint(times * SECOND).astype(np.int64).tolist()
    return HardStream(step, shown_ns, values.tolist(), strokes, int(unseen), moves, air, travel, noise)


def draw_unlike(rng: np.random.Generator, air_on: bool) -> HardStream:
    """Draw a check by hand whose apply and return, holds and pauses, and noise at either level are of any kind, each,
    and that begins while the air is on, or not."""
    uniform = rng.uniform

    def size(low: float, high: float) -> float:
        return math.exp(uniform(math.log(low), math.log(high)))

    rate, step = float(rng.choice((10, 20, 50, 100, 200))), int(rng.choice((500, 1_000, 2_540, 10_000)))
    taus_s = {True: size(0.02, 0.4), False: size(0.02, 0.8)}
    stays_s, noises_nm = ({True: size(low, high), False: size(low, high)} for low, high in ((0.3, 4), (100, 3_000)))
    late = {True: (uniform(0.01, 0.04), uniform(0.2, 0.8)), False: (uniform(0.01, 0.03), uniform(0.2, 0.8))}
    late = {
        way: some if rng.random() < likely else (0.0, 1.0)
        for (way, some), likely in zip(late.items(), (0.5, 0.25), strict=True)
    }
    travel = size(400_000, 2_500_000)
    scatters_nm = {True: travel * size(0.0005, 0.006)}
    scatters_nm[False] = scatters_nm[True] * uniform(0, 0.3)

    def stood(out: bool) -> float:
        return (travel if out else 0.0) + scatters_nm[out] * rng.standard_normal()

    def stays(out: bool) -> float:
        return max(stays_s[out] * size(0.6, 1.7), 5 * taus_s[out], 6 / rate, 0.3)

    t = uniform(0.35, 4) + 4 / rate
    moves, strokes = [(-100.0, stood(air_on), air_on)], []
    for number in range(0 if air_on else 1, 2 * STROKES + 1):
        out = number % 2 == 1
        moves.append((t, stood(out), out))
        if out:
            strokes.append((t, 0.0, moves[-1][1]))
        elif strokes:
            strokes[-1] = (strokes[-1][0], t, strokes[-1][2])
        t += stays(out)
    times = np.arange(0, t, 1 / rate) + uniform(0, 1 / rate)
    times = times + 0.03 / rate * rng.standard_normal(len(times)).clip(-3, 3)
    x, noise = np.full_like(times, moves[0][1]), np.full_like(times, noises_nm[air_on])
    for at_s, level, out in moves[1:]:
        after = times >= at_s
        since, (part, late_s) = times[after] - at_s, late[out]
        left = (1 - part) * np.exp(-since / taus_s[out]) + part * np.exp(-since / late_s)
        x[after] = level + (np.interp(at_s, times, x) - level) * left
        noise[after] = noises_nm[out]
    shown = uniform(3e6, 9e6) + rng.choice((-1, 1)) * x + noise * rng.standard_normal(len(times))
    values = np.floor(shown / step + 0.5).astype(np.int64) * step
    return HardStream(step, np.rint(times * SECOND).astype(np.int64).tolist(), values.tolist(), strokes)


def found_in(stream: HardStream) -> tuple[list[Stroke], set[Notice]]:
    """Return what the finder makes of it, and all that it said to the person at the bench meanwhile."""
    said: set[Notice] = set()
    finder, found = _fed(stream, said, 0)
    until_ns = finder.air_was_on_until_ns
    return (found if until_ns is None else _fed(stream, said, until_ns)[1]), said


def _fed(stream: HardStream, said: set[Notice], from_ns: int) -> tuple[StrokeFinder, list[Stroke]]:
    finder, air = StrokeFinder(FinderSettings(stream.resolution_nm)), list(stream.air)
    if from_ns:
        finder.begin_at_rest()
    found: list[Stroke] = []
    for t_ns, value in zip(stream.times_ns, stream.values_nm, strict=True):
        while air and air[0][0] <= t_ns:
            finder.trigger(*air.pop(0))
        if t_ns >= from_ns:
            found += finder.feed(t_ns, [Reading(value, "mm")])
            said.update(finder.notices)
    finder.ends_by_itself()
    return finder, found + finder.finish()


def tally(into: Tally, stream: HardStream, found: list[Stroke]) -> None:
    """Count what was found in one check."""
    left = list(found)
    lost = 0
    for apply_s, release_s, travel in stream.strokes:
        mine = [s for s in left if s.start_ns / SECOND < release_s + 0.25 and s.end_ns / SECOND > apply_s]
        into.strokes += 1
        if not mine:
            lost += 1
            continue
        left.remove(mine[0])
        if mine[0].accepted:
            into.counted += 1
            into.off += abs(mine[0].peak_travel_nm - travel) > 0.05 * travel + 3 * stream.resolution_nm
    into.lost += max(0, lost - stream.unseen)
    into.false += len(left)


def report(checks: int, seed: int, write: Callable[[str], object]) -> list[str]:
    """Write what was made of so many checks of each trouble; return the bounds that were missed.

    None found that is none, or one in a thousand; none lost, or one in fifty where the indicator is moved as the air
    comes, and then one in three hundred too many.
    Of brief holds half may be lost, since the first of a check shows as a wild reading would; the screen says so.
    Of checks begun held one in fifty may be measured the wrong way round, where their shape says the opposite;
    of the unlike ones one in a hundred.
    """
    missed = []
    write(f"\n{'trouble':<12}strokes  lost false counted  off\n")
    for number, trouble in enumerate(TROUBLES):
        result = Tally()
        for check in range(checks):
            stream = draw(trouble, np.random.default_rng([seed, number, check]))
            tally(result, stream, found_in(stream)[0])
        write(f"{trouble:<12}{result}\n")
        most_false = {
            "moved": result.strokes // 300,
            "begun held": result.strokes // 50,
            "unlike": result.strokes // 100,
        }.get(trouble, max(1, result.strokes // 1000))
        most_lost = {
            "moved": result.strokes // 50,
            "brief": result.strokes // 2,
            "begun held": result.strokes // 50,
            "unlike": result.strokes // 100,
        }.get(trouble, result.strokes // 300)
        missed += [f"{trouble}: false"] if result.false > most_false else []
        missed += [f"{trouble}: lost"] if result.lost > most_lost else []
    return missed


def main() -> int:
    """Print the table; 1 if a bound is missed."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--checks", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    missed = report(options.checks, options.seed, sys.stdout.write)
    sys.stdout.write(f"{len(missed)} bounds missed{': ' if missed else ''}{'; '.join(missed)}\n")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
