"""What a record knows of a unit across its jobs: which are unfinished, which were signed off, where it came back."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, func, select

from capture.record import ledger, schema
from capture.record.entries import Job
from capture.record.rows import fact_of, load_jobs
from capture.unit.facts import is_demonstration


@dataclass(frozen=True, slots=True)
class SignedJob:
    """A job that was signed off: its number, and that of the sign-off's entry."""

    job: int
    entry: int
    at: datetime
    by: str
    demonstration: bool = False
    """Whether the sign-off released no unit, since what was judged was not measured on one."""


def unfinished_jobs(connection: Connection, bench: str, limit: int) -> list[Job]:
    """Return the newest `limit` jobs of a bench that nobody signed off and that name their unit, newest first."""
    jobs, entries = schema.jobs.c, schema.ledger.c
    signed = select(entries.job).where(entries.kind == "signed_off")
    found = select(jobs.id).where(jobs.bench == bench, jobs.unit_serial != "", jobs.id.not_in(signed))
    return load_jobs(connection, found.order_by(jobs.id.desc()).limit(limit))


def signed_jobs(connection: Connection, unit_serial: str) -> list[SignedJob]:
    """Return the jobs of a unit that were signed off, newest first."""
    jobs, entries = schema.jobs.c, schema.ledger.c
    last = select(func.max(entries.number)).where(entries.kind == "signed_off").group_by(entries.job)
    found = (
        select(entries.job, entries.number, entries.at, entries.kind, entries.body)
        .join_from(schema.ledger, schema.jobs, entries.job == jobs.id)
        .where(jobs.unit_serial == unit_serial, entries.number.in_(last))
        .order_by(jobs.id.desc())
    )
    return [_signed(row) for row in connection.execute(found)]


def _signed(row: Any) -> SignedJob:
    body = ledger.parse(row.body)
    demonstration = is_demonstration(fact_of(row.kind, body))
    return SignedJob(row.job, row.number, datetime.fromisoformat(row.at), str(body["by"]), demonstration)


def came_back_in(connection: Connection, job_id: int) -> list[int]:
    """Return the later jobs in which the unit of a job came back, oldest first."""
    jobs, entries = schema.jobs.c, schema.ledger.c
    serial = select(jobs.unit_serial).where(jobs.id == job_id).scalar_subquery()
    found = select(entries.job, entries.body).join_from(schema.ledger, schema.jobs, entries.job == jobs.id)
    found = found.where(entries.kind == "came_back", jobs.unit_serial == serial, jobs.id > job_id)
    rows = connection.execute(found.order_by(entries.number))
    return list(dict.fromkeys(row.job for row in rows if ledger.parse(row.body)["earlier"] == job_id))
