"""Writes the recording of a check against masters, as a gauge that errs would send it."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from random import Random
from typing import Any

AT = datetime(2026, 11, 28, 7, 12, tzinfo=UTC)
MASTERS = """
[[masters]]
serial = "GB-1"
kind = "gauge block"
value = "1.00012 mm"
expanded_uncertainty = "0.0005 mm"
certificate = "C-17"
due = 2028-05-01

[[masters]]
serial = "GB-2"
kind = "gauge block"
value = "1.99990 mm"
expanded_uncertainty = "0.0005 mm"
certificate = "C-17"
due = 2028-05-01
"""


def write_masters(
    path: Path,
    masters_nm: Sequence[int],
    *,
    error: Callable[[int], float] = lambda nm: 0.0,
    step_nm: int = 1_000,
    max_error: str = "0.004 mm",
    noise_nm: float = 300.0,
    moved_nm: int = 0,
    started: datetime = AT,
    bench: str = "bay-1",
    seed: int = 1,
    gauge: str = "",
) -> Path:
    """Write the stream of masters slid under the tip in this order; `error` is what the gauge reads too much at each.

    By half of the way the rest moves by `moved_nm`. Twenty readings a second, a second and a half at rest and under it.
    """
    rng = Random(seed)
    decimals = 3 if step_nm < 10_000 else 2
    header: dict[str, Any] = {
        "recording": 2,
        "started": started.isoformat(),
        "bench": bench,
        "indicator": {
            "driver": "line", "unit": "mm", "resolution": f"{step_nm / 1e6:.{decimals}f} mm", "max_error": max_error,
        },
    }  # fmt: skip
    if gauge:
        header["gauge"] = {"serial": gauge}
    lines, time_ns = [json.dumps(header)], 0
    levels: list[float] = [0.0]
    for count, nm in enumerate(masters_nm):
        rest = moved_nm if count >= len(masters_nm) / 2 else 0
        levels += [rest + nm + error(nm), float(moved_nm if count + 1 >= len(masters_nm) / 2 else 0)]
    offset = rng.uniform(0, step_nm)
    for level in levels:
        for _ in range(30):
            shown = round((level + offset + rng.gauss(0, noise_nm)) / step_nm) * step_nm
            lines.append(json.dumps({"ns": time_ns, "indicator": f"{shown / 1e6:+.{decimals}f} mm\r\n"}))
            time_ns += 50_000_000
    path.write_text("\n".join(lines) + "\n")
    return path
