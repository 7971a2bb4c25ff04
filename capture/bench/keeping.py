"""What a check came to and is not kept yet: strokes and verdicts on their way to the disk, in the order found.

Finding waits for no disk, so that what is found may run ahead of what is kept; nothing is told before it is kept.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from datetime import datetime
from time import monotonic_ns

from capture.bench.running_check import RunningCheck
from capture.clearance.check import Effect

#: From here on what waits for the disk is said.
_SLOW_DISK_NS = 1_000_000_000
_DISK_IS_SLOW = (
    "The disk is slow: what was measured waits to be written. Strokes show once they are kept; nothing is lost so far."
)


@dataclass(frozen=True, slots=True)
class Found:
    """An effect of a check, when it was found, and how far the recording must be written before it may be kept."""

    running: RunningCheck
    effect: Effect
    at: datetime
    t_ns: int
    place: int


class Keeping:
    """Keeps what was found by calling `keep`, one at a time and in order, whenever `busy` is free."""

    def __init__(self, keep: Callable[[Found], Awaitable[None]], busy: asyncio.Lock) -> None:
        self._keep = keep
        self._busy = busy
        self._waiting: deque[Found] = deque()
        self._now: Found | None = None
        self._news = asyncio.Event()

    def add(self, found: Found) -> None:
        """Have `found` kept after what was found before it. A check finds few, so what can wait is bounded by it."""
        self._waiting.append(found)
        self._news.set()

    def waiting_ns(self) -> int:
        """Return for how long the oldest that is not kept yet has waited; 0 for none."""
        oldest = self._now or next(iter(self._waiting), None)
        return monotonic_ns() - oldest.t_ns if oldest is not None else 0

    def slow(self, running: RunningCheck | None) -> str:
        """Return what there is to say while the disk, the record's or the recording's, keeps people waiting."""
        recording_ns = running.recording.waiting_ns() if running is not None else 0
        return _DISK_IS_SLOW if max(self.waiting_ns(), recording_ns) >= _SLOW_DISK_NS else ""

    async def all(self) -> None:
        """Keep everything that was found. Call it with the lock held. Raises what keeping raises, and then keeps
        nothing of what waited behind it."""
        while self._waiting:
            self._now = self._waiting.popleft()  # never kept twice, whatever happens to who waits here
            try:
                await self._keep(self._now)
            except Exception:
                self._waiting.clear()
                raise
            finally:
                self._now = None

    async def run(self) -> None:
        """Keep as it is found, until cancelled. Raises what keeping raises."""
        while True:
            await self._news.wait()
            self._news.clear()
            async with self._busy:
                await self.all()
