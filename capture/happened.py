"""What the record says happened to a job's unit, in the order of its ledger, in the form that the cores read. What it
means is worked out there."""

from __future__ import annotations

from capture.changes import Checked, Happened, stale_checks
from capture.pack_states import Judged, PackState, pack_states
from capture.record import Job
from capture.sheet import Sheet

__all__ = ["happened_in", "packs_in"]


def happened_in(job: Job) -> list[Happened]:
    """Return what happened to a job's unit, in the ledger's order; a check stands where it began."""
    entries: list[tuple[int, Happened]] = [(entry.number, entry.fact) for entry in job.facts]
    for check in job.checks:
        if check.verdict is not None:
            entries.append((check.started_number, Checked(check.pack, check.verdict.verdict)))
    return [entry for _, entry in sorted(entries, key=lambda numbered: numbered[0])]


def packs_in(job: Job, sheet: Sheet) -> list[PackState]:
    """Return how each pack of a job's unit stands, in the order of checking. Raises PlanError as `stale_checks`."""
    checks = [
        Judged(check.pack, check.started_number, check.verdict.number, check.verdict.verdict.verdict)
        for check in job.checks
        if check.verdict is not None
    ]
    return pack_states(sheet, checks, job.facts, stale_checks(sheet, happened_in(job)))
