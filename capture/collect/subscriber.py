"""Takes messages from one broker, and acknowledges them only when the database has them.

Theory of operation. The session at the broker is permanent (MQTT 5: no clean start, a session expiry that never
comes), so the broker keeps what arrives while this collector is away. Everything is taken at QoS 1 and acknowledged by
hand, after the commit: a process killed between the two is given the same messages again, and the sink knows them by
their ids. The receive maximum bounds what is under way, and with it the memory, while the database is away. In a share
group the broker hands each message to one member (MQTT 5, section 4.8.2), also to one that is away: its part waits for
it. So a member that is not to come back has to leave: take what waits, and end its session.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import random
import socket
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from datetime import UTC, datetime
from typing import Any, Final

import aiomqtt
from aiomqtt.exceptions import MqttConnectError
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from capture.collect.events import Link
from capture.collect.rows import LONGEST_PAYLOAD, Arrived
from capture.collect.settings import ShopBroker
from capture.mqtt.connection import enter, let_go, let_in, refusal_in_words
from capture.mqtt.link import LinkState
from capture.mqtt.topics import topic_level

__all__ = ["Subscriber"]

_log = logging.getLogger(__name__)

_FIRST_PAUSE_S: Final = 0.5
_LONGEST_PAUSE_S: Final = 15.0
_STEADY_S: Final = 5.0  # a connection that held this long earns a fresh back-off
_ANSWER_S: Final = 5.0
_LEAVE_S: Final = 1.0
_UNDER_WAY: Final = 1000  # messages taken and not acknowledged: two batches, so that one fills while one is written
_BATCH: Final = 500
_GATHER_S: Final = 0.05  # how long a message may wait for others, to share a commit with them
_QUIET_S: Final = 2.0  # when leaving: nothing more waits at the broker
_FOR_EVER: Final = 0xFFFFFFFF


class _Down(Exception):
    """The broker cannot be used now; the text says why and what to do."""


class Subscriber:
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
        say: Callable[[Link], None],
        stop: asyncio.Event,
        admit: Callable[[str, bool], Awaitable[bool]],
        leave: bool = False,
    ) -> None:
        self._broker = broker
        self._identifier = f"strokelog-collect-{topic_level(name)}"
        start = f"$share/{share}/" if share else ""
        self._filters = [f"{start}{one}" for one in broker.filters]
        self._keep = keep
        self._on_link = say
        self._link = Link("broker", broker.url, "off")
        self._stop = stop
        self._admit = admit
        self._session_kept = False
        self._been_up = False
        self._leave = leave
        self._left = False

    async def run(self) -> None:
        """Collect until told to stop or until left, through whatever happens to the broker."""
        pause = _FIRST_PAUSE_S
        clock = asyncio.get_running_loop().time
        while not self._stop.is_set():
            begun = clock()
            if self._link.state != "down":  # while it is away, one word is enough
                self._say("connecting")
            try:
                await self._session()
            except _Down as error:
                self._say("down", str(error))
            if self._left:
                break
            if clock() - begun > _STEADY_S:
                pause = _FIRST_PAUSE_S
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(pause * random.uniform(0.5, 1.0)):
                    await self._stop.wait()
            pause = min(2 * pause, _LONGEST_PAUSE_S)
        self._say("off")

    def _say(self, state: LinkState, reason: str = "") -> None:
        link = Link("broker", self._broker.url, state, reason)
        if link != self._link:
            self._link = link
            self._on_link(link)

    async def _session(self) -> None:
        """Connect, collect until told to stop, and leave properly. Raises _Down when that ends early."""
        async with self._connection() as (client, waiting):
            if not await self._admit(self._broker.url, self._session_kept):
                return  # what the broker sent meanwhile is not acknowledged, and stays with it
            if self._leave:
                await client.unsubscribe(self._filters)
            else:
                await self._subscribe(client)
            self._been_up = True
            self._say("up")
            try:
                await self._collect(client, waiting)
            finally:
                # A broker that was killed may have lost these; one that was not sends them again.
                if not self._stop.is_set() and waiting.qsize():
                    await self._keep(self._take(waiting, waiting.qsize())[1])

    async def _subscribe(self, client: aiomqtt.Client) -> None:
        # Every time: a broker that lost its sessions has to be told anew, another does not mind.
        granted = await client.subscribe([(one, 1) for one in self._filters])
        refused = [one for one, code in zip(self._filters, granted, strict=True) if _value(code) > 2]
        if refused:
            raise _Down(
                f"the broker at {self._broker.url} does not let this collector read {', '.join(refused)}: "
                f"{', '.join(str(code) for code in granted)}; check what it allows"
            )

    @contextlib.asynccontextmanager
    async def _connection(self) -> AsyncIterator[tuple[aiomqtt.Client, asyncio.Queue[aiomqtt.Message]]]:
        try:
            options = await asyncio.to_thread(let_in, self._broker)
        except (OSError, ValueError) as error:
            raise _Down(str(error)) from error
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = _FOR_EVER
        properties.ReceiveMaximum = _UNDER_WAY
        properties.MaximumPacketSize = 2 * LONGEST_PAYLOAD  # the broker drops what is longer
        host, port = self._broker.address
        client = aiomqtt.Client(
            host,
            port,
            identifier=self._identifier,
            protocol=aiomqtt.ProtocolVersion.V5,
            clean_start=False,
            properties=properties,
            keepalive=self._broker.keepalive,
            timeout=_ANSWER_S,
            socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)],
            **options,
        )
        client._client.manual_ack_set(True)
        client._client.connect_timeout = _ANSWER_S
        self._watch_for_a_lost_session(client)
        try:
            await enter(client, options)
            yield client, client._queue
            client.timeout = _LEAVE_S
            await client.__aexit__(None, None, None)
        except aiomqtt.MqttError as error:
            raise _Down(self._in_words(error, options)) from error
        finally:
            await let_go(client)

    def _watch_for_a_lost_session(self, client: aiomqtt.Client) -> None:
        answered: Any = client._client.on_connect

        def on_connect(paho: Any, data: Any, flags: Any, code: Any, properties: Any = None) -> None:
            self._session_kept = bool(flags.session_present)
            if self._been_up and not code.is_failure and not flags.session_present:
                _log.warning(
                    "the broker at %s has forgotten this collector's session: what benches sent while it was away may "
                    "be missing here (it is in their records); check the broker's persistence",
                    self._broker.url,
                )
            answered(paho, data, flags, code, properties)

        client._client.on_connect = on_connect

    async def _collect(self, client: aiomqtt.Client, waiting: asyncio.Queue[aiomqtt.Message]) -> None:
        stopping = asyncio.create_task(self._stop.wait())
        messages = client.messages
        try:
            while not self._stop.is_set():
                arriving = asyncio.ensure_future(anext(messages))
                try:
                    quiet = _QUIET_S if self._leave else None
                    await asyncio.wait({arriving, stopping}, timeout=quiet, return_when=asyncio.FIRST_COMPLETED)
                    if not arriving.done():
                        if self._leave and not self._stop.is_set():
                            await self._end_session(client)
                        return  # what is not acknowledged stays with the broker
                finally:
                    arriving.cancel()
                first = await arriving
                if waiting.qsize() < _BATCH - 1:
                    await asyncio.wait({stopping}, timeout=_GATHER_S)
                taken, batch = self._take(waiting, _BATCH - 1, first)
                if not await self._keep(batch):
                    return
                for message in taken:
                    client._client.ack(message.mid, message.qos)
        finally:
            stopping.cancel()

    async def _end_session(self, client: aiomqtt.Client) -> None:
        properties = Properties(PacketTypes.DISCONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = 0
        client._client.disconnect(properties=properties)
        await asyncio.wait({client._disconnected}, timeout=_ANSWER_S)
        self._left = True

    def _take(
        self, waiting: asyncio.Queue[aiomqtt.Message], most: int, *first: aiomqtt.Message
    ) -> tuple[list[aiomqtt.Message], list[Arrived]]:
        taken = [*first, *(waiting.get_nowait() for _ in range(min(most, waiting.qsize())))]
        now = datetime.now(UTC)
        shop = self._broker.shop
        return taken, [Arrived(str(one.topic), bytes(one.payload), now, shop) for one in taken]

    def _in_words(self, error: aiomqtt.MqttError, options: dict[str, Any]) -> str:
        words = refusal_in_words(self._broker, error, options, who="this collector")
        if isinstance(error, MqttConnectError):
            words += "; it must speak MQTT 5"
        elif error.__cause__ is not None:  # where the connection was lost while waiting, the cause knows why
            words += f" ({error.__cause__}); see that no other collector has this one's name or user"
        return f"{words}; what benches send meanwhile is kept by the broker, and it tries again by itself"


def _value(code: Any) -> int:
    return int(getattr(code, "value", code))
