"""Plays a simulated bench into a real pseudo-terminal, so that the daemon reads it as it reads a serial port.

The pty belongs to whoever reads it: nobody may read for hours. Writing therefore never waits. When the kernel's
buffer (a few kilobytes) is full, what is queued there is thrown away as a whole and the newest bytes go in, so a
reader that comes late starts near the present; `dropped` counts the chunks that met a full buffer.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import termios
import time
import tty
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Self

from capture.simulation.physics import PackPhysics
from capture.simulation.simulated_bench import Chunk, SimulatedBench, StrokeTruth
from capture.simulation.technician import Technician, Trouble

_REST_SLICE_NS = 50_000_000
_REQUEST_POLL_S = 0.005


class PtyBench:
    """A bench behind the symlink `path`: streams rest readings, and strokes when told to.

    `speed` plays that many times faster than real time. With a `request` the bench answers only when those bytes have
    been read from the port, with its newest frame, as a polled instrument does. While nobody asks for a check, the
    air is on whenever `valve` says so, as with a fixture. Use as an async context manager.
    """

    def __init__(
        self,
        bench: SimulatedBench,
        path: Path,
        *,
        speed: float = 1.0,
        request: bytes = b"",
        valve: Callable[[], bool] = lambda: False,
    ) -> None:
        if speed <= 0:
            raise ValueError(f"speed {speed} must be above zero")
        self.bench = bench
        self.path = path
        self.speed = speed
        self.request = request
        self._valve = valve
        self.played = 0
        """Bytes handed to the pty so far."""
        self.dropped = 0
        """Chunks that met a full buffer, so that what was queued before them was thrown away."""
        self._master = self._slave = -1
        self._asked = b""
        self._newest = b""
        self._work: asyncio.Queue[tuple[Iterator[Chunk], asyncio.Future[None]]] = asyncio.Queue()
        self._tasks: list[asyncio.Task[None]] = []
        self._began_s = 0.0
        self._began_ns = 0

    async def __aenter__(self) -> Self:
        self.replug()
        self._began_s, self._began_ns = time.monotonic(), self.bench.t_ns
        self._tasks = [asyncio.create_task(self._play())]
        if self.request:
            self._tasks.append(asyncio.create_task(self._answer()))
        return self

    async def __aexit__(self, *_: object) -> None:
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        self._tasks = []
        while not self._work.empty():
            self._work.get_nowait()[1].cancel()
        self.unplug()

    async def run_check(
        self,
        physics: PackPhysics,
        strokes: int,
        troubles: Mapping[int, Trouble] | None = None,
        *,
        seated: bool = False,
        technician: Technician | None = None,
    ) -> list[StrokeTruth]:
        """Let the technician, or another, check one pack, at rest before and after; return what its strokes did."""
        before = len(self.bench.truths)
        await self._do(self.bench.check(physics, strokes, troubles, seated=seated, technician=technician))
        return self.bench.truths[before:]

    async def hold_air(self, duration_ns: int, *, valve_open: bool) -> None:
        """Keep the valve open or shut for `duration_ns` of simulated time."""
        await self._do(self.bench.air(duration_ns, valve_open=valve_open))

    def unplug(self) -> None:
        """Pull the cable: a reader meets a hang-up, the symlink is gone, and what the bench sends is lost."""
        for descriptor in (self._master, self._slave):
            if descriptor >= 0:
                os.close(descriptor)
        self._master = self._slave = -1
        if self.path.is_symlink():
            self.path.unlink()

    def replug(self) -> None:
        """Put the cable in: a new pty behind the same symlink."""
        self.unplug()
        self._master, self._slave = os.openpty()
        # Raw, so that no byte is echoed, translated or kept for a line end. The bench keeps the reader's side open
        # as well, because a pty that nobody holds reports a hang-up to its writer.
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.path.symlink_to(os.ttyname(self._slave))
        self._asked = b""

    async def _do(self, chunks: Iterator[Chunk]) -> None:
        if not self._tasks:
            raise RuntimeError("the bench is not running; use it as `async with PtyBench(...) as bench`")
        done: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._work.put_nowait((chunks, done))
        await done

    async def _play(self) -> None:
        while True:
            if self._work.empty():
                await self._pace(self.bench.air(_REST_SLICE_NS, valve_open=self._valve()))
                continue
            chunks, done = self._work.get_nowait()
            try:
                await self._pace(chunks)
            except asyncio.CancelledError:
                done.cancel()
                raise
            except Exception as error:
                # Who asked for the work is told; the bench itself streams on.
                if done.done():
                    raise
                done.set_exception(error)
            else:
                if not done.done():
                    done.set_result(None)

    async def _pace(self, chunks: Iterator[Chunk]) -> None:
        for t_ns, data in chunks:
            await self._wait_until(t_ns)
            if self.request:
                self._newest = data
            else:
                self._write(data)
        await self._wait_until(self.bench.t_ns)

    async def _wait_until(self, t_ns: int) -> None:
        ahead_s = (t_ns - self._began_ns) / 1e9 / self.speed - (time.monotonic() - self._began_s)
        # Even a bench that runs late lets others have their turn.
        await asyncio.sleep(max(0.0, ahead_s))

    async def _answer(self) -> None:
        while True:
            with contextlib.suppress(OSError):
                if self._master >= 0:
                    self._asked += os.read(self._master, 256)
            if self.request in self._asked:
                self._asked = self._asked.rpartition(self.request)[2]
                self._write(self._newest)
            self._asked = self._asked[-len(self.request) :]
            await asyncio.sleep(_REQUEST_POLL_S)

    def _write(self, data: bytes) -> None:
        if self._master < 0 or not data:
            return
        written = self._try_write(data)
        if written < len(data):
            self.dropped += 1
            # Both, because the kernel queues on the way to the reader and again at the reader's end.
            termios.tcflush(self._master, termios.TCOFLUSH)
            termios.tcflush(self._slave, termios.TCIFLUSH)
            written += self._try_write(data[written:])
        self.played += written

    def _try_write(self, data: bytes) -> int:
        try:
            return os.write(self._master, data)
        except BlockingIOError:
            return 0
