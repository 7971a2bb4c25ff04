"""The board's ears: every bench's messages from the broker, for as long as it runs, however often the broker is lost.

It decides nothing: each message goes to `on_message`, each change of the link to `on_link`, in words. The session is a
clean one, because what the board must know after a gap is retained; strokes made meanwhile are in the benches' records.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Final
from uuid import uuid4

from capture.mqtt.link import BrokerLink, Connection
from capture.mqtt.link_state import LinkState
from capture.mqtt.settings import BrokerSettings
from capture.mqtt.topics import topic_filters

#: What a board must be allowed to read; it never writes.
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
    ) -> None:
        """`on_message` is given topic, payload and whether it was retained; neither may block or raise."""
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
        while True:
            one = await connection.arrival()
            self._on_message(one.topic, one.payload, one.retained)
