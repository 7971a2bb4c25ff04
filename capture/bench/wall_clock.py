"""Sees when the computer's wall clock was set to another time: what a record says happened when rests on it."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any, Final

#: A clock that is kept by a time service is slewed, or stepped by less than this; nanoseconds.
LARGEST_STEP_NS: Final = 2_000_000_000


def _running_ns() -> int:
    # Goes on while the computer sleeps, and nobody can set it (clock_gettime(2)).
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME) if hasattr(time, "CLOCK_BOOTTIME") else time.monotonic_ns()


class WallClock:
    """Compares the wall clock with one that nobody can set."""

    def __init__(self, wall_ns: Callable[[], int] = time.time_ns, running_ns: Callable[[], int] = _running_ns) -> None:
        """`wall_ns` counts from 1970, `running_ns` from whenever; both nanoseconds."""
        self._wall_ns, self._running_ns = wall_ns, running_ns
        self._ahead_ns = wall_ns() - running_ns()

    def jump(self) -> dict[str, Any] | None:
        """Return what to keep of a jump since the last look: from what time to what time, and by how much, nanoseconds
        (below zero: back). None where there was none."""
        wall_ns, running_ns = self._wall_ns(), self._running_ns()
        jumped_ns = wall_ns - running_ns - self._ahead_ns
        self._ahead_ns += jumped_ns
        if abs(jumped_ns) <= LARGEST_STEP_NS:
            return None
        return {"seen": "running", "from": _text(wall_ns - jumped_ns), "to": _text(wall_ns), "jumped_ns": jumped_ns}

    def behind(self, newest: datetime | None) -> dict[str, Any] | None:
        """Return the same where the wall clock now shows a time before that of the record's newest entry."""
        wall_ns = self._wall_ns()
        now = datetime.fromtimestamp(wall_ns / 1e9, UTC)
        if newest is None or newest <= now + timedelta(seconds=LARGEST_STEP_NS / 1e9):
            return None
        jumped_ns = (now - newest) // timedelta(microseconds=1) * 1000
        return {
            "seen": "since the newest entry",
            "from": newest.isoformat(),
            "to": _text(wall_ns),
            "jumped_ns": jumped_ns,
        }


def _text(wall_ns: int) -> str:
    return datetime.fromtimestamp(wall_ns // 1000 / 1e6, UTC).isoformat()
