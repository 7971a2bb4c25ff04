"""Which recordings a record refers to, and what it says of their jobs that decides how long they are needed. Where the
files are, and what is done with them, is not known here.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, func, select

from capture.record import ledger, schema
from capture.record.entries import KeptState


@dataclass(frozen=True, slots=True)
class KeptRecording:
    """The recording of one check, and how its job stands."""

    check: int
    job: int
    path: str
    """Where it was written."""
    state: KeptState
    ended_at: datetime | None
    job_closed_at: datetime | None
    job_signed_off: bool
    """By an entry that no correction names."""
    job_said_at: datetime
    """When anything was last said of the job, removed recordings aside."""


def recordings(connection: Connection) -> list[KeptRecording]:
    """Return the recordings of all checks, in the order of the checks."""
    jobs, checks, entries = schema.jobs.c, schema.checks.c, schema.ledger.c
    said = select(entries.job, func.max(entries.at)).where(entries.kind != "pruned").group_by(entries.job)
    said_at = {row[0]: datetime.fromisoformat(row[1]) for row in connection.execute(said)}
    corrected: set[int] = {
        ledger.parse(row.body)["entry"]
        for row in connection.execute(select(entries.body).where(entries.kind == "correction"))
    }
    signed = {
        row.job
        for row in connection.execute(select(entries.number, entries.job).where(entries.kind == "signed_off"))
        if row.number not in corrected
    }
    query = select(
        checks.id, checks.job, checks.recording_path, checks.state, checks.ended_at, jobs.closed_at, jobs.opened_at
    ).join_from(schema.checks, schema.jobs, checks.job == jobs.id)
    return [
        KeptRecording(
            check=row.id,
            job=row.job,
            path=row.recording_path,
            state=row.state,
            ended_at=None if row.ended_at is None else datetime.fromisoformat(row.ended_at),
            job_closed_at=None if row.closed_at is None else datetime.fromisoformat(row.closed_at),
            job_signed_off=row.job in signed,
            job_said_at=said_at.get(row.job) or datetime.fromisoformat(row.opened_at),
        )
        for row in connection.execute(query.order_by(checks.id))
    ]
