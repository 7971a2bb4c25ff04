"""Lines on their way out to a pipe whose reader may stop reading: a thread writes them, and nobody waits for it."""

from __future__ import annotations

import os
import queue
import select
import sys
import threading
from collections.abc import Callable
from contextlib import suppress
from time import monotonic

from capture.plumbing.outward import harmless, write

#: So many lines may wait for a reader; a bench says a few a minute.
_MOST_LINES = 10_000
#: For so long the end waits for a reader that still reads.
_LAST_S = 5.0


class Outlet:
    """Standard output for a process that must not stop for it. `gone` is called from its thread where the reader left.

    Where standard output is no descriptor (a test reads it), what is written goes there at once.
    """

    def __init__(self, gone: Callable[[], object] = lambda: None) -> None:
        self._gone = gone
        self._lines: queue.Queue[bytes | None] = queue.Queue(_MOST_LINES)
        self._given_up = False
        self._wrote = monotonic()
        self.broken = False
        """Whether the reader left."""
        self._descriptor: int | None = None
        with suppress(OSError, ValueError, AttributeError):
            sys.stdout.flush()
            self._descriptor = os.dup(sys.stdout.fileno())
        self._thread = threading.Thread(target=self._write, name="outlet", daemon=True)
        if self._descriptor is not None:
            self._thread.start()

    def line(self, text: str) -> None:
        """Have a line written after those before it. Never waits."""
        if self._given_up:
            return
        if self._descriptor is None:
            write(text + "\n")
            return
        try:
            self._lines.put_nowait(f"{harmless(text)}\n".encode())
        except queue.Full:
            self._give_up()

    def _give_up(self) -> None:
        self._given_up = True
        text = (
            f"warning: whoever reads this command's output stopped reading; {_MOST_LINES} lines wait and no more are "
            "written. Measuring goes on, and the record has everything.\n"
        )
        # Where errors go may be the same pipe.
        threading.Thread(target=os.write, args=(2, text.encode()), daemon=True).start()

    def close(self) -> None:
        """Let everything out to a reader that reads; one that does not is not waited for."""
        if self._descriptor is None:
            return
        with suppress(queue.Full):
            self._lines.put_nowait(None)
        self._wrote = monotonic()
        while self._thread.is_alive() and monotonic() - self._wrote < _LAST_S:
            self._thread.join(0.05)

    def _write(self) -> None:
        assert self._descriptor is not None
        while (line := self._lines.get()) is not None:
            while line:
                try:
                    line = line[os.write(self._descriptor, line) :]
                except BlockingIOError:  # somebody else made the descriptor so: wait for the reader here
                    select.select([], [self._descriptor], [])
                except OSError:  # the reader left, or the disk behind it is full
                    self._given_up = self.broken = True
                    self._gone()
                    return
                self._wrote = monotonic()
        os.close(self._descriptor)
