"""How fast a recording is measured from its file, beside pandas and SciPy on the same file in the same run:
`python -m tests.load.year_in_bulk [--minutes N] [--every SECONDS]`.

pandas reads the lines and takes the numbers out of them, and `scipy.signal.find_peaks` finds what stands out: no
verdict, no uncertainty, no trouble told, as somebody would write it in an hour. Ours is all that a proof does but the
hash. Both are CPU time of one process.
"""

from __future__ import annotations

import argparse
import json
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.signal import find_peaks

from capture.recordings.file import begin_reading, lines_of
from capture.recordings.replay import Replay
from capture.recordings.stream import IndicatorStream, indicator_from
from tests.load.benchmark import INDICATOR, RATE_HZ


@dataclass(frozen=True, slots=True)
class Measured:
    """One way to find the strokes of a recording, and what it took."""

    way: str
    strokes: int
    cpu_s: float


def write_shift(path: Path, minutes: float, every_s: float, hold_s: float = 1.5) -> tuple[int, int]:
    """Write a recording at 100 Hz with a stroke every so often; return how many readings and strokes it has.

    Chunks come as a serial port gives them, a little sooner or later than the indicator's clock.
    """
    rng = np.random.default_rng(1)
    count = round(minutes * 60 * RATE_HZ)
    travel = np.zeros(count)
    held = np.arange(round(hold_s * RATE_HZ))
    press = np.concatenate((1 - np.exp(-held / 3), np.exp(-np.arange(50) / 3)))
    starts = range(3 * RATE_HZ, count - len(press) - 2 * RATE_HZ, round(every_s * RATE_HZ))
    for start in starts:
        travel[start : start + len(press)] = 1_100_000 * press
    shown = np.rint((2_000_000 + travel + 1_500 * rng.standard_normal(count)) / 1_000)
    times = (np.arange(count) + 1) * (1_000_000_000 // RATE_HZ) + rng.integers(0, 2_000_000, count)
    header = {"recording": 2, "started": "2026-03-02T07:00:00Z", "bench": "bay-1", "indicator": INDICATOR}
    with path.open("w", encoding="utf-8") as file:
        file.write(json.dumps(header) + "\n")
        for t_ns, value in zip(times.tolist(), shown.tolist(), strict=True):
            file.write(f'{{"ns":{t_ns},"indicator":"{value / 1e3:+.3f}\\r\\n"}}\n')
    return count, len(starts)


def in_bulk(path: Path) -> int:
    """Return how many strokes our replay finds."""
    return sum(1 for _ in Replay(path).strokes())


def one_by_one(path: Path) -> int:
    """Return how many strokes are found line by line, as they are live."""
    header, file, reader = begin_reading(path)
    driver, settings, _ = indicator_from(header.indicator)
    stream = IndicatorStream(driver, settings)
    found = sum(len(stream.feed(line.t_ns, line.data)[1]) for line in lines_of(file, reader))
    return found + len(stream.finish(reader.last_ns))


def with_pandas(path: Path) -> int:
    """Return how many peaks pandas and SciPy find."""
    import pandas

    frame = pandas.read_json(path, lines=True, dtype=False)
    shown = frame["indicator"].iloc[1:].dropna().str.strip().astype(float).to_numpy()
    smooth = np.convolve(shown, np.ones(5) / 5, mode="same")
    peaks, _ = find_peaks(smooth - np.median(smooth), prominence=0.3, distance=RATE_HZ)
    return len(peaks)


def measured(way: str, find: Callable[[Path], int], path: Path) -> Measured:
    """Measure one way."""
    began = time.process_time()
    strokes = find(path)
    return Measured(way, strokes, time.process_time() - began)


def main() -> None:
    """Measure all ways over one recording."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=500)
    parser.add_argument("--every", type=float, default=40.0, help="seconds from one stroke to the next")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        warm, path = Path(folder) / "warm.jsonl", Path(folder) / "shift.jsonl"
        write_shift(warm, 0.5, 5)
        readings, strokes = write_shift(path, asked.minutes, asked.every)
        print(f"{readings:,} readings, {path.stat().st_size / 1e6:,.0f} MB, {strokes} strokes")  # noqa: T201
        for way, find in (
            ("in bulk", in_bulk), ("pandas and SciPy", with_pandas), ("one by one", one_by_one),
        ):  # fmt: skip
            measured(way, find, warm)
            done = measured(way, find, path)
            rate = readings / done.cpu_s / 1e6
            print(f"{way:18} {done.strokes:6} found  {done.cpu_s:7.2f} s CPU  {rate:6.2f} million readings/s")  # noqa: T201


if __name__ == "__main__":
    main()
