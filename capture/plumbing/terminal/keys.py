"""The keyboard: bytes of a terminal in, names of keys out; the terminal's settings are always put back."""

from __future__ import annotations

import asyncio
import codecs
import contextlib
import os
import re
import sys
import termios
import tty
from collections.abc import AsyncIterator
from time import monotonic_ns

_NAMED = {
    "\r": "enter", "\n": "enter", "\t": "tab", "\x7f": "backspace", "\x08": "backspace",
    "\x02": "stx",  # what a scanner may send before a code
}  # fmt: skip
_SEQUENCES = {
    "A": "up", "B": "down", "C": "right", "D": "left", "H": "home", "F": "end",
    "1~": "home", "3~": "delete", "4~": "end", "5~": "page-up", "6~": "page-down",
    "7~": "home", "8~": "end",
    "Z": "up",  # Tab with Shift: back a line
}  # fmt: skip
#: ECMA-48 control sequence: parameters, intermediates, one final byte. Or a single shift from keypad mode.
_CONTROL = re.compile(r"\x1b(?:\[[0-?]*[ -/]*[@-~]|O[@-~])")
_UNFINISHED = re.compile(r"\x1b(?:\[[0-?]*[ -/]*|O)?\Z")
#: A lone escape is the key itself if nothing follows it for this long.
_ESCAPE_S = 0.05
_READ_BYTES = 4096


class KeyParser:
    """Turns bytes into key names: a character is itself, others are 'enter', 'escape', 'up' and the like."""

    def __init__(self) -> None:
        self._decoder = codecs.getincrementaldecoder("utf-8")("replace")
        self._pending = ""

    @property
    def unfinished(self) -> bool:
        """Whether an escape waits for what may follow."""
        return bool(self._pending)

    def feed(self, data: bytes) -> list[str]:
        """Return the keys completed by `data`. Unknown sequences and control characters give none."""
        text = self._pending + self._decoder.decode(data)
        self._pending = ""
        keys: list[str] = []
        at = 0
        while at < len(text):
            if text[at] != "\x1b":
                keys += self._plain(text[at])
                at += 1
                continue
            match = _CONTROL.match(text, at)
            if match:
                name = _SEQUENCES.get(match.group()[2:])
                keys += [name] if name else []
                at = match.end()
            elif _UNFINISHED.match(text, at):
                self._pending = text[at:]
                break
            else:
                keys.append("escape")
                at += 1
        return keys

    def flush(self) -> list[str]:
        """Return what an escape that nothing followed stands for."""
        pending, self._pending = self._pending, ""
        if not pending:
            return []
        return ["escape", *(key for character in pending[1:] for key in self._plain(character))]

    @staticmethod
    def _plain(character: str) -> list[str]:
        if character in _NAMED:
            return [_NAMED[character]]
        return [character] if character.isprintable() else []


class Keys:
    """Keys of a terminal as an asynchronous iterator; enter it with `with`, inside a running loop.

    Where the descriptor is no terminal, nothing is changed and the iteration ends at once. It also ends when
    the terminal goes away.
    """

    def __init__(self, descriptor: int | None = None) -> None:
        self._descriptor = descriptor
        self._parser = KeyParser()
        self._queue: asyncio.Queue[tuple[int, str] | None] = asyncio.Queue()
        self._saved: list[int | list[bytes | int]] | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._timer: asyncio.TimerHandle | None = None

    def __enter__(self) -> Keys:
        if self._descriptor is None:
            # stdin may be closed or replaced by something without a descriptor.
            with contextlib.suppress(OSError, ValueError, AttributeError):
                self._descriptor = sys.stdin.fileno()
        if self._descriptor is None or not os.isatty(self._descriptor):
            self._queue.put_nowait(None)
            return self
        self._saved = termios.tcgetattr(self._descriptor)
        try:
            # What was typed before anybody saw this screen was meant for another: it is dropped, and heeds no caution.
            tty.setcbreak(self._descriptor, termios.TCSAFLUSH)
            # A daemon stopped by the suspend key could leave its valve open: that key does nothing here.
            settings = termios.tcgetattr(self._descriptor)
            settings[6][termios.VSUSP] = bytes([os.fpathconf(self._descriptor, "PC_VDISABLE") & 0xFF])
            termios.tcsetattr(self._descriptor, termios.TCSADRAIN, settings)
            self._loop = asyncio.get_running_loop()
            self._loop.add_reader(self._descriptor, self._read)
        except BaseException:
            self._restore()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        self._restore()

    def __aiter__(self) -> AsyncIterator[str]:
        return self

    async def __anext__(self) -> str:
        pressed = await self.pressed()
        if pressed is None:
            raise StopAsyncIteration
        return pressed[1]

    async def pressed(self, until_ns: int | None = None) -> tuple[int, str] | None:
        """Return the next key and when it was read, monotonic nanoseconds; None when there are no more.

        Raises TimeoutError if there is none by `until_ns`.
        """
        if self._queue.empty() and until_ns is not None:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(max(0, until_ns - monotonic_ns()) / 1e9):
                    return self._last_stays(await self._queue.get())
            if self._queue.empty():
                raise TimeoutError("no key was pressed")
        return self._last_stays(await self._queue.get())

    def _last_stays(self, pressed: tuple[int, str] | None) -> tuple[int, str] | None:
        if pressed is None:
            self._queue.put_nowait(None)
        return pressed

    def _restore(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        if self._descriptor is None or self._saved is None:
            return
        if self._loop is not None and not self._loop.is_closed():
            self._loop.remove_reader(self._descriptor)
        saved, self._saved = self._saved, None
        # The terminal may be gone; then there is nothing left to restore.
        with contextlib.suppress(termios.error, OSError):
            termios.tcsetattr(self._descriptor, termios.TCSADRAIN, saved)

    def _read(self) -> None:
        assert self._loop is not None and self._descriptor is not None
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        try:
            data = os.read(self._descriptor, _READ_BYTES)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if not data:
            self._loop.remove_reader(self._descriptor)
            self._queue.put_nowait(None)
            return
        for key in self._parser.feed(data):
            self._queue.put_nowait((monotonic_ns(), key))
        if self._parser.unfinished:
            self._timer = self._loop.call_later(_ESCAPE_S, self._flush)

    def _flush(self) -> None:
        self._timer = None
        for key in self._parser.flush():
            self._queue.put_nowait((monotonic_ns(), key))
