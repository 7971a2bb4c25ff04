"""A recording that is written on a thread of its own, so that no disk holds up whoever measures.

Theory of operation. Lines are made and put in order where the bytes arrive; the thread takes all that wait and writes
them at once, so that a disk which takes seconds a write still keeps up. A place in the file is a number of bytes from
its beginning: `handed` is that of the newest line, and `written` waits until the file is that long, that is until the
system has the bytes and a killed daemon loses none of them. What waits is bounded; a disk that falls behind by more,
and a write that fails, end the recording with a reason in words, once, and nothing is written after a gap.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import Callable
from time import monotonic_ns
from typing import Any, Final, Literal

from capture.recordings.file import RecordingError, RecordingWriter

#: What may wait for the disk: over a minute of an indicator that sends a thousand readings a second.
MOST_BYTES: Final = 8 << 20
MOST_LINES: Final = 100_000


class QueuedRecording:
    """Hands the lines of a recording to its thread. Call everything from the event loop it was made on."""

    def __init__(
        self,
        writer: RecordingWriter,
        on_failure: Callable[[RecordingError], None] = lambda error: None,
        *,
        most_bytes: int = MOST_BYTES,
        most_lines: int = MOST_LINES,
    ) -> None:
        """Take over `writer`. `on_failure` is called on the event loop when a write has failed."""
        self._writer = writer
        self._on_failure = on_failure
        self._most_bytes, self._most_lines = most_bytes, most_lines
        self._loop = asyncio.get_running_loop()
        self._changed = threading.Condition()
        # All that follows is guarded by it.
        self.handed = writer.size
        """How long the file will be once everything handed over is in it, bytes."""
        self._in_file = writer.size
        self._lines: list[bytes] = []
        self._writing = 0
        """How many lines are being written."""
        self._first_ns: int | None = None
        """When the oldest of `_lines` was handed over."""
        self._writing_ns: int | None = None
        """When the oldest of those being written was."""
        self._waiters: list[tuple[int, asyncio.Future[None]]] = []
        self._seal: asyncio.Future[tuple[str, int]] | None = None
        self._failure: RecordingError | None = None
        self._ending = False
        # A daemon thread: a disk that never answers must not keep the process from ending.
        threading.Thread(target=self._run, name=f"recording {writer.path.name}", daemon=True).start()

    # The loop's side

    def stream(self, t_ns: int, source: Literal["indicator", "fixture"], data: bytes) -> int:
        """Record `data` received at `t_ns`; return the time as recorded. Raises RecordingError, having taken nothing,
        where an earlier write failed or too much waits for the disk."""
        time, line = self._writer.stream_line(t_ns, source, data)
        self._hand_over(line)
        return time

    def mark(self, t_ns: int, mark: dict[str, Any]) -> int:
        """Record a mark; as `stream`."""
        time, line = self._writer.mark_line(t_ns, mark)
        self._hand_over(line)
        return time

    def _hand_over(self, line: bytes) -> None:
        with self._changed:
            if self._failure is not None:
                raise self._failure
            waiting = self.handed - self._in_file
            if waiting + len(line) > self._most_bytes or len(self._lines) + self._writing >= self._most_lines:
                self._failure = RecordingError(
                    f"the disk is too slow: {waiting} bytes of readings wait for it and there is no room for more; "
                    f"nothing of this stroke was kept, everything before it was ({self._writer.path})"
                )
                raise self._failure
            if not self._lines:
                self._first_ns = monotonic_ns()
                self._changed.notify()
            self._lines.append(line)
            self.handed += len(line)

    def waiting_ns(self) -> int:
        """Return for how long the oldest line that is not in the file yet has waited; 0 for none."""
        with self._changed:
            since_ns = self._writing_ns if self._writing_ns is not None else self._first_ns
        return monotonic_ns() - since_ns if since_ns is not None else 0

    async def written(self, place: int) -> None:
        """Wait until the file holds everything up to `place`. Raises RecordingError if it never will."""
        with self._changed:
            if self._in_file >= place:
                return
            if self._failure is not None:
                raise self._failure
            waiter: asyncio.Future[None] = self._loop.create_future()
            self._waiters.append((place, waiter))
        await waiter

    async def seal(self) -> tuple[str, int]:
        """Force everything handed over to the disk; return the file's SHA-256 as hex digits and its bytes. Nothing may
        be handed over meanwhile. Raises RecordingError."""
        with self._changed:
            if self._failure is not None:
                raise self._failure
            sealed: asyncio.Future[tuple[str, int]] = self._loop.create_future()
            self._seal = sealed
            self._changed.notify()
        return await sealed

    def close(self) -> None:
        """Let the thread write what waits, close the file and end; does not wait for it. Safe to call twice."""
        with self._changed:
            self._ending = True
            self._changed.notify()

    # The thread's side

    def _run(self) -> None:
        try:
            while self._turn():
                pass
        except RecordingError as error:
            self._failed(error)
        finally:
            self._writer.close()

    def _turn(self) -> bool:
        """Write what waits, or seal the file; return whether there may be more to do."""
        with self._changed:
            while not (self._lines or self._seal or self._ending):
                self._changed.wait()
            batch, self._lines = self._lines, []
            self._writing, self._writing_ns, self._first_ns = len(batch), self._first_ns, None
            seal = self._seal
        if batch:
            self._writer.append(b"".join(batch))
            self._progress()
        elif seal is not None:
            sealed = self._writer.seal(), self._writer.size
            self._seal = None
            self._call(_answer, seal, sealed)
        else:
            return False
        return True

    def _progress(self) -> None:
        with self._changed:
            self._in_file = self._writer.size
            self._writing, self._writing_ns = 0, None
            due = [waiter for place, waiter in self._waiters if place <= self._in_file]
            self._waiters = [one for one in self._waiters if one[0] > self._in_file]
        for waiter in due:
            self._call(_answer, waiter, None)

    def _failed(self, error: RecordingError) -> None:
        self._progress()  # of the last write a part may be in the file
        with self._changed:
            self._failure = error
            self._lines, self._first_ns = [], None
            lost: list[asyncio.Future[Any]] = [waiter for _, waiter in self._waiters]
            if self._seal is not None:
                lost.append(self._seal)
        for waiter in lost:
            self._call(_refuse, waiter, error)
        self._call(self._on_failure, error)

    def _call(self, function: Callable[..., None], *arguments: object) -> None:
        with contextlib.suppress(RuntimeError):  # the loop is closed, so nobody waits any more
            self._loop.call_soon_threadsafe(function, *arguments)


def _answer(waiter: asyncio.Future[Any], result: object) -> None:
    if not waiter.done():
        waiter.set_result(result)


def _refuse(waiter: asyncio.Future[Any], error: RecordingError) -> None:
    if not waiter.done():
        waiter.set_exception(error)
