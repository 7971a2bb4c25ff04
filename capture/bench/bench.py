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

from capture.air.keeper.kept import KeptAir
from capture.bench.arrivals import Arrivals, Early, indicator_port
from capture.bench.bookkeeping import Bookkeeping
from capture.bench.came_back import signed_before
from capture.bench.dial import Dial
from capture.bench.fill_view import fill_view
from capture.bench.gauge_at_bench import GaugeAtBench
from capture.bench.keeping import Found, Keeping
from capture.bench.lock import BenchLock
from capture.bench.running_check import RunningCheck
from capture.bench.setup import BenchSetup
from capture.bench.state import BenchState
from capture.bench.study_at_bench import StudyAtBench
from capture.bench.telling import Happening, Telling
from capture.clearance.advice import advise
from capture.clearance.check import Finished, StrokeKept
from capture.clearance.diagnosis import how_far_off
from capture.clearance.verdict import Verdict
from capture.dashboard.view import BenchView
from capture.job.unfinished import UnfinishedUnit
from capture.job.unit_on_record import FactWritten, UnitOnRecord
from capture.output.words import travel_nm
from capture.record import RecordError
from capture.recordings.file import RecordingError
from capture.recordings.playback import Playback
from capture.strokes.stroke import Stroke
from capture.unit.facts import Fact
from drivers.port_events import EventPort
from drivers.typed_port import TypedPort

_LOOK_EVERY_S = 0.5


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
        self.air: KeptAir | None = None
        """The fixture's control, None where the valve is worked by hand."""
        if setup.fixture is not None:
            self.air = KeptAir(
                setup.fixture,
                on_bytes=lambda t_ns, data: self._arrivals.fixture_bytes(t_ns, data),
                on_lost=lambda t_ns: self._arrivals.fixture_lost(t_ns),
                on_change=lambda: self._arrivals.air_changed(),
            )
        self.state = BenchState(
            setup,
            unit_serial=setup.unit_serial,
            technician=setup.technician,
            packs=setup.sheet.order(),
            dial=Dial(f"{setup.port}, {setup.driver.name}", setup.settings.sends),
            air=self.air,
            gauge_warning=setup.gauge.reminder(datetime.now().astimezone().date()) if setup.gauge else "",
        )
        self._books = Bookkeeping(setup)
        self.telling = Telling(self.state, self._books, on_change, on_event)
        self._arrivals = Arrivals(self.state, self.air, self.telling, self._found, self._fail)
        self._busy = asyncio.Lock()
        """Held by whoever writes down or changes what is measured; taking what a port brings never waits for it."""
        self.gauge = GaugeAtBench(
            self.state, self._books, self.telling, self._arrivals, self._busy, self._no_more_air, self._abandon,
            self._fail,
        )  # fmt: skip
        self.study = StudyAtBench(self.state, self._books, self.telling, self.start_check)
        self._keeping = Keeping(self._keep, self._busy)
        self._found_meanwhile: list[Stroke] | None = None
        """While a stroke is left out: those that were completed, for the check to take afterwards."""
        self._transport: EventPort | None = None
        self.ready = asyncio.Event()
        """Set once the record is open and the job begun."""
        self.finished = asyncio.Event()
        """Set whenever no check is being measured."""
        self.finished.set()
        self._failure: BaseException | None = None
        self._closing: asyncio.Task[None] | None = None

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
                self.telling.event(f"{told} This session begins a new job.", "")
            if setup.broker is not None:
                await stack.enter_async_context(self.telling.publisher(setup.broker))
            if setup.plant is not None:
                await stack.enter_async_context(self.telling.plant(setup.plant))
            keeping = asyncio.create_task(self._keeping.run(), name="keeping")
            stack.push_async_callback(_ended, keeping)
            keeping.add_done_callback(self._part_ended)
            stack.push_async_exit(self._close)
            transport = self._transport = indicator_port(setup)
            if isinstance(transport, Playback):
                self._arrivals.begin_port = transport.begin
            await stack.enter_async_context(transport)
            watching = asyncio.create_task(self._watch())
            stack.callback(watching.cancel)
            if self.air is not None:
                controlling = asyncio.create_task(self.air.run(), name="air")
                stack.push_async_callback(_ended, controlling)
                # The valve is shut by then; a bench whose air control failed must not go on as if nothing were.
                controlling.add_done_callback(self._part_ended)
            await self.gauge.look()
            await self.study.look()
            self.ready.set()
            # SciPy's import takes a while; it must neither delay the start nor stall the loop at the first verdict.
            warm = asyncio.create_task(asyncio.to_thread(import_module, "scipy.special"))
            stack.callback(warm.cancel)
            async for event in transport:
                self._arrivals.take(event)
            if self._failure is not None:
                raise self._failure

    async def _close(self, _kind: object, error: BaseException | None, _trace: object) -> None:
        """The session ends: keep what a running check has, and close the job. What ended it is what is said: a full
        disk keeps neither."""
        try:
            async with self._busy:
                await self.gauge.leave()
                await self._abandon("session ended")
                await self._books.close_job()
        except (RecordError, RecordingError):
            if error is None or isinstance(error, asyncio.CancelledError):
                raise

    async def _begin_job(self) -> None:
        state = self.state
        if state.not_confirmed:
            raise RecordError(f"{state.not_confirmed} Enter asks what is fitted, before the first check.")
        unit = await self._books.begin_job(state.unit_serial, state.technician, datetime.now(UTC))
        state.job_id, state.unit = unit.job.id, unit.now

    async def _go_on(self, job_id: int) -> None:
        """Take up a job of an earlier session. Raises RecordError where that cannot be."""
        unit, state = await self._books.go_on(job_id), self.state
        state.job_id, state.unit_serial = job_id, unit.job.unit_serial
        state.technician = state.technician or unit.job.technician
        await self._unit_changed()

    def shut(self) -> None:
        """Have the valve shut now, whatever an end waits for that is to follow."""
        if self.air is not None:
            self.air.disarm()

    async def begin_unit(self) -> None:
        """Begin the unit's job, if it has none: steps may be signed before anything is measured."""
        async with self._busy:
            if self.unit is None:
                await self._begin_job()
                await self._unit_changed()
                self.telling.tell_status()

    # -- checks ------------------------------------------------------------------------------------------

    async def start_check(self, pack_index: int) -> None:
        """Begin to measure a pack, from its seat strokes; a check still running is abandoned."""
        self._no_more_air("another check began")
        async with self._busy:
            await self.gauge.leave()
            await self._abandon("another check began")
            state, pack = self.state, self.state.packs[pack_index]
            early: list[Early] = []
            self._arrivals.early, began_ns = early, monotonic_ns()
            try:
                if self.unit is None:
                    await self._begin_job()
                running = await self._books.start_check(pack, state.technician, began_ns, self._fail)
            finally:
                self._arrivals.early = None
            running.started_ns = min([began_ns, *(event.t_ns for _, event in early)])  # some had waited to be taken
            state.running = running
            state.pack, state.strokes, state.ended_early = pack_index, [], False
            state.advice, state.outcome, state.out_of_reach = [], None, ""
            state.dial.trace.clear()
            if self.air is not None and pack.moved_by == "air":
                self.air.begin_check(running.strokes_to_make)
            elif self.air is not None:
                self.air.disarm()  # hands are at what they move
            self.finished.clear()
            self._arrivals.give_early(running, early)
            self.telling.tell_status()
            self.telling.changed()

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
                self._arrivals.measured(running)
            await self._keeping.all()
            await self._books.abandon(running)
        finally:
            if self.state.running is running:
                running.recording.close()
                self.state.ended_early = True
                self._arrivals.measured(running)
                self._rest()
        self.telling.changed()

    def _rest(self) -> None:
        """No check is running."""
        self.state.running = None
        self.telling.tell_status()
        self.finished.set()

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
            self.telling.notify()
        for one in written:
            self.telling.event(one, getattr(one.fact, "pack", None) or "")
        return written

    async def keep_people(self) -> None:
        """Keep in the record who can sign here by which key, before anybody does. Raises RecordError."""
        await self._books.keep_people(self.state.technician)

    @property
    def asks_for_air(self) -> bool:
        """Whether the readings look as if the check had begun while the air was on, and nobody said otherwise."""
        running = self.state.running
        return running is not None and running.asks_for_air

    def air_was_off(self) -> None:
        """The technician says that the air was off when the check began: that is recorded, and not asked again."""
        running = self.state.running
        if running is not None and running.asks_for_air:
            running.air_was_off(monotonic_ns())
            self.state.dial.notices = running.stream.finder.notices
            self.telling.changed()

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
            self.telling.notify()
        for one in written:
            self.telling.event(one, fact.pack)
        return written

    async def look(self) -> None:
        """Read the record anew: steps are signed from other desks too."""
        async with self._busy:
            await self._books.look()
            await self._unit_changed()

    def view_changed(self) -> None:
        """Say that what is shown may differ, where something beside the bench changed it."""
        self.telling.changed()

    def typed(self, text: str) -> None:
        """The technician typed a reading of the bench's dial. Raises ValueError where none is typed here."""
        if not isinstance(self._transport, TypedPort):
            raise ValueError(f"{self.setup.port} takes no typed readings")
        self._transport.typed(text)

    def name_technician(self, name: str) -> None:
        """Somebody else works from now on."""
        self.state.technician = name
        self.telling.tell_status()
        self.telling.changed()

    async def look_for_unfinished(self) -> str:
        """Look whether the unit has an unfinished job, or was signed off before; return what there is to know of it."""
        state = self.state
        state.unfinished = await self._books.unfinished(state.unit_serial)
        here = await self._books.signed_before(state.unit_serial)
        left = await self._books.fitted_differently(here.job) if here is not None else ""
        state.earlier = replace(await signed_before(self.setup, state.unit_serial, here), fitted=left)
        earlier = state.earlier.words(state.unit_serial)
        return " ".join(text for text in (state.unfinished, earlier) if text)

    async def unfinished_units(self) -> tuple[UnfinishedUnit, ...]:
        """Return the unfinished units of this bench, newest first, without the one that is on it."""
        return await self._books.unfinished_units()

    def name_unit(self, serial: str) -> bool:
        """Say which unit is on the bench; False once a job was begun for another."""
        if self.state.job_id and serial != self.state.unit_serial:
            return False
        self.state.unit_serial = serial
        self.telling.tell_status()
        self.telling.changed()
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
        self.telling.changed()

    async def _watch(self) -> None:
        """Say so when no reading comes, and when the disk keeps what was measured waiting."""
        while True:
            await asyncio.sleep(_LOOK_EVERY_S)
            self.telling.disk_is(self._keeping.slow(self.state.running))
            self._arrivals.look_for_silence()

    def _part_ended(self, task: asyncio.Task[None]) -> None:
        if not task.cancelled() and (error := task.exception()) is not None:
            self._fail(error)

    def _fail(self, error: BaseException) -> None:
        """Something failed beside the port: end the session with it."""
        self.shut()
        if self._failure is None:
            self._failure = error
            if self._transport is not None:
                self._closing = asyncio.create_task(self._transport.close())

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
                    self._arrivals.measured(running)
                    if self.air is not None:
                        self.air.settled()
                place = running.recording.handed
                self._keeping.add(Found(running, effect, datetime.now(UTC), monotonic_ns(), place))
        self.telling.changed()

    async def _keep(self, found: Found) -> None:
        running, effect, now = found.running, found.effect, found.at
        if isinstance(effect, StrokeKept):
            await self._books.keep_stroke(running, effect, now, found.place)
            self.telling.last_stroke = now, travel_nm(effect.stroke, running.pack.measure)
            self.telling.notify()
            self.state.strokes.append(effect)
            self.telling.event(effect, running.pack.name)
        elif isinstance(effect, Finished):
            await self._finish(running, effect.verdict, now)
        self.telling.changed()

    async def _finish(self, running: RunningCheck, verdict: Verdict, now: datetime) -> None:
        state, unit = self.state, self.setup.sheet.display_unit
        advice = await asyncio.to_thread(advise, running.pack, verdict, unit)
        out_of_reach = "" if advice else how_far_off(running.pack, verdict, unit)
        outcome = await self._books.keep_verdict(running, verdict, advice, now)
        self.telling.notify()
        state.running = None
        state.advice, state.outcome, state.out_of_reach = advice, outcome, out_of_reach
        await self.study.judged(running, verdict)
        await self._unit_changed()
        self._rest()
        self.telling.event(verdict, running.pack.name)
