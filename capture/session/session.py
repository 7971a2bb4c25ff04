"""A technician at the bench: the screen, the keys, and the order of packs around a running `Bench`.

Three faces, one flow: a live terminal is drawn on and listens to keys; anything else gets one plain line for
everything that completes; `--json` gets one object for each instead.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import signal
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from enum import Enum

from rich.console import RenderableType

from capture.bench.bench import Bench, Happening
from capture.bench.setup import BenchSetup
from capture.clearance.check import StrokeKept
from capture.clearance.verdict import Verdict
from capture.dashboard.caution_screen import caution_screen
from capture.dashboard.showing import draw
from capture.dashboard.view import PackView
from capture.job.unit_on_record import Written
from capture.output.json_forms import stroke_json, verdict_json
from capture.output.words import CAUTION_LINE, CAUTIONS, plain_line
from capture.plumbing.outward import warn, write
from capture.plumbing.sd_notify import notify_service, watchdog
from capture.plumbing.terminal.keys import Keys
from capture.plumbing.terminal.scanner import Key, LostScan, Scan
from capture.plumbing.terminal.screen import Screen
from capture.session.bench_keys import Controls, presses
from capture.session.wrench_field import WrenchSetup

__all__ = ["EXIT_GOOD", "EXIT_NOT_GOOD", "Face", "Session", "run_session"]

EXIT_GOOD = 0
#: Everything was measured, and not every pack is good.
EXIT_NOT_GOOD = 3


class Face(Enum):
    """How a session shows itself."""

    TERMINAL = "terminal"
    JSON = "json"


class Session:
    """One job in front of a person (or a pipe). `conduct` decides which pack is checked when."""

    def __init__(self, setup: BenchSetup, face: Face = Face.TERMINAL, *, wrench: WrenchSetup | None = None) -> None:
        self.face = face
        self.screen = Screen(self._draw_caution)
        self.bench = Bench(setup, on_change=self.screen.changed, on_event=self._event)
        self.controls = Controls(self.bench, wrench)
        self._length_unit = setup.sheet.display_unit
        self.understood = asyncio.Event()
        """Set once a person has pressed a key under the cautions, or none can."""

    @property
    def leave(self) -> asyncio.Event:
        """Set when the technician ends the session."""
        return self.controls.leave

    # -- what is shown -----------------------------------------------------------------------------------

    def _draw_caution(self, width: int, height: int, ascii_only: bool) -> RenderableType:
        return caution_screen(width, height, ascii_only=ascii_only)

    def _event(self, happening: Happening, pack: str) -> None:
        if self.face is Face.JSON:
            self._print_json(happening, pack)
        elif isinstance(happening, Written):
            for text in (happening.text, *happening.notes):
                self.line(text)
        else:
            self.screen.line(plain_line(happening, self._length_unit, pack, self.bench.state.measure))
        if isinstance(happening, Verdict):
            view = self.bench.view
            if view.outcome:
                self.line(f"{pack}: {view.outcome}")
            if view.doubt:
                self.line(f"look at: {view.doubt}")
            for text in view.advice:
                self.line(f"{pack}: advice: {text}")
            if self.bench.view.advice:
                self.line(f"{pack}: {CAUTION_LINE}")
            if self.bench.state.out_of_reach:
                self.line(f"{pack}: out of reach: {self.bench.state.out_of_reach}")

    def line(self, text: str) -> None:
        """Print a line for people who have no live screen."""
        if self.face is Face.TERMINAL:
            self.screen.line(text)

    def _print_json(self, happening: Happening, pack: str) -> None:
        state = self.bench.state
        if isinstance(happening, StrokeKept):
            line = stroke_json(happening)
        elif isinstance(happening, Verdict):
            line = verdict_json(state.packs[state.pack], happening, state.advice, state.out_of_reach)
            view = self.bench.view
            line |= {"outcome": view.outcome} if view.outcome else {}
            line |= {"doubt": view.doubt} if view.doubt else {}
        elif isinstance(happening, Written):
            line = {**happening.data, **({"notes": list(happening.notes)} if happening.notes else {})}
            pack = pack or line.get("pack") or ""
        else:
            warn(f"warning: {happening}")
            return
        write(json.dumps({**line, "pack": pack, "job": state.job_id}, ensure_ascii=False) + "\n")

    # -- keys --------------------------------------------------------------------------------------------

    async def keys(self, keys: Keys) -> None:
        """Act on keys and scans until there are no more; without a keyboard this ends at once."""
        async for pressed in presses(keys):
            await self.take(pressed)

    async def take(self, pressed: Key | Scan | LostScan) -> None:
        """Act on a key or a scan. Under the cautions a key says that they were read; a scan says nothing."""
        if self.understood.is_set():
            await self.controls.take(pressed)
        elif isinstance(pressed, Key) and pressed.key in ("q", "escape"):
            self.leave.set()
        elif isinstance(pressed, Key):
            self._show_bench()
        self.screen.changed()

    def _show_bench(self) -> None:
        self.understood.set()
        self.screen.draw = lambda *size: draw(self.controls.showing(), *size)
        self.screen.changed()

    async def cautions(self, seconds: float | None = None) -> None:
        """Show the cautions until a key is pressed, or for `seconds`; as lines where nothing can be drawn."""
        if self.face is Face.JSON or not self.screen.live:
            for text in CAUTIONS:
                self.line(f"caution: {text}")
            self.understood.set()
        else:
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self.understood.wait(), seconds)
        self._show_bench()

    # -- packs -------------------------------------------------------------------------------------------

    async def check_to_verdict(self, pack_index: int) -> None:
        """Start a pack's check and wait until it is over."""
        await self.bench.start_check(pack_index)
        await self.bench.finished.wait()

    def all_done(self) -> bool:
        """Say whether the unit was signed off, or every pack of it has a verdict of `good` that counts."""
        view = self.bench.view
        return bool(view.signed_off) or all(pack.is_good for pack in view.packs)


def _is_good(verdict: Verdict | None) -> bool:
    return verdict is not None and verdict.verdict == "good"


@asynccontextmanager
async def _signals(leave: asyncio.Event) -> AsyncIterator[None]:
    """SIGTERM and Ctrl-C end the session in order: the check's strokes are kept, the terminal is put back."""
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        loop.add_signal_handler(number, leave.set)
    try:
        yield
    finally:
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            loop.remove_signal_handler(number)


async def run_session(
    session: Session, conduct: Callable[[Session], Awaitable[int]], *, caution_seconds: float | None = None
) -> int:
    """Run the bench and `conduct` until that returns an exit code or the technician leaves.

    Raises what the bench raises (RecordError, RecordingError) after putting the terminal back.
    """
    async with _signals(session.leave), contextlib.AsyncExitStack() as stack:
        tasks: list[asyncio.Task[object]] = []

        async def stop() -> None:
            for task in reversed(tasks):
                task.cancel()
                with contextlib.suppress(asyncio.CancelledError, Exception):
                    await task

        if session.face is Face.TERMINAL:
            stack.enter_context(session.screen)
        keys = stack.enter_context(Keys()) if session.face is Face.TERMINAL and session.screen.live else None
        stack.push_async_callback(stop)
        running = asyncio.create_task(session.bench.run(), name="bench")
        tasks.append(running)
        ready = asyncio.create_task(session.bench.ready.wait(), name="ready")
        await asyncio.wait({running, ready}, return_when=asyncio.FIRST_COMPLETED)
        if running.done():
            ready.cancel()
            running.result()
        notify_service("READY=1")
        tasks.append(asyncio.create_task(watchdog(lambda: not running.done()), name="watchdog"))
        tasks.append(asyncio.create_task(session.screen.run(), name="screen"))
        if keys is not None:
            tasks.append(asyncio.create_task(session.keys(keys), name="keys"))

        async def conducted() -> int:
            await session.cautions(caution_seconds)
            return await conduct(session)

        leaving = asyncio.create_task(session.leave.wait(), name="leave")
        conducting = asyncio.create_task(conducted(), name="conduct")
        tasks += [leaving, conducting]
        watched = {task for task in tasks if task.get_name() in ("bench", "leave", "conduct", "keys", "screen")}
        while True:
            done, watched = await asyncio.wait(watched, return_when=asyncio.FIRST_COMPLETED)
            # What ended the bench is said, not what it made of the others.
            for task in sorted(done, key=lambda one: one is not running):
                if task is conducting:
                    return conducting.result()
                if task is leaving:
                    notify_service("STOPPING=1")
                    return EXIT_GOOD if session.all_done() else EXIT_NOT_GOOD
                task.result()
                if task is running:
                    raise RuntimeError("the bench stopped by itself")


async def by_hand(session: Session) -> int:
    """A technician with a keyboard: the first pack of a new job begins at once, then the keys say what is next.

    Where the unit has an unfinished job, a key must begin the new one.
    """
    if session.bench.unit is None and not session.bench.state.unfinished:
        await session.bench.start_check(0)
    await session.leave.wait()
    return EXIT_GOOD if session.all_done() else EXIT_NOT_GOOD


def in_order(packs: list[int]) -> Callable[[Session], Awaitable[int]]:
    """Nobody at a keyboard: measure these packs one after the other, once each, and end."""

    async def conduct(session: Session) -> int:
        if session.bench.state.unfinished and session.bench.unit is None:
            session.controls.say(f"{session.bench.state.unfinished} A new job was begun.")
        for index in packs:
            await session.check_to_verdict(index)
        done = [session.bench.view.packs[index].verdict for index in packs]
        return EXIT_GOOD if all(_is_good(verdict) for verdict in done) else EXIT_NOT_GOOD

    return conduct


def summary(session: Session) -> list[str]:
    """Return what a technician wants to read after the screen is gone: each pack's verdict, and where it is kept."""
    bench = session.bench
    if not bench.state.job_id:
        return ["Nothing was measured."]
    job_id, view = bench.state.job_id, bench.view
    lines = [_pack_word(session, pack) for pack in view.packs]
    if view.signed_off:
        lines.append(f"{view.signed_off}.")
    else:
        lines.append(f"Not signed off. Go on: strokelog run --resume {job_id}, or strokelog unit steps {job_id}")
    lines.append(f"Job {job_id} in {bench.setup.record_path}: strokelog show {job_id}")
    return lines


def _pack_word(session: Session, pack: PackView) -> str:
    if pack.verdict is None:
        return f"{pack.name}: no verdict"
    line = plain_line(pack.verdict, session.bench.setup.sheet.display_unit, pack.name)
    return f"{line} RE-CHECK NEEDED: {pack.recheck}." if pack.recheck else line
