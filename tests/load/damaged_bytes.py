"""What one damaged byte does to strokes, in a recording of every wire form: `python -m tests.load.damaged_bytes`.

A byte is dropped, one of its bits flips, or a foreign byte comes between: at every `--every`-th place. A stroke more or
less is listed, and a counted stroke that does not say `glitch` and whose level moved by more than a tenth of a display
step, both from what it was and from what it is without the reading that was damaged, which nobody can give back.

What remains is a digit that changed by a step or two, which is what noise does as well, so that nothing can tell.
"""

from __future__ import annotations

import argparse
import random
import sys
from itertools import zip_longest
from pathlib import Path

from capture.recordings.file import RecordedLine, read_recording
from capture.recordings.stream import IndicatorStream, indicator_from
from capture.strokes.stroke import Stroke

__all__ = ["MOST_MOVED", "RECORDINGS", "damages"]

#: The share of damages that may move a level: a digit is one byte of ten, and few of its bits are a step or two.
MOST_MOVED = 0.01

_FOLDER = Path(__file__).resolve().parents[2] / "fixtures" / "recordings"
#: One recording of each wire form, of strokes without a trouble of their own.
RECORDINGS = (
    "line-10hz-mm-clean", "polled-line-10hz-in-clean", "bcd13-10hz-mm-bytes", "word24-10hz-in-clean",
    "counts-50hz-mm-micron", "registers-20hz-mm-micron",
)  # fmt: skip


def _strokes(header: dict[str, object], lines: list[RecordedLine], at: int = -1, data: bytes = b"") -> list[Stroke]:
    driver, settings, _ = indicator_from(header)
    stream, found = IndicatorStream(driver, settings), []
    for index, line in enumerate(lines):
        found += stream.feed(line.t_ns, data if index == at else line.data)[1]
    return found + stream.finish(lines[-1].t_ns)


def damages(name: str, every: int = 1, first: int = 0) -> tuple[int, list[str]]:
    """Damage a recording at every so-many-th byte in each of the three ways; return how often, and what was wrong."""
    header, entries = read_recording(_FOLDER / f"{name}.jsonl")
    lines = [line for line in entries if line.source == "indicator"]
    step_nm = indicator_from(header.indicator)[1].resolution_nm
    whole, draw, wrong, tried = _strokes(header.indicator, lines), random.Random(first), [], 0
    places = [(index, at) for index, line in enumerate(lines) for at in range(len(line.data))]
    without: tuple[int, list[Stroke]] = (-1, whole)
    for index, at in places[first::every]:
        data = lines[index].data
        if without[0] != index:
            without = index, _strokes(header.indicator, lines[:index] + lines[index + 1 :])
        damaged = {
            "drop": data[:at] + data[at + 1 :],
            "flip": data[:at] + bytes([data[at] ^ 1 << draw.randrange(8)]) + data[at + 1 :],
            "insert": data[:at] + bytes([draw.randrange(256)]) + data[at:],
        }
        for kind, some in damaged.items():
            tried += 1
            found = _strokes(header.indicator, lines, index, some)
            where = f"{name}: {kind} at byte {at} of chunk {index}"
            if len(found) != len(whole):
                wrong.append(f"{where}: {len(found)} strokes, not {len(whole)}")
                continue
            for before, less, after in zip_longest(whole, without[1], found):
                levels = [stroke.peak_travel_nm for stroke in (before, less) if stroke is not None]
                moved = min(abs(after.peak_travel_nm - level) for level in levels)
                if after.accepted and 10 * moved > step_nm and "glitch" not in after.flags:
                    wrong.append(f"{where}: stroke {after.n} moved by {moved / step_nm:.2f} steps")
    return tried, wrong


def main() -> int:
    """Run it; 1 if a stroke was lost or invented, or more levels moved than digits changed by a step or two."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--every", type=int, default=1)
    options = parser.parse_args()
    failed = False
    for name in RECORDINGS:
        tried, wrong = damages(name, options.every)
        sys.stdout.writelines(f"  {line}\n" for line in wrong[:12])
        strokes = sum("strokes," in line for line in wrong)
        sys.stdout.write(f"{name}: {tried} damages, {strokes} with strokes more or less, {len(wrong)} wrong\n")
        failed |= strokes > 0 or len(wrong) > MOST_MOVED * tried
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
