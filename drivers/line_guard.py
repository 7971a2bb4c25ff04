"""Drops a port's output line when the process that drives it stands still: a second process, and the first one's end.

Only the operating system can drop the line of a process that hangs, and it does so only when the process has ended. So
a second process holds the same open port (the descriptor is handed down, for to open a port again would switch its
lines on for a moment) and a socket on which the first beats. When no beat comes for `LIMIT_S` it drops the line, and
again every so often while none comes, and once more at the first that comes after; when the socket ends, it drops the
line and ends. It answers every beat, so that the first process learns when its guard is gone, and lets go of the port
then; and switches nothing on unless it was answered a moment ago: a command to open that waited while the process stood
still would otherwise open the valve again as it goes on.

What this leaves open: a kernel or an adapter that hangs, and both processes stopped at once.
"""

from __future__ import annotations

import contextlib
import fcntl
import io
import os
import select
import socket
import struct
import subprocess
import sys
import termios
import time
from typing import TYPE_CHECKING, Self

if TYPE_CHECKING:  # which the guard itself has no need of
    import serial

#: How long the line stays on without a beat, seconds.
LIMIT_S = 0.2
#: A guard that has not answered for this long is none.
_ANSWER_WITHIN_S = 0.5
#: And while the last answer is older than this the line is not switched on. Less than `LIMIT_S`.
_WATCHES_FOR_S = 0.12
_START_WITHIN_S = 5.0
_BEAT_EVERY_S = 0.04


class LineGuard:
    """The driving process's end. `beat` from the loop that decides, `check` from whoever holds the port, `close` it."""

    def __init__(self, port: int, output: str) -> None:
        """Start a guard of the output line, "rts" or "dtr", of the open port; raises OSError if it does not come up."""
        self._beats, theirs = socket.socketpair()
        self._beaten_at = 0.0
        self._asked_at: float | None = None
        with theirs:
            self._process = subprocess.Popen(
                [sys.executable, "-I", "-S", __file__, str(port), str(theirs.fileno()), output],
                pass_fds=(port, theirs.fileno()),
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
            )
        self._beats.settimeout(_START_WITHIN_S)
        try:
            started = self._beats.recv(1)
        except TimeoutError:
            started = b""
        if not started:
            self.close()
            raise OSError(f"the guard of its line {output} did not start; the port has no such line, or no process can")
        self._answered_at = time.monotonic()
        self._beats.setblocking(False)

    @classmethod
    def of(cls, port: serial.Serial, output: str) -> Self | None:
        """Return the guard of an open port, None for one without a descriptor, which is not of this computer."""
        try:
            descriptor = port.fileno()
        except (AttributeError, io.UnsupportedOperation):
            return None
        return cls(descriptor, output)

    def beat(self) -> None:
        """Say that the loop which decides about the line runs; as often as you like, from any thread. Never waits."""
        now = time.monotonic()
        if now - self._beaten_at < _BEAT_EVERY_S:
            return
        self._beaten_at = now
        with contextlib.suppress(OSError):  # it does not read; `check` will say so
            self._beats.send(b".")
        if self._asked_at is None:
            self._asked_at = now

    def check(self) -> None:
        """Raise OSError if the guard does not answer."""
        try:
            if not self._beats.recv(4096):
                raise OSError("the guard of the valve's line has ended")
            self._asked_at, self._answered_at = None, time.monotonic()
        except BlockingIOError:
            if self._asked_at is not None and time.monotonic() - self._asked_at > _ANSWER_WITHIN_S:
                raise OSError("the guard of the valve's line does not answer") from None

    @property
    def watches(self) -> bool:
        """Whether it would drop the line if nothing were said from now on, as far as `check` has heard."""
        return time.monotonic() - self._answered_at < _WATCHES_FOR_S

    def close(self) -> None:
        """Let it drop the line and end."""
        self._beats.close()
        try:
            self._process.wait(_ANSWER_WITHIN_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()


def _guard(port: int, beats: int, output: str) -> None:
    """Be the guard, until the other end is closed."""
    line = struct.pack("I", termios.TIOCM_RTS if output == "rts" else termios.TIOCM_DTR)

    fcntl.ioctl(port, termios.TIOCMGET, line)
    os.write(beats, b"!")
    silent = False
    try:
        while True:
            if not select.select([beats], [], [], LIMIT_S)[0]:
                silent = True
                _drop(port, line)
            elif said := os.read(beats, 4096):
                if silent:
                    _drop(port, line)
                silent = False
                os.write(beats, said[:1])
            else:
                return
    finally:
        _drop(port, line)


def _drop(port: int, line: bytes) -> None:
    with contextlib.suppress(OSError):  # the port has gone, and its lines with it
        fcntl.ioctl(port, termios.TIOCMBIC, line)


if __name__ == "__main__":
    sys.path.append(__file__.rsplit(os.sep, 2)[0])  # which -I and -S leave out
    from drivers.real_time import stay_in_memory  # that it runs before others, it has from who began it

    stay_in_memory()
    _guard(int(sys.argv[1]), int(sys.argv[2]), sys.argv[3])
