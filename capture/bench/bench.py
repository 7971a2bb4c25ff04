"""One bench at work: wires the port, the recording, the strokes, the check, the record, the publisher and the view.

It decides nothing itself. Bytes go to the recording before anything is made of them; strokes go to the record, with
their message, as they complete; a verdict is recorded after its recording is on the disk. What it knows is its `state`,
from which `fill_view` makes what is shown; what it writes down is `bookkeeping`.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from importlib import import_module
from time import monotonic_ns

from capture.air.button import StrokesToMake
from capture.air.control import AirControl, AirStanding
from capture.air.safety import State as AirState
from capture.bench.bookkeeping import Bookkeeping
from capture.bench.dial import Dial
from capture.bench.fill_view import fill_view
from capture.bench.lock import BenchLock
from capture.bench.running_check import RunningCheck, since
from capture.bench.setup import BenchSetup
from capture.bench.state import BenchState
from capture.bench.status import bench_status
from capture.clearance.advice import advise
from capture.clearance.check import MOST_TIMES, Effect, Finished, StrokeKept
from capture.clearance.diagnosis import how_far_off
from capture.clearance.verdict import MOST_STROKES, Verdict
from capture.dashboard.view import BenchView
from capture.job.unit_on_record import UnitOnRecord, Written
from capture.mqtt.messages import BenchStatus
from capture.mqtt.publisher import BrokerState, Publisher
from capture.record import RecordError
from capture.recordings.file import RecordingError
from capture.recordings.playback import Playback, open_port
from capture.recordings.stream import IndicatorStream
from capture.strokes.stroke import Stroke
from capture.unit.facts import Fact
from drivers.transport import Chunk, Lost, Opened, Transport

__all__ = ["Bench", "BenchSetup", "Happening"]

_LOOK_EVERY_S = 0.5

#: What `on_event` is told: a stroke as kept, a verdict, a fact of the unit, or a warning in words; with the name of
#: the pack, or nothing where it is of none.
Happening = StrokeKept | Verdict | Written | str


async def _ended(task: asyncio.Task[None]) -> None:
    """Cancel a task and wait until it has put everything in order; what it raised is told elsewhere."""
    task.cancel()
    await asyncio.wait({task})


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
        self.air: AirControl | None = None
        """The fixture's control, None where the valve is worked by hand."""
        if setup.fixture is not None:
            self.air = AirControl(
                setup.fixture,
                on_bytes=self._fixture_bytes,
                on_lost=self._fixture_lost,
                on_change=self._air_changed,
            )
        self.state = BenchState(
            setup,
            unit_serial=setup.unit_serial,
            technician=setup.technician,
            packs=setup.sheet.order(),
            dial=Dial(f"{setup.port}, {setup.driver.name}"),
            air=self.air,
            gauge_warning=setup.gauge.reminder(datetime.now().astimezone().date()) if setup.gauge else "",
        )
        self._books = Bookkeeping(setup)
        self._publisher: Publisher | None = None
        self._idle = IndicatorStream(setup.driver, setup.settings)
        self._began_ns = self._idle_from_ns = monotonic_ns()
        self._busy = asyncio.Lock()
        self.ready = asyncio.Event()
        """Set once the record is open and the job begun."""
        self.finished = asyncio.Event()
        """Set whenever no check is being measured."""
        self.finished.set()
        self._failure: BaseException | None = None
        self._closing: asyncio.Task[None] | None = None
        self._broker_told = ""
        self._last_stroke: tuple[datetime, int] | None = None
        """When the newest stroke was kept, and its travel as the sheet measures."""
        self._air_told: AirStanding | None = None
        self._air_was: AirState | None = None

    @property
    def view(self) -> BenchView:
        """What there is to show now."""
        return fill_view(self.state)

    @property
    def unit(self) -> UnitOnRecord | None:
        """What the record says of the unit, once there is a job."""
        return self._books.unit

    # -- life --------------------------------------------------------------------------------------------

    async def run(self) -> None:
        """Open the record and measure until cancelled. Raises RecordError or RecordingError."""
        with BenchLock(self.setup.record_path.parent, self.setup.bench):
            try:
                await self._books.open()
                await self._run()
            finally:
                self._books.close()

    async def _run(self) -> None:
        setup = self.setup
        async with contextlib.AsyncExitStack() as stack:
            if setup.resume is not None:
                await self._go_on(setup.resume)
            elif told := await self.look_for_unfinished():
                self._on_event(f"{told} This session begins a new job.", "")
            if setup.broker is not None:
                self._publisher = Publisher(
                    setup.broker, self._books.store, self._books.do, self._status(), on_state=self._broker_changed
                )
                await stack.enter_async_context(self._publisher)
            stack.push_async_exit(self._close)
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

    async def _close(self, _kind: object, error: BaseException | None, _trace: object) -> None:
        """The session ends: keep what a running check has, and close the job. What ended it is what is said: a full
        disk keeps neither."""
        try:
            async with self._busy:
                await self._abandon("session ended")
                await self._books.close_job()
        except (RecordError, RecordingError):
            if error is None or isinstance(error, asyncio.CancelledError):
                raise

    async def _begin_job(self) -> None:
        state = self.state
        unit = await self._books.begin_job(state.unit_serial, state.technician, datetime.now(UTC))
        state.job_id, state.unit = unit.job.id, unit.now

    async def _go_on(self, job_id: int) -> None:
        """Take up a job of an earlier session. Raises RecordError where that cannot be."""
        unit, state = await self._books.go_on(job_id), self.state
        state.job_id, state.unit_serial = job_id, unit.job.unit_serial
        state.technician = state.technician or unit.job.technician
        await self._unit_changed()

    # -- checks ------------------------------------------------------------------------------------------

    async def start_check(self, pack_index: int) -> None:
        """Begin to measure a pack, from its seat strokes; a check still running is abandoned."""
        async with self._busy:
            await self._abandon("another check began")
            state, pack = self.state, self.state.packs[pack_index]
            if self.unit is None:
                await self._begin_job()
            state.running = await self._books.start_check(pack, state.technician)
            state.pack, state.strokes, state.ended_early = pack_index, [], False
            state.advice, state.outcome, state.out_of_reach = [], None, ""
            state.dial.trace.clear()
            if self.air is not None:
                self.air.begin_check(
                    StrokesToMake(pack.seat_strokes, pack.strokes, min(MOST_STROKES, MOST_TIMES * pack.strokes))
                )
            self.finished.clear()
            self._tell_status()
            self._on_change()

    async def end_check(self) -> None:
        """Abandon the running check, if any; its strokes are kept."""
        async with self._busy:
            await self._abandon("ended by the technician")

    async def _abandon(self, note: str) -> None:
        running = self.state.running
        if self.air is not None:
            self.air.end_check(f"{note}.")
        if running is None:
            return
        try:
            await self._effects(running, running.finish(monotonic_ns(), note), last=True)
            await self._books.abandon(running)
        finally:
            running.recording.close()
            self.state.ended_early = True
            self._rest()
        self._on_change()

    def _rest(self) -> None:
        """No check is running: readings are only shown."""
        self.state.running = None
        self._idle = IndicatorStream(self.setup.driver, self.setup.settings)
        self._idle_from_ns = monotonic_ns()
        self._tell_status()
        self.finished.set()

    # -- the unit ----------------------------------------------------------------------------------------

    async def write(self, facts: Sequence[Fact]) -> list[Written]:
        """Put what happened to the unit into the record, in order. Raises Refused at the first that is refused."""
        async with self._busy:
            if self.unit is None:
                await self._begin_job()
            try:
                written = await self._books.write(facts)
            finally:
                await self._unit_changed()
            self._notify()
        for one in written:
            self._on_event(one, getattr(one.fact, "pack", None) or "")
        return written

    async def leave_out(self, stroke: int, by: str, reason: str) -> list[Written]:
        """A stroke of the pack on the screen was wrong: leave it out, of the check that runs or of the last one.

        Raises Refused, having written nothing, where that cannot be.
        """
        state = self.state
        assert self.unit is not None and state.pack >= 0
        async with self._busy:
            running = state.running
            fact = await self._books.left_out(state.packs[state.pack].name, stroke, by, reason)
            written = await self._books.write([fact])
            if running is not None:
                running.check.leave_out(stroke)
            else:  # what was said of the verdict with it does not hold any more
                state.advice, state.outcome, state.out_of_reach = [], None, ""
            words = f"left out by {by}: {reason}"
            state.strokes = [replace(one, left_out=words) if one.stroke.n == stroke else one for one in state.strokes]
            await self._unit_changed()
            self._notify()
        for one in written:
            self._on_event(one, fact.pack)
        return written

    async def look(self) -> None:
        """Read the record anew: steps are signed from other desks too."""
        async with self._busy:
            await self._books.look()
            await self._unit_changed()

    def view_changed(self) -> None:
        """Say that what is shown may differ, where something beside the bench changed it."""
        self._on_change()

    def name_technician(self, name: str) -> None:
        """Somebody else works from now on."""
        self.state.technician = name
        self._tell_status()
        self._on_change()

    async def look_for_unfinished(self) -> str:
        """Look whether the unit has an unfinished job; return what there is to know of it."""
        self.state.unfinished = await self._books.unfinished(self.state.unit_serial)
        return self.state.unfinished

    def name_unit(self, serial: str) -> bool:
        """Say which unit is on the bench; False once a job was begun for another."""
        if self.state.job_id and serial != self.state.unit_serial:
            return False
        self.state.unit_serial = serial
        self._tell_status()
        self._on_change()
        return True

    async def _unit_changed(self) -> None:
        """Take over how the unit stands now: its parts, what may be changed, and what is shown."""
        unit, state = self.unit, self.state
        if unit is None:
            return
        state.unit, state.packs = unit.now, unit.now.fitted.order()
        on_screen = state.packs[state.pack].name if state.pack >= 0 else ""
        # A unit whose packs influence each other may take a second to plan: neither the loop nor the record waits.
        state.choice = await asyncio.to_thread(unit.choice, on_screen)
        self._on_change()

    # -- readings ----------------------------------------------------------------------------------------

    def _now_ns(self) -> int:
        """Now on the bench's clock, which runs `speed` times as fast."""
        return since(self._began_ns, monotonic_ns(), self.setup.speed)

    async def _watch_silence(self) -> None:
        """Say so when an open port brings no reading: a frozen number must not pass for a live one."""
        while True:
            await asyncio.sleep(_LOOK_EVERY_S)
            if self.state.dial.link == "up":
                self._look_for_silence()

    def _look_for_silence(self) -> None:
        dial, before = self.state.dial, self.state.dial.silence
        if not dial.look(self._now_ns()):
            return
        if dial.silence and self.air is not None:
            self.air.indicator(False)
        if dial.silence != before:
            self._tell_status()
            if dial.warning:
                self._on_event(dial.warning, "")
        self._on_change()

    async def _handle(self, event: Opened | Chunk | Lost) -> None:
        running, dial = self.state.running, self.state.dial
        if self.air is not None and not isinstance(event, Chunk):
            self.air.indicator(False)
        if isinstance(event, Chunk):
            await self._bytes(event)
        elif isinstance(event, Lost):
            dial.lost(event.reason)
            played = self.setup.port.startswith("recording:")  # which ends, and does not come back
            again = "" if played else "; it is tried again by itself, and measuring begins when it answers"
            self._on_event(event.reason + again, "")
            if running:
                await self._effects(running, running.lost(event.t_ns))
            self._tell_status()
        else:
            dial.opened(self._now_ns())
            self._tell_status()
        self._on_change()

    async def _bytes(self, event: Chunk) -> None:
        running, dial = self.state.running, self.state.dial
        if running:
            stream = running.stream
            readings, strokes = running.feed(event.t_ns, event.data)
        else:
            stream = self._idle
            readings, strokes = stream.feed(since(self._idle_from_ns, event.t_ns, self.setup.speed), event.data)
        # The trace runs on through the starts and ends of checks, so it has a clock of its own.
        if dial.take(self._now_ns(), since(self._began_ns, event.t_ns, self.setup.speed), stream, readings):
            if self.air is not None:
                self.air.indicator(True)
            if dial.silence:
                self._look_for_silence()
        if running:
            await self._effects(running, strokes)

    # -- the fixture -------------------------------------------------------------------------------------

    async def _fixture_bytes(self, t_ns: int, data: bytes) -> None:
        async with self._busy:
            if self.state.running:
                self.state.running.feed_fixture(t_ns, data)
        self._air_changed()

    async def _fixture_lost(self, t_ns: int) -> None:
        assert self.air is not None
        self._on_event(self.air.port_text, "")
        async with self._busy:
            if self.state.running:
                self.state.running.fixture_lost(t_ns)

    def _air_changed(self) -> None:
        air = self.air
        if air is None:
            return
        if air.safety.trip and self._air_was is not air.safety.state:
            self._on_event(f"The air was shut off: {air.safety.trip}", "")
        self._air_was = air.safety.state
        if air.standing != self._air_told:
            self._tell_status()
        self._on_change()

    def _air_failed(self, task: asyncio.Task[None], transport: Transport | Playback) -> None:
        if not task.cancelled() and task.exception() is not None:
            self._failure = task.exception()
            self._closing = asyncio.create_task(transport.__aexit__(None, None, None))

    # -- strokes and verdicts ----------------------------------------------------------------------------

    async def _effects(self, running: RunningCheck, strokes: list[Stroke], *, last: bool = False) -> None:
        for stroke in strokes:
            for effect in running.check.take(stroke):
                await self._do(running, effect, last)

    async def _do(self, running: RunningCheck, effect: Effect, last: bool) -> None:
        now = datetime.now(UTC)
        if isinstance(effect, StrokeKept):
            await self._books.keep_stroke(running, effect, now)
            stroke = effect.stroke
            self._last_stroke = now, stroke.peak_travel_nm if running.pack.measure == "peak" else stroke.held_travel_nm
            self._notify()
            self.state.strokes.append(effect)
            self._on_event(effect, running.pack.name)
            if self.air is not None:
                self.air.stroke(counts=stroke.accepted, seats=effect.seat)
        elif isinstance(effect, Finished) and not last:
            await self._finish(running, effect.verdict, now)
        self._on_change()

    async def _finish(self, running: RunningCheck, verdict: Verdict, now: datetime) -> None:
        state, unit = self.state, self.setup.sheet.display_unit
        advice = await asyncio.to_thread(advise, running.pack, verdict, unit)
        out_of_reach = "" if advice else how_far_off(running.pack, verdict, unit)
        outcome = await self._books.keep_verdict(running, verdict, advice, now)
        self._notify()
        if self.air is not None:
            self.air.settled()
        state.running = None
        state.advice, state.outcome, state.out_of_reach = advice, outcome, out_of_reach
        await self._unit_changed()
        self._rest()
        self._on_event(verdict, running.pack.name)

    # -- publishing --------------------------------------------------------------------------------------

    def _notify(self) -> None:
        if self._publisher is not None:
            self._publisher.notify()

    def _status(self) -> BenchStatus:
        self._air_told = self.air.standing if self.air else None
        return bench_status(self.state, self._books.job if self.state.job_id else None, self._last_stroke)

    def _tell_status(self) -> None:
        if self._publisher is not None:
            self._publisher.set_status(self._status())

    def _broker_changed(self, state: BrokerState) -> None:
        self.state.broker = state
        if state.link == "up" and not state.reason:
            self._broker_told = ""
        elif state.link in ("up", "down") and state.reason not in ("", self._broker_told):
            self._broker_told = state.reason  # once, for a log; the screen keeps showing it
            self._on_event(state.reason, "")
        self._on_change()
