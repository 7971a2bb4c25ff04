"""Wires brokers to the database: one subscriber and one turn a broker, and one thread that writes."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from functools import partial

from capture.collect.database import CollectError, DatabaseAway, engine_of
from capture.collect.database_thread import DatabaseThread
from capture.collect.events import BrokenRecord, Counts, Event, Upkeep
from capture.collect.lease import holder_of_this_process
from capture.collect.partitions import keep_by_month
from capture.collect.rows import Arrived
from capture.collect.settings import CollectSettings, ShopBroker
from capture.collect.sink import Sink
from capture.collect.statistics.recount import Recount, pause_s
from capture.collect.subscriber import ShopSubscriber
from capture.collect.turn import Turn
from capture.mqtt.link import passed

_REMEMBER_S = 2.0
#: The months are made two ahead, so that a day more or less is no matter.
_UPKEEP_EVERY_S = 6 * 3600.0
_UPKEEP_AGAIN_S = 600.0


class Collector:
    """Collects until told to stop, or with `leave` until no broker holds anything for it, and ends its sessions there.

    With `standby` it collects from a broker only once no other collector of its name does. `on_event` is called on the
    event loop, and must not block. Raises CollectError for a database no collector of this version can use; everything
    else passes, and is waited out.
    """

    def __init__(
        self,
        settings: CollectSettings,
        on_event: Callable[[Event], None],
        *,
        leave: bool = False,
        standby: bool = False,
    ) -> None:
        self._settings = settings
        self._leave = leave
        self._on_event = on_event
        self._engine = engine_of(settings.database)
        self._sink = Sink(self._engine, on_broken=self._tell_broken)
        self._standby = standby
        self._stop = asyncio.Event()
        self._database = DatabaseThread(settings.database.url, self._stop, on_event)
        self._told: set[str] = set()
        self.total = Counts()

    def stop(self) -> None:
        """Commit what is being written, acknowledge it, leave the rest to the brokers, and end."""
        self._stop.set()

    async def run(self) -> None:
        """Collect from every broker."""
        self._loop = asyncio.get_running_loop()
        try:
            async with asyncio.TaskGroup() as group:
                self._beside = group
                holder = holder_of_this_process()
                group.create_task(self._open())
                group.create_task(self._count_statistics())
                for broker in self._settings.brokers:
                    turn = Turn(
                        self._sink,
                        self._database,
                        _session(self._settings.name, broker),
                        holder,
                        standby=self._standby,
                        stop=self._stop,
                    )
                    subscriber = ShopSubscriber(
                        broker,
                        name=self._settings.name,
                        share=self._settings.share,
                        keep=partial(self._keep, turn),
                        say=self._on_event,
                        stop=self._stop,
                        admit=self._admit,
                        turn=turn,
                        leave=self._leave,
                    )
                    group.create_task(subscriber.run())
        except* CollectError as errors:
            raise errors.exceptions[0] from None
        finally:
            self._stop.set()
            await self._database.close(self._sink.close)

    async def _open(self) -> None:
        """Say early whether the database can be used, also while no bench sends anything; then see to its months."""
        await self._database.patiently(self._sink.open)
        while not (self._stop.is_set() or self._leave):
            await passed(self._stop, _UPKEEP_EVERY_S if await self._see_to_months() else _UPKEEP_AGAIN_S)

    async def _see_to_months(self) -> bool:
        """Keep the database by month; return whether nothing is left to do. What fails holds up no message."""
        keep_months = self._settings.database.keep_months
        try:
            done = await self._database.once(lambda: keep_by_month(self._engine, datetime.now(UTC), keep_months))
        except DatabaseAway as error:
            done = Upkeep(needs=f"the months of tables were not seen to ({error}); `strokelog collect migrate` does it")
        self._tell(done)
        return not done.needs

    def _tell(self, done: Upkeep) -> None:
        """Tell what was done, and what needs a person once."""
        if done != Upkeep() and done.needs not in self._told:
            self._on_event(done)
        if done.needs:
            self._told.add(done.needs)

    async def _count_statistics(self) -> None:
        """Keep the statistics counted, by whoever keeps messages; what fails is tried the next time."""
        recount = Recount(engine := engine_of(self._settings.database))
        counted, pause = Counts(), pause_s(0)
        try:
            while not (self._stop.is_set() or self._leave):
                await passed(self._stop, pause)
                if self._stop.is_set() or self.total == counted:
                    continue
                counted, begun = self.total, self._loop.time()
                counting = asyncio.create_task(asyncio.to_thread(recount.run))
                stopping = asyncio.create_task(self._stop.wait())
                await asyncio.wait({counting, stopping}, return_when=asyncio.FIRST_COMPLETED)
                stopping.cancel()
                if self._stop.is_set():
                    recount.cancel()
                try:
                    await counting
                except DatabaseAway as error:
                    if not self._stop.is_set():
                        self._tell(Upkeep(needs=f"the statistics were not counted anew ({error}); it is tried again"))
                pause = pause_s(self._loop.time() - begun)
        finally:
            engine.dispose()

    async def _admit(self, broker: ShopBroker, session_kept: bool) -> bool:
        """Say whether to take what `broker` keeps for this collector; False only because everything is to stop.

        Raises CollectError where that is likely another collector's: this database never took from a session that
        the broker knows by this name and user. The name alone does not tell, since a broker may go by the user.
        """
        session = _session(self._settings.name, broker)
        if not session_kept:  # nothing of anybody's; what benches send from now on is kept, also before the database is
            remembering = self._beside.create_task(self._database.patiently(lambda: self._remember(session)))
            # Benches may already send: killed before the database knows it, the next one would be taken for a stranger.
            await asyncio.wait({remembering}, timeout=_REMEMBER_S)
            return True
        known = await self._database.patiently(lambda: self._sink.knows(session))
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
        return known or await self._database.patiently(lambda: self._remember(session)) is True

    def _remember(self, session: str) -> bool:
        self._sink.remember(session)
        return True

    async def _keep(self, turn: Turn, batch: Sequence[Arrived]) -> bool:
        counts = await self._database.patiently(lambda: self._sink.keep(batch, turn.lease()))
        if counts is None:
            return False
        self.total += counts
        self._on_event(self.total)
        return True

    def _tell_broken(self, found: BrokenRecord) -> None:
        # Called on the database's thread.
        self._loop.call_soon_threadsafe(self._on_event, found)


def _session(name: str, broker: ShopBroker) -> str:
    """Return what tells a collector's session at a broker from every other one's."""
    host, port = broker.address
    return f"{name} as {broker.username or 'nobody'} at {host}:{port}"
