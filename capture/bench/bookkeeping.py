"""What a bench writes down: its job, its checks, their strokes and verdicts. In order, and on a thread of its own: the
event loop never waits for a disk."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any
from uuid import uuid4

from capture.bench.deciding_settings import deciding
from capture.bench.origin import origin_now
from capture.bench.running_check import RunningCheck, begin_recording
from capture.bench.setup import BenchSetup
from capture.bench.wall_clock import WallClock
from capture.clearance.advice import Advice
from capture.clearance.check import StrokeKept
from capture.clearance.gauge.standing import GaugeStanding
from capture.clearance.verdict import Verdict
from capture.job.gauge_now import gauge_now, kept_with
from capture.job.people import PeopleError, keep_people
from capture.job.unfinished import UnfinishedUnit, fitted_differently, signed_before, unfinished, unfinished_units
from capture.job.unit_on_record import FactWritten, UnitOnRecord
from capture.plumbing.user_folders import user_name
from capture.record import RecordError, SignedJob, Store
from capture.record.settings_kept import WhoSet
from capture.recordings.file import RecordingError
from capture.recordings.queued import QueuedRecording
from capture.sheet.sheet import Pack
from capture.unit.changes import Outcome
from capture.unit.facts import Fact, StrokeLeftOut
from capture.unit.gauge_identity import Gauge


def _open(path: Path) -> Store:
    """Open the record, making its folder on a bench's first day; raises RecordError."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise RecordError(f"cannot make the folder {path.parent}: {error.strerror}; give another --data-dir") from error
    return Store.open(path)


class Bookkeeping:
    """The record of one bench and the job it is at. Every method may raise RecordError."""

    def __init__(self, setup: BenchSetup) -> None:
        self.setup = setup
        self.job = uuid4()
        self.unit: UnitOnRecord | None = None
        """What the record says of the unit, once there is a job."""
        self._store: Store | None = None
        self._closed = False
        """Whether the job goes on from an earlier session and nothing was measured in this one yet."""
        self._clock = WallClock()
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="record")

    @property
    def store(self) -> Store:
        """The open record."""
        assert self._store is not None
        return self._store

    async def do(self, function: Callable[..., Any], *arguments: Any, **named: Any) -> Any:
        """Call a function on the record's thread."""
        try:
            called = asyncio.get_running_loop().run_in_executor(self._thread, partial(function, *arguments, **named))
        except RuntimeError as error:  # the thread was ended
            raise RecordError("the session has ended and its record is closed") from error
        return await called

    # -- the job -----------------------------------------------------------------------------------------

    async def open(self) -> None:
        """Open the record; what this bench left measuring when it stopped is over."""
        self._store = await self.do(_open, self.setup.record_path)
        await self.do(self.store.abandon_open_checks, self.setup.bench, at=datetime.now(UTC))
        await self._keep_jump(self._clock.behind(await self.do(self.store.newest_at)))

    async def _keep_jump(self, jump: dict[str, Any] | None) -> None:
        if jump is not None:
            await self.do(self.store.add_clock_jump, self.setup.bench, jump, at=datetime.now(UTC))

    def close(self) -> None:
        """Close the record."""
        self._thread.shutdown(wait=True)
        if self._store is not None:
            self._store.close()

    async def close_job(self) -> None:
        """The session ends. A job that was only looked at stays as it was."""
        if self.unit is not None and not self._closed:
            await self.do(self.store.close_job, self.unit.job.id, at=datetime.now(UTC))

    async def begin_job(self, unit_serial: str, technician: str, now: datetime) -> UnitOnRecord:
        """Begin the job with its first check or fact: a session that did nothing leaves nothing in the record."""
        sheet = self.setup.sheet.sheet
        job_id: int = await self.do(
            self.store.open_job,
            uuid=self.job,
            bench=self.setup.bench,
            unit_serial=unit_serial,
            technician=technician,
            sheet_name=sheet.name,
            sheet_revision=sheet.revision,
            sheet_toml=self.setup.sheet_toml,
            at=now,
        )
        return await self._take_up(job_id)

    async def go_on(self, job_id: int) -> UnitOnRecord:
        """Take up a job of an earlier session. Raises RecordError where that cannot be."""
        unit = await self._take_up(job_id)
        job = unit.job
        if unit.now.released:
            raise RecordError(f"job {job_id} was signed off; begin a new job for more work on unit {job.unit_serial}")
        if job.bench != self.setup.bench:
            raise RecordError(f"job {job_id} is of bench {job.bench!r}; go on there, or give --bench {job.bench}")
        self.job, self._closed = job.uuid, job.closed_at is not None
        return unit

    async def _take_up(self, job_id: int) -> UnitOnRecord:
        unit: UnitOnRecord = await self.do(
            UnitOnRecord,
            self.store,
            job_id,
            stock=self.setup.stock,
            publishes=self.setup.broker is not None,
            wrench=self.setup.wrench_serial,
        )
        self.unit = unit
        return unit

    async def unfinished(self, unit_serial: str) -> str:
        """Return what there is to know of an unfinished job of this unit, empty for nothing."""
        told: str = await self.do(unfinished, self.store, unit_serial, self.setup.bench)
        return told

    async def signed_before(self, unit_serial: str) -> SignedJob | None:
        """Return the newest job in which this unit was signed off, None where it never was."""
        found: SignedJob | None = await self.do(signed_before, self.store, unit_serial)
        return found

    async def fitted_differently(self, job_id: int) -> str:
        """Return the parts that a job left in its unit and of which the sheet now says otherwise; empty for none."""
        found: str = await self.do(fitted_differently, self.store, job_id, self.setup.sheet)
        return found

    async def unfinished_units(self) -> tuple[UnfinishedUnit, ...]:
        """Return the unfinished units of this bench, newest first, without the one that is on it."""
        now = self.unit.job.id if self.unit is not None else 0
        found: tuple[UnfinishedUnit, ...] = await self.do(unfinished_units, self.store, self.setup.bench, now)
        return found

    # -- checks ------------------------------------------------------------------------------------------

    async def start_check(
        self, pack: Pack, technician: str, began_ns: int, on_failure: Callable[[RecordingError], None]
    ) -> RunningCheck:
        """Begin the row and the recording of a check in the job, whose bytes are those since `began_ns` (monotonic);
        `on_failure` is told when that cannot be written."""
        assert self.unit is not None
        setup, job_id = self.setup, self.unit.job.id
        await self._keep_jump(self._clock.jump())
        now = datetime.now(UTC)
        if self._closed:
            await self.do(self.store.reopen_job, job_id, at=now)
            self._closed = False
        origin = await self.do(origin_now, setup.port, technician)
        gauge = None if setup.gauge is None else await self.do(self._gauge, setup.gauge, now, origin)
        who = WhoSet(technician, user_name())
        await self.do(self.store.keep_settings, setup.bench, "bench", deciding(setup), who, at=now)
        await self.keep_people(technician)
        recording, path = await self.do(begin_recording, setup, job_id, self.job, pack, technician, origin, now, gauge)
        try:
            check_id = await self.do(
                self.store.start_check,
                job_id,
                pack=pack.name,
                indicator=setup.indicator,
                recording_path=path.relative_to(setup.data_dir).as_posix(),
                low_nm=pack.low_nm,
                high_nm=pack.high_nm,
                strokes_wanted=pack.strokes,
                seat_wanted=pack.seat_strokes,
                measure=pack.measure,
                gauge=gauge,
                origin=origin,
                at=now,
            )
        except RecordError:
            recording.close()
            path.unlink()  # a recording of nothing that the record knows of
            raise
        # Its first stroke must not wait for the job to be read; what fails here is said when a stroke is kept.
        with suppress(RuntimeError):  # the thread was ended
            self._thread.submit(self.unit.look)
        return RunningCheck.of(
            setup, check_id, pack, QueuedRecording(recording, on_failure), began_ns, gauge, technician
        )

    async def keep_people(self, technician: str) -> None:
        """Keep in the record who can sign here by which key, where that is not what it was. Raises RecordError."""
        setup = self.setup
        with suppress(PeopleError):  # whoever signs by a key is told
            who = WhoSet(technician, user_name())
            await self.do(keep_people, self.store, setup.data_dir, setup.bench, who, datetime.now(UTC))

    def _gauge(self, gauge: Gauge, at: datetime, origin: Mapping[str, Any]) -> dict[str, Any]:
        return kept_with(gauge, self.store.gauge_facts(), self.setup.bench, at, origin)

    async def gauge_standing(self) -> GaugeStanding | None:
        """Return how the gauge stands now, None where the shop does not say which it is."""
        gauge = self.setup.gauge
        if gauge is None:
            return None
        entries = await self.do(self.store.gauge_facts)
        origin = await self.do(origin_now, self.setup.port)
        return gauge_now(entries, gauge, self.setup.bench, datetime.now(UTC), origin)

    async def keep_stroke(self, running: RunningCheck, kept: StrokeKept, now: datetime, place: int) -> None:
        """Keep a stroke of the running check, once its recording is written up to `place`."""
        assert self.unit is not None
        await running.recording.written(place)
        await self.do(self.unit.keep_stroke, running.id, kept, at=now, technician=running.technician)

    async def keep_verdict(
        self, running: RunningCheck, verdict: Verdict, advice: Sequence[Advice], now: datetime
    ) -> Outcome | None:
        """End the check with its verdict, after its recording is whole on the disk."""
        assert self.unit is not None
        await self._keep_jump(self._clock.jump())
        sha256, size = await running.recording.seal()
        outcome: Outcome | None = await self.do(
            self.unit.keep_verdict,
            running.id,
            running.pack,
            verdict,
            advice,
            recording_sha256=sha256,
            recording_bytes=size,
            at=now,
            technician=running.technician,
        )
        running.recording.close()
        return outcome

    async def abandon(self, running: RunningCheck) -> None:
        """End the check without a verdict."""
        sha256, size = await running.recording.seal()
        await self.do(
            self.store.abandon_check,
            running.id,
            at=datetime.now(UTC),
            recording_sha256=sha256,
            recording_bytes=size,
        )

    # -- the unit ----------------------------------------------------------------------------------------

    async def write(self, facts: Sequence[Fact]) -> list[FactWritten]:
        """Put what happened to the unit into the record, in order. Raises Refused at the first that is refused."""
        assert self.unit is not None
        written: list[FactWritten] = await self.do(self.unit.add, facts, at=datetime.now(UTC))
        return written

    async def left_out(self, pack: str, stroke: int, by: str, reason: str) -> StrokeLeftOut:
        """Return the fact that a stroke was wrong. Raises Refused."""
        assert self.unit is not None
        fact: StrokeLeftOut = await self.do(self.unit.left_out, pack, stroke, by, reason)
        return fact

    async def look(self) -> None:
        """Read the record anew: steps are signed from other desks too."""
        if self.unit is not None:
            await self.do(self.unit.look)
