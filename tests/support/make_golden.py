"""Writes the simulated recordings of `fixtures/recordings`, each with its ground truth; the same bytes every time.

    python -m tests.support.make_golden [FOLDER]

`NAME.jsonl` is the recording, `NAME.truth.json` what the piston truly did. What the stroke finder makes of a recording
is not written here.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

from capture.simulation.indicator import IndicatorSpec
from capture.simulation.physics import PackPhysics
from capture.simulation.simulated_bench import BenchSpec, SimulatedBench
from capture.simulation.technician import TROUBLES, Technician, Trouble
from capture.simulation.wire_bytes import WireSpec
from drivers.units import format_length

__all__ = ["CASES", "Case", "main", "write"]

FOLDER = Path(__file__).resolve().parents[2] / "fixtures" / "recordings"
STARTED = "2026-03-02T07:30:00Z"
SECOND_NS = 1_000_000_000

#: 1.10 mm and 0.050 in, the middles of the ranges of the sheets.
MM_PACK = PackPhysics(clearance_nm=1_104_000)
INCH_PACK = PackPhysics(clearance_nm=1_272_000)


@dataclass(frozen=True)
class Case:
    """One recording to make."""

    name: str
    bench: BenchSpec = field(default_factory=BenchSpec)
    physics: PackPhysics = MM_PACK
    strokes: int = 5
    troubles: Mapping[int, Trouble] = field(default_factory=dict)
    settings: Mapping[str, Any] = field(default_factory=dict)
    """Settings of this wire form beside those that every driver takes."""
    pressed: bool = False
    """Whether a person takes one reading at each rest and in each hold, instead of a stream."""


MM = IndicatorSpec()
MICRON = IndicatorSpec(resolution_nm=1_000, noise_nm=800.0)
INCH = IndicatorSpec(resolution_nm=12_700, unit="in", switched_resolution_nm=10_000, mount_nm=2_540_000)
FINE_INCH = replace(INCH, resolution_nm=2_540)
SLOW_HAND = Technician(rest_s=2.2, hold_s=2.6)

COUNTS = {"scale": "0.001 mm"}
REGISTERS = {"device": 1, "function": "input", "words": 2, "scale": "0.001 mm"}
#: An indicator whose zero can be put anywhere displays from minus to plus its whole range.
ZERO_ANYWHERE = {"range": ["-12.7 mm", "12.7 mm"]}


def _cases() -> list[Case]:
    cases = [
        Case("line-10hz-mm-clean"),
        Case("line-10hz-in-clean", BenchSpec(INCH), INCH_PACK),
        Case("line-4hz-in-slow", BenchSpec(replace(INCH, rate_hz=4), technician=SLOW_HAND), INCH_PACK),
        Case(
            "line-20hz-mm-named-mirrored",
            BenchSpec(replace(MM, rate_hz=20, direction=-1), WireSpec("line", name="A1", end="\r")),
        ),
        Case(
            "line-50hz-in-fine-no-unit",
            BenchSpec(replace(FINE_INCH, rate_hz=50), WireSpec("line", show_unit=False, end="\n")),
            INCH_PACK,
        ),
        Case("line-100hz-mm-micron-batched", BenchSpec(replace(MICRON, rate_hz=100), batch=8)),
        Case(
            "line-1000hz-mm-micron-short",
            BenchSpec(
                replace(MICRON, rate_hz=1000, filter_s=0.004),
                WireSpec("line", show_unit=False),
                Technician(rest_s=0.7, hold_s=0.8),
                batch=16,
            ),
            strokes=3,
        ),
        Case(
            "line-100hz-mm-high-pressure",
            BenchSpec(replace(MICRON, rate_hz=100, filter_s=0.004), batch=4),
            replace(MM_PACK, supply_pa=600_000.0, supply_conductance=2e-8, exhaust_conductance=2e-8, film_nm=0),
            strokes=3,
        ),
        Case(
            "line-20hz-mm-cushion",
            BenchSpec(replace(MM, rate_hz=20)),
            replace(MM_PACK, cushion_nm=300_000, cushion_rate_n_per_m=600_000.0, rest_error_nm=12_000),
        ),
        Case(
            "polled-line-10hz-in-clean",
            BenchSpec(INCH, WireSpec("polled-line")),
            INCH_PACK,
            settings={"request": "?\\r"},
        ),
        Case("counts-50hz-mm-micron", BenchSpec(replace(MICRON, rate_hz=50), WireSpec("counts")), settings=COUNTS),
        Case("bcd13-10hz-mm-bytes", BenchSpec(MM, WireSpec("bcd13"))),
        Case("bcd13-10hz-in-hex-mirrored", BenchSpec(replace(INCH, direction=-1), WireSpec("bcd13", hex_digits=True))),
        Case("word24-10hz-mm-mirrored", BenchSpec(replace(MM, direction=-1), WireSpec("word24"))),
        Case("word24-10hz-in-clean", BenchSpec(INCH, WireSpec("word24")), INCH_PACK),
        Case(
            "registers-20hz-mm-micron",
            BenchSpec(replace(MICRON, rate_hz=20), WireSpec("registers")),
            settings=REGISTERS,
        ),
        Case("line-10hz-mm-unit-switched", BenchSpec(rezero="unit"), troubles={3: "rezeroed"}, settings=ZERO_ANYWHERE),
        Case("line-50hz-in-leak", BenchSpec(replace(FINE_INCH, rate_hz=50)), INCH_PACK, troubles={4: "leak"}),
        Case(
            "line-10hz-mm-mirrored-no-return",
            BenchSpec(replace(MM, direction=-1)),
            troubles={3: "no_return"},
        ),
    ]
    for trouble in TROUBLES:
        settings = ZERO_ANYWHERE if trouble == "rezeroed" else {}
        name = f"line-10hz-mm-{trouble.replace('_', '-')}"
        cases.append(Case(name, troubles={3: trouble}, settings=settings))
    cases += [
        Case("line-on-press-mm", settings={"sends": "on-press"}, pressed=True),
        Case("typed-in", BenchSpec(INCH), INCH_PACK, settings={"driver": "typed"}, pressed=True),
    ]
    return cases


CASES: tuple[Case, ...] = tuple(_cases())


def _header(case: Case) -> dict[str, Any]:
    indicator = case.bench.indicator
    unit = indicator.unit
    low, high = indicator.range_nm
    settings: dict[str, Any] = {
        "driver": case.bench.wire.form,
        "unit": unit,
        "resolution": format_length(indicator.resolution_nm, unit),
        "range": [format_length(low, unit, 0), format_length(high, unit, 1)],
        "max_error": "0.001 in" if unit == "in" else "0.02 mm",
    }
    return {"recording": 2, "started": STARTED, "bench": "golden", "indicator": settings | dict(case.settings)}


def write(case: Case, folder: Path) -> None:
    """Write the recording and the truth of `case` into `folder`."""
    bench = SimulatedBench(case.bench, case.physics, seed=CASES.index(case))
    lines: list[object] = [_header(case)]
    heard = bench.check(case.physics, case.strokes, case.troubles)
    for t_ns, data in _pressed(case, bench) if case.pressed and list(heard) else heard:
        lines.append({"ns": t_ns, "indicator": data.decode("latin-1")})
    text = "".join(json.dumps(line, ensure_ascii=False, separators=(",", ":")) + "\n" for line in lines)
    (folder / f"{case.name}.jsonl").write_bytes(text.encode())
    truth = {"clearance_nm": case.physics.clearance_nm, "strokes": [asdict(stroke) for stroke in bench.truths]}
    (folder / f"{case.name}.truth.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")


def _pressed(case: Case, bench: SimulatedBench) -> Iterator[tuple[int, bytes]]:
    """Yield what a person takes off the strokes of the bench: a value before each, in each, and at the end."""
    indicator = case.bench.indicator
    per_unit = 25_400_000 if indicator.unit == "in" else 1_000_000

    def value(travel_nm: int) -> bytes:
        shown = round((indicator.mount_nm + travel_nm) / indicator.resolution_nm) * indicator.resolution_nm
        return f"{shown / per_unit:.{4 if indicator.unit == 'in' else 2}f}\r".encode()

    for true in bench.truths:
        yield true.start_ns - SECOND_NS // 5, value(true.rest_nm)
        yield true.release_ns - SECOND_NS // 20, value(true.held_nm)
    yield true.end_ns + SECOND_NS, value(true.returned_nm)


def main() -> None:
    """Write every case."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    for case in CASES:
        write(case, folder)


if __name__ == "__main__":
    main()
