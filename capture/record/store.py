"""The store: every write of a job is one committed transaction, its ledger entry and its outgoing messages included.

Synchronous; callers on several threads wait for each other; the daemon gives it a worker thread of its
own. When a method returns, what it wrote survives a killed process and a power cut (WAL, synchronous=FULL). Clocks
and job UUIDs are arguments. Strokes and verdicts are only ever added, in `id` order, never changed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from datetime import datetime
from pathlib import Path
from typing import Any, Self, TypedDict, Unpack
from uuid import UUID

from sqlalchemy import Connection, func, select, update

from capture.clearance.gauge.facts import GaugeEntry, GaugeFact
from capture.clearance.kept_form import columns_of_stroke, columns_of_verdict
from capture.clearance.verdict import Verdict
from capture.mqtt.outgoing import OutboxRow, Outgoing, SetAside
from capture.mqtt.plant.happened import Happened
from capture.plumbing.durable import DISK_FULL
from capture.plumbing.sqlite_file import READ, SqliteFile
from capture.record import ledger, outbox, plant_history, schema
from capture.record.database import RecordError, is_full, open_engine
from capture.record.entries import Job, KeptState, Measure
from capture.record.gauges import keep_gauge_fact, load_gauge_facts
from capture.record.kept import KeptRecording, recordings
from capture.record.of_units import SignedJob, came_back_in, signed_jobs, unfinished_jobs
from capture.record.rows import body_of, keep, load_jobs, to_text
from capture.record.settings_kept import SettingsOf, WhoSet, keep_settings
from capture.strokes.methods import METHOD
from capture.strokes.stroke import Stroke
from capture.unit.facts import CameBack, ChangeUndone, Correction, Fact, Override, SignedOff, StrokeLeftOut, kind_of

__all__ = ["Store", "ToTell"]

#: Messages, or what makes them from the number and hash of the entry that they tell of.
ToTell = Sequence[Outgoing] | Callable[[tuple[int, str]], Sequence[Outgoing]]


def _tell(connection: Connection, messages: ToTell, at: datetime) -> None:
    outbox.put(connection, messages(ledger.head(connection)) if callable(messages) else messages, at)


class NewJob(TypedDict):
    """What a job is opened with, beside its UUID and time."""

    bench: str
    unit_serial: str
    technician: str
    sheet_name: str
    sheet_revision: str
    sheet_toml: str


class NewCheck(TypedDict):
    """What a check is started with, beside what measures it."""

    pack: str
    indicator: dict[str, Any]
    recording_path: str
    low_nm: int
    high_nm: int
    strokes_wanted: int
    seat_wanted: int
    measure: Measure


class Store(SqliteFile):
    """One open record. Every method raises RecordError, and then has changed nothing."""

    error = RecordError
    caught = (*SqliteFile.caught, ValueError, TypeError, KeyError, OverflowError)

    @classmethod
    def open(cls, path: str | Path) -> Self:
        """Open the record at `path`, making or migrating it first if it must be."""
        return cls(open_engine(Path(path)), Path(path))

    @classmethod
    def open_to_read(cls, path: str | Path) -> Self:
        """Open the record at `path` without writing anything of it; writes through it are refused."""
        return cls(open_engine(Path(path), read_only=True), Path(path))

    @property
    def path(self) -> Path:
        """The record's file. Its folder is the data folder that its recordings are in."""
        return self._path

    def open_job(self, *, uuid: UUID, at: datetime, messages: Sequence[Outgoing] = (), **job: Unpack[NewJob]) -> int:
        """Begin a job on a unit and return its id in this record."""
        with self._writing(f"open the job of unit {job['unit_serial']}") as connection:
            outbox.put(connection, messages, at)
            return keep(connection, "job_opened", None, at, uuid=str(uuid), **job)

    def close_job(self, job_id: int, *, at: datetime, messages: Sequence[Outgoing] = ()) -> None:
        """End a job. All its checks must be done or abandoned."""
        with self._writing(f"close job {job_id}") as connection:
            self._need_open_job(connection, job_id)
            self._need_rest(connection, job_id, "closed")
            connection.execute(update(schema.jobs).where(schema.jobs.c.id == job_id).values(closed_at=to_text(at)))
            ledger.append(connection, "job_closed", {"job": job_id}, to_text(at))
            outbox.put(connection, messages, at)

    def reopen_job(self, job_id: int, *, at: datetime) -> None:
        """Go on with a job that was closed; one that was signed off stays closed."""
        with self._writing(f"go on with job {job_id}") as connection:
            if self._closed_at(connection, job_id) is None:
                raise RecordError(f"job {job_id} in {self._path} is open already")
            self._need_unsigned(connection, job_id)
            connection.execute(update(schema.jobs).where(schema.jobs.c.id == job_id).values(closed_at=None))
            ledger.append(connection, "job_reopened", {"job": job_id}, to_text(at))

    def start_check(
        self,
        job_id: int,
        *,
        at: datetime,
        gauge: dict[str, Any] | None = None,
        origin: dict[str, Any] | None = None,
        messages: Sequence[Outgoing] = (),
        **check: Unpack[NewCheck],
    ) -> int:
        """Begin a check of `pack`, numbered after the pack's earlier checks in the job; return its id.

        `gauge` says which indicator this is: its `serial` and `calibration_due`; `origin` what stood behind its port.
        A job that was signed off takes no more checks.
        """
        checks, pack = schema.checks, check["pack"]
        with self._writing(f"start a check of pack {pack!r}") as connection:
            self._need_open_job(connection, job_id)
            self._need_unsigned(connection, job_id)
            earlier = connection.execute(
                select(func.max(checks.c.number)).where(checks.c.job == job_id, checks.c.pack == pack)
            ).scalar()
            outbox.put(connection, messages, at)
            told = {"gauge": gauge, "origin": origin}
            return keep(connection, "check_started", job_id, at, number=(earlier or 0) + 1, **check, **told)

    def add_stroke(
        self, check_id: int, stroke: Stroke, *, seat: bool, at: datetime, messages: Sequence[Outgoing] = ()
    ) -> None:
        """Keep one stroke of a check being measured. A stroke number the check already has is an error."""
        with self._writing(f"keep stroke {stroke.n} of check {check_id}") as connection:
            job = self._need_measuring(connection, check_id)
            keep(connection, "stroke", job, at, check=check_id, seat=seat, **columns_of_stroke(stroke))
            outbox.put(connection, messages, at)

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
        method: int = METHOD,
        messages: ToTell = (),
    ) -> None:
        """Keep the verdict of a check being measured, and end the check. `advice` is kept as JSON objects."""
        with self._writing(f"keep the verdict of check {check_id}") as connection:
            job = self._end(connection, check_id, "done", at)
            keep(
                connection,
                "verdict",
                job,
                at,
                check=check_id,
                advice=[dict(one) for one in advice],
                recording_sha256=recording_sha256,
                recording_bytes=recording_bytes,
                software_version=software_version,
                method=method,
                **columns_of_verdict(verdict),
            )
            _tell(connection, messages, at)

    def abandon_check(
        self,
        check_id: int,
        *,
        at: datetime,
        recording_sha256: str | None = None,
        recording_bytes: int | None = None,
        method: int = METHOD,
        messages: Sequence[Outgoing] = (),
    ) -> None:
        """End a check being measured without a verdict. Its strokes are kept, and can be proven if the recording
        was sealed and its hash and size are given."""
        with self._writing(f"abandon check {check_id}") as connection:
            job = self._end(connection, check_id, "abandoned", at)
            sealed = {"recording_sha256": recording_sha256, "recording_bytes": recording_bytes, "method": method}
            body = {"job": job, "check": check_id, **(sealed if recording_sha256 is not None else {})}
            ledger.append(connection, "check_abandoned", body, to_text(at))
            outbox.put(connection, messages, at)

    def abandon_open_checks(self, bench: str, *, at: datetime) -> int:
        """Abandon whatever `bench` left measuring when it stopped; return how many checks that were."""
        jobs, checks = schema.jobs.c, schema.checks.c
        left = select(checks.id).join_from(schema.checks, schema.jobs, checks.job == jobs.id)
        left = left.where(jobs.bench == bench, checks.state == "measuring").order_by(checks.id)
        with self._writing(f"abandon the open checks of bench {bench}") as connection:
            found = connection.execute(left).scalars().all()
            for check_id in found:
                job = self._end(connection, check_id, "abandoned", at)
                ledger.append(connection, "check_abandoned", {"job": job, "check": check_id}, to_text(at))
            return len(found)

    def add_clock_jump(self, bench: str, jump: Mapping[str, Any], *, at: datetime) -> int:
        """Keep that the wall clock of a bench was set to another time; return the entry's number."""
        with self._writing("keep that the clock was set") as connection:
            return ledger.append(connection, "clock_jumped", {"bench": bench, **jump}, to_text(at))

    def keep_settings(
        self, bench: str, of: SettingsOf, settings: Mapping[str, Any], who: WhoSet, *, at: datetime
    ) -> int | None:
        """Keep settings that decide something, unless they are what they were; return the entry's number."""
        with self._writing(f"keep the settings of bench {bench}") as connection:
            return keep_settings(connection, bench, of, settings, who, to_text(at))

    def benches(self) -> list[str]:
        """Return the benches whose jobs are in this record."""
        with self._reading("list the benches") as connection:
            return list(connection.execute(select(schema.jobs.c.bench).distinct()).scalars())

    def dated_outside(self, number: int, earliest: datetime, latest: datetime) -> list[tuple[int, datetime]]:
        """Return number and time of the entries after `number` that say an earlier time than `earliest`, and of those
        up to it that say a later one than `latest`, in their order."""
        entries = schema.ledger.c
        too_early = (entries.number > number) & (entries.at < to_text(earliest))
        too_late = (entries.number <= number) & (entries.at > to_text(latest))
        query = select(entries.number, entries.at).where(too_early | too_late).order_by(entries.number)
        with self._reading("compare the times of entries") as connection:
            return [(row.number, datetime.fromisoformat(row.at)) for row in connection.execute(query)]

    def newest_at(self) -> datetime | None:
        """Return the time of the newest entry, None in an empty record."""
        entries = schema.ledger.c
        with self._reading("read the newest entry") as connection:
            text = connection.execute(select(entries.at).order_by(entries.number.desc()).limit(1)).scalar()
        return None if text is None else datetime.fromisoformat(text)

    def add_fact(self, job_id: int, fact: Fact, *, at: datetime, messages: ToTell = ()) -> int:
        """Keep what happened to the unit beside its strokes; return its number in the ledger.

        A closed job takes facts too: steps and sign-off often come after the session at the bench. A job that was
        signed off takes only corrections; while a check is being measured it cannot be signed off. A correction
        names an earlier entry of the same job.
        """
        kind = kind_of(fact)
        with self._writing(f"keep {kind.replace('_', ' ')} of job {job_id}") as connection:
            self._closed_at(connection, job_id)
            for name in ("by", "reason"):
                # A technician's own work may go without a name; what lets something pass or changes a claim may not.
                blank = (
                    isinstance(fact, (CameBack, ChangeUndone, Override, SignedOff, Correction, StrokeLeftOut))
                    and not getattr(fact, name, "-").strip()
                )
                if blank:
                    raise RecordError(f"{kind} of job {job_id}: `{name}` is empty; expected a name and a reason")
            if isinstance(fact, Correction):
                self._need_entry(connection, job_id, fact.entry)
            else:
                self._need_unsigned(connection, job_id)
            if isinstance(fact, SignedOff):
                self._need_rest(connection, job_id, "signed off")
            number = ledger.append(connection, kind, {"job": job_id, **body_of(fact)}, to_text(at))
            _tell(connection, messages, at)
            return number

    def add_gauge_fact(self, fact: GaugeFact, *, at: datetime, messages: ToTell = ()) -> int:
        """Keep what was found of a gauge or happened to it, signed by name; return its number in the ledger."""
        with self._writing("keep what is known of a gauge") as connection:
            if not fact.by.strip():
                raise RecordError("a fact about a gauge has no name; expected who says so")
            number = keep_gauge_fact(connection, fact, to_text(at))
            _tell(connection, messages, at)
            return number

    def gauge_facts(self, before: int | None = None) -> list[GaugeEntry]:
        """Return what is kept of all gauges, in order; `before` an entry's number, if given."""
        with self._reading("read what is known of the gauges") as connection:
            return load_gauge_facts(connection, before)

    def add_pruned(self, check_id: int, *, recording_sha256: str, reason: str, at: datetime) -> int:
        """Keep that the recording of a check that is over is about to be removed by policy, and why; return the
        entry's number. Call it before the file is removed: what the ledger does not know to be pruned is missing.

        `recording_sha256` must be the hash that the check's verdict holds, if it has one.
        """
        checks, verdicts = schema.checks.c, schema.verdicts.c
        query = select(checks.job, checks.state, verdicts.recording_sha256).where(checks.id == check_id)
        with self._writing(f"keep that the recording of check {check_id} was pruned") as connection:
            row = connection.execute(query.join_from(schema.checks, schema.verdicts, isouter=True)).first()
            if row is None or row.state == "measuring":
                found = "there is no such check" if row is None else "it is still being measured"
                raise RecordError(f"the recording of check {check_id} in {self._path} cannot be pruned: {found}")
            if row.recording_sha256 not in (None, recording_sha256):
                raise RecordError(
                    f"the recording of check {check_id} in {self._path} cannot be pruned: its verdict was derived from "
                    f"{row.recording_sha256}, this file's hash is {recording_sha256}; run `strokelog record verify`"
                )
            body = {"job": row.job, "check": check_id, "recording_sha256": recording_sha256, "reason": reason}
            return ledger.append(connection, "pruned", body, to_text(at))

    def head(self) -> tuple[int, str]:
        """Return number and hash of the newest ledger entry, (0, 64 zeros) while there is none."""
        with self._reading("read the ledger's head") as connection:
            return ledger.head(connection)

    def sealed(self, number: int) -> tuple[str, datetime] | None:
        """Return hash and time of an entry, None where there is none of that number."""
        entries = schema.ledger.c
        with self._reading(f"read entry {number}") as connection:
            row = connection.execute(select(entries.sha256, entries.at).where(entries.number == number)).first()
        return None if row is None else (row.sha256, datetime.fromisoformat(row.at))

    def job_of(self, uuid: UUID) -> int | None:
        """Return the id of a job by its UUID, None where this record has no such job."""
        with self._reading(f"look for job {uuid}") as connection:
            return connection.execute(select(schema.jobs.c.id).where(schema.jobs.c.uuid == str(uuid))).scalar()

    def jobs(self, limit: int) -> list[Job]:
        """Return the newest `limit` jobs, newest first, each complete."""
        with self._reading("list the jobs") as connection:
            newest = select(schema.jobs.c.id).order_by(schema.jobs.c.id.desc()).limit(limit)
            return load_jobs(connection, newest)

    def unsigned_jobs(self, unit_serial: str) -> list[int]:
        """Return the jobs of a unit that nobody signed off, newest first."""
        jobs, entries = schema.jobs.c, schema.ledger.c
        signed = select(entries.job).where(entries.kind == "signed_off")
        found = select(jobs.id).where(jobs.unit_serial == unit_serial, jobs.id.not_in(signed)).order_by(jobs.id.desc())
        with self._reading(f"look for jobs of unit {unit_serial}") as connection:
            return list(connection.execute(found).scalars())

    def unfinished_jobs(self, bench: str, limit: int) -> list[Job]:
        """Return the newest `limit` jobs of a bench that nobody signed off and that name their unit, newest first."""
        with self._reading("look for unfinished units") as connection:
            return unfinished_jobs(connection, bench, limit)

    def signed_jobs(self, unit_serial: str) -> list[SignedJob]:
        """Return the jobs of a unit that were signed off, newest first."""
        with self._reading(f"look for jobs of unit {unit_serial}") as connection:
            return signed_jobs(connection, unit_serial)

    def came_back_in(self, job_id: int) -> list[int]:
        """Return the later jobs in which the unit of a job came back, oldest first."""
        with self._reading(f"look whether the unit of job {job_id} came back") as connection:
            return came_back_in(connection, job_id)

    def every_job(self, *, job: int | None = None, since: datetime | None = None, batch: int = 50) -> Iterator[Job]:
        """Yield the jobs, or only that one, or those opened at `since` or later; oldest first, each complete, all of
        one moment, and no more than `batch` of them in memory. Nothing else can use this store meanwhile."""
        ids = schema.jobs.c.id
        which = select(ids).order_by(ids).limit(batch)
        if job is not None:
            which = which.where(ids == job)
        with self._reading("read the jobs") as connection:
            if since is not None:
                which = which.where(schema.jobs.c.opened_at >= to_text(since))
            last = 0
            while found := load_jobs(connection, which.where(ids > last)):
                yield from reversed(found)
                last = found[0].id

    def recordings(self) -> list[KeptRecording]:
        """Return which recordings the record refers to, and how their jobs stand."""
        with self._reading("list the recordings") as connection:
            return recordings(connection)

    def job(self, job_id: int) -> Job:
        """Return one job with its checks, strokes and verdicts."""
        with self._reading(f"read job {job_id}") as connection:
            found = load_jobs(connection, select(schema.jobs.c.id).where(schema.jobs.c.id == job_id))
            if not found:
                raise RecordError(f"there is no job {job_id} in {self._path}; `strokelog jobs` lists those there are")
            return found[0]

    def put_outbox(self, messages: Sequence[Outgoing], *, at: datetime) -> None:
        """Queue messages that belong to no other write."""
        with self._writing("queue messages") as connection:
            outbox.put(connection, messages, at)

    def outbox_after(self, last_id: int, limit: int, *, aside: bool = False) -> list[OutboxRow]:
        """Return up to `limit` waiting messages whose row id is above `last_id`, oldest first; or of those that are set
        aside."""
        with self._reading("read the outbox") as connection:
            return outbox.after(connection, last_id, limit, schema.set_aside if aside else schema.outbox)

    def drop_outbox(self, ids: Sequence[int]) -> None:
        """Forget messages that the broker has taken."""
        if ids:
            with self._writing("empty the outbox") as connection:
                outbox.drop(connection, ids)

    def outbox_size(self) -> int:
        """Return how many messages are in the outbox: those that wait, and those that the broker took just now."""
        with self._reading("count the outbox") as connection:
            return outbox.size(connection)

    def waiting_since(self, newest: int) -> datetime | None:
        """Return when the oldest of the `newest` messages in the outbox was queued, None where none is there."""
        with self._reading("read the outbox") as connection:
            return outbox.waiting_since(connection, newest)

    def last_stroke_at(self) -> datetime | None:
        """Return when the newest stroke was kept, on whatever bench; None before the first."""
        entries = schema.ledger.c
        query = select(entries.at).where(entries.kind == "stroke").order_by(entries.number.desc()).limit(1)
        with self._reading("read the newest stroke's time") as connection:
            text = connection.execute(query).scalar()
        return None if text is None else datetime.fromisoformat(text)

    def happened_since(self, number: int, limit: int) -> tuple[list[Happened], int]:
        """Return strokes, verdicts and sign-offs after an entry, oldest first, and up to which entry that is all."""
        with self._reading("read what happened") as connection:
            return plant_history.since(connection, number, limit)

    def happened_last(self) -> tuple[list[Happened], int]:
        """Return the newest of each, and the number of the newest entry."""
        with self._reading("read what happened last") as connection:
            return plant_history.last(connection)

    def happened_count(self, number: int) -> tuple[int, datetime | None]:
        """Return how many there are after an entry, and when the first of them was."""
        with self._reading("count what happened") as connection:
            return plant_history.count(connection, number)

    def set_aside(self, refused: Mapping[int, str]) -> None:
        """Take messages that the broker refuses out of the outbox, each with why; they are kept."""
        if refused:
            with self._writing("set messages aside") as connection:
                outbox.put_aside(connection, refused)

    def aside(self) -> SetAside | None:
        """Return what is set aside, None if nothing is."""
        with self._reading("count the messages set aside") as connection:
            return outbox.aside(connection)

    def send_again(self) -> int:
        """Queue what was set aside once more, behind all that waits; return how many messages that were."""
        with self._writing("queue messages again") as connection:
            return outbox.bring_back(connection)

    def _words(self, what: str, error: Exception) -> str:
        return f"{DISK_FULL} ({self._path})" if is_full(error) else super()._words(what, error)

    def _writing(self, what: str) -> AbstractContextManager[Connection]:
        return self._transaction(what, {})

    def _reading(self, what: str) -> AbstractContextManager[Connection]:
        return self._transaction(what, READ)

    def _closed_at(self, connection: Connection, job_id: int) -> str | None:
        row = connection.execute(select(schema.jobs.c.closed_at).where(schema.jobs.c.id == job_id)).first()
        if row is None:
            raise RecordError(f"there is no job {job_id} in {self._path}; `strokelog jobs` lists those there are")
        closed_at: str | None = row.closed_at
        return closed_at

    def _need_open_job(self, connection: Connection, job_id: int) -> None:
        closed_at = self._closed_at(connection, job_id)
        if closed_at is not None:
            raise RecordError(f"job {job_id} in {self._path} was closed at {closed_at}; open a new job")

    def _need_unsigned(self, connection: Connection, job_id: int) -> None:
        entries = schema.ledger.c
        signed = connection.execute(
            select(entries.number, entries.at).where(entries.job == job_id, entries.kind == "signed_off")
        ).first()
        if signed is not None:
            raise RecordError(
                f"job {job_id} in {self._path} was signed off at {signed.at} (entry {signed.number}) and takes only "
                "corrections; open a new job for more work on the unit"
            )

    def _need_rest(self, connection: Connection, job_id: int, what: str) -> None:
        checks = schema.checks.c
        measuring = connection.execute(
            select(checks.pack).where(checks.job == job_id, checks.state == "measuring")
        ).scalar()
        if measuring is not None:
            raise RecordError(
                f"job {job_id} in {self._path} cannot be {what}: pack {measuring!r} is still "
                "being measured; finish or abandon its check first"
            )

    def _need_entry(self, connection: Connection, job_id: int, number: int) -> None:
        entries = schema.ledger.c
        row = connection.execute(select(entries.job).where(entries.number == number)).first()
        if row is None or row.job != job_id:
            found = "there is no such entry" if row is None else f"that entry belongs to job {row.job}"
            raise RecordError(
                f"entry {number} cannot be corrected in job {job_id} of {self._path}: {found}; "
                f"`strokelog show {job_id}` says which entries its checks and facts are"
            )

    def _need_measuring(self, connection: Connection, check_id: int) -> int:
        """Return the job of a check that is being measured."""
        checks = schema.checks.c
        row = connection.execute(select(checks.state, checks.job).where(checks.id == check_id)).first()
        if row is None or row.state != "measuring":
            found = "there is no such check" if row is None else f"it is {row.state}"
            raise RecordError(f"check {check_id} in {self._path} is not being measured: {found}; start a new check")
        return int(row.job)

    def _end(self, connection: Connection, check_id: int, state: KeptState, at: datetime) -> int:
        job = self._need_measuring(connection, check_id)
        connection.execute(
            update(schema.checks).where(schema.checks.c.id == check_id).values(state=state, ended_at=to_text(at))
        )
        return job
