"""A technician at the bench: the screen, the keys, and the order of packs around a running `Bench`.

Three faces, one flow: a live terminal is drawn on and listens to keys; anything else gets one plain line for
everything that completes; `--json` gets one object for each instead.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import signal
import sys
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from enum import Enum

from rich.console import RenderableType

from capture.check import StrokeKept
from capture.daemon import Bench, BenchSetup, Happening
from capture.dashboard import CAUTIONS, Keys, Screen, budget_table, caution_screen, plain_line, render
from capture.replay import stroke_json, verdict_json
from capture.service import notify_service, watchdog
from capture.verdict import Verdict
from capture.view import StrokeView

__all__ = ["EXIT_GOOD", "EXIT_NOT_GOOD", "Face", "Session", "run_session"]

EXIT_GOOD = 0
#: Everything was measured, and not every pack is good.
EXIT_NOT_GOOD = 3


def _keys(bench: Bench) -> str:
    """The keys that do something now."""
    packs = f"1-{len(bench.packs)} pack" if len(bench.packs) > 1 else ""
    budget = "e budget" if bench.view.verdict is not None else ""
    first = ["r start over"]
    if bench.finished.is_set():
        first = ["r check again"]
        if any(not _is_good(pack.verdict) for pack in bench.view.packs):
            first.insert(0, "Enter next pack")
    air = ""
    if bench.air is not None:
        air = "a air off" if bench.view.air_state in ("armed", "applied") else "a arm the air"
    return "   ".join(word for word in [air, *first, packs, budget, "q end"] if word)


class Face(Enum):
    """How a session shows itself."""

    TERMINAL = "terminal"
    JSON = "json"


class Session:
    """One job in front of a person (or a pipe). `conduct` decides which pack is checked when."""

    def __init__(self, setup: BenchSetup, face: Face = Face.TERMINAL) -> None:
        self.face = face
        self.screen = Screen(self._draw_caution)
        self.bench = Bench(setup, on_change=self.screen.changed, on_event=self._event)
        self.unit = setup.sheet.display_unit
        self.understood = asyncio.Event()
        """Set once a person has pressed a key under the cautions, or none can."""
        self.leave = asyncio.Event()
        """Set when the technician ends the session."""
        self._explaining = False
        self._asked = ""

    # -- what is shown -----------------------------------------------------------------------------------

    def _draw_caution(self, width: int, height: int, ascii_only: bool) -> RenderableType:
        return caution_screen(width, height, ascii_only=ascii_only)

    def _draw_bench(self, width: int, height: int, ascii_only: bool) -> RenderableType:
        verdict = self.bench.view.verdict
        if self._explaining and verdict is not None:
            return budget_table(verdict, self.unit)
        self.bench.view.keys = _keys(self.bench)
        return render(self.bench.view, width, height, ascii_only=ascii_only)

    def _event(self, happening: Happening, pack: str) -> None:
        if self.face is Face.JSON:
            self._print_json(happening, pack)
        else:
            self.screen.line(plain_line(happening, self.unit, pack, self.bench.view.measure))
        if isinstance(happening, Verdict):
            for text in self.bench.view.advice:
                self.line(f"{pack}: advice: {text}")

    def line(self, text: str) -> None:
        """Print a line for people who have no live screen."""
        if self.face is Face.TERMINAL:
            self.screen.line(text)

    def _print_json(self, happening: Happening, pack: str) -> None:
        if isinstance(happening, StrokeView):
            line = stroke_json(StrokeKept(happening.stroke, happening.seat))
        elif isinstance(happening, Verdict):
            line = verdict_json(self.bench.packs[self.bench.view.pack], happening, self.bench.advice)
        else:
            sys.stderr.write(f"warning: {happening}\n")
            return
        sys.stdout.write(json.dumps({**line, "pack": pack, "job": self.bench.job_id}, ensure_ascii=False) + "\n")
        sys.stdout.flush()

    # -- keys --------------------------------------------------------------------------------------------

    async def keys(self, keys: Keys) -> None:
        """Act on keys until there are no more; without a keyboard this ends at once."""
        async for key in keys:
            if not self.understood.is_set():
                if key in ("q", "escape"):
                    self.leave.set()
                    return
                self._show_bench()
                continue
            await self._key(key)
            self.screen.changed()

    def _drops_a_check(self, key: str) -> bool:
        """Say whether `key` would drop strokes that are already made; then it must be pressed twice."""
        if self.bench.finished.is_set() or not self.bench.view.strokes or self._asked == key:
            self._asked = ""
            return False
        self._asked = key
        self.bench.view.warning = f"This ends the check of this pack. Press {key} again if that is meant."
        return True

    async def _key(self, key: str) -> None:
        bench, view = self.bench, self.bench.view
        if self._asked and key != self._asked:
            self._asked, view.warning = "", bench.standing_warning
        if self._explaining or key == "e":
            self._explaining = not self._explaining and view.verdict is not None
        elif key == "q":
            self.leave.set()
        elif key == "a" and bench.air is not None:
            if view.air_state in ("armed", "applied"):
                bench.air.disarm()
            else:
                bench.air.arm()
        elif key == "r" and view.pack >= 0:
            if not self._drops_a_check(key):
                view.warning = bench.standing_warning
                await bench.start_check(view.pack)
        elif key in ("enter", "n") and bench.finished.is_set():
            following = self._next_pack()
            if following is None:
                view.message = "Every pack is good. q ends the session."
            else:
                await bench.start_check(following)
        elif key.isdigit() and 0 < int(key) <= len(bench.packs) and not self._drops_a_check(key):
            view.warning = bench.standing_warning
            await bench.start_check(int(key) - 1)

    def _next_pack(self) -> int | None:
        return next((i for i, pack in enumerate(self.bench.view.packs) if not _is_good(pack.verdict)), None)

    def _show_bench(self) -> None:
        self.understood.set()
        self.screen.draw = self._draw_bench
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
        """Say whether every pack of the unit has a verdict of `good`."""
        return all(_is_good(pack.verdict) for pack in self.bench.view.packs)


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
            for task in done:
                if task is conducting:
                    return conducting.result()
                if task is leaving:
                    notify_service("STOPPING=1")
                    return EXIT_GOOD if session.all_done() else EXIT_NOT_GOOD
                task.result()
                if task is running:
                    raise RuntimeError("the bench stopped by itself")


async def by_hand(session: Session) -> int:
    """A technician with a keyboard: the first pack begins at once, then the keys say what is next."""
    await session.bench.start_check(0)
    await session.leave.wait()
    return EXIT_GOOD if session.all_done() else EXIT_NOT_GOOD


def in_order(packs: list[int]) -> Callable[[Session], Awaitable[int]]:
    """Nobody at a keyboard: measure these packs one after the other, once each, and end."""

    async def conduct(session: Session) -> int:
        for index in packs:
            await session.check_to_verdict(index)
        done = [session.bench.view.packs[index].verdict for index in packs]
        return EXIT_GOOD if all(_is_good(verdict) for verdict in done) else EXIT_NOT_GOOD

    return conduct


def summary(session: Session) -> list[str]:
    """Return what a technician wants to read after the screen is gone: each pack's verdict, and where it is kept."""
    bench = session.bench
    if not bench.job_id:
        return ["Nothing was measured."]
    lines = [
        plain_line(pack.verdict, session.unit, pack.name) if pack.verdict else f"{pack.name}: no verdict"
        for pack in bench.view.packs
    ]
    lines.append(f"Job {bench.job_id} in {bench.setup.record_path}: strokelog show {bench.job_id}")
    return lines
