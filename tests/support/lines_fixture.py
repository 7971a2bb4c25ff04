"""A valve on RTS or DTR and a button on CTS of a port, as several processes see them: a pty with lines put on it.

A pty has no modem lines, so what a port does to them goes to a file instead (`lines_on_pty.c`, preloaded into the
processes); all else is real: pyserial, the kernel's terminal, its descriptors, and its word that the last of them was
closed, at which a port with HUPCL drops its lines, as this does.
"""

from __future__ import annotations

import contextlib
import functools
import mmap
import os
import select
import struct
import subprocess
import tempfile
import termios
import threading
import time
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Literal, Self

from tests.support.on_time import runs_on_time
from tests.support.watched import Watched

__all__ = ["LineMove", "LinesFixture", "lines_on_ptys", "processes_of"]

_SOURCE = Path(__file__).with_name("lines_on_pty.c")
_TURN_S = 0.001


@dataclass(frozen=True, slots=True)
class LineMove:
    """The line went on or off, at `t_ns` on the monotonic clock: by a process, or as the last holder let it go."""

    t_ns: int
    open: bool
    why: Literal["command", "hang-up"]


@functools.cache
def _library() -> Path:
    """Return the preloaded part, compiled once in a process."""
    folder = Path(tempfile.mkdtemp(prefix="strokelog-lines-"))
    made = folder / "lines_on_pty.so"
    subprocess.run(["cc", "-shared", "-fPIC", "-O1", "-Wall", "-o", str(made), str(_SOURCE), "-ldl"], check=True)
    return made


@contextmanager
def lines_on_ptys(folder: Path) -> Iterator[None]:
    """See that every process started from here on finds the lines of the ptys that have a file in `folder`."""
    before = {name: os.environ.get(name) for name in ("LD_PRELOAD", "LINES_FOLDER")}
    os.environ |= {"LD_PRELOAD": str(_library()), "LINES_FOLDER": str(folder)}
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


def processes_of(path: Path) -> dict[int, str]:
    """Every process that holds the terminal behind `path`, with its command line."""
    terminal, found = str(path.resolve()), {}
    for folder in Path("/proc").iterdir():
        if folder.name.isdigit() and int(folder.name) != os.getpid():
            with contextlib.suppress(OSError):  # it has just ended
                if any(str(one.readlink()) == terminal for one in (folder / "fd").iterdir()):
                    found[int(folder.name)] = (folder / "cmdline").read_bytes().replace(b"\0", b" ").decode()
    return found


class LinesFixture(Watched):
    """A fixture on a port's lines behind the symlink `path`. Use as a context manager, plain or async, and start what
    drives it inside. Every method may be called from any thread."""

    def __init__(self, path: Path, output: str = "rts") -> None:
        """`output` is the line that the relay is on, "rts" or "dtr"."""
        self.path = path
        self._output = termios.TIOCM_RTS if output == "rts" else termios.TIOCM_DTR
        self._folder = path.with_name(f"{path.name}-lines")
        self._pressed = False
        self.released_ns = 0
        self._open = False
        self._moves: list[LineMove] = []
        self._master = -1
        self._wires: mmap.mmap | None = None
        self._changed = threading.Condition()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"lines {path}", daemon=True)
        self._stack = contextlib.ExitStack()

    def __enter__(self) -> Self:
        self._folder.mkdir(exist_ok=True)
        self._stack.enter_context(lines_on_ptys(self._folder))
        self.replug()
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stop.set()
        self._thread.join()
        self.unplug()
        self._stack.close()

    async def __aenter__(self) -> Self:
        return self.__enter__()

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.__exit__(kind, error, trace)

    @property
    def valve_open(self) -> bool:
        """Whether the relay's line is on."""
        return self._open

    @property
    def moves(self) -> list[LineMove]:
        """When the line truly went on and off, on the monotonic clock, and why."""
        with self._changed:
            return list(self._moves)

    def guard(self) -> int:
        """Return the process that guards the line against the one that drives it. Raises ProcessLookupError."""
        for pid, words in processes_of(self.path).items():
            if "line_guard" in words:
                return pid
        raise ProcessLookupError(f"nothing guards the line at {self.path}")

    def press(self) -> None:
        """Press the apply button and keep it pressed."""
        self._put_button(True)

    def release(self) -> None:
        """Let the apply button go; `released_ns` says when that was, however long this machine took over it."""
        self._put_button(False)

    def unplug(self) -> None:
        """Pull the adapter out: its outputs have no supply any more."""
        with self._changed:
            if self._master >= 0:
                os.close(self._master)
            self._master, self._wires = -1, None
            self._move(False, "hang-up")
            if self.path.is_symlink():
                self.path.unlink()

    def replug(self) -> None:
        """Put it in: another pty behind the same symlink, its lines off."""
        self.unplug()
        with self._changed:
            self._master, slave = os.openpty()
            tty.setraw(slave)
            name = Path(os.ttyname(slave))
            with (self._folder / name.name).open("w+b") as file:
                file.write(bytes(8))
                file.flush()
                self._wires = mmap.mmap(file.fileno(), 8)
            os.close(slave)
            self._put_button(self._pressed)
            self.path.symlink_to(name)

    def _put_button(self, pressed: bool) -> None:
        with self._changed:
            self._pressed = pressed
            if self._wires is not None:
                self._wires[4:8] = struct.pack("i", termios.TIOCM_CTS if pressed else 0)
            if not pressed:
                self.released_ns = time.monotonic_ns()

    def _run(self) -> None:
        runs_on_time()
        while not self._stop.wait(_TURN_S):
            with self._changed:
                self._look()
                self._changed.notify_all()

    def _look(self) -> None:
        if self._wires is None:
            return
        poller = select.poll()
        poller.register(self._master, select.POLLHUP)
        if poller.poll(0):  # nobody holds the port
            self._wires[0:4] = bytes(4)
            self._move(False, "hang-up")
            return
        (outputs,) = struct.unpack("i", self._wires[0:4])
        self._move(bool(outputs & self._output), "command")

    def _move(self, is_open: bool, why: Literal["command", "hang-up"]) -> None:
        if is_open != self._open:
            self._open = is_open
            self._moves.append(LineMove(time.monotonic_ns(), is_open, why))
