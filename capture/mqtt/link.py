"""One program's link to one broker: connecting, being refused, losing it, coming back after a pause, and leaving.

Benches, boards and collectors alike connect through here, and nothing else in the product knows the MQTT libraries.

Theory of operation. `Link.keep` connects and lets its owner use the connection, again and again: a connection that is
lost ends the use at once, and whatever went wrong becomes a sentence. The pause before the next attempt doubles from
0.5 s to 15 s, shortened at random so that a shop's benches do not return in step, and begins anew once a connection
held for 5 s. MQTT 5 is spoken where the broker has it, because there a refusal comes with its reason, else MQTT 3.1.1.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import random
import socket
import ssl
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, Self, TypeVar

import aiomqtt
from aiomqtt.exceptions import MqttConnectError
from paho.mqtt.client import MQTT_CLEAN_START_FIRST_ONLY
from paho.mqtt.enums import MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from capture.mqtt.connection import failure_of_tls, let_in, refusal_in_words
from capture.mqtt.link_state import LinkState
from capture.mqtt.settings import BrokerSettings

_log = logging.getLogger(__name__)
_log.addHandler(logging.NullHandler())  # by default Python would write into a live screen; what matters is said there

Will = aiomqtt.Will
_T = TypeVar("_T")

_FIRST_PAUSE_S: Final = 0.5
_LONGEST_PAUSE_S: Final = 15.0
_STEADY_S: Final = 5.0  # a connection that held this long earns a fresh back-off
_LOOK_S: Final = 0.1
_ANSWER_S: Final = 5.0
_LEAVE_S: Final = 0.3  # a broker that hangs must not hold up who leaves
_FAILED: Final = 128  # MQTT 5.0, section 2.4, and MQTT 3.1.1, section 3.9.3: from here on a code says failure
_NO_SUCH_VERSION: Final = 0x84  # MQTT 5.0, section 3.2.2.2: unsupported protocol version
_WITH_WILL: Final = 0x04  # MQTT 5.0, section 3.14.2.1: disconnect with will message
_QUOTA: Final = 0x97  # MQTT 5.0, section 3.4.2.1: quota exceeded, whoever sends whatever
_PUBACK: Final = bytes((0x40, 2))  # MQTT 5.0, section 3.4: with no more than the identifier it says success
_AT_ONCE: Final = 64  # messages read before others get their turn
_FOR_EVER: Final = 0xFFFFFFFF  # MQTT 5.0, section 3.1.2.11.2: the session does not expire


class LinkDown(ConnectionError):
    """The broker cannot be used now; the text says why and what to do."""


class RefusedByBroker(Exception):
    """The broker is up and does not take this one message; the text is its reason."""


class _Silence(aiomqtt.MqttError):
    """The socket is open, and what is behind it does not answer."""


@dataclass(frozen=True, slots=True)
class KeptSession:
    """That the broker is to keep a session while this program is away, and how much it may send unacknowledged.

    Each message that arrives then waits to be acknowledged by hand. A broker may send more than it was told to
    (mosquitto 2.0 does, once it was acknowledged anything): it is not read while more than that waits here.
    """

    under_way: int
    longest_packet: int


@dataclass(frozen=True, slots=True)
class Arrival:
    """One message from the broker."""

    topic: str
    payload: bytes
    retained: bool
    ticket: int = field(repr=False)
    """What acknowledges it: its packet identifier."""


class Connection(aiomqtt.Client):
    """A connection while it is up. What the libraries' public faces lack is reached for in this class alone."""

    session_kept = False
    """Whether the broker had a session of this name."""
    worth_it = False
    """Whether something was got done on it, so that coming back soon is right."""

    def __init__(
        self, link: BrokerLink, options: dict[str, Any], version: aiomqtt.ProtocolVersion, will: aiomqtt.Will | None
    ) -> None:
        settings, session = link.settings, link.session
        host, port = settings.address
        newer = version is aiomqtt.ProtocolVersion.V5
        properties = None
        if session is not None:
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            properties.SessionExpiryInterval = _FOR_EVER
            properties.ReceiveMaximum = session.under_way
            properties.MaximumPacketSize = session.longest_packet  # the broker drops what is longer
        super().__init__(
            host,
            port,
            identifier=link.identifier,
            protocol=version,
            clean_session=None if newer else True,
            clean_start=MQTT_CLEAN_START_FIRST_ONLY if session is None else False,
            properties=properties,
            keepalive=settings.keepalive,
            timeout=_ANSWER_S,
            will=will,
            logger=_log,
            # A small message must not wait for the acknowledgement of the one before it.
            socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)],
            **options,
        )
        self._options = options
        self._settings = settings
        self._ending = False
        self._who = link.who
        self._client.connect_timeout = link.connect_s
        self._client.manual_ack_set(session is not None)
        self._most_unread = session.under_way if session is not None else None
        self._held = False
        self._arrived: asyncio.Queue[Arrival] = asyncio.Queue(link.most_waiting)
        self._heard = 0
        self._enough, self._wanted = asyncio.Event(), 0
        self._sending: dict[int, tuple[str, asyncio.Future[str]]] = {}
        self._refused: tuple[str, str] | None = None

    async def __aenter__(self) -> Self:
        """Connect. Raises MqttError, and at once when TLS fails or the broker hangs up: aiomqtt would wait longer."""
        entering = asyncio.create_task(super().__aenter__())
        try:
            while not entering.done():
                await asyncio.wait({entering}, timeout=_LOOK_S)
                if failure_of_tls(self._options) is not None and not entering.done():
                    raise aiomqtt.MqttError("TLS failed")
            try:
                await entering
            except aiomqtt.MqttError as error:
                if self._client.socket() is not None and type(error) is aiomqtt.MqttError:
                    raise _Silence(str(error)) from error
                raise
        finally:
            entering.cancel()
            await asyncio.wait({entering})
        return self

    async def leave(self) -> None:
        """Say goodbye, so that the broker does not publish the last will."""
        self.timeout = _LEAVE_S
        await self.__aexit__(None, None, None)

    async def let_go(self) -> None:
        """Close the socket and end the client's own task, however far it had come.

        aiomqtt does so only after a connection that was up and left properly; otherwise both would stay behind.
        Closing without DISCONNECT is what makes the broker publish the last will.
        """
        self._client.on_socket_open = None  # a connection still being opened on its thread is dropped there
        await asyncio.sleep(0)  # let calls the client has already scheduled on this socket pass
        self._client._sock_close()
        if self._misc_task is not None:
            self._misc_task.cancel()
            await asyncio.wait({self._misc_task})
        for future in (self._connected, self._disconnected):
            if future.done() and not future.cancelled():
                future.exception()  # it has been seen

    async def while_up(self, use: Awaitable[_T]) -> _T:
        """Await `use`, and end it when the connection is lost: then raises MqttError."""
        using: asyncio.Future[_T] = asyncio.ensure_future(use)
        lost = self._disconnected
        both: set[asyncio.Future[Any]] = {using, lost}
        try:
            await asyncio.wait(both, return_when=asyncio.FIRST_COMPLETED)
            if not using.done() and not self._ending:
                if self._refused is not None:
                    topic, why = self._refused
                    raise LinkDown(
                        f"the broker refused {topic} and ended the connection: {why} ({self._settings.url}); check "
                        f"what the broker lets {self._who} do under its user name"
                    )
                lost.result()
                raise aiomqtt.MqttError("the broker ended the connection")
            return await using
        finally:
            if not using.done():
                using.cancel()
                await asyncio.wait({using})
            if not using.cancelled():
                using.exception()  # it has been seen: where the connection ended first, that is what is told

    def post(self, topic: str, payload: str | bytes, *, retain: bool) -> asyncio.Future[str]:
        """Write a message; the result will be the broker's reason for refusing it, empty if it took it.

        Raises MqttError; LinkDown comes with the result, if the broker takes nothing from anybody now.
        """
        sent = self._client.publish(topic, payload, 1, retain)
        if sent.rc != 0:
            raise aiomqtt.MqttCodeError(sent.rc, "Could not publish message")
        answer: asyncio.Future[str] = self._loop.create_future()
        self._sending[sent.mid] = topic, answer
        return answer

    async def answered(self, answer: asyncio.Future[str]) -> str:
        """Wait for the result of `post`. Raises LinkDown, MqttError if none comes."""
        return await self._wait_for(answer, None)

    async def tell(self, topic: str, payload: bytes) -> None:
        """Write a message that no broker acknowledges (QoS 0), and wait until the socket has it. Raises MqttError."""
        await self.publish(topic, payload, qos=0)

    async def send(self, topic: str, payload: str | bytes, *, retain: bool) -> None:
        """Send a message and wait until the broker has taken it. Raises Refused, LinkDown, MqttError."""
        if why := await self.answered(self.post(topic, payload, retain=retain)):
            raise RefusedByBroker(why)

    async def hear(self, filters: Sequence[str]) -> None:
        """Subscribe to `filters`. Raises LinkDown if any is refused, MqttError."""
        granted = await self.subscribe([(one, 1) for one in filters])
        refused = {one: code for one, code in zip(filters, granted, strict=True) if _number(code) >= _FAILED}
        if refused:
            raise LinkDown(
                f"the broker at {self._settings.url} does not let {self._who} read {', '.join(refused)}: "
                f"{', '.join(sorted({str(code) for code in refused.values()}))}; allow it in the broker's rules"
            )

    async def arrival(self) -> Arrival:
        """Wait for the next message."""
        one = await self._arrived.get()
        self._read_on()
        return one

    @property
    def at_hand_count(self) -> int:
        """How many messages are here already."""
        return self._arrived.qsize()

    def at_hand(self, most: int) -> list[Arrival]:
        """Return the messages that are here already, up to `most`, without waiting."""
        taken = [self._arrived.get_nowait() for _ in range(min(most, self._arrived.qsize()))]
        self._read_on()
        return taken

    async def gathered(self, most: int, seconds: float) -> None:
        """Wait until so many messages are here, but no longer than that."""
        self._wanted = most
        self._enough.clear()
        if self._arrived.qsize() < most:
            await passed(self._enough, seconds)

    def acknowledge(self, arrivals: Sequence[Arrival]) -> None:
        """Let the broker forget messages of a kept session.

        paho sends each PUBACK by itself, which costs as much as reading its message: here they go out together.
        """
        acks = b"".join(_PUBACK + one.ticket.to_bytes(2, "big") for one in arrivals)
        self._client._packet_queue(_PUBACK[0], acks, 0, 1)

    async def end_session(self) -> None:
        """Leave, and have the broker keep nothing more for this program."""
        properties = Properties(PacketTypes.DISCONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = 0
        await self._end(properties=properties)

    async def leave_with_will(self) -> None:
        """Leave, and have the broker publish the last will all the same, where it speaks MQTT 5."""
        reason = None
        if self._client.protocol == MQTTProtocolVersion.MQTTv5:
            reason = ReasonCode(PacketTypes.DISCONNECT, identifier=_WITH_WILL)
        await self._end(reasoncode=reason)

    async def _end(self, **how: Any) -> None:
        self._ending = True
        self._client.disconnect(**how)
        await asyncio.wait({self._disconnected}, timeout=_ANSWER_S)

    async def _wait_for(self, fut: Awaitable[_T], timeout: float | None) -> _T:  # noqa: ASYNC109 (aiomqtt's)
        """Wait as aiomqtt does, but never miss that who waits is cancelled: what Python 3.11 has for that forgets it
        where the answer comes in the same moment (its `asyncio.wait_for`, mended in 3.12)."""
        try:
            async with asyncio.timeout(self.timeout if timeout is None else timeout):
                return await fut
        except TimeoutError:
            raise aiomqtt.MqttError("Operation timed out") from None

    def _on_connect(self, client: Any, userdata: Any, flags: Any, reason_code: Any, properties: Any = None) -> None:
        self.session_kept = bool(flags.session_present)
        super()._on_connect(client, userdata, flags, reason_code, properties)

    def _on_disconnect(self, client: Any, userdata: Any, flags: Any, reason_code: Any, properties: Any = None) -> None:
        if not self._connected.done():
            self._connected.set_exception(aiomqtt.MqttCodeError(reason_code))
        super()._on_disconnect(client, userdata, flags, reason_code, properties)

    def _on_message(self, client: Any, userdata: Any, message: Any) -> None:
        arrival = Arrival(message.topic, message.payload, message.retain, message.mid)
        try:
            self._arrived.put_nowait(arrival)
        except asyncio.QueueFull:
            _log.warning("more messages than %s takes in: one is left out", self._who)
        self._heard += 1
        if self._arrived.qsize() >= self._wanted:
            self._enough.set()
        sock = self._client.socket()
        if self._most_unread is not None and self._arrived.qsize() > self._most_unread and sock is not None:
            self._held = True
            self._loop.remove_reader(sock)

    def _read_on(self) -> None:
        """Read again what a full queue kept unread."""
        sock = self._client.socket()
        if self._held and sock is not None and self._arrived.qsize() <= (self._most_unread or 0) // 2:
            self._held = False
            self._loop.add_reader(sock, self._read)
            self._loop.call_soon(self._read)  # what TLS has decrypted already makes no socket readable

    def _on_socket_open(self, client: Any, userdata: Any, sock: Any) -> None:
        super()._on_socket_open(client, userdata, sock)
        self._loop.call_soon_threadsafe(self._loop.add_reader, sock.fileno(), self._read)

    def _read(self) -> None:
        """Read what is there, up to a bound: paho alone takes one message each time that the socket is found readable.

        What is in the socket beyond that makes it readable again; what TLS has decrypted does not.
        """
        try:
            for _ in range(_AT_ONCE):
                if self._held:
                    break
                heard = self._heard
                self._client.loop_read()
                if heard == self._heard and not _decrypted(self._client.socket()):
                    break
            else:
                if _decrypted(self._client.socket()):
                    self._loop.call_soon(self._read)
        except Exception as error:  # as aiomqtt itself: a connection that cannot be read is lost
            if not self._disconnected.done():
                self._disconnected.set_exception(error)

    def _on_publish(self, client: Any, userdata: Any, mid: int, reason_code: ReasonCode, properties: Any) -> None:
        topic, answer = self._sending.pop(mid, ("", None))
        if answer is None:  # of QoS 0: nothing but that it was written
            super()._on_publish(client, userdata, mid, reason_code, properties)
            return
        if answer.done():
            return
        if reason_code.value == _QUOTA:
            answer.set_exception(LinkDown(f"the broker at {self._settings.url} takes nothing more now: {reason_code}"))
        elif reason_code.value >= _FAILED:
            self._refused = (topic, str(reason_code))
            answer.set_result(str(reason_code))
        else:
            answer.set_result("")


class BrokerLink:
    """The link of `who` ("this bench") to the broker of `settings`, under the client id `identifier`.

    `will` makes the last will for each connection. `connect_s` bounds the opening of the socket, on a thread that
    cannot be cancelled. `lost_hint` says what else to look at when a connection that was up is lost.
    """

    def __init__(
        self,
        settings: BrokerSettings,
        who: str,
        identifier: str,
        *,
        connect_s: float = _ANSWER_S,
        will: Callable[[], Will] | None = None,
        session: KeptSession | None = None,
        most_waiting: int = 0,
        lost_hint: str = "",
    ) -> None:
        self.settings = settings
        self.who = who
        self.identifier = identifier
        self.connect_s = connect_s
        self.session = session
        self.most_waiting = most_waiting
        self._will = will
        self._lost_hint = lost_hint
        newest = settings.mqtt_version == "5" or session is not None
        self._version = aiomqtt.ProtocolVersion.V5 if newest else aiomqtt.ProtocolVersion.V311

    async def keep(
        self,
        use: Callable[[Connection], Awaitable[None]],
        *,
        stop: asyncio.Event,
        say: Callable[[LinkState, str], None],
        again: str,
        rest: Callable[[float], Awaitable[None]] | None = None,
        ends_it: tuple[type[Exception], ...] = (),
    ) -> None:
        """Connect and `use` the connection, again and again until `use` returns, `stop` is set, or this is cancelled.

        `say` is told when it first connects and when it is down, and why; `again` ends each of those sentences. `rest`
        waits out a pause. An exception of `use` is said and tried again, unless it is one that `ends_it`.
        """
        clock = asyncio.get_running_loop().time
        pause = _FIRST_PAUSE_S
        say("connecting", "")
        while not stop.is_set():
            begun, connection = clock(), None
            try:
                async with self.connection() as connection:
                    await connection.while_up(use(connection))
                return
            except LinkDown as error:
                say("down", f"{error}; {again}")
            except ends_it:
                raise
            except Exception as error:  # what a message brings must not end a bench, board or collector
                _log.exception("%s failed at the broker; it is tried again", self.who)
                say("down", f"{self.who} failed at the broker ({error!r}), see the log; {again}")
            if clock() - begun > _STEADY_S or (connection is not None and connection.worth_it):
                pause = _FIRST_PAUSE_S
            shortened = pause * random.uniform(0.5, 1.0)
            await (passed(stop, shortened) if rest is None else rest(shortened))
            pause = min(2 * pause, _LONGEST_PAUSE_S)

    @contextlib.asynccontextmanager
    async def connection(self) -> AsyncIterator[Connection]:
        """Connect, and leave properly at the end of the block. Raises LinkDown, also for a connection lost in it."""
        try:
            options = await asyncio.to_thread(let_in, self.settings)
        except (OSError, ValueError) as error:
            raise LinkDown(str(error)) from error
        connection = await self._connect(options)
        try:
            yield connection
            await connection.leave()
        except aiomqtt.MqttError as error:
            raise LinkDown(self._in_words(error, options, was_up=True)) from error
        finally:
            await connection.let_go()

    async def _connect(self, options: dict[str, Any]) -> Connection:
        for version in dict.fromkeys((self._version, aiomqtt.ProtocolVersion.V311)):
            if version is not aiomqtt.ProtocolVersion.V5 and self.session is not None:
                break  # only MQTT 5 bounds what is under way, and ends a session on demand
            connection = Connection(self, options, version, self._will() if self._will is not None else None)
            try:
                await connection.__aenter__()
            except BaseException as error:
                await connection.let_go()
                if not isinstance(error, aiomqtt.MqttError):
                    raise
                failure = error
                if not _may_lack_mqtt5(error, options):
                    break
            else:
                self._version = version
                return connection
        raise LinkDown(self._in_words(failure, options, was_up=False)) from failure

    def _in_words(self, error: aiomqtt.MqttError, options: dict[str, Any], *, was_up: bool) -> str:
        words = refusal_in_words(self.settings, error, options, who=self.who, was_up=was_up, lost_hint=self._lost_hint)
        if self.session is not None and not was_up and _may_lack_mqtt5(error, options):
            words += "; it must speak MQTT 5"
        return words


def _decrypted(sock: object) -> int:
    return sock.pending() if isinstance(sock, ssl.SSLSocket) else 0


def _number(code: object) -> int:
    return code.value if isinstance(code, ReasonCode) else int(str(code or 0))


def _may_lack_mqtt5(error: aiomqtt.MqttError, options: dict[str, Any]) -> bool:
    """Return whether a broker that lacks MQTT 5 may answer its CONNECT so: in words, by hanging up or by silence."""
    if isinstance(error, MqttConnectError):
        return _number(error.rc) == _NO_SUCH_VERSION
    return failure_of_tls(options) is None and isinstance(error, (aiomqtt.MqttCodeError, _Silence))


async def passed(event: asyncio.Event, seconds: float | None) -> None:
    """Wait for `event`, but no longer than `seconds`; None for as long as it takes."""
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(seconds):
            await event.wait()
