"""The store: every write of a job is one committed transaction, its outgoing messages included.

Synchronous; callers on several threads wait for each other; the daemon gives it a worker thread of its
own. When a method returns, what it wrote survives a killed process and a power cut (WAL, synchronous=FULL). Clocks
and job UUIDs are arguments. Strokes and verdicts are only ever added, in `id` order, never changed.
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self
from uuid import UUID

from sqlalchemy import Connection, Engine, Table, delete, func, insert, select, update
from sqlalchemy.exc import SQLAlchemyError

from capture.messages import Outgoing
from capture.record import schema
from capture.record.database import READ, RecordError, open_engine, reason
from capture.record.entries import CheckState, Job, Measure, OutboxRow
from capture.record.rows import columns_of_stroke, columns_of_verdict, load_jobs, to_text
from capture.strokes import Stroke
from capture.verdict import Verdict

__all__ = ["Store"]


class Store:
    """One open record. Every method raises RecordError, and then has changed nothing."""

    def __init__(self, engine: Engine, path: Path) -> None:
        self._engine = engine
        self._path = path
        self._lock = threading.Lock()

    @classmethod
    def open(cls, path: str | Path) -> Self:
        """Open the record at `path`, making or migrating it first if it must be."""
        return cls(open_engine(Path(path)), Path(path))

    def close(self) -> None:
        """Close the file. The record is whole whether this is called or not."""
        with self._lock:
            self._engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def open_job(
        self,
        *,
        uuid: UUID,
        bench: str,
        unit_serial: str,
        technician: str,
        sheet_name: str,
        sheet_revision: str,
        sheet_toml: str,
        at: datetime,
        messages: Sequence[Outgoing] = (),
    ) -> int:
        """Begin a job on a unit and return its id in this record."""
        with self._writing(f"open the job of unit {unit_serial}") as connection:
            _put(connection, messages, at)
            return _insert(
                connection,
                schema.jobs,
                uuid=str(uuid),
                bench=bench,
                unit_serial=unit_serial,
                technician=technician,
                sheet_name=sheet_name,
                sheet_revision=sheet_revision,
                sheet_toml=sheet_toml,
                opened_at=to_text(at),
            )

    def close_job(self, job_id: int, *, at: datetime, messages: Sequence[Outgoing] = ()) -> None:
        """End a job. All its checks must be done or abandoned."""
        with self._writing(f"close job {job_id}") as connection:
            self._need_open_job(connection, job_id)
            measuring = connection.execute(
                select(schema.checks.c.pack).where(schema.checks.c.job == job_id, schema.checks.c.state == "measuring")
            ).scalar()
            if measuring is not None:
                raise RecordError(
                    f"job {job_id} in {self._path} cannot be closed: pack {measuring!r} is still "
                    "being measured; finish or abandon its check first"
                )
            connection.execute(update(schema.jobs).where(schema.jobs.c.id == job_id).values(closed_at=to_text(at)))
            _put(connection, messages, at)

    def start_check(
        self,
        job_id: int,
        *,
        pack: str,
        indicator: Mapping[str, Any],
        recording_path: str,
        low_nm: int,
        high_nm: int,
        strokes_wanted: int,
        seat_wanted: int,
        measure: Measure,
        at: datetime,
        messages: Sequence[Outgoing] = (),
    ) -> int:
        """Begin a check of `pack`, numbered after the pack's earlier checks in the job; return its id."""
        checks = schema.checks
        with self._writing(f"start a check of pack {pack!r}") as connection:
            self._need_open_job(connection, job_id)
            earlier = connection.execute(
                select(func.max(checks.c.number)).where(checks.c.job == job_id, checks.c.pack == pack)
            ).scalar()
            _put(connection, messages, at)
            return _insert(
                connection,
                checks,
                job=job_id,
                pack=pack,
                number=(earlier or 0) + 1,
                state="measuring",
                indicator=dict(indicator),
                recording_path=recording_path,
                started_at=to_text(at),
                low_nm=low_nm,
                high_nm=high_nm,
                strokes_wanted=strokes_wanted,
                seat_wanted=seat_wanted,
                measure=measure,
            )

    def add_stroke(
        self, check_id: int, stroke: Stroke, *, seat: bool, at: datetime, messages: Sequence[Outgoing] = ()
    ) -> None:
        """Keep one stroke of a check being measured. A stroke number the check already has is an error."""
        with self._writing(f"keep stroke {stroke.n} of check {check_id}") as connection:
            self._need_measuring(connection, check_id)
            _insert(connection, schema.strokes, check=check_id, seat=seat, **columns_of_stroke(stroke))
            _put(connection, messages, at)

    def finish_check(
        self,
        check_id: int,
        verdict: Verdict,
        *,
        advice: Sequence[Mapping[str, Any]],
        recording_sha256: str,
        recording_bytes: int,
        software_version: str,
        at: datetime,
        messages: Sequence[Outgoing] = (),
    ) -> None:
        """Keep the verdict of a check being measured, and end the check. `advice` is kept as JSON objects."""
        with self._writing(f"keep the verdict of check {check_id}") as connection:
            self._end(connection, check_id, "done", at)
            _insert(
                connection,
                schema.verdicts,
                check=check_id,
                advice=[dict(one) for one in advice],
                recording_sha256=recording_sha256,
                recording_bytes=recording_bytes,
                software_version=software_version,
                at=to_text(at),
                **columns_of_verdict(verdict),
            )
            _put(connection, messages, at)

    def abandon_check(self, check_id: int, *, at: datetime, messages: Sequence[Outgoing] = ()) -> None:
        """End a check being measured without a verdict. Its strokes are kept."""
        with self._writing(f"abandon check {check_id}") as connection:
            self._end(connection, check_id, "abandoned", at)
            _put(connection, messages, at)

    def abandon_open_checks(self, bench: str, *, at: datetime) -> int:
        """Abandon whatever `bench` left measuring when it stopped; return how many checks that were."""
        jobs_of_bench = select(schema.jobs.c.id).where(schema.jobs.c.bench == bench)
        with self._writing(f"abandon the open checks of bench {bench}") as connection:
            result = connection.execute(
                update(schema.checks)
                .where(schema.checks.c.state == "measuring", schema.checks.c.job.in_(jobs_of_bench))
                .values(state="abandoned", ended_at=to_text(at))
            )
            return result.rowcount

    def jobs(self, limit: int) -> list[Job]:
        """Return the newest `limit` jobs, newest first, each complete."""
        with self._reading("list the jobs") as connection:
            newest = select(schema.jobs.c.id).order_by(schema.jobs.c.id.desc()).limit(limit)
            return load_jobs(connection, newest)

    def job(self, job_id: int) -> Job:
        """Return one job with its checks, strokes and verdicts."""
        with self._reading(f"read job {job_id}") as connection:
            found = load_jobs(connection, select(schema.jobs.c.id).where(schema.jobs.c.id == job_id))
            if not found:
                raise RecordError(f"there is no job {job_id} in {self._path}; list the jobs to see which there are")
            return found[0]

    def put_outbox(self, messages: Sequence[Outgoing], *, at: datetime) -> None:
        """Queue messages that belong to no other write."""
        with self._writing("queue messages") as connection:
            _put(connection, messages, at)

    def outbox_after(self, last_id: int, limit: int) -> list[OutboxRow]:
        """Return up to `limit` waiting messages whose row id is above `last_id`, oldest first."""
        outbox = schema.outbox.c
        query = (
            select(outbox.id, outbox.message, outbox.topic, outbox.payload, outbox.retain)
            .where(outbox.id > last_id)
            .order_by(outbox.id)
            .limit(limit)
        )
        with self._reading("read the outbox") as connection:
            return [OutboxRow(row, Outgoing(*message)) for row, *message in connection.execute(query)]

    def drop_outbox(self, ids: Sequence[int]) -> None:
        """Forget messages that the broker has taken."""
        if ids:
            with self._writing("empty the outbox") as connection:
                connection.execute(delete(schema.outbox).where(schema.outbox.c.id.in_(ids)))

    def outbox_size(self) -> int:
        """Return how many messages wait for the broker."""
        with self._reading("count the outbox") as connection:
            return connection.execute(select(func.count()).select_from(schema.outbox)).scalar_one()

    @contextmanager
    def _transaction(self, what: str, options: Mapping[str, str]) -> Iterator[Connection]:
        try:
            with (
                self._lock,
                self._engine.connect().execution_options(**options) as connection,
                connection.begin(),
            ):
                yield connection
        except (SQLAlchemyError, sqlite3.Error, ValueError, TypeError, OverflowError) as error:
            raise RecordError(f"could not {what} in {self._path}: {reason(error)}; nothing of it was kept") from error

    def _writing(self, what: str) -> AbstractContextManager[Connection]:
        return self._transaction(what, {})

    def _reading(self, what: str) -> AbstractContextManager[Connection]:
        return self._transaction(what, READ)

    def _need_open_job(self, connection: Connection, job_id: int) -> None:
        row = connection.execute(select(schema.jobs.c.closed_at).where(schema.jobs.c.id == job_id)).first()
        if row is None:
            raise RecordError(f"there is no job {job_id} in {self._path}; open a job first")
        if row.closed_at is not None:
            raise RecordError(f"job {job_id} in {self._path} was closed at {row.closed_at}; open a new job")

    def _need_measuring(self, connection: Connection, check_id: int) -> None:
        state = connection.execute(select(schema.checks.c.state).where(schema.checks.c.id == check_id)).scalar()
        if state != "measuring":
            found = "there is no such check" if state is None else f"it is {state}"
            raise RecordError(f"check {check_id} in {self._path} is not being measured: {found}; start a new check")

    def _end(self, connection: Connection, check_id: int, state: CheckState, at: datetime) -> None:
        self._need_measuring(connection, check_id)
        connection.execute(
            update(schema.checks).where(schema.checks.c.id == check_id).values(state=state, ended_at=to_text(at))
        )


def _insert(connection: Connection, table: Table, **values: Any) -> int:
    key = connection.execute(insert(table).values(**values)).inserted_primary_key
    assert key is not None  # every table here numbers its rows
    return int(key[0])


def _put(connection: Connection, messages: Sequence[Outgoing], at: datetime) -> None:
    if messages:
        connection.execute(
            insert(schema.outbox),
            [
                {
                    "message": message.id,
                    "topic": message.topic,
                    "payload": message.payload,
                    "retain": message.retain,
                    "created_at": to_text(at),
                }
                for message in messages
            ],
        )
