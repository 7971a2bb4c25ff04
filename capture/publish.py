"""Takes finished messages from the outbox to an MQTT broker, and says how that is going.

Theory of operation. The record has already kept every message in its outbox, in the same transaction as what the
message tells, so a publisher can stop at any point and lose nothing: it reads rows in order, publishes them at
QoS 1, and drops a row only when the broker has acknowledged it and every row before it. After a broken
connection it begins again at the oldest row, so a message may be sent twice, with the same `id`. The status is
no outbox message: only its newest state matters, so it is retained, sent on connecting and on change.
Nothing here raises into the caller; what goes wrong is a `BrokerState` in words.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import random
import socket
import ssl
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Annotated, Any, Final, Protocol, Self
from urllib.parse import urlsplit
from uuid import uuid4

import aiomqtt
from aiomqtt.exceptions import MqttConnectError
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from capture.messages import BenchStatus, Outgoing, status_topic, topic_level
from capture.view import LinkState

__all__ = ["BrokerSettings", "BrokerState", "Outbox", "Publisher", "let_go", "let_in"]

_log = logging.getLogger(__name__)

_FIRST_PAUSE_S: Final = 0.5
_LONGEST_PAUSE_S: Final = 30.0
_STEADY_S: Final = 5.0  # a connection that held this long earns a fresh back-off
_CONNECT_S: Final = 1.2  # the socket is opened on a thread that cannot be cancelled: keep it short
_ANSWER_S: Final = 5.0
_CLOSING_S: Final = 1.6  # for the last messages and the offline status; the rest of 2 s to let go
_LEAVE_S: Final = 0.3
_IN_FLIGHT: Final = 8  # enough to hide a round trip, and within the broker's usual window of 20
_SCHEMES: Final = {"mqtt": 1883, "mqtts": 8883}


def _broker_url(url: str) -> str:
    expected = "expected such as mqtt://broker.shop.example:1883, or mqtts:// with TLS"
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError as error:
        raise ValueError(f"{url!r} is no broker address ({error}); {expected}") from None
    if "@" in parts.netloc:
        raise ValueError(f"a broker address holds no user or password; use username and password_file; {expected}")
    if parts.scheme not in _SCHEMES or not parts.hostname or port == 0:
        raise ValueError(f"{url!r} is no broker address; {expected}")
    if parts.path not in ("", "/") or parts.query or parts.fragment:
        raise ValueError(f"{url!r} has something after host and port; {expected}")
    return url


class BrokerSettings(BaseModel):
    """Where the broker is and how to be let in. A password is only ever read from a file."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    url: Annotated[str, AfterValidator(_broker_url)]
    username: str | None = None
    password_file: Path | None = None
    ca_file: Path | None = None
    cert_file: Path | None = None
    key_file: Path | None = None
    keepalive: int = Field(default=15, ge=5, le=3600, description="Seconds.")

    @model_validator(mode="after")
    def _belong_together(self) -> Self:
        if self.password_file is not None and self.username is None:
            raise ValueError("password_file is set without username; set both, or neither")
        if (self.cert_file is None) != (self.key_file is None):
            raise ValueError("cert_file and key_file belong together; set both, or neither")
        if not self.tls and (self.ca_file is not None or self.cert_file is not None):
            raise ValueError("ca_file, cert_file and key_file need TLS; write the url with mqtts://")
        return self

    @property
    def tls(self) -> bool:
        """Whether the connection is encrypted."""
        return urlsplit(self.url).scheme == "mqtts"

    @property
    def address(self) -> tuple[str, int]:
        """Host and port."""
        parts = urlsplit(self.url)
        return parts.hostname or "", parts.port or _SCHEMES[parts.scheme]


@dataclass(frozen=True, slots=True)
class BrokerState:
    """The link to the broker, how many messages wait for it, and the reason in words when it is not up."""

    link: LinkState
    waiting: int
    reason: str


class OutboxRow(Protocol):
    """A waiting message and its place in the order."""

    @property
    def row(self) -> int: ...
    @property
    def message(self) -> Outgoing: ...


class Outbox(Protocol):
    """What the publisher needs of the store. Its methods run through the injected runner."""

    def outbox_after(self, last_id: int, limit: int) -> Sequence[OutboxRow]: ...
    def drop_outbox(self, ids: Sequence[int]) -> None: ...
    def outbox_size(self) -> int: ...


class _Down(ConnectionError):
    """The broker cannot be used now; the text says why and what to do."""


class Publisher:
    """Publishes for one bench while its `async with` block runs; leaving the block takes at most 2 s.

    `run` runs a function on the store's thread, as in `await run(outbox.outbox_size)`. `on_state` is called on
    the event loop whenever the state changes; it must not block. `status` is what to say first.
    """

    def __init__(
        self,
        settings: BrokerSettings,
        outbox: Outbox,
        run: Callable[..., Awaitable[Any]],
        status: BenchStatus,
        on_state: Callable[[BrokerState], None] = lambda _state: None,
    ) -> None:
        self._settings = settings
        self._outbox = outbox
        self._run = run
        self._status = status
        self._topic = status_topic(status.bench)
        self._on_state = on_state
        self._state = BrokerState("off", 0, "")
        self._wake = asyncio.Event()
        self._stop = asyncio.Event()
        self._status_sent: BenchStatus | None = None
        self._waiting_sent = 0
        self._task: asyncio.Task[None] | None = None

    @property
    def state(self) -> BrokerState:
        """The newest state given to `on_state`."""
        return self._state

    def notify(self) -> None:
        """Say that the outbox has a new message; it is published at once if the broker is up."""
        self._wake.set()

    def set_status(self, status: BenchStatus) -> None:
        """Publish `status`, retained, now or on connecting. `id`, `at` and `messages_waiting` are filled in."""
        self._status = status
        self._wake.set()

    async def __aenter__(self) -> Self:
        """Begin; does not wait for the broker."""
        self._task = asyncio.create_task(self._forever(), name="publisher")
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Send what still waits and `offline` if the broker takes them in time, then disconnect."""
        assert self._task is not None
        self._stop.set()
        self._wake.set()
        try:
            await asyncio.wait({self._task}, timeout=_CLOSING_S)
        finally:
            self._task.cancel()
            await asyncio.wait({self._task}, timeout=_LEAVE_S)
            self._say("off", "stopped")

    def _say(self, link: LinkState, reason: str = "", waiting: int | None = None) -> None:
        state = BrokerState(link, self._state.waiting if waiting is None else waiting, reason)
        if state != self._state:
            if state.link != self._state.link:
                _log.info("broker %s: %s %s", self._settings.url, link, reason)
            self._state = state
            self._on_state(state)

    async def _forever(self) -> None:
        pause = _FIRST_PAUSE_S
        clock = asyncio.get_running_loop().time
        while not self._stop.is_set():
            begun = clock()
            try:
                await self._session()
            except _Down as error:
                self._say("down", str(error))
            except Exception as error:  # a fault here must never reach the measuring side
                _log.exception("the publisher failed; it will try again")
                self._say("down", f"the publisher failed ({error!r}); the messages are kept; see the log")
            if clock() - begun > _STEADY_S:
                pause = _FIRST_PAUSE_S
            await self._wait_out(pause * random.uniform(0.5, 1.0))  # so that benches do not return in step
            pause = min(2 * pause, _LONGEST_PAUSE_S)

    async def _wait_out(self, pause: float) -> None:
        """Wait `pause` seconds or until told to stop, keeping the waiting count true meanwhile."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(pause):
                while not self._stop.is_set():
                    self._wake.clear()
                    with contextlib.suppress(_Down):
                        self._say(self._state.link, self._state.reason, await self._store(self._outbox.outbox_size))
                    await self._wake.wait()

    async def _session(self) -> None:
        """Connect, publish until told to stop, and leave properly. Raises _Down when that ends early."""
        self._say("connecting", self._state.reason, await self._store(self._outbox.outbox_size))
        try:
            async with self._connection() as client:
                publishing = asyncio.create_task(self._publish_until_stopped(client))
                watching = asyncio.create_task(_watch(client))
                try:
                    await asyncio.wait({publishing, watching}, return_when=asyncio.FIRST_COMPLETED)
                    if watching.done():
                        await watching  # a lost connection: raises
                    await publishing
                finally:
                    publishing.cancel()
                    watching.cancel()
                    await asyncio.gather(publishing, watching, return_exceptions=True)
        except aiomqtt.MqttError as error:
            raise _Down(self._in_words(error)) from error

    @contextlib.asynccontextmanager
    async def _connection(self) -> AsyncIterator[aiomqtt.Client]:
        options = await asyncio.to_thread(let_in, self._settings)
        host, port = self._settings.address
        client = aiomqtt.Client(
            host,
            port,
            identifier=f"strokelog-{topic_level(self._status.bench)}",  # one bench, one connection
            clean_session=True,
            keepalive=self._settings.keepalive,
            timeout=_ANSWER_S,
            will=aiomqtt.Will(self._topic, self._offline().model_dump_json(), qos=1, retain=True),
            # A small message must not wait for the acknowledgement of the one before it.
            socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)],
            **options,
        )
        client._client.connect_timeout = _CONNECT_S
        try:
            await client.__aenter__()
            yield client
            client.timeout = _LEAVE_S
            await client.__aexit__(None, None, None)
        finally:
            await let_go(client)

    async def _publish_until_stopped(self, client: aiomqtt.Client) -> None:
        self._status_sent = None
        taken: list[int] = []
        while True:
            self._wake.clear()
            rows, waiting = await self._store(_drop_and_fetch, self._outbox, taken)
            self._say("up", waiting=waiting)
            messages = [row.message for row in rows]
            if self._status is not self._status_sent or (self._waiting_sent and not waiting):
                self._status_sent, self._waiting_sent = self._status, waiting
                messages.insert(0, self._stamped(self._status, waiting))
            if messages:
                await _publish(client, messages)
                taken = [row.row for row in rows]
            elif self._stop.is_set():
                await _publish(client, [self._stamped(self._offline(), waiting)])
                return
            else:
                taken = []
                await self._wake.wait()

    def _stamped(self, status: BenchStatus, waiting: int) -> Outgoing:
        changes = {"id": uuid4(), "at": datetime.now(UTC), "messages_waiting": waiting}
        message = status.model_copy(update=changes)
        return Outgoing(str(message.id), self._topic, message.model_dump_json(), retain=True)

    def _offline(self) -> BenchStatus:
        status = self._status
        return BenchStatus(
            at=datetime.now(UTC), bench=status.bench, state="offline", software_version=status.software_version
        )

    async def _store(self, function: Callable[..., Any], *arguments: Any) -> Any:
        try:
            return await self._run(function, *arguments)
        except Exception as error:
            raise _Down(f"the outbox cannot be read, so nothing is published: {error}") from error

    def _in_words(self, error: aiomqtt.MqttError) -> str:
        url = self._settings.url
        kept = "messages are kept and it tries again by itself"
        if isinstance(error, MqttConnectError):
            words = str(error).partition("] ")[2] or str(error)
            return (
                f"the broker at {url} refused this bench: {words}; check username and password_file in the "
                f"broker settings, and what the broker allows; {kept}"
            )
        return f"no connection with the broker at {url}: {error}; check that it runs and the network; {kept}"


def let_in(settings: BrokerSettings) -> dict[str, Any]:
    """Return the user, password and TLS options for a client. Blocks on files; raises ConnectionError in words."""
    options: dict[str, Any] = {"username": settings.username}
    try:
        if settings.password_file is not None:
            options["password"] = settings.password_file.read_text(encoding="utf-8").rstrip("\r\n")
        if settings.tls:
            context = ssl.create_default_context(cafile=settings.ca_file)
            context.sslsocket_class = _ClosingSocket
            if settings.cert_file is not None:
                context.load_cert_chain(settings.cert_file, settings.key_file)
            options["tls_context"] = context
    except (OSError, ValueError) as error:
        raise _Down(
            f"cannot read a file the broker settings name: {error}; check password_file, ca_file, cert_file "
            "and key_file"
        ) from error
    return options


class _ClosingSocket(ssl.SSLSocket):
    """Closes itself when the handshake fails: paho only forgets it, and Python then warns of a leak."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except OSError:
            self.close()
            raise


def _drop_and_fetch(outbox: Outbox, taken: Sequence[int]) -> tuple[Sequence[OutboxRow], int]:
    """Do one turn of the outbox on the store's thread: forget what was taken, give the oldest of the rest."""
    outbox.drop_outbox(taken)
    rows = outbox.outbox_after(0, _IN_FLIGHT)
    return rows, len(rows) if len(rows) < _IN_FLIGHT else outbox.outbox_size()


async def _publish(client: aiomqtt.Client, messages: Sequence[Outgoing]) -> None:
    """Send `messages` in order and wait until the broker has acknowledged all of them."""
    # gather starts its tasks in order, and each writes its packet before it waits for the acknowledgement. If
    # one fails, none of them is dropped: sending some again is allowed, changing their order is not.
    await asyncio.gather(*(client.publish(out.topic, out.payload, qos=1, retain=out.retain) for out in messages))


async def _watch(client: aiomqtt.Client) -> None:
    """Raise MqttError when the connection is lost, which `publish` alone would learn only by its timeout."""
    async for _message in client.messages:
        pass  # nothing is subscribed, so nothing arrives


async def let_go(client: aiomqtt.Client) -> None:
    """Close the socket and end the client's own task, however far it had come.

    aiomqtt does so only after a connection that was up and left properly; otherwise both would stay behind.
    Closing without DISCONNECT is what makes the broker publish the last will.
    """
    client._client.on_socket_open = None  # a connection still being opened on its thread is dropped there
    await asyncio.sleep(0)  # let calls the client has already scheduled on this socket pass
    client._client._sock_close()
    if client._misc_task is not None:
        client._misc_task.cancel()
        await asyncio.wait({client._misc_task})
    if client._disconnected.done():
        client._disconnected.exception()  # it has been seen
