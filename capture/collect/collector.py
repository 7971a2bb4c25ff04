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
from capture.collect.settings import CollectSettings
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
        named = "name" in settings.model_fields_set
        self._surely_own = named or settings.take_over_session
        """Whether a person said that what the brokers keep for this name is for this database."""
        self._known: bool | None = None
        self._asking = asyncio.Lock()
        self.total = Counts()

    def stop(self) -> None:
        """Commit what is being written, acknowledge it, leave the rest to the brokers, and end."""
        self._stop.set()

    async def run(self) -> None:
        """Collect from every broker."""
        try:
            async with asyncio.TaskGroup() as group:
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
        if self._surely_own:
            await self._patiently(self._remember)

    def _remember(self) -> bool:
        self._sink.remember(self._settings.name)
        return True

    async def _admit(self, broker: str, session_kept: bool) -> bool:
        """Say whether to take what `broker` keeps for this name; False only because everything is to stop.

        Raises CollectError where that is likely another collector's: the name is only the host's, and the database
        never had a collector of that name.
        """
        if self._surely_own:
            return True
        name, database = self._settings.name, self._settings.database.url
        async with self._asking:
            if self._known is None:
                self._known = await self._patiently(lambda: self._sink.knows(name))
        if self._known is None:
            return False
        if session_kept and not self._known:
            raise CollectError(
                f"the broker at {broker} keeps messages for a collector called {name!r}, which is this computer's "
                f"name, but the database {database} never had a collector of that name: they are likely another's, and "
                "what this one takes that one never gets. Nothing was taken. Give this one a name of its own (--name), "
                "or, if they are for this database, --take-over-session"
            )
        return await self._patiently(self._remember) is True

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
