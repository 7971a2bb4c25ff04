"""The board's ears: every bench's messages from the broker, for as long as it runs, however often the broker is lost.

It decides nothing: each message goes to `on_message`, each change of the link to `on_link`, in words. The session is a
clean one, because what the board must know after a gap is retained; strokes made meanwhile are in the benches' records.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Final
from uuid import uuid4

from capture.mqtt.link import BrokerLink, Connection, RefusedByBroker
from capture.mqtt.link_state import LinkState
from capture.mqtt.settings import BrokerSettings
from capture.mqtt.topics import topic_filters
from capture.plumbing.outward import warn

#: What a board must be allowed to read; of these it never writes any.
TOPICS: Final = topic_filters()

_CONNECT_S: Final = 2.0  # on a thread that cannot be cancelled: whoever leaves meanwhile waits so long
#: Messages waiting to be taken in. The board takes thousands a second; a queue this long is no shop's traffic.
_MOST_WAITING: Final = 50_000


class BoardSubscriber:
    """Listens to one broker. Run `run()` as a task; cancelling it disconnects."""

    def __init__(
        self,
        settings: BrokerSettings,
        on_message: Callable[[str, bytes, bool], None],
        on_link: Callable[[LinkState, str], None],
        outgoing: asyncio.Queue[tuple[str, bytes]] | None = None,
    ) -> None:
        """`on_message` is given topic, payload and whether it was retained; neither may block or raise.

        What is put into `outgoing` is published, once the broker is there.
        """
        self._outgoing = outgoing
        self._under_way: tuple[str, bytes] | None = None
        self._settings = settings
        self._on_message = on_message
        self._on_link = on_link

    async def run(self) -> None:
        """Connect and listen until cancelled; a lost broker is told and tried again, ever less often."""
        link = BrokerLink(
            self._settings,
            "this board",
            f"strokelog-board-{uuid4().hex[:12]}",
            connect_s=_CONNECT_S,
            most_waiting=_MOST_WAITING,
        )
        await link.keep(self._hear, stop=asyncio.Event(), say=self._on_link, again="it is tried again")

    async def _hear(self, connection: Connection) -> None:
        await connection.hear(TOPICS)
        self._on_link("up", "")
        telling = asyncio.create_task(self._tell(connection))
        try:
            while True:
                one = await connection.arrival()
                self._on_message(one.topic, one.payload, one.retained)
        finally:
            telling.cancel()
            await asyncio.gather(telling, return_exceptions=True)

    async def _tell(self, connection: Connection) -> None:
        """Publish what there is until the connection ends, of which the board's ears tell; the next one goes on."""
        while self._outgoing is not None:
            self._under_way = self._under_way or await self._outgoing.get()
            topic, payload = self._under_way
            try:
                await connection.send(topic, payload, retain=False)
            except RefusedByBroker as error:
                warn(f"the broker refuses an alert at {topic}: {error}; let the board's user write it")
            self._under_way = None
