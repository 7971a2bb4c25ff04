"""What a bench's record knows of units before work on them begins: a job that nobody signed off, of which a new one
would know nothing; an earlier one that was signed off; and the unfinished ones to choose from. Decides nothing."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from capture.job.unit_on_record import happened_in
from capture.record import Job, SignedJob, Store
from capture.sheet.sheet import Adjuster, Sheet, SheetError, Shim, parse_sheet
from capture.unit.changes import PlanError, fitted_now

_NAMED = 3
#: So many can be told apart by one key.
_LISTED = 9


@dataclass(frozen=True, slots=True)
class UnfinishedUnit:
    """A unit of this bench that nobody signed off: its job, what it is, and what was found so far, in words."""

    job: int
    serial: str
    sheet: str
    packs: str
    opened_at: datetime


def unfinished_units(store: Store, bench: str, besides: int) -> tuple[UnfinishedUnit, ...]:
    """Return the newest of them, without the job `besides`. Raises RecordError."""
    jobs = [job for job in store.unfinished_jobs(bench, _LISTED + 1) if job.id != besides][:_LISTED]
    return tuple(UnfinishedUnit(job.id, job.unit_serial, job.sheet_name, _packs(job), job.opened_at) for job in jobs)


def signed_before(store: Store, unit_serial: str) -> SignedJob | None:
    """Return the newest job in which this unit was signed off, None where it never was. Raises RecordError."""
    found = store.signed_jobs(unit_serial) if unit_serial.strip() else []
    return found[0] if found else None


def fitted_differently(store: Store, job_id: int, sheet: Sheet) -> str:
    """Return the parts that a job left in its unit and of which the sheet now says otherwise; empty for none.

    Raises RecordError.
    """
    job = store.job(job_id)
    try:
        left = fitted_now(parse_sheet(job.sheet_toml, f"the build sheet of job {job_id}"), happened_in(job))
    except (SheetError, PlanError):  # what went in is not known, and is said to nobody
        return ""
    now = {(pack.name, one.name): one for pack in sheet.packs for one in pack.adjusters}
    told = []
    for pack in left.packs:
        for was in pack.adjusters:
            here = now.get((pack.name, was.name))
            if here is not None and here.kind == was.kind and here.fitted != was.fitted:
                told.append(f"{pack.name}: {was.name} {_fitted(was)} (the sheet: {_fitted(here)})")
    return "; ".join(told)


def _fitted(adjuster: Adjuster) -> str:
    return str(adjuster.fitted) if isinstance(adjuster, Shim) else adjuster.text(adjuster.fitted)


def sheet_of_job(record: Path, job_id: int) -> tuple[Sheet, str]:
    """Return the build sheet exactly as a job began with it. Raises RecordError and SheetError."""
    with Store.open_to_read(record) as store:
        text = store.job(job_id).sheet_toml
    return parse_sheet(text, f"the build sheet of job {job_id}"), text


def unfinished(store: Store, unit_serial: str, bench: str) -> str:
    """Return what a technician at `bench` must know before a new job of this unit; empty where there is nothing.

    Raises RecordError.
    """
    if not unit_serial.strip():
        return ""
    ids = store.unsigned_jobs(unit_serial)
    if not ids:
        return ""
    job = store.job(ids[0])
    where = "" if job.bench == bench else f" --bench '{job.bench}'"
    others = ", ".join(str(one) for one in ids[1 : 1 + _NAMED])
    more = f" and {len(ids) - 1 - _NAMED} more" if len(ids) > 1 + _NAMED else ""
    besides = f" Not signed off either: {others}{more}." if others else ""
    return (
        f"Unit {unit_serial} has an unfinished job, {job.id} ({_packs(job)}; not signed off). "
        f"To go on with it: strokelog run --resume {job.id}{where}.{besides}"
    )


def _packs(job: Job) -> str:
    """The newest verdict on each pack that was checked."""
    words: dict[str, str] = {}
    for check in job.checks:
        if check.verdict is not None:
            words[check.pack] = check.verdict.verdict.verdict
        else:
            words.setdefault(check.pack, "no verdict")
    return ", ".join(f"{pack} {word}" for pack, word in words.items()) or "nothing checked"
