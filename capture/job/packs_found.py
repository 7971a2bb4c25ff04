"""Packs as they were first measured, out of the jobs of records: what the forecast of the stock rests on."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from capture.record import Job
from capture.sheet.sheet import Selective, SheetError, parse_sheet
from capture.stock import part_key
from capture.stock.forecast import PackFound
from capture.unit.facts import PartsChanged
from capture.unit.origin import is_measured


def packs_found(jobs: Iterable[Job], since: datetime) -> list[PackFound]:
    """Return each pack with a selective part that was first checked since then and measured on a unit, in no order. A
    sheet that cannot be read tells nothing."""
    found = []
    for job in jobs:
        try:
            sheet = parse_sheet(job.sheet_toml, f"the build sheet of job {job.id}")
        except SheetError:
            continue
        changed = [(one.number, one.fact.pack) for one in job.facts if isinstance(one.fact, PartsChanged)]
        seen: set[str] = set()
        for check in job.checks:
            verdict = check.stands
            if verdict is None or check.pack in seen or not is_measured(check.origin):
                continue
            seen.add(check.pack)
            if check.started_at < since or any(
                pack == check.pack and number < check.started_number for number, pack in changed
            ):
                continue
            pack = sheet.pack(check.pack)
            ring = next((one for one in pack.adjusters if isinstance(one, Selective)), None)
            if ring is None:
                continue
            off = verdict.mean_nm - pack.preferred_nm
            ideal = ring.fitted + (off if ring.thicker == "closes" else -off)
            good = verdict.verdict == "good"
            found.append(PackFound(part_key(ring.name), tuple(ring.choices), ring.fitted, float(ideal), good))
    return found
