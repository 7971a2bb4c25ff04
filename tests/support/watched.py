"""What a thread of its own changes, and a test waits for."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from pathlib import Path


class Watched:
    """Something at a path; whoever changes it holds `_changed` and notifies."""

    path: Path
    _changed: threading.Condition

    async def until(self, condition: Callable[[], bool], timeout_s: float = 60.0) -> None:
        """Return as soon as `condition` holds; raises TimeoutError."""
        if not await asyncio.to_thread(self.wait_for, condition, timeout_s):
            raise TimeoutError(f"what is at {self.path} did not come to it in {timeout_s} s")

    def wait_for(self, condition: Callable[[], bool], timeout_s: float = 60.0) -> bool:
        """Wait, blocking, until `condition` holds; return whether it did in time."""
        with self._changed:
            return self._changed.wait_for(condition, timeout_s)
