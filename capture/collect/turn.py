"""A collector's turn at one broker: waiting for it, showing that it lives, losing it, and handing it over."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable
from functools import partial
from typing import Final

from capture.collect.database import DatabaseAway
from capture.collect.database_thread import DatabaseThread
from capture.collect.lease import BEAT_S, LOOK_S, STILL_S, Lease, LeaseLost, Watch
from capture.collect.sink import Sink
from capture.mqtt.link import passed

_HAND_OVER_S: Final = 2.0  # a database that is away must not hold up who leaves


class Turn:
    """The lease of one session, which this process holds as `holder`.

    A collector that does not stand by takes the lease as it starts: whoever starts it means it to work, and after a
    `kill -9` nobody has to wait. One that was put out stands by from then on, so that two do not put each other out in
    turn.
    """

    def __init__(
        self, sink: Sink, database: DatabaseThread, session: str, holder: str, *, standby: bool, stop: asyncio.Event
    ) -> None:
        self._sink = sink
        self._database = database
        self._session = session
        self._holder = holder
        self._standby = standby
        self._stop = stop
        self._lease: Lease | None = None
        self._beating: asyncio.Task[None] | None = None
        #: Why the broker cannot be reached now, empty where it can; told with every beat.
        self.broker_lost = ""

    async def come(self, tell: Callable[[str], None]) -> bool:
        """Return once this collector may connect, False when told to stop; `tell` is told whom it waits for."""
        if self._standby:
            if not await self._wait(tell):
                return False
            self.begin()
        return not self._stop.is_set()

    def begin(self) -> None:
        """Take the lease, if it was not waited for, and keep it: what the broker holds is for this database."""
        if self._beating is None:
            self._beating = asyncio.create_task(self._beat())

    def lease(self) -> Lease:
        """Return the lease, taken from whoever has it if need be. On the database's thread. Raises DatabaseAway."""
        while self._lease is None:
            self._lease = self._sink.take(self._sink.lease(self._session), self._holder)
        return self._lease

    async def check(self) -> None:
        """Raises LeaseLost if another collector has taken over; while the database is away, none can."""
        if (lease := self._lease) is not None:
            with contextlib.suppress(DatabaseAway):
                await self._database.once(lambda: self._sink.beat(lease))

    def lost(self) -> None:
        """Stand by from now on."""
        self._stop_beating()
        self._standby, self._lease = True, None

    async def hand_over(self) -> None:
        """Let whoever stands by take over at once."""
        self._stop_beating()
        if (lease := self._lease) is not None:
            with contextlib.suppress(DatabaseAway, LeaseLost, TimeoutError):
                async with asyncio.timeout(_HAND_OVER_S):
                    await self._database.once(lambda: self._sink.hand_over(lease))

    async def _wait(self, tell: Callable[[str], None]) -> bool:
        watch, told = Watch(), ""
        while not self._stop.is_set():
            seen = await self._database.patiently(lambda: self._sink.lease(self._session))
            if seen is None:
                return False
            if watch.may_take(seen, asyncio.get_running_loop().time()):
                self._lease = await self._take(seen)
                if self._lease is not None:
                    return True
            elif seen.holder != told:
                told = seen.holder
                tell(f"{told} collects; this one takes over when that has been silent for {STILL_S:.0f} s, or ends")
            await passed(self._stop, LOOK_S)
        return False

    async def _take(self, seen: Lease) -> Lease | None:
        with contextlib.suppress(DatabaseAway):
            return await self._database.once(lambda: self._sink.take(seen, self._holder))
        return None

    async def _beat(self) -> None:
        """Show now and again that this process lives, its event loop and its way to the database."""
        lease = await self._database.patiently(self.lease)
        while lease is not None and not self._stop.is_set():
            await passed(self._stop, BEAT_S)
            try:
                lost = self.broker_lost
                await self._database.once(partial(self._sink.beat, lease, lost))
            except DatabaseAway:
                continue  # it is told where something is to be kept
            except LeaseLost:
                return  # the next message, or the next connection, meets it too

    def _stop_beating(self) -> None:
        if self._beating is not None:
            self._beating.cancel()
            self._beating = None
