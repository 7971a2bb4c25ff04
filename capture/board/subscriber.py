"""The board's ears: every bench's messages from the broker, for as long as it runs, however often the broker is lost.

It decides nothing: each message goes to `on_message`, each change of the link to `on_link`, in words. The session is a
clean one, because what the board must know after a gap is retained; strokes made meanwhile are in the benches' records.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import random
import socket
from collections.abc import Callable
from typing import Final
from uuid import uuid4

import aiomqtt
from paho.mqtt.reasoncodes import ReasonCode

from capture.mqtt.connection import enter, let_go, let_in, refusal_in_words
from capture.mqtt.link import LinkState
from capture.mqtt.settings import BrokerSettings
from capture.mqtt.topics import ROOT

__all__ = ["TOPICS", "Subscriber"]

_log = logging.getLogger(__name__)
_log.addHandler(logging.NullHandler())  # by default Python would write into the live screen; what matters is told there

#: What a board must be allowed to read; it never writes.
TOPICS: Final = (f"{ROOT}/+/status", f"{ROOT}/+/unit", f"{ROOT}/+/+/stroke", f"{ROOT}/+/+/verdict")

_AGAIN: Final = "it is tried again"
_FIRST_PAUSE_S: Final = 0.5
_LONGEST_PAUSE_S: Final = 15.0
_STEADY_S: Final = 5.0  # a connection that held this long earns a fresh back-off
_CONNECT_S: Final = 2.0  # on a thread that cannot be cancelled: whoever leaves meanwhile waits so long
_ANSWER_S: Final = 10.0
_LEAVE_S: Final = 0.3
#: Messages waiting to be taken in. The board takes thousands a second; a queue this long is no shop's traffic.
_MOST_WAITING: Final = 50_000
_REFUSED: Final = 128  # MQTT 3.1.1, 3.9.3: a return code that says failure


class Subscriber:
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
        pause = _FIRST_PAUSE_S
        clock = asyncio.get_running_loop().time
        self._on_link("connecting", "")
        while True:
            begun = clock()
            try:
                await self._listen()
            except ConnectionError as error:
                self._on_link("down", f"{error}; {_AGAIN}")
            except Exception as error:  # the screen must go on and say so
                _log.exception("the board's subscription failed")
                self._on_link("down", f"the subscription failed ({error!r}); {_AGAIN}")
            if clock() - begun > _STEADY_S:
                pause = _FIRST_PAUSE_S
            await asyncio.sleep(pause * random.uniform(0.5, 1.0))
            pause = min(2 * pause, _LONGEST_PAUSE_S)

    async def _listen(self) -> None:
        options = await asyncio.to_thread(let_in, self._settings)
        host, port = self._settings.address
        client = aiomqtt.Client(
            host,
            port,
            identifier=f"strokelog-board-{uuid4().hex[:12]}",
            clean_session=True,
            keepalive=self._settings.keepalive,
            timeout=_ANSWER_S,
            max_queued_incoming_messages=_MOST_WAITING,
            logger=_log,
            socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)],
            **options,
        )
        client._client.connect_timeout = _CONNECT_S
        try:
            await enter(client, options)
            try:
                await self._hear(client)
            except asyncio.CancelledError:
                client.timeout = _LEAVE_S  # a broker that hangs must not hold up who leaves
                with contextlib.suppress(aiomqtt.MqttError):
                    await client.__aexit__(None, None, None)
                raise
        except aiomqtt.MqttError as error:
            raise ConnectionError(refusal_in_words(self._settings, error, options, who="this board")) from error
        finally:
            await let_go(client)

    async def _hear(self, client: aiomqtt.Client) -> None:
        answer = await client.subscribe([(topic, 1) for topic in TOPICS])
        for topic, code in zip(TOPICS, answer, strict=True):
            if (code.value if isinstance(code, ReasonCode) else int(str(code))) >= _REFUSED:
                raise ConnectionError(
                    f"the broker at {self._settings.url} does not let this board read {topic}; allow it in the "
                    "broker's rules"
                )
        self._on_link("up", "")
        async for message in client.messages:
            payload = message.payload if isinstance(message.payload, bytes) else b""
            self._on_message(str(message.topic), payload, bool(message.retain))
