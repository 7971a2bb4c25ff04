"""A shop whose truth is known, as its collector hears it: what packs are like, which ring is off, how gauges drift."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID, uuid5

import numpy as np

from capture.clearance.budget import NOT_CHECKED, BudgetLine
from capture.collect.rows import Arrived
from capture.collect.sink import Sink
from capture.mqtt.messages import GaugeMessage, StrokeMessage, UnitMessage, VerdictMessage, outgoing
from capture.mqtt.outgoing import Outgoing
from tests.support.samples import JOB, SHA256, stroke, verdict

MONDAY = datetime(2026, 1, 5, 7, 0, tzinfo=UTC)
UM = 1_000
SHEET, REVISION = "Forwarder 6-speed", "C"
LOW_NM, HIGH_NM, PREFERRED_NM = 900 * UM, 1_300 * UM, 1_100 * UM
#: A ring of each size, and what it is thicker than said.
RINGS = {2_000 * UM: 15 * UM, 2_100 * UM: 0, 2_200 * UM: 0, 2_300 * UM: 0, 2_400 * UM: -8 * UM}
AS_FOUND_OFF_NM, AS_FOUND_SD_NM = 25 * UM, 90 * UM
MEASURED_SD_NM = 5 * UM
#: Between technicians, as a standard deviation of one check beside what the same one finds again.
TECHNICIANS = {"Ana": -6 * UM, "Bo": 0, "Cy": 6 * UM}
DRIFT_NM_PER_DAY = 60.0
HELD_PA, SLOPE_NM_PER_PA = 140_000, 0.8
#: How many checks each made, and how often a stroke is flagged.
FLAGGED = {"Ana": (40, 0.05), "Bo": (36, 0.06), "Cy": (33, 0.04), "Di": (42, 0.05), "Ed": (38, 0.25)}
#: How far the strokes of one check lie apart, with whom.
SCATTER_NM = dict.fromkeys(FLAGGED, 2 * UM) | {"Di": 4 * UM}
NOBODY_CHECKED = BudgetLine("maximum error", 7.0 * UM, math.inf, NOT_CHECKED, "rectangular")


@dataclass
class Shop:
    """What was sent, and what of it the statistics may count."""

    sent: list[Outgoing] = field(default_factory=list)
    checks: list[VerdictMessage] = field(default_factory=list)
    strokes: list[StrokeMessage] = field(default_factory=list)
    suspect: set[UUID] = field(default_factory=set)
    signed: set[UUID] = field(default_factory=set)
    mornings: dict[str, list[tuple[datetime, int]]] = field(default_factory=dict)

    def counted(self) -> Iterator[VerdictMessage]:
        return (one for one in self.checks if one.id not in self.suspect)


def _judged(shop: Shop, off: dict[str, Any], mean_nm: int) -> VerdictMessage:
    u = 8.0 * UM
    inside = 0.5 * (math.erf((HIGH_NM - mean_nm) / u / math.sqrt(2)) - math.erf((LOW_NM - mean_nm) / u / math.sqrt(2)))
    word = "good" if inside >= 0.95 else "inconclusive" if inside > 0.05 else "tight" if mean_nm < LOW_NM else "loose"
    found = replace(
        verdict(), verdict=word, mean_nm=mean_nm, low_nm=LOW_NM, high_nm=HIGH_NM, standard_uncertainty_nm=u,
        conformance_probability=min(1.0, max(0.0, inside)), budget=(*verdict().budget, NOBODY_CHECKED),
    )  # fmt: skip
    message = VerdictMessage.of(found, advice=(), recording_sha256=SHA256, preferred_nm=PREFERRED_NM, **off)
    shop.checks.append(message)
    shop.sent.append(outgoing(message))
    return message


def simulated_shop(units: int = 240, seed: int = 1, days: int = 60, spread_nm: int = AS_FOUND_SD_NM) -> Shop:
    """Return a shop of three benches in which `units` units were rebuilt, as found with that spread.

    Bench bay-3's gauge was found out at noon of
    every tenth day."""
    rng = np.random.default_rng(seed)
    shop = Shop()
    benches = ("bay-1", "bay-2", "bay-3")
    # Gauges: bay-1's drifts, bay-2's does not, bay-3's is found out now and then; each morning before the first unit.
    for bench in benches:
        moved = 0.0
        for day in range(days):
            moved = 0.4 * moved + rng.normal(0, 400)
            slope = DRIFT_NM_PER_DAY if bench == "bay-1" else 0.0
            times = [(MONDAY + timedelta(days=day), False)]
            if bench == "bay-3" and day % 10 == 9:
                times.append((MONDAY + timedelta(days=day, hours=5), True))
            for at, out in times:
                error = round(slope * day + moved) + (30 * UM if out else 0)
                shop.mornings.setdefault(bench, []).append((at, error))
                shop.sent.append(outgoing(_gauge(bench, at, error, out)))
    check = 0
    for unit in range(units):
        bench = benches[unit % 3]
        day = unit * days // units
        at = MONDAY + timedelta(days=day, hours=1 + (unit % 9) * 0.8)
        job = uuid5(JOB, f"{seed} {unit}")
        who = list(TECHNICIANS)[int(rng.integers(3))]
        rings = list(RINGS)
        fitted = rings[int(rng.integers(len(rings)))]
        true = PREFERRED_NM + rng.normal(AS_FOUND_OFF_NM, spread_nm)
        noon = MONDAY + timedelta(days=day, hours=5)
        out_then = bench == "bay-3" and day % 10 == 9
        changed, tried, predicted, before = 0, 1, None, fitted
        while True:
            check += 1
            off: dict[str, Any] = {
                "at": at, "bench": bench, "job": job, "pack": "low", "check": check, "unit_serial": f"FW3-{unit:04}",
                "sheet_name": SHEET, "sheet_revision": REVISION, "technician": who, "gauge_serial": f"DI-{bench}",
                "gauge_standing": "out" if out_then and at >= noon else "in order", "attempt": tried,
                "parts_changed": changed, "unit_parts_changed": changed,
            }  # fmt: skip
            if predicted is not None:
                off |= {
                    "predicted_nm": predicted, "changed_part": "snap ring", "changed_from_nm": before,
                    "changed_to_nm": fitted, "changed_closes": True, "outcome": "told", "as_predicted": True,
                }  # fmt: skip
            mean = round(true + TECHNICIANS[who] + rng.normal(0, MEASURED_SD_NM))
            told = _judged(shop, off, mean)
            if out_then:
                shop.suspect.add(told.id)
            at += timedelta(minutes=6)
            tried += 1
            predicted = None
            if unit % 4 == 0 and changed == 0 and tried == 2:  # somebody looks at it again
                who = list(TECHNICIANS)[int(rng.integers(3))]
                continue
            wanted = min(RINGS, key=lambda size: abs(fitted + (mean - PREFERRED_NM) - size))
            if told.verdict == "good" or changed > 2 or wanted == fitted:
                break
            before, predicted = fitted, mean - (wanted - fitted)
            # The one that comes out is as thick as it says: its own error was in what was measured as found.
            true -= (wanted + RINGS[wanted]) - fitted - (RINGS[fitted] if changed else 0)
            fitted, changed = wanted, changed + 1
        if told.verdict == "good":
            shop.signed.add(job)
        word = UnitMessage(
            at=at, bench=bench, job=job, unit_serial=f"FW3-{unit:04}", packs=(), steps=0, steps_closed=0, against=(),
            signed_off_by="Di" if told.verdict == "good" else "", signed_off_at=at if told.verdict == "good" else None,
            sheet_name=SHEET, sheet_revision=REVISION,
        )  # fmt: skip
        shop.sent.append(outgoing(word))
    _strokes(shop, rng)
    return shop


def _strokes(shop: Shop, rng: np.random.Generator) -> None:
    """Checks of five strokes under a pressure that wanders, by five people of whom one has them flagged more often."""
    check = 1_000_000
    for who, (checks, share) in FLAGGED.items():
        for n in range(checks):
            check += 1
            clearance = rng.normal(PREFERRED_NM, AS_FOUND_SD_NM)
            for stroke_n in range(1, 6):
                pa = rng.normal(HELD_PA, 3_000)
                travel = clearance + SLOPE_NM_PER_PA * (pa - HELD_PA) + rng.normal(0, SCATTER_NM[who])
                half = abs(rng.normal(0, 500))
                measured = stroke(
                    stroke_n, held_travel_nm=round(travel), accepted=bool(rng.random() >= share),
                    pressure_min_pa=round(pa - half), pressure_max_pa=round(pa + half), leak_down_pa_per_s=200,
                )  # fmt: skip
                message = StrokeMessage.of(
                    measured, at=MONDAY + timedelta(days=n), bench=f"bay-{n % 3 + 1}", job=uuid5(JOB, who), pack="low",
                    check=check, seat=False, sheet_name=SHEET, sheet_revision=REVISION, technician=who,
                )  # fmt: skip
                shop.strokes.append(message)
                shop.sent.append(outgoing(message))


def _gauge(bench: str, at: datetime, error_nm: int, out: bool) -> GaugeMessage:
    word: Any = "out" if out else "in order"
    return GaugeMessage(
        at=at, bench=bench, gauge_serial=f"DI-{bench}", technician="Ana", as_left=False, standing=word, result=word,
        alarm=out, master="B-1", master_nm=1_000_000, error_nm=error_nm, standard_uncertainty_nm=300,
        max_error_nm=20_000, phase=0, recording_sha256=SHA256,
    )  # fmt: skip


def collect(shop: Shop, sink: Sink) -> None:
    """Keep everything that was sent."""
    sink.open()
    arrived = [Arrived(one.topic, one.payload.encode(), MONDAY) for one in shop.sent]
    for start in range(0, len(arrived), 500):
        sink.keep(arrived[start : start + 500])
