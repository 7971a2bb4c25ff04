"""Readings that no bench ever sent, and what the finder makes of them: `python -m tests.load.erratic_streams`.

A stream wanders between a few levels with jumps, ramps, wild readings, silences, bursts, lost digits and a fixture's
word at random. Whatever comes, the finder ends without an exception, its strokes come in order of time, and none of
them has a travel that is not there. A million readings, the default, take about ten seconds; `--readings N` tries more.
"""

from __future__ import annotations

import argparse
import random
import sys
import time
from collections.abc import Iterator

from capture.strokes.finder import FinderSettings, StrokeFinder
from capture.strokes.stroke import Stroke
from drivers.reading import CUT_SHORT, LengthUnit, Reading

__all__ = ["erratic_strokes", "search"]


def _chunks(draw: random.Random, readings: int) -> Iterator[tuple[int, list[Reading]]]:
    """Yield chunks of an erratic stream of about so many readings, as (t_ns, readings)."""
    step_nm = draw.choice((1_000, 2_540, 10_000, 12_700))
    usual_ns = draw.choice((1_000_000, 10_000_000, 50_000_000, 100_000_000, 200_000_000))
    # Levels near each other by all orders of size: most of what decides lies between a step and a travel.
    levels = [0, *(round(draw.choice((-1, 1)) * 10 ** draw.uniform(3.3, 7)) for _ in range(draw.randint(1, 6)))]
    noise_nm = draw.choice((0, 0, 1, 3, 10)) * step_nm
    restless, wild, dwell = draw.choice((0.0, 0.02, 0.3)), draw.choice((0.0, 0.01, 0.1)), draw.choice((2, 6, 30, 150))
    unit: LengthUnit = "mm"
    t_ns, level, left, slope, sent = 0, 0.0, 0, 0.0, 0
    while sent < readings:
        size = draw.choice((1, 1, 1, 1, 2, 5, 12, 90)) if draw.random() < 0.2 else 1
        chunk = []
        for _ in range(size):
            if left <= 0:
                left = draw.randint(1, 2 * dwell)
                slope = 0.0
                if draw.random() < 0.7:
                    level = draw.choice(levels) * draw.choice((1, 1, 1, 1, -1))
                else:
                    slope = draw.choice(levels) / left
            left -= 1
            level += slope
            value = level + draw.gauss(0, noise_nm)
            if draw.random() < wild:
                value = value * draw.choice((0, 0.1, 10, -1)) + draw.choice(levels)
            if draw.random() < 0.0005:
                unit = "in" if unit == "mm" else "mm"
            flags = (CUT_SHORT,) if draw.random() < 0.002 else ()
            chunk.append(Reading(round(value / step_nm) * step_nm, unit, flags))
        pause = draw.choice((0, 1, 4, 40, 3_000)) if draw.random() < restless else size
        t_ns += pause * usual_ns + draw.randint(0, usual_ns // 10)
        sent += size
        yield t_ns, chunk


def erratic_strokes(seed: int, readings: int = 400) -> list[Stroke]:
    """Return what the finder makes of the erratic stream of this seed; any exception is the finder's."""
    draw = random.Random(seed)
    reach = draw.choice((None, (0, 12_700_000), (-25_400_000, 25_400_000)))
    finder = StrokeFinder(
        FinderSettings(draw.choice((1_000, 2_540, 10_000, 12_700)), reach, draw.choice(("peak", "held")))
    )
    found: list[Stroke] = []
    for t_ns, chunk in _chunks(draw, readings):
        if draw.random() < 0.01:
            finder.trigger(t_ns, draw.random() < 0.5)
        if draw.random() < 0.001:
            finder.stream_lost()
        found += finder.feed(t_ns, chunk)
    return found + finder.finish()


def search(readings: int, first: int = 0) -> list[str]:
    """Try streams of about so many readings in all; return in words what was wrong with any."""
    wrong: list[str] = []
    for seed in range(first, first + readings // 400):
        try:
            strokes = erratic_strokes(seed)
        except Exception as error:
            wrong.append(f"stream {seed}: {type(error).__name__}: {error}")
            continue
        if [stroke.n for stroke in strokes] != list(range(1, len(strokes) + 1)):
            wrong.append(f"stream {seed}: strokes are not counted one by one")
        if any(stroke.end_ns < stroke.start_ns or stroke.peak_travel_nm <= 0 for stroke in strokes):
            wrong.append(f"stream {seed}: a stroke ends before it begins, or goes nowhere")
    return wrong


def main() -> int:
    """Run it; 1 if anything was wrong."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--readings", type=int, default=1_000_000)
    parser.add_argument("--first", type=int, default=0, help="the seed of the first stream")
    options = parser.parse_args()
    began = time.perf_counter()
    wrong = search(options.readings, options.first)
    sys.stdout.writelines(f"{line}\n" for line in wrong[:40])
    sys.stdout.write(f"{options.readings} readings, {len(wrong)} wrong, {time.perf_counter() - began:.0f} s\n")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
