"""A terminal as a face of a bench: draws what the bench's process shows, and tells it what is pressed and scanned.

It measures nothing and knows nothing by itself. Whatever becomes of it, of its terminal or of the line it came over,
the bench measures on; whatever becomes of the bench's process, it says so and shows nothing old for new.
"""

from __future__ import annotations

import asyncio
import contextlib
import getpass
import os
import signal
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from socket import socket
from time import monotonic_ns
from typing import Final, Literal

from rich.console import RenderableType

from capture.dashboard.bench_words import measuring
from capture.dashboard.caution_screen import caution_screen, message_screen
from capture.dashboard.showing import Showing, draw
from capture.dashboard.signals import SIGNALS, SignalName, flooded, signal_between, spoken
from capture.dashboard.view import BenchView
from capture.plumbing.terminal.keys import Keys
from capture.plumbing.terminal.scanner import Key, LostScan, Scan
from capture.plumbing.terminal.screen import Screen
from capture.plumbing.terminal.sounds import Sounds
from capture.session.faces.messages import (
    LONGEST_FROM_BENCH,
    Asks,
    Ended,
    FaceStanding,
    FromBench,
    Hello,
    Keyed,
    from_bench,
)
from capture.session.faces.seen import SILENT_NS, seen
from capture.session.pressed import presses

_LOOK_S: Final = 0.5
#: For so long the whole screen has a signal's colour: seen from the corner of an eye, and no obstacle to reading.
_COLOUR_S: Final = 0.8


def here() -> str:
    """Return who sits at this terminal, for others to read: "ana on pts/3"."""
    name = "somebody"
    with contextlib.suppress(OSError, KeyError, ImportError):
        name = getpass.getuser()
    with contextlib.suppress(OSError, ValueError):
        return f"{name} on {os.ttyname(sys.stdin.fileno()).removeprefix('/dev/')}"[:80]
    return name[:80]


@dataclass(frozen=True, slots=True)
class Left:
    """How a face came to its end: by its own wish, with the bench, or to have the bench started again."""

    how: Literal["left", "ended", "again"]
    view: BenchView | None = None
    """What it saw last."""
    pid: int = 0
    ended: Ended | None = None


def _sounds_may_change(shown: Showing) -> bool:
    """Whether b goes on to the next kind of sound: a letter among the figures of a typed reading is a slip."""
    return shown.screen == "bench" and not (shown.view.entry is not None and measuring(shown.view))


class TerminalFace:
    """One face on this terminal."""

    def __init__(
        self, link: socket, hello: Hello, reach: Callable[[], socket | None], *, began: bool, restarts: bool
    ) -> None:
        """`reach` connects anew. `began`: the bench's process was started for this face, and its session begins here.
        `restarts`: it can be started again."""
        self._link, self._hello, self._reach = link, hello, reach
        self._restarts, self._began = restarts, began
        self._unread = hello.wants_keys and not began
        """Whether whoever sits here has still to read the cautions, though the session's were read."""
        self._showing: Showing | None = None
        self._place = FaceStanding(has_keys=False)
        self._heard_ns = monotonic_ns()
        self._writer: asyncio.StreamWriter | None = None
        self._gone = False
        """Whether the bench's process is not there any more."""
        self._over: asyncio.Future[Left] | None = None
        self._first = asyncio.Event()
        self.screen = Screen(self._draw, off_loop=True)
        self._sounds = Sounds(self.screen.bell)
        self._signal: SignalName | None = None
        """Whose colour the screen has now."""

    async def run(self) -> Left:
        """Show the bench until somebody leaves or it ends."""
        loop = asyncio.get_running_loop()
        self._over = loop.create_future()
        for number in (signal.SIGTERM, signal.SIGHUP):
            loop.add_signal_handler(number, self._leave)
        loop.add_signal_handler(signal.SIGINT, self._interrupted)
        try:
            with self.screen, Keys() as keys:
                working = [self._hear(), self._press(keys), self.screen.run(), self._watch()]
                tasks = [asyncio.ensure_future(one) for one in working]
                for task in tasks:
                    task.add_done_callback(self._failed)
                try:
                    return await self._over
                finally:
                    for task in tasks:
                        task.cancel()
                    self._sounds.close()
        finally:
            for number in (signal.SIGTERM, signal.SIGHUP, signal.SIGINT):
                loop.remove_signal_handler(number)

    # -- the bench's process -----------------------------------------------------------------------------

    async def _hear(self) -> None:
        while True:
            reader, self._writer = await asyncio.open_unix_connection(sock=self._link, limit=LONGEST_FROM_BENCH)
            self._say(self._hello)
            with contextlib.suppress(OSError, ValueError):
                while line := await reader.readline():
                    self._heard(from_bench().validate_json(line))
            self._writer.transport.abort()
            self._writer, self._gone = None, True
            self.screen.changed()
            self._link, self._gone = await self._back(), False

    async def _back(self) -> socket:
        """Wait until the bench's process answers again."""
        link: socket | None = None
        while link is None:
            await asyncio.sleep(_LOOK_S)
            link = self._reach()
        return link

    def _heard(self, said: FromBench) -> None:
        self._heard_ns = monotonic_ns()
        if said.ended is not None:
            self._end(Left("ended", ended=said.ended))
        if said.showing is not None and said.place is not None:
            if self._showing is not None and said.place.has_keys:
                self._tell_apart(self._showing.view, said.showing.view)
            self._showing, self._place = said.showing, said.place
            self._first.set()
        self.screen.changed()

    def _tell_apart(self, before: BenchView, now: BenchView) -> None:
        """Let whoever has the keys see and hear that something happened, wherever their eyes are."""
        signal = signal_between(before, now)
        if signal is None:
            return
        look = SIGNALS[signal]
        self._sounds.play(signal, look.tones, look.bells, spoken(signal, now))
        self._signal = signal
        asyncio.get_running_loop().call_later(_COLOUR_S, self._colour_over, signal)

    def _colour_over(self, signal: SignalName) -> None:
        if self._signal == signal:
            self._signal = None
        self.screen.changed()

    def _say(self, message: Hello | Keyed | Asks) -> None:
        if self._writer is not None:
            self._writer.write(message.model_dump_json().encode() + b"\n")

    async def _watch(self) -> None:
        """A bench that hangs says nothing of it."""
        while True:
            await asyncio.sleep(_LOOK_S)
            if self._silent_ns > SILENT_NS or self._gone:
                self.screen.changed()

    @property
    def _silent_ns(self) -> int:
        return monotonic_ns() - self._heard_ns

    # -- what is shown -----------------------------------------------------------------------------------

    def _draw(self, width: int, height: int, ascii_only: bool) -> RenderableType:
        if self._gone:
            what = ["The process that measures on this bench has ended, and nothing is measured now."]
            what += ["What was kept is in the record. Shut the air off at its supply before you touch the pack."]
            again = "Enter starts it again and goes on with the unit.  " if self._restarts else ""
            what.append(f"{again}q leaves. If it comes back by itself, it is shown here at once.")
            return message_screen("THE BENCH DOES NOT MEASURE", what, width, height, ascii_only=ascii_only)
        if self._showing is None or self._unread:
            return caution_screen(width, height, ascii_only=ascii_only)
        shown = seen(self._showing, self._place, self._silent_ns)
        # The screen that tells the keys leads back at b as at any other, and tells of it.
        behind = replace(shown, screen="bench") if shown.screen == "keys" else shown
        if self._place.has_keys and _sounds_may_change(behind):
            keys = f"{shown.view.keys}   b {self._sounds.mode}"
            shown = replace(shown, view=replace(shown.view, keys=keys))
        frame = draw(shown, width, height, ascii_only)
        return flooded(frame, self._signal) if self._signal is not None else frame

    # -- what is pressed ---------------------------------------------------------------------------------

    async def _press(self, keys: Keys) -> None:
        if not self._began:  # what a key does depends on what the bench is at
            await self._first.wait()
        async for pressed in presses(keys):
            self._take(pressed)
            self.screen.changed()
        await asyncio.Event().wait()  # the keyboard is gone; the screen may still be looked at

    def _take(self, pressed: Key | Scan | LostScan) -> None:
        shown, place = self._showing, self._place
        leaves = pressed in (Key("q"), Key("escape"))
        if self._gone or self._silent_ns > SILENT_NS:
            if leaves:
                self._leave()
            elif self._gone and self._restarts and pressed == Key("\r"):
                self._end(Left("again", shown.view if shown is not None else None))
        elif shown is not None and shown.screen == "cautions" and place.stays and leaves:
            self._leave()
        elif self._unread and shown is not None and shown.screen != "cautions":
            if leaves:
                self._leave()
            elif isinstance(pressed, Key):
                self._unread = False
        elif shown is not None and not place.has_keys:
            if leaves:
                self._leave()
            elif pressed == Key("k"):
                self._say(Asks())
        elif pressed == Key("b") and shown is not None and _sounds_may_change(shown):
            self._sounds.next_mode()
        else:
            self._unread = False
            question = shown.view.question if shown is not None else None
            if question is not None and question.key == "q" and pressed == Key("d"):
                self._say(Keyed.of(Key("escape")))
                self._leave()
            else:
                self._say(Keyed.of(pressed))

    def _interrupted(self) -> None:
        """Ctrl-C leads out: first of an open form or screen, then it is the key that ends, which is asked about; and it
        leaves a bench that does not answer."""
        shown = self._showing
        inside = shown is not None and (shown.page.form is not None or shown.screen not in ("cautions", "bench"))
        self._take(Key("escape" if inside else "q"))

    def _leave(self) -> None:
        shown = self._showing
        self._end(Left("left", shown.view if shown is not None else None, 0 if self._gone else self._place.pid))

    def _end(self, left: Left) -> None:
        if self._over is not None and not self._over.done():
            self._over.set_result(left)

    def _failed(self, task: asyncio.Future[None]) -> None:
        if task.cancelled() or (error := task.exception()) is None:
            return
        if isinstance(error, OSError):  # the terminal is gone
            self._leave()
        elif self._over is not None and not self._over.done():
            self._over.set_exception(error)
