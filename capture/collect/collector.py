"""Wires brokers to the database: one subscriber a broker, one thread that writes, and the waiting while it cannot."""

from __future__ import annotations

import asyncio
import contextlib
import random
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Final, TypeVar

from capture.collect.database import CollectError, DatabaseAway, engine_of
from capture.collect.events import Counts, Event, Link
from capture.collect.rows import Arrived
from capture.collect.settings import CollectSettings, ShopBroker
from capture.collect.sink import Sink
from capture.collect.subscriber import Subscriber
from capture.mqtt.link_state import LinkState

__all__ = ["Collector"]

_T = TypeVar("_T")
_FIRST_PAUSE_S: Final = 0.25
_LONGEST_PAUSE_S: Final = 15.0


class Collector:
    """Collects until told to stop, or with `leave` until no broker holds anything for it, and ends its sessions there.

    `on_event` is called on the event loop, and must not block. Raises CollectError for a database no collector of this
    version can use; everything else passes, and is waited out.
    """

    def __init__(self, settings: CollectSettings, on_event: Callable[[Event], None], *, leave: bool = False) -> None:
        self._settings = settings
        self._leave = leave
        self._on_event = on_event
        self._sink = Sink(engine_of(settings.database))
        self._database = Link("database", settings.database.url, "off")
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="collect")
        self._stop = asyncio.Event()
        self.total = Counts()

    def stop(self) -> None:
        """Commit what is being written, acknowledge it, leave the rest to the brokers, and end."""
        self._stop.set()

    async def run(self) -> None:
        """Collect from every broker."""
        try:
            async with asyncio.TaskGroup() as group:
                self._beside = group
                group.create_task(self._open())
                for broker in self._settings.brokers:
                    subscriber = Subscriber(
                        broker,
                        name=self._settings.name,
                        share=self._settings.share,
                        keep=self._keep,
                        say=self._on_event,
                        stop=self._stop,
                        admit=self._admit,
                        leave=self._leave,
                    )
                    group.create_task(subscriber.run())
        except* CollectError as errors:
            raise errors.exceptions[0] from None
        finally:
            self._stop.set()
            await asyncio.get_running_loop().run_in_executor(self._thread, self._sink.close)
            self._thread.shutdown()
            self._say("off")

    async def _open(self) -> None:
        """Say early whether the database can be used, also while no bench sends anything."""
        await self._patiently(self._sink.open)

    async def _admit(self, broker: ShopBroker, session_kept: bool) -> bool:
        """Say whether to take what `broker` keeps for this collector; False only because everything is to stop.

        Raises CollectError where that is likely another collector's: this database never took from a session that
        the broker knows by this name and user. The name alone does not tell, since a broker may go by the user.
        """
        session = _session(self._settings.name, broker)
        if not session_kept:  # nothing of anybody's; what benches send from now on is kept, also before the database is
            self._beside.create_task(self._patiently(lambda: self._remember(session)))
            return True
        known = await self._patiently(lambda: self._sink.knows(session))
        if known is None:
            return False
        if not (known or self._settings.take_over_session):
            user = f" under the user {broker.username!r}" if broker.username else ""
            raise CollectError(
                f"the broker at {broker.url} keeps messages for the collector {self._settings.name!r}{user}, but the "
                f"database {self._settings.database.url} never took any of them: they are likely another collector's, "
                "and what this one takes that one never gets. Nothing was taken. Give this one a name (--name) and, "
                "where the broker goes by users, a user of its own; or, if they are for this database, "
                "--take-over-session"
            )
        return known or await self._patiently(lambda: self._remember(session)) is True

    def _remember(self, session: str) -> bool:
        self._sink.remember(session)
        return True

    async def _keep(self, batch: Sequence[Arrived]) -> bool:
        counts = await self._patiently(lambda: self._sink.keep(batch))
        if counts is None:
            return False
        self.total += counts
        self._on_event(self.total)
        return True

    async def _patiently(self, work: Callable[[], _T]) -> _T | None:
        """Do `work` on the database's thread, again and again while it is away; return None when told to stop."""
        pause = _FIRST_PAUSE_S
        while True:
            try:
                done = await asyncio.get_running_loop().run_in_executor(self._thread, work)
            except DatabaseAway as error:
                self._say(
                    "down",
                    f"{error}; check the database, its address and login; the brokers keep what arrives, and it tries "
                    "again by itself",
                )
            else:
                self._say("up")
                return done
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(pause * random.uniform(0.5, 1.0)):
                    await self._stop.wait()
                    return None
            pause = min(2 * pause, _LONGEST_PAUSE_S)

    def _say(self, state: LinkState, reason: str = "") -> None:
        link = Link("database", self._settings.database.url, state, reason)
        if link != self._database:
            self._database = link
            self._on_event(link)


def _session(name: str, broker: ShopBroker) -> str:
    """Return what tells a collector's session at a broker from every other one's."""
    host, port = broker.address
    return f"{name} as {broker.username or 'nobody'} at {host}:{port}"
