"""One bench at work: wires the port, the recording, the strokes, the check, the record, the publisher and the view.

It decides nothing itself. Bytes go to the recording before anything is made of them; strokes go to the record, with
their message, as they complete; a verdict is recorded after its recording is on the disk. Everything that can wait
for a disk runs on one thread of its own, in order, so that the event loop never does. The check being measured is in
`running`, the unit with its facts in `unit`, what is shown in `picture`.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from functools import partial
from importlib import import_module
from pathlib import Path
from time import monotonic_ns
from typing import Any
from uuid import uuid4

from capture.air.button import StrokesToMake
from capture.air.control import AirControl, AirStanding
from capture.bench.fill_view import (
    new_view,
    show_air,
    show_check,
    show_no_reading,
    show_readings,
    show_silence,
    show_unit,
    show_verdict,
)
from capture.bench.lock import BenchLock
from capture.bench.running_check import RunningCheck, begin_recording, since
from capture.bench.setup import BenchSetup
from capture.bench.silence import Heard, Silence, worthy
from capture.bench.status import bench_status
from capture.clearance.advice import Advice, advise
from capture.clearance.check import MOST_TIMES, Effect, Finished, StrokeKept
from capture.clearance.diagnosis import how_far_off
from capture.clearance.verdict import MOST_STROKES, Verdict
from capture.job.unfinished import unfinished
from capture.job.unit_on_record import UnitOnRecord, Written
from capture.mqtt.messages import BenchStatus
from capture.mqtt.publisher import BrokerState, Publisher
from capture.record import RecordError, Store
from capture.recordings.playback import Playback, open_port
from capture.recordings.stream import IndicatorStream
from capture.strokes.stroke import Stroke
from capture.unit.changes import Outcome
from capture.unit.facts import Fact
from capture.unit.offers import NO_CHOICE, Choice
from drivers.transport import Chunk, Lost, Opened, Transport

__all__ = ["Bench", "BenchSetup", "Happening"]

_LOOK_EVERY_S = 0.5

#: What `on_event` is told: a stroke as shown, a verdict, a fact of the unit, or a warning in words; with the name of
#: the pack, or nothing where it is of none.
Happening = StrokeKept | Verdict | Written | str


async def _ended(task: asyncio.Task[None]) -> None:
    """Cancel a task and wait until it has put everything in order; what it raised is told elsewhere."""
    task.cancel()
    await asyncio.wait({task})


def _open_store(path: Path) -> Store:
    """Open the record, making its folder on a bench's first day; raises RecordError."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise RecordError(f"cannot make the folder {path.parent}: {error.strerror}; give another --data-dir") from error
    return Store.open(path)


class Bench:
    """A job on one bench. Run `run()` as a task; call `start_check` and `end_check` from the same loop."""

    def __init__(
        self,
        setup: BenchSetup,
        *,
        on_change: Callable[[], None] = lambda: None,
        on_event: Callable[[Happening, str], None] = lambda happening, pack: None,
    ) -> None:
        """`on_change` is called whenever the view changed; `on_event` for everything that completes."""
        self.setup = setup
        self._on_change = on_change
        self._on_event = on_event
        self.packs = setup.sheet.order()
        """The packs in the order to check them, with their parts as fitted now."""
        self.view = new_view(setup)
        self.advice: list[Advice] = []
        """What the newest verdict advises."""
        self.unfinished = ""
        """What there is to know, before a new job, of one of this unit that nobody signed off; empty for nothing."""
        self.out_of_reach = ""
        """Where no part brings the newest verdict's pack into range: how far off it is and what it looks like."""
        self.job_id = 0
        self.unit: UnitOnRecord | None = None
        """What the record says of the unit, once there is a job."""
        self.choice: Choice = NO_CHOICE
        """Which changes of parts are on offer."""
        self._job = uuid4()
        self._job_closed = False
        """Whether the job goes on from an earlier session and nothing was measured in this one yet."""
        self._store: Store | None = None
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="record")
        self._publisher: Publisher | None = None
        self.air: AirControl | None = None
        """The fixture's control, None where the valve is worked by hand."""
        if setup.fixture is not None:
            self.air = AirControl(
                setup.fixture,
                on_bytes=self._fixture_bytes,
                on_lost=self._fixture_lost,
                on_change=self._air_changed,
            )
        self._running: RunningCheck | None = None
        self._idle = IndicatorStream(setup.driver, setup.settings)
        self._began_ns = self._idle_from_ns = monotonic_ns()
        self._busy = asyncio.Lock()
        self.ready = asyncio.Event()
        """Set once the record is open and the job begun."""
        self.finished = asyncio.Event()
        """Set whenever no check is being measured."""
        self.finished.set()
        self._heard = Heard(self._now_ns())
        self._failure: BaseException | None = None
        self._closing: asyncio.Task[None] | None = None
        self._silence: Silence = ""
        self._broker_warning = self._broker_told = ""
        self._gauge_warning = setup.gauge.reminder(datetime.now().astimezone().date()) if setup.gauge else ""
        self.view.warning = self.standing_warning
        self._last_stroke: tuple[datetime, int] | None = None
        """When the newest stroke was kept, and its travel as the sheet measures."""
        self._air_told: AirStanding | None = None

    # -- life --------------------------------------------------------------------------------------------

    async def run(self) -> None:
        """Open the record and measure until cancelled. Raises RecordError or RecordingError."""
        with BenchLock(self.setup.record_path.parent, self.setup.bench):
            await self._run_alone()

    async def _run_alone(self) -> None:
        setup = self.setup
        self._store = store = await self._in_thread(_open_store, setup.record_path)
        try:
            await self._in_thread(store.abandon_open_checks, setup.bench, at=datetime.now(UTC))
            async with contextlib.AsyncExitStack() as stack:
                if setup.resume is not None:
                    await self._go_on(store, setup.resume)
                elif told := await self.look_for_unfinished():
                    self._on_event(f"{told} This session begins a new job.", "")
                if setup.broker is not None:
                    self._publisher = Publisher(
                        setup.broker, store, self._in_thread, self._status(), on_state=self._broker_changed
                    )
                    await stack.enter_async_context(self._publisher)
                stack.push_async_callback(self._close)
                transport = open_port(
                    setup.port,
                    baud=setup.settings.baud,
                    framing=setup.settings.framing,
                    request=setup.driver.request(setup.settings),
                    poll_interval_ns=setup.driver.poll_interval_ns(setup.settings),
                    speed=setup.speed,
                )
                await stack.enter_async_context(transport)
                watching = asyncio.create_task(self._watch_silence())
                stack.callback(watching.cancel)
                if self.air is not None:
                    controlling = asyncio.create_task(self.air.run(), name="air")
                    stack.push_async_callback(_ended, controlling)
                    # The valve is shut by then; a bench whose air control failed must not go on as if nothing were.
                    controlling.add_done_callback(lambda task: self._air_failed(task, transport))
                self.ready.set()
                # SciPy's import takes a while; it must neither delay the start nor stall the loop at the first verdict.
                warm = asyncio.create_task(asyncio.to_thread(import_module, "scipy.special"))
                stack.callback(warm.cancel)
                async for event in transport:
                    async with self._busy:
                        await self._handle(event)
                if self._failure is not None:
                    raise self._failure
        finally:
            self._thread.shutdown(wait=True)
            store.close()

    async def _close(self) -> None:
        """The session ends: keep what a running check has, and close the job."""
        async with self._busy:
            await self._abandon("session ended")
            if self._store is not None and self.job_id and not self._job_closed:
                await self._in_thread(self._store.close_job, self.job_id, at=datetime.now(UTC))

    async def _begin_job(self, store: Store, now: datetime) -> None:
        """Begin the job with its first check or fact: a session that did nothing leaves nothing in the record."""
        sheet = self.setup.sheet.sheet
        self.job_id = await self._in_thread(
            store.open_job,
            uuid=self._job,
            bench=self.setup.bench,
            unit_serial=self.view.unit_serial,
            technician=self.view.technician,
            sheet_name=sheet.name,
            sheet_revision=sheet.revision,
            sheet_toml=self.setup.sheet_toml,
            at=now,
        )
        self.view.job = str(self.job_id)
        self.unit = await self._unit_of(store, self.job_id)

    async def _unit_of(self, store: Store, job_id: int) -> UnitOnRecord:
        publishes = self.setup.broker is not None
        unit: UnitOnRecord = await self._in_thread(
            UnitOnRecord, store, job_id, stock=self.setup.stock, publishes=publishes
        )
        return unit

    async def _go_on(self, store: Store, job_id: int) -> None:
        """Take up a job of an earlier session. Raises RecordError where that cannot be."""
        unit = self.unit = await self._unit_of(store, job_id)
        job = unit.job
        if unit.now.released:
            raise RecordError(f"job {job_id} was signed off; begin a new job for more work on unit {job.unit_serial}")
        if job.bench != self.setup.bench:
            raise RecordError(f"job {job_id} is of bench {job.bench!r}; go on there, or give --bench {job.bench}")
        self.job_id, self._job, self._job_closed = job_id, job.uuid, job.closed_at is not None
        self.view.job, self.view.unit_serial = str(job_id), job.unit_serial
        self.view.technician = self.view.technician or job.technician
        await self._unit_changed()

    @property
    def standing_warning(self) -> str:
        """What is warned of while there is nothing more urgent; empty if all is well."""
        return self._broker_warning or self._gauge_warning

    async def _in_thread(self, function: Callable[..., Any], *arguments: Any, **named: Any) -> Any:
        return await asyncio.get_running_loop().run_in_executor(self._thread, partial(function, *arguments, **named))

    # -- checks ------------------------------------------------------------------------------------------

    async def start_check(self, pack_index: int) -> None:
        """Begin to measure a pack, from its seat strokes; a check still running is abandoned."""
        async with self._busy:
            await self._abandon("another check began")
            pack = self.packs[pack_index]
            setup = self.setup
            assert self._store is not None
            now, started_ns = datetime.now(UTC), monotonic_ns()
            if not self.job_id:
                await self._begin_job(self._store, now)
            if self._job_closed:
                await self._in_thread(self._store.reopen_job, self.job_id, at=now)
                self._job_closed = False
            recording, path = await self._in_thread(
                begin_recording, setup, self.job_id, self._job, pack, self.view.technician, now
            )
            try:
                check_id = await self._in_thread(
                    self._store.start_check,
                    self.job_id,
                    pack=pack.name,
                    indicator=setup.indicator,
                    recording_path=path.relative_to(setup.data_dir).as_posix(),
                    low_nm=pack.low_nm,
                    high_nm=pack.high_nm,
                    strokes_wanted=pack.strokes,
                    seat_wanted=pack.seat_strokes,
                    measure=pack.measure,
                    gauge=setup.gauge.kept() if setup.gauge else None,
                    at=now,
                )
            except RecordError:
                recording.close()
                path.unlink()  # a recording of nothing that the record knows of
                raise
            self._running = RunningCheck.of(setup, check_id, pack, recording, started_ns)
            if self.air is not None:
                self.air.begin_check(
                    StrokesToMake(pack.seat_strokes, pack.strokes, min(MOST_STROKES, MOST_TIMES * pack.strokes))
                )
            self.finished.clear()
            show_check(self.view, pack_index, pack, self._running.check.next_step())
            self._tell_status()
            self._on_change()

    async def end_check(self) -> None:
        """Abandon the running check, if any; its strokes are kept."""
        async with self._busy:
            await self._abandon("ended by the technician")

    async def _abandon(self, note: str) -> None:
        running, self._running = self._running, None
        if self.air is not None:
            self.air.end_check(f"{note}.")
        if running is None or self._store is None:
            return
        try:
            await self._effects(running, running.finish(monotonic_ns(), note), last=True)
            sha256 = await self._in_thread(running.recording.seal)
            await self._in_thread(
                self._store.abandon_check,
                running.id,
                at=datetime.now(UTC),
                recording_sha256=sha256,
                recording_bytes=running.recording.size,
            )
        finally:
            running.recording.close()
            self._rest(running)
        self.view.message = "The check was ended before its verdict; its strokes are kept."
        if self.unit is not None:
            # An earlier verdict of the pack still says what it said.
            show_unit(self.view, self.unit.now, self.choice)
        self._on_change()

    def _rest(self, running: RunningCheck) -> None:
        """No check is running: readings are only shown."""
        for shown in self.view.packs:
            if shown.name == running.pack.name:
                shown.state = "waiting" if shown.verdict is None else "done"
        self.view.question = None  # whether to end this check: it has ended
        self._idle = IndicatorStream(self.setup.driver, self.setup.settings)
        self._idle_from_ns = monotonic_ns()
        self._tell_status()
        self.finished.set()

    # -- the unit ----------------------------------------------------------------------------------------

    async def write(self, facts: Sequence[Fact]) -> list[Written]:
        """Put what happened to the unit into the record, in order. Raises Refused at the first that is refused."""
        async with self._busy:
            assert self._store is not None
            now = datetime.now(UTC)
            if self.unit is None:
                await self._begin_job(self._store, now)
            assert self.unit is not None
            try:
                written: list[Written] = await self._in_thread(self.unit.add, facts, at=now)
            finally:
                await self._unit_changed()
            self._notify()
        for one in written:
            self._on_event(one, getattr(one.fact, "pack", None) or "")
        return written

    async def look(self) -> None:
        """Read the record anew: steps are signed from other desks too."""
        async with self._busy:
            if self.unit is not None:
                await self._in_thread(self.unit.look)
                await self._unit_changed()

    def view_changed(self) -> None:
        """Say that what is shown may differ, where something beside the bench changed it."""
        self._on_change()

    def name_technician(self, name: str) -> None:
        """Somebody else works from now on."""
        self.view.technician = name
        self._tell_status()
        self._on_change()

    async def look_for_unfinished(self) -> str:
        """Look whether the unit has an unfinished job, and show that; return what there is to know of it."""
        assert self._store is not None
        self.unfinished = await self._in_thread(unfinished, self._store, self.view.unit_serial, self.setup.bench)
        if not self.job_id:
            self.view.message = self._at_rest
        return self.unfinished

    @property
    def _at_rest(self) -> str:
        """What there is to do while nothing is measured and nothing was."""
        return f"{self.unfinished} Enter begins a new job." if self.unfinished and not self.job_id else ""

    def name_unit(self, serial: str) -> bool:
        """Say which unit is on the bench; False once a job was begun for another."""
        if self.job_id and serial != self.view.unit_serial:
            return False
        self.view.unit_serial = serial
        self._tell_status()
        self._on_change()
        return True

    async def _unit_changed(self) -> None:
        """Take over how the unit stands now: its parts, what may be changed, and what is shown."""
        assert self.unit is not None
        now = self.unit.now
        self.packs = now.fitted.order()
        on_screen = self.packs[self.view.pack].name if self.view.pack >= 0 else ""
        # A unit whose packs influence each other may take a second to plan: neither the loop nor the record waits.
        self.choice = await asyncio.to_thread(self.unit.choice, on_screen)
        show_unit(self.view, now, self.choice)
        self._on_change()

    def _now_ns(self) -> int:
        """Now on the bench's clock, which runs `speed` times as fast."""
        return since(self._began_ns, monotonic_ns(), self.setup.speed)

    async def _watch_silence(self) -> None:
        """Say so when an open port brings no reading: a frozen number must not pass for a live one."""
        while True:
            await asyncio.sleep(_LOOK_EVERY_S)
            if self.view.indicator == "up":
                self._look_for_silence()

    def _look_for_silence(self) -> None:
        now_ns, before = self._now_ns(), self._silence
        self._silence, warning = self._heard.silence(now_ns), self._heard.warning(now_ns)
        if not self._silence and not before:
            return
        if self._silence and self.air is not None:
            self.air.indicator(False)
        show_silence(self.view, self._silence)
        self.view.warning = warning or self.standing_warning
        if self._silence != before:
            self._tell_status()
            if warning:
                self._on_event(warning, "")
        self._on_change()

    # -- the fixture -------------------------------------------------------------------------------------

    async def _fixture_bytes(self, t_ns: int, data: bytes) -> None:
        async with self._busy:
            running = self._running
            if running:
                running.feed_fixture(t_ns, data)
        self._air_changed()

    async def _fixture_lost(self, t_ns: int) -> None:
        assert self.air is not None
        self._on_event(self.air.port_text, "")
        async with self._busy:
            running = self._running
            if running:
                running.fixture_lost(t_ns)

    def _air_changed(self) -> None:
        air, view = self.air, self.view
        if air is None:
            return
        if air.safety.trip and view.air_state != air.safety.state.value:
            self._on_event(f"The air was shut off: {air.safety.trip}", "")
        held = self._running.stream.fixture.held if self._running and self._running.stream.fixture else None
        show_air(view, air, held.words if held else "")
        if air.standing != self._air_told:
            self._tell_status()
        self._on_change()

    def _air_failed(self, task: asyncio.Task[None], transport: Transport | Playback) -> None:
        if not task.cancelled() and task.exception() is not None:
            self._failure = task.exception()
            self._closing = asyncio.create_task(transport.__aexit__(None, None, None))

    # -- what arrives ------------------------------------------------------------------------------------

    async def _handle(self, event: Opened | Chunk | Lost) -> None:
        running = self._running
        if self.air is not None and not isinstance(event, Chunk):
            self.air.indicator(False)
        if isinstance(event, Chunk):
            if running:
                stream = running.stream
                readings, strokes = running.feed(event.t_ns, event.data)
            else:
                stream = self._idle
                readings, strokes = stream.feed(since(self._idle_from_ns, event.t_ns, self.setup.speed), event.data)
            if self._heard.take(self._now_ns(), readings):
                if self.air is not None:
                    self.air.indicator(True)
                if self._silence:
                    self._look_for_silence()
            # The trace runs on through the starts and ends of checks, so it has a clock of its own.
            shown_ns = since(self._began_ns, event.t_ns, self.setup.speed)
            show_readings(self.view, stream, shown_ns, [reading.value_nm for reading in worthy(readings)])
            if running:
                await self._effects(running, strokes)
        elif isinstance(event, Lost):
            self.view.indicator, self.view.indicator_text = "down", event.reason
            if self._silence:  # there is no open port any more that could be silent
                self._silence, self.view.warning = "", self.standing_warning
            show_silence(self.view, self._silence)
            show_no_reading(self.view)
            self.view.message = "Release the air. Reconnect the indicator: measuring goes on by itself."
            played = self.setup.port.startswith("recording:")  # which ends, and does not come back
            again = "" if played else "; it is tried again by itself, and measuring begins when it answers"
            self._on_event(event.reason + again, "")
            if running:
                await self._effects(running, running.lost(event.t_ns))
            self._tell_status()
        else:
            self._heard.opened(self._now_ns())
            self.view.indicator = "up"
            self.view.message = running.check.next_step() if running else self._at_rest
            if self.unit is not None:
                show_unit(self.view, self.unit.now, self.choice)
            self.view.indicator_text = f"{self.setup.port}, {self.setup.driver.name}"
            self._tell_status()
        self._on_change()

    async def _effects(self, running: RunningCheck, strokes: list[Stroke], *, last: bool = False) -> None:
        for stroke in strokes:
            for effect in running.check.take(stroke):
                await self._do(running, effect, last)

    async def _do(self, running: RunningCheck, effect: Effect, last: bool) -> None:
        assert self.unit is not None
        now = datetime.now(UTC)
        if isinstance(effect, StrokeKept):
            await self._in_thread(self.unit.keep_stroke, running.id, running.pack.name, effect, at=now)
            stroke = effect.stroke
            self._last_stroke = now, stroke.peak_travel_nm if running.pack.measure == "peak" else stroke.held_travel_nm
            self._notify()
            self.view.strokes.append(effect)
            self.view.verdict = running.check.verdict
            self.view.message = running.check.next_step()
            self._on_event(effect, running.pack.name)
            if self.air is not None:
                self.air.stroke(counts=effect.stroke.accepted, seats=effect.seat)
        elif isinstance(effect, Finished) and not last:
            await self._finish(running, effect.verdict, now)
        self._on_change()

    async def _finish(self, running: RunningCheck, verdict: Verdict, now: datetime) -> None:
        assert self.unit is not None
        advice = await asyncio.to_thread(advise, running.pack, verdict, self.setup.sheet.display_unit)
        out_of_reach = "" if advice else how_far_off(running.pack, verdict, self.view.display_unit)
        sha256 = await self._in_thread(running.recording.seal)
        outcome: Outcome | None = await self._in_thread(
            self.unit.keep_verdict,
            running.id,
            running.pack,
            verdict,
            advice,
            recording_sha256=sha256,
            recording_bytes=running.recording.size,
            at=now,
        )
        self._notify()
        running.recording.close()
        self._running = None
        if self.air is not None:
            self.air.settled()
        self.advice, self.out_of_reach = advice, out_of_reach
        show_verdict(self.view, verdict, outcome, out_of_reach)
        await self._unit_changed()
        self._rest(running)
        self._on_event(verdict, running.pack.name)

    # -- publishing --------------------------------------------------------------------------------------

    def _notify(self) -> None:
        if self._publisher is not None:
            self._publisher.notify()

    def _status(self) -> BenchStatus:
        self._air_told = self.air.standing if self.air else None
        job = self._job if self.job_id else None
        return bench_status(
            self.setup, self.view, job, self._running, self.air, self._last_stroke, silence=self._silence
        )

    def _tell_status(self) -> None:
        if self._publisher is not None:
            self._publisher.set_status(self._status())

    def _broker_changed(self, state: BrokerState) -> None:
        self.view.broker, self.view.broker_waiting = state.link, state.waiting
        self._broker_warning = state.reason if state.link == "down" else ""
        if state.link == "up":
            self._broker_told = ""
        elif self._broker_warning not in ("", self._broker_told):  # once, for a log; the screen keeps showing it
            self._broker_told = self._broker_warning
            self._on_event(self._broker_warning, "")
        if not self._silence:
            self.view.warning = self.standing_warning
        self._on_change()
