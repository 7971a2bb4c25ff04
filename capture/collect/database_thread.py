"""The one thread on which a collector's database is used, and the waiting while it cannot be."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Final, TypeVar

from capture.collect.database import DatabaseAway
from capture.collect.events import LinkChange
from capture.mqtt.link import passed
from capture.mqtt.link_state import LinkState

_T = TypeVar("_T")
_FIRST_PAUSE_S: Final = 0.25
_LONGEST_PAUSE_S: Final = 15.0


class DatabaseThread:
    """Does work on the database at `where`, a task at a time; `say` is told when it goes away and comes back."""

    def __init__(self, where: str, stop: asyncio.Event, say: Callable[[LinkChange], None]) -> None:
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="collect")
        self._stop = stop
        self._on_link = say
        self._link = LinkChange("database", where, "off")

    async def once(self, work: Callable[[], _T]) -> _T:
        """Do `work` on the thread. Raises what it raises."""
        return await asyncio.get_running_loop().run_in_executor(self._thread, work)

    async def patiently(self, work: Callable[[], _T]) -> _T | None:
        """Do `work` again and again while the database is away; return None when told to stop."""
        pause = _FIRST_PAUSE_S
        while True:
            try:
                done = await self.once(work)
            except DatabaseAway as error:
                self._say(
                    "down",
                    f"{error}; check the database, its address and login; the brokers keep what arrives, and it tries "
                    "again by itself",
                )
            else:
                self._say("up")
                return done
            await passed(self._stop, pause * random.uniform(0.5, 1.0))
            if self._stop.is_set():
                return None
            pause = min(2 * pause, _LONGEST_PAUSE_S)

    async def close(self, last: Callable[[], None]) -> None:
        """Do the last task, and end the thread."""
        await self.once(last)
        self._thread.shutdown()
        self._say("off")

    def _say(self, state: LinkState, reason: str = "") -> None:
        link = LinkChange("database", self._link.where, state, reason)
        if link != self._link:
            self._link = link
            self._on_link(link)
