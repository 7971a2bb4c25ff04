"""The terminal: draws when something changed, at most ten times a second, and leaves all as it was found."""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import sys
import threading
from collections.abc import Callable
from types import FrameType
from typing import TextIO

from rich.console import Console, RenderableType

from capture.plumbing.plaintext import clean

#: Given width, height and whether only ASCII can be shown, returns what to show.
Draw = Callable[[int, int, bool], RenderableType]

_ENTER = "\x1b[?1049h\x1b[?25l\x1b[2J\x1b[H"
_LEAVE = "\x1b[0m\x1b[?25h\x1b[?1049l"
_FALLBACK = (80, 24)


class Screen:
    """One terminal. Enter it with `with`, call `changed()` when the picture may differ, keep `run()` going.

    `live` is False where the stream is no terminal or a dumb one; then nothing is drawn and `line()` prints.
    `draw` may be replaced at any time, for a screen that covers another.
    """

    def __init__(
        self, draw: Draw, *, stream: TextIO | None = None, interval_s: float = 0.1, off_loop: bool = False
    ) -> None:
        """`off_loop`: `draw` may be called from a thread, so that a terminal that is held up (Ctrl-S) holds up
        nothing but its own frames."""
        self.draw = draw
        self._stream = stream if stream is not None else sys.stdout
        self._interval_s = interval_s
        self._off_loop = off_loop
        encoding = (getattr(self._stream, "encoding", None) or "ascii").lower().replace("-", "").replace("_", "")
        self.ascii_only = encoding != "utf8"
        terminal = self._stream.isatty() and os.environ.get("TERM", "dumb") not in ("", "dumb", "unknown")
        self.live = terminal
        self.drawn = 0
        """Frames written so far."""
        self._console = Console(file=self._stream, force_terminal=True if terminal else None, legacy_windows=False)
        self._dirty: asyncio.Event | None = None
        self._shown: list[str] = []
        self._size = (0, 0)
        self._inside = False
        self._signals: dict[signal.Signals, object] = {}

    def __enter__(self) -> Screen:
        if self.live:
            self._catch()
            # Set first: a signal between the two leaves a screen that is merely restored once too often.
            self._inside = True
            self._write(_ENTER)
        return self

    def __exit__(self, *_: object) -> None:
        self.restore()

    def restore(self) -> None:
        """Put the terminal back: normal screen, visible cursor, no colour. Safe to call twice."""
        if self._inside:
            self._inside = False
            # A closed terminal has nothing to restore.
            with contextlib.suppress(OSError, ValueError):
                self._write(_LEAVE)
        for number, handler in self._signals.items():
            signal.signal(number, handler)  # type: ignore[arg-type]
        self._signals.clear()

    def changed(self) -> None:
        """Ask for a new frame. Cheap: call it for every reading."""
        if self._dirty is not None:
            self._dirty.set()

    def bell(self) -> None:
        """Ring the terminal's bell once."""
        if self._inside:
            with contextlib.suppress(OSError, ValueError):
                self._write("\a")

    def line(self, text: str) -> None:
        """Print one line where nothing can be drawn; nothing on a live screen: the frame shows it."""
        if not self.live:
            self._write(clean(text, self.ascii_only) + "\n")

    async def run(self) -> None:
        """Draw until cancelled: at once, then whenever `changed()` was called or the window was resized."""
        self._dirty = asyncio.Event()
        if not self.live:
            await asyncio.Event().wait()
        loop = asyncio.get_running_loop()
        in_main = threading.current_thread() is threading.main_thread()
        if in_main:
            loop.add_signal_handler(signal.SIGWINCH, self._dirty.set)
            loop.add_signal_handler(signal.SIGCONT, self._continued)
        try:
            while True:
                self._dirty.clear()
                if self._off_loop:
                    await asyncio.to_thread(self.paint)
                else:
                    self.paint()
                await asyncio.sleep(self._interval_s)
                await self._dirty.wait()
        finally:
            if in_main:
                loop.remove_signal_handler(signal.SIGWINCH)
                loop.remove_signal_handler(signal.SIGCONT)

    def _continued(self) -> None:
        """While this process was stopped others may have written on the terminal."""
        self._size = (0, 0)
        self.changed()

    def paint(self) -> None:
        """Draw one frame now, writing only the lines that differ from the last."""
        width, height = self._terminal_size()
        self._console.size = (width, height)
        with self._console.capture() as capture:
            self._console.print(self.draw(width, height, self.ascii_only), end="", soft_wrap=True)
        lines = capture.get().split("\n")[:height]
        chunks = []
        if (width, height) != self._size:
            self._size = (width, height)
            self._shown = []
            chunks.append("\x1b[0m\x1b[2J")
        for row, line in enumerate(lines):
            if row >= len(self._shown) or self._shown[row] != line:
                chunks.append(f"\x1b[{row + 1};1H{line}")
        for row in range(len(lines), len(self._shown)):
            chunks.append(f"\x1b[{row + 1};1H\x1b[2K")
        self._shown = lines
        if chunks:
            self.drawn += 1
            self._write("".join(chunks))

    def _terminal_size(self) -> tuple[int, int]:
        try:
            size = os.get_terminal_size(self._stream.fileno())
        except (OSError, ValueError):
            return _FALLBACK
        return (size.columns or _FALLBACK[0], size.lines or _FALLBACK[1])

    def _write(self, text: str) -> None:
        self._stream.write(text)
        self._stream.flush()

    def _catch(self) -> None:
        """Turn a deadly signal that nobody handles into an exception: every `with` is left in order."""
        if threading.current_thread() is not threading.main_thread():
            return
        for number in (signal.SIGTERM, signal.SIGHUP):
            if signal.getsignal(number) is signal.SIG_DFL:
                self._signals[number] = signal.signal(number, _leave)


def _leave(number: int, frame: FrameType | None) -> None:
    raise SystemExit(128 + number)
