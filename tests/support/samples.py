"""A stroke, a verdict and a job as tests of the record and of MQTT need them."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from typing import Any
from uuid import UUID

from capture.clearance.budget import BudgetLine
from capture.clearance.verdict import Verdict
from capture.mqtt.messages import GaugeMessage, StrokeMessage, VerdictMessage, outgoing
from capture.mqtt.outgoing import Outgoing
from capture.record import Store
from capture.strokes.stroke import Stroke

AT = datetime(2025, 11, 25, 9, 7, 30, 120_000, tzinfo=UTC)
JOB = UUID("5d3f2c9e-7f0a-4b55-9a3e-2f6f0c1d8a44")
SHA256 = "ab" * 32


def stroke(n: int = 1, **changes: Any) -> Stroke:
    measured: dict[str, Any] = {
        "n": n,
        "start_ns": 1_000_000_000 * n,
        "end_ns": 1_000_000_000 * n + 900_000_000,
        "released_nm": -12_700,
        "peak_travel_nm": 1_104_900 + n,
        "held_travel_nm": 1_092_200,
        "rise_ns": 80_000_000,
        "creep_nm": -2_540,
        "return_error_nm": 0,
        "flags": ("creep", "pressure"),
        "accepted": True,
    }
    return Stroke(**(measured | changes))


def verdict(**changes: Any) -> Verdict:
    judged: dict[str, Any] = {
        "verdict": "good",
        "mean_nm": 1_104_900,
        "expanded_uncertainty_nm": 21_337,
        "coverage": 0.95,
        "coverage_factor": 2.0930240544082634,
        "dof": 19.000000000000004,
        "standard_uncertainty_nm": 10_194.5 / 3,
        "strokes": 5,
        "low_nm": 800_000,
        "high_nm": 1_400_000,
        "conformance_probability": 0.999999999999871,
        "budget": (
            BudgetLine("repeatability", 1 / 3, 4.0, "five strokes"),
            BudgetLine("resolution", 3_666.1741, math.inf, "0.0005 in, uniform"),
        ),
        "next_step": "Sign the pack off.",
        "more_strokes": None,
    }
    return Verdict(**(judged | changes))


def stroke_message(n: int, pack: str = "C1/C2 forward", bench: str = "bench 4") -> Outgoing:
    return outgoing(StrokeMessage.of(stroke(n), at=AT, bench=bench, job=JOB, pack=pack, check=1, seat=n == 1))


def verdict_message(pack: str = "C1/C2 forward", bench: str = "bench 4") -> Outgoing:
    return outgoing(
        VerdictMessage.of(
            verdict(),
            at=AT,
            bench=bench,
            job=JOB,
            pack=pack,
            check=1,
            advice=["Take one 0.20 mm shim out."],
            recording_sha256=SHA256,
        )
    )


def gauge_message(bench: str = "bench 4", **changes: Any) -> Outgoing:
    told: dict[str, Any] = {
        "gauge_serial": "DI-0413", "technician": "Tech 12", "as_left": False, "standing": "in order",
        "result": "in order", "alarm": False, "master": "B-1", "master_nm": 1_000_000, "error_nm": 2_400,
        "standard_uncertainty_nm": 900, "max_error_nm": 20_000, "phase": 1, "recording_sha256": SHA256,
    }  # fmt: skip
    return outgoing(GaugeMessage(at=AT, bench=bench, **(told | changes)))


def open_job(store: Store, **changes: Any) -> int:
    opened: dict[str, Any] = {
        "uuid": JOB,
        "bench": "bench 4",
        "unit_serial": "HX-2207",
        "technician": "Tech 12",
        "sheet_name": "Forwarder 6-speed",
        "sheet_revision": "C",
        "sheet_toml": '[sheet]\nname = "Forwarder 6-speed"\n# ünit\n',
        "at": AT,
    }
    return store.open_job(**(opened | changes))


def start_check(store: Store, job: int, **changes: Any) -> int:
    started: dict[str, Any] = {
        "pack": "C1/C2 forward",
        "indicator": {"driver": "line", "resolution": "0.0005 in", "range": ["0 in", "0.5 in"]},
        "recording_path": "2025/11/25/c1.jsonl",
        "low_nm": 800_000,
        "high_nm": 1_400_000,
        "strokes_wanted": 5,
        "seat_wanted": 1,
        "measure": "held",
        "at": AT,
    }
    return store.start_check(job, **(started | changes))


def finish_check(store: Store, check: int, **changes: Any) -> None:
    finished: dict[str, Any] = {
        "verdict": verdict(),
        "advice": [{"text": "Take one shim out.", "predicted_nm": 1_100_000, "changes": [{"adjuster": 0}]}],
        "recording_sha256": SHA256,
        "recording_bytes": 88_123,
        "software_version": "0.1.0",
        "at": AT,
    }
    store.finish_check(check, **(finished | changes))
