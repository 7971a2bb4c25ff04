"""Takes messages from one broker, and acknowledges them only when the database has them.

Theory of operation. The session at the broker is permanent (MQTT 5: no clean start, a session expiry that never
comes), so the broker keeps what arrives while this collector is away. Everything is taken at QoS 1 and acknowledged by
hand, after the commit: a process killed between the two is given the same messages again, and the sink knows them by
their ids. The receive maximum bounds what is under way, and with it the memory, while the database is away. In a share
group the broker hands each message to one member (MQTT 5, section 4.8.2), also to one that is away: its part waits for
it. So a member that is not to come back has to leave: take what waits, and end its session.

Two collectors of one name are one session too, and each that connects puts the other out. So one connects only while
it is its `turn`, and one that was put out looks first whether it still is.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Callable, Sequence
from datetime import UTC, datetime
from typing import Final, Literal

from capture.collect.database import CollectError
from capture.collect.events import LinkChange
from capture.collect.lease import LeaseLost
from capture.collect.rows import LONGEST_PAYLOAD, Arrived
from capture.collect.settings import ShopBroker
from capture.collect.turn import Turn
from capture.mqtt import link as mqtt
from capture.mqtt.link_state import LinkState
from capture.mqtt.topics import topic_level

_log = logging.getLogger(__name__)

_UNDER_WAY: Final = 1000  # messages taken and not acknowledged: two batches, so that one fills while one is written
_BATCH: Final = 500
_GATHER_S: Final = 0.2  # how long a message may wait for others, to share a commit with them
_QUIET_S: Final = 2.0  # when leaving: nothing more waits at the broker


class ShopSubscriber:
    """One broker's messages, as long as `run` runs. With `leave`, only until there are none left, and then never again.

    `keep` commits a batch and returns whether it did; it returns False only because everything is to stop. `admit` is
    asked before anything is taken, with the broker and whether that keeps a session for this name; it answers likewise,
    or raises what ends everything.
    """

    def __init__(
        self,
        broker: ShopBroker,
        *,
        name: str,
        share: str | None,
        keep: Callable[[Sequence[Arrived]], Awaitable[bool]],
        say: Callable[[LinkChange], None],
        stop: asyncio.Event,
        admit: Callable[[ShopBroker, bool], Awaitable[bool]],
        turn: Turn,
        leave: bool = False,
    ) -> None:
        self._broker = broker
        start = f"$share/{share}/" if share else ""
        self._filters = [f"{start}{one}" for one in broker.filters]
        self._keep = keep
        self._on_link = say
        self._link = LinkChange("broker", broker.url, "off")
        self._stop = stop
        self._admit = admit
        self._turn = turn
        self._been_up = False
        self._leave = leave
        self._at_broker = mqtt.BrokerLink(
            broker,
            "this collector",
            f"strokelog-collect-{topic_level(name)}",
            session=mqtt.KeptSession(under_way=_UNDER_WAY, longest_packet=2 * LONGEST_PAYLOAD),
            lost_hint="and that no other collector has this one's name or user",
        )

    async def run(self) -> None:
        """Collect until told to stop or until left, through whatever happens to the broker."""
        try:
            while await self._turn.come(lambda reason: self._say("standby", reason)):
                try:
                    await self._at_broker.keep(
                        self._session,
                        stop=self._stop,
                        say=self._say,
                        again="what benches send meanwhile is kept by the broker, and it tries again by itself",
                        rest=self._rest,
                        ends_it=(CollectError, LeaseLost),
                    )
                    break
                except LeaseLost:
                    self._turn.lost()
        finally:
            await self._turn.hand_over()
        self._say("off")

    async def _rest(self, seconds: float) -> None:
        """Wait before connecting again, which would take the session from whoever has it now."""
        await mqtt.passed(self._stop, seconds)
        await self._turn.check()

    def _say(self, state: LinkState | Literal["standby"], reason: str = "") -> None:
        link = LinkChange("broker", self._broker.url, state, reason)
        if state != "connecting":
            self._turn.broker_lost = reason if state == "down" else ""
        if link != self._link:
            self._link = link
            self._on_link(link)

    async def _session(self, connection: mqtt.Connection) -> None:
        """Collect until told to stop, or with `leave` until nothing more comes."""
        if self._been_up and not connection.session_kept:
            _log.warning(
                "the broker at %s has forgotten this collector's session: what benches sent while it was away may be "
                "missing here (it is in their records); check the broker's persistence",
                self._broker.url,
            )
        if not await self._admit(self._broker, connection.session_kept):
            return  # what the broker sent meanwhile is not acknowledged, and stays with it
        self._turn.begin()
        if self._leave:
            await connection.unsubscribe(self._filters)
        else:
            # Every time: a broker that lost its sessions has to be told anew, another does not mind.
            await connection.hear(self._filters)
        self._been_up = True
        self._say("up")
        try:
            await self._collect(connection)
        finally:
            # A broker that was killed may have lost these; one that was not sends them again.
            if not self._stop.is_set() and (left := connection.at_hand(_UNDER_WAY)):
                await self._keep(self._dated(left))

    async def _collect(self, connection: mqtt.Connection) -> None:
        stopping = asyncio.create_task(self._stop.wait())
        try:
            while not self._stop.is_set():
                arriving = asyncio.create_task(connection.arrival())
                try:
                    quiet = _QUIET_S if self._leave else None
                    await asyncio.wait({arriving, stopping}, timeout=quiet, return_when=asyncio.FIRST_COMPLETED)
                    if not arriving.done():
                        if self._leave and not self._stop.is_set():
                            await connection.end_session()
                        return  # what is not acknowledged stays with the broker
                finally:
                    arriving.cancel()
                if not self._stop.is_set():
                    await connection.gathered(_BATCH - 1, _GATHER_S)
                taken = [arriving.result(), *connection.at_hand(_BATCH - 1)]
                if not await self._keep(self._dated(taken)):
                    return
                connection.acknowledge(taken)
        finally:
            stopping.cancel()

    def _dated(self, taken: Sequence[mqtt.Arrival]) -> list[Arrived]:
        now = datetime.now(UTC)
        return [Arrived(one.topic, one.payload, now, self._broker.shop) for one in taken]
