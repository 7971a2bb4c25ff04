"""What one damaged byte does to strokes, in a recording of every wire form: `python -m tests.load.damaged_bytes`.

A byte is dropped, one of its bits flips, or a foreign byte comes between: at every `--every`-th place. Listed are a
stroke more or less, and a counted stroke that does not say `glitch` and whose level is more than a tenth of a display
step from what it was and from what it is without the damaged reading, which nobody can give back; nor can anybody give
back the next, which a damaged end of line takes with it.

What cannot be told is counted by itself: a reading that was changed into what the display shows around it anyway, or
one step beyond that where it flickers, is what noise does as well. Where all readings around agree, it can be told.

Of the form `counts` two damages of 17,388 move a level by 0.10 and 0.14 steps: a reading at rest eight steps too large
makes the noise of a display of a micrometre a little more, and the drift a little less sure.
"""

from __future__ import annotations

import argparse
import random
import sys
from dataclasses import dataclass, field
from itertools import zip_longest
from pathlib import Path

from capture.recordings.file import RecordedLine, read_recording
from capture.recordings.stream import IndicatorStream, indicator_from
from capture.strokes.stroke import Stroke
from drivers.reading import Reading

__all__ = ["RECORDINGS", "Damages", "damages"]

#: How many readings on each side a reading is compared with that was changed.
_AROUND = 4

_FOLDER = Path(__file__).resolve().parents[2] / "fixtures" / "recordings"
#: One recording of each wire form, of strokes without a trouble of their own.
RECORDINGS = (
    "line-10hz-mm-clean", "polled-line-10hz-in-clean", "bcd13-10hz-mm-bytes", "word24-10hz-in-clean",
    "counts-50hz-mm-micron", "registers-20hz-mm-micron",
)  # fmt: skip


@dataclass(slots=True)
class Damages:
    """What so many damages did."""

    tried: int = 0
    wrong: list[str] = field(default_factory=list)
    untold: int = 0
    """How many moved a level since they read like what the display shows around them."""


def _strokes(header: dict[str, object], lines: list[RecordedLine], at: int = -1, data: bytes = b"") -> list[Stroke]:
    driver, settings, _ = indicator_from(header)
    stream, found = IndicatorStream(driver, settings), []
    for index, line in enumerate(lines):
        found += stream.feed(line.t_ns, data if index == at else line.data)[1]
    return found + stream.finish(lines[-1].t_ns)


def _readings(header: dict[str, object], lines: list[RecordedLine], at: int = -1, data: bytes = b"") -> list[Reading]:
    driver, settings, _ = indicator_from(header)
    decoder = driver.decoder(settings)
    found = [
        reading for index, line in enumerate(lines) for reading in decoder.feed(data if index == at else line.data)
    ]
    return found + decoder.finish()


def _only_lost(whole: list[Reading], damaged: list[Reading]) -> bool:
    """Say whether one reading or two did not come, and none was invented."""
    lost = len(whole) - len(damaged)
    at = next((at for at, (before, after) in enumerate(zip(whole, damaged, strict=False)) if before != after), 0)
    return lost in (1, 2) and damaged[at:] == whole[at + lost :]


def _reads_like_others(whole: list[Reading], damaged: list[Reading], step_nm: int) -> bool:
    """Say whether one reading was changed into what the display shows around it, or one step beyond that where that
    flickers."""
    changed = [at for at, (before, after) in enumerate(zip(whole, damaged, strict=False)) if before != after]
    if len(whole) != len(damaged) or len(changed) != 1:
        return False
    (at,) = changed
    value, was = damaged[at].value_nm, whole[at].value_nm
    around = [reading.value_nm for reading in (*whole[max(0, at - _AROUND) : at], *whole[at + 1 : at + 1 + _AROUND])]
    # What lies on the way there or back is not what is shown where it stands.
    around = [other for other in around if abs(other - was) <= 3 * step_nm]
    if damaged[at].unit != whole[at].unit or not around or (value - was) % step_nm or min(around) == max(around):
        return False
    return min(around) - step_nm <= value <= max(around) + step_nm


def damages(name: str, every: int = 1, first: int = 0) -> Damages:
    """Damage a recording at every so-many-th byte in each of the three ways; return what that did."""
    header, entries = read_recording(_FOLDER / f"{name}.jsonl")
    lines = [line for line in entries if line.source == "indicator"]
    step_nm = indicator_from(header.indicator)[1].resolution_nm
    whole, draw, result = _strokes(header.indicator, lines), random.Random(first), Damages()
    shown = _readings(header.indicator, lines)
    places = [(index, at) for index, line in enumerate(lines) for at in range(len(line.data))]
    # Most damages of a line are the same to the finder: that it did not come.
    index = -1
    known: dict[tuple[Reading, ...], list[Stroke]] = {}
    for index_of_line, at in places[first::every]:
        if index != index_of_line:
            index, known = index_of_line, {}
            without = _strokes(header.indicator, lines[:index] + lines[index + 1 :])
        data = lines[index].data
        damaged = {
            "drop": data[:at] + data[at + 1 :],
            "flip": data[:at] + bytes([data[at] ^ 1 << draw.randrange(8)]) + data[at + 1 :],
            "insert": data[:at] + bytes([draw.randrange(256)]) + data[at:],
        }
        for kind, some in damaged.items():
            result.tried += 1
            readings = _readings(header.indicator, lines, index, some)
            key = tuple(readings)
            if key not in known:
                known[key] = _strokes(header.indicator, lines, index, some)
            found = known[key]
            where = f"{name}: {kind} at byte {at} of chunk {index}"
            if len(found) != len(whole):
                result.wrong.append(f"{where}: {len(found)} strokes, not {len(whole)}")
                continue
            lost = _only_lost(shown, readings)
            for before, less, after in zip_longest(whole, without, found):
                levels = [stroke.peak_travel_nm for stroke in (before, less) if stroke is not None]
                moved = min(abs(after.peak_travel_nm - level) for level in levels)
                if not after.accepted or 10 * moved <= step_nm or "glitch" in after.flags or lost:
                    continue
                if _reads_like_others(shown, readings, step_nm):
                    result.untold += 1
                else:
                    result.wrong.append(f"{where}: stroke {after.n} moved by {moved / step_nm:.2f} steps")
    return result


def main() -> int:
    """Run it; 1 if a stroke was lost or invented, or a level moved by what can be told."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--every", type=int, default=1)
    parser.add_argument("names", nargs="*", default=RECORDINGS)
    options = parser.parse_args()
    failed = False
    for name in options.names:
        result = damages(name, options.every)
        sys.stdout.writelines(f"  {line}\n" for line in result.wrong[:12])
        sys.stdout.write(
            f"{name}: {result.tried} damages, {len(result.wrong)} wrong, {result.untold} that nobody can tell\n"
        )
        sys.stdout.flush()
        failed |= bool(result.wrong)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
