"""One bench at work: wires the port, the recording, the strokes, the check, the record, the publisher and the view.

It decides nothing itself. Taking what the ports bring waits for nothing: bytes are handed to the recording, then to the
finder and the check, and the air is told. What that comes to is kept behind it (`keeping`), in order: a stroke goes to
the record, with its message, once its own readings are in the recording's file; a verdict once all of that file is on
the disk and its hash taken; and nothing is told before it is kept. What it knows is its `state`, from which `fill_view`
makes what is shown; what it writes down is `bookkeeping`.
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
from capture.air.keeper.kept import KeptAir
from capture.air.safety import State as AirState
from capture.air.standing import AirStanding
from capture.bench.bookkeeping import Bookkeeping
from capture.bench.dial import Dial
from capture.bench.fill_view import fill_view
from capture.bench.gauge_morning import GaugeCheck
from capture.bench.keeping import Found, Keeping
from capture.bench.lock import BenchLock
from capture.bench.running_check import RunningCheck, since
from capture.bench.setup import BenchSetup
from capture.bench.state import BenchState
from capture.bench.status import bench_status
from capture.clearance.advice import advise
from capture.clearance.check import MOST_TIMES, Finished, StrokeKept
from capture.clearance.diagnosis import how_far_off
from capture.clearance.gauge.standing import GaugeStanding
from capture.clearance.verdict import MOST_STROKES, Verdict
from capture.dashboard.view import BenchView
from capture.job.unit_on_record import FactWritten, UnitOnRecord
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
#: From here on what waits for the disk is said.
_SLOW_DISK_NS = 1_000_000_000
_DISK_IS_SLOW = (
    "The disk is slow: what was measured waits to be written. Strokes show once they are kept; nothing is lost so far."
)

#: What `on_event` is told: a stroke as kept, a verdict, a fact of the unit, how the gauge stands, or a warning in
#: words; with the name of the pack, or nothing where it is of none.
Happening = StrokeKept | Verdict | FactWritten | str | GaugeStanding


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
        self.air: KeptAir | None = None
        """The fixture's control, None where the valve is worked by hand."""
        if setup.fixture is not None:
            self.air = KeptAir(
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
        self.gauge_check: GaugeCheck | None = None
        """A check of the gauge itself against masters, while it goes."""
        self._finishing: asyncio.Task[None] | None = None
        self._publisher: Publisher | None = None
        self._idle = IndicatorStream(setup.driver, setup.settings)
        self._began_ns = self._idle_from_ns = monotonic_ns()
        self._busy = asyncio.Lock()
        """Held by whoever writes down or changes what is measured; taking what a port brings never waits for it."""
        self._keeping = Keeping(self._keep, self._busy)
        self._early: list[tuple[bool, Chunk | Lost]] | None = None
        """While a check begins: what came meanwhile and will be its, with whether the fixture sent it."""
        self._found_meanwhile: list[Stroke] | None = None
        """While a stroke is left out: those that were completed, for the check to take afterwards."""
        self._transport: Transport | Playback | None = None
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
            keeping = asyncio.create_task(self._keeping.run(), name="keeping")
            stack.push_async_callback(_ended, keeping)
            keeping.add_done_callback(self._part_ended)
            stack.push_async_exit(self._close)
            transport = open_port(
                setup.port,
                baud=setup.settings.baud,
                framing=setup.settings.framing,
                request=setup.driver.request(setup.settings),
                poll_interval_ns=setup.driver.poll_interval_ns(setup.settings),
                speed=setup.speed,
            )
            self._transport = transport
            await stack.enter_async_context(transport)
            watching = asyncio.create_task(self._watch_silence())
            stack.callback(watching.cancel)
            if self.air is not None:
                controlling = asyncio.create_task(self.air.run(), name="air")
                stack.push_async_callback(_ended, controlling)
                # The valve is shut by then; a bench whose air control failed must not go on as if nothing were.
                controlling.add_done_callback(self._part_ended)
            await self._look_at_gauge()
            self.ready.set()
            # SciPy's import takes a while; it must neither delay the start nor stall the loop at the first verdict.
            warm = asyncio.create_task(asyncio.to_thread(import_module, "scipy.special"))
            stack.callback(warm.cancel)
            async for event in transport:
                self._handle(event)
            if self._failure is not None:
                raise self._failure

    async def _close(self, _kind: object, error: BaseException | None, _trace: object) -> None:
        """The session ends: keep what a running check has, and close the job. What ended it is what is said: a full
        disk keeps neither."""
        try:
            async with self._busy:
                await self.leave_gauge_check()
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
        self._no_more_air("another check began")
        async with self._busy:
            await self.leave_gauge_check()
            await self._abandon("another check began")
            state, pack = self.state, self.state.packs[pack_index]
            early: list[tuple[bool, Chunk | Lost]] = []
            self._early = early
            try:
                if self.unit is None:
                    await self._begin_job()
                running = await self._books.start_check(pack, state.technician, self._fail)
            finally:
                self._early = None
            state.running = running
            state.pack, state.strokes, state.ended_early = pack_index, [], False
            state.advice, state.outcome, state.out_of_reach = [], None, ""
            state.dial.trace.clear()
            if self.air is not None:
                self.air.begin_check(
                    StrokesToMake(pack.seat_strokes, pack.strokes, min(MOST_STROKES, MOST_TIMES * pack.strokes))
                )
            self.finished.clear()
            self._take_early(running, early)
            self._tell_status()
            self._on_change()

    def _take_early(self, running: RunningCheck, early: Sequence[tuple[bool, Chunk | Lost]]) -> None:
        for of_fixture, event in early:
            if of_fixture and isinstance(event, Chunk):
                running.feed_fixture(event.t_ns, event.data)
            elif of_fixture:
                running.fixture_lost(event.t_ns)
            elif isinstance(event, Chunk):
                self._found(running, running.feed(event.t_ns, event.data)[1])
            else:
                self._found(running, running.lost(event.t_ns))

    # -- the gauge itself --------------------------------------------------------------------------------

    async def begin_gauge_check(self) -> None:
        """Begin to check the gauge against masters. Raises RecordError, in words, where that cannot be."""
        self._no_more_air("the gauge is being checked")
        async with self._busy:
            if self.state.running is not None:
                raise RecordError("A pack is being measured: end its check first.")
            self.gauge_check = await GaugeCheck.begin(self._books, self.state.technician, self._fail)
            self._on_change()

    async def leave_gauge_check(self) -> None:
        """Break off a check of the gauge that has not come to anything."""
        made, self.gauge_check = self.gauge_check, None
        if made is not None:
            self._idle, self._idle_from_ns = IndicatorStream(self.setup.driver, self.setup.settings), monotonic_ns()
            await made.drop()
            self._on_change()

    async def sign_gauge_check(self) -> int:
        """Keep what a check of the gauge came to; return its entry's number, 0 where it has not come to anything."""
        made = self.gauge_check
        if made is None or made.fact is None:
            return 0
        number = await made.sign()
        self._idle, self._idle_from_ns = IndicatorStream(self.setup.driver, self.setup.settings), monotonic_ns()
        self.gauge_check = None
        await self._look_at_gauge()
        refused = made.fact.check.refusal is not None
        self._on_event(made.text if refused or self.state.gauge is None else self.state.gauge, "")
        return number

    async def gauge_measured(self) -> None:
        """Wait until a check of the gauge whose masters were all slid under says what it came to."""
        if self._finishing is not None:
            await asyncio.wait({self._finishing})

    async def _finish_gauge_check(self, made: GaugeCheck) -> None:
        await made.finish(self.state.technician)
        self._on_change()

    async def _look_at_gauge(self) -> None:
        self.state.gauge = await self._books.gauge_standing()
        self._tell_status()
        self._on_change()

    async def end_check(self) -> None:
        """Abandon the running check, if any; its strokes are kept."""
        self._no_more_air("ended by the technician")
        async with self._busy:
            await self._abandon("ended by the technician")

    def _no_more_air(self, note: str) -> None:
        if self.air is not None:
            self.air.end_check(f"{note}.")

    async def _abandon(self, note: str) -> None:
        self._no_more_air(note)
        running = self.state.running
        if running is None:
            return
        try:
            await self._keeping.all()
            if self.state.running is None:  # it had come to its verdict
                return
            if not running.measured:
                self._found(running, running.finish(monotonic_ns(), note), last=True)
                self._measured(running)
            await self._keeping.all()
            await self._books.abandon(running)
        finally:
            if self.state.running is running:
                running.recording.close()
                self.state.ended_early = True
                self._measured(running)
                self._rest()
        self._on_change()

    def _measured(self, running: RunningCheck) -> None:
        """Nothing that comes now belongs to this check any more: readings are only shown."""
        if not running.measured:
            running.measured = True
            self._idle = IndicatorStream(self.setup.driver, self.setup.settings)
            self._idle_from_ns = monotonic_ns()

    def _rest(self) -> None:
        """No check is running."""
        self.state.running = None
        self._tell_status()
        self.finished.set()

    def _feeding(self) -> RunningCheck | None:
        """Return the check that what comes now belongs to."""
        running = self.state.running
        return running if running is not None and not running.measured else None

    # -- the unit ----------------------------------------------------------------------------------------

    async def write(self, facts: Sequence[Fact]) -> list[FactWritten]:
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

    async def leave_out(self, stroke: int, by: str, reason: str) -> list[FactWritten]:
        """A stroke of the pack on the screen was wrong: leave it out, of the check that runs or of the last one.

        Raises Refused, having written nothing, where that cannot be.
        """
        state = self.state
        assert self.unit is not None and state.pack >= 0
        async with self._busy:
            await self._keeping.all()  # the record says after which stroke one was left out
            running = state.running
            meanwhile: list[Stroke] = []
            self._found_meanwhile = meanwhile
            try:
                fact = await self._books.left_out(state.packs[state.pack].name, stroke, by, reason)
                written = await self._books.write([fact])
                if running is not None:
                    running.check.leave_out(stroke)
                else:  # what was said of the verdict with it does not hold any more
                    state.advice, state.outcome, state.out_of_reach = [], None, ""
            finally:
                self._found_meanwhile = None
                if running is not None:
                    self._found(running, meanwhile)
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
            self._look_at_disk()
            if self.state.dial.link == "up":
                self._look_for_silence()

    def _look_at_disk(self) -> None:
        """Say so when what was measured waits for the disk, for the recording's or for the record's."""
        running = self.state.running
        waits_ns = max(self._keeping.waiting_ns(), running.recording.waiting_ns() if running is not None else 0)
        told, before = _DISK_IS_SLOW if waits_ns >= _SLOW_DISK_NS else "", self.state.disk_warning
        if told != before:
            self.state.disk_warning = told
            if told:
                self._on_event(told, "")
            self._on_change()

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

    def _handle(self, event: Opened | Chunk | Lost) -> None:
        running, dial = self._feeding(), self.state.dial
        if self._early is not None and not isinstance(event, Opened):
            self._early.append((False, event))
        if self.air is not None and not isinstance(event, Chunk):
            self.air.indicator(False)
        if isinstance(event, Chunk):
            self._bytes(event)
        elif isinstance(event, Lost):
            dial.lost(event.reason)
            played = self.setup.port.startswith("recording:")  # which ends, and does not come back
            again = "" if played else "; it is tried again by itself, and measuring begins when it answers"
            self._on_event(event.reason + again, "")
            if running:
                self._found(running, running.lost(event.t_ns))
            elif self.gauge_check is not None and not self.gauge_check.measured:
                self.gauge_check.lost(event.t_ns)
            self._tell_status()
        else:
            dial.opened(self._now_ns())
            self._tell_status()
        self._on_change()

    def _bytes(self, event: Chunk) -> None:
        running, dial = self._feeding(), self.state.dial
        if running:
            stream = running.stream
            readings, strokes = running.feed(event.t_ns, event.data)
        elif (made := self.gauge_check) is not None and not made.measured:
            stream, strokes = made.stream, []
            readings = made.feed(event.t_ns, event.data)
            if made.measured:
                self._finishing = asyncio.create_task(self._finish_gauge_check(made), name="gauge check")
                self._finishing.add_done_callback(self._part_ended)
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
            self._found(running, strokes)

    # -- the fixture -------------------------------------------------------------------------------------

    def _fixture_bytes(self, t_ns: int, data: bytes) -> None:
        if self._early is not None:
            self._early.append((True, Chunk(t_ns, data)))
        if running := self._feeding():
            try:
                running.feed_fixture(t_ns, data)
            except RecordingError as error:  # not the air's fault: it ends the session, and that shuts the valve
                self._fail(error)
        self._air_changed()

    def _fixture_lost(self, t_ns: int) -> None:
        assert self.air is not None
        self._on_event(self.air.port_text, "")
        if self._early is not None:
            self._early.append((True, Lost(t_ns, self.air.port_text)))
        if running := self._feeding():
            try:
                running.fixture_lost(t_ns)
            except RecordingError as error:
                self._fail(error)

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

    def _part_ended(self, task: asyncio.Task[None]) -> None:
        if not task.cancelled() and (error := task.exception()) is not None:
            self._fail(error)

    def _fail(self, error: BaseException) -> None:
        """Something failed beside the port: end the session with it."""
        if self._failure is None:
            self._failure = error
            if self._transport is not None:
                self._closing = asyncio.create_task(self._transport.__aexit__(None, None, None))

    # -- strokes and verdicts ----------------------------------------------------------------------------

    def _found(self, running: RunningCheck, strokes: Sequence[Stroke], *, last: bool = False) -> None:
        """The check takes strokes: tell the air at once, and have what follows kept. `last`: it ends unjudged."""
        if self._failure is not None:  # none may be kept behind one that was not
            return
        if self._found_meanwhile is not None:
            self._found_meanwhile += strokes
            return
        for stroke in strokes:
            for effect in running.check.take(stroke):
                if isinstance(effect, StrokeKept):
                    if self.air is not None:
                        self.air.stroke(counts=stroke.accepted, seats=effect.seat)
                elif last:
                    continue
                else:
                    self._measured(running)
                    if self.air is not None:
                        self.air.settled()
                place = running.recording.handed
                self._keeping.add(Found(running, effect, datetime.now(UTC), monotonic_ns(), place))
        self._on_change()

    async def _keep(self, found: Found) -> None:
        running, effect, now = found.running, found.effect, found.at
        if isinstance(effect, StrokeKept):
            await self._books.keep_stroke(running, effect, now, found.place)
            stroke = effect.stroke
            self._last_stroke = now, stroke.peak_travel_nm if running.pack.measure == "peak" else stroke.held_travel_nm
            self._notify()
            self.state.strokes.append(effect)
            self._on_event(effect, running.pack.name)
        elif isinstance(effect, Finished):
            await self._finish(running, effect.verdict, now)
        self._on_change()

    async def _finish(self, running: RunningCheck, verdict: Verdict, now: datetime) -> None:
        state, unit = self.state, self.setup.sheet.display_unit
        advice = await asyncio.to_thread(advise, running.pack, verdict, unit)
        out_of_reach = "" if advice else how_far_off(running.pack, verdict, unit)
        outcome = await self._books.keep_verdict(running, verdict, advice, now)
        self._notify()
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
