"""Takes finished messages from the outbox to an MQTT broker, and says how that is going.

Theory of operation. The record has already kept every message in its outbox, in the same transaction as what the
message tells, so a publisher can stop at any point and lose nothing: it reads rows in order and publishes them at
QoS 1. A broker's acknowledgement does not mean that the message is on its disk: it may acknowledge, die, and start
again from what it saved before. A row is therefore dropped only when the connection on which it was acknowledged has
held for `keep_acknowledged_s` more; after a broken one everything still in the outbox is sent again, oldest first.
So a message may be sent twice, with the same `id`, and never in another order, but for one that the broker refuses: it
is tried again, then set aside, and the others go on (refusals.py says when). The status is no outbox message: only
its newest state matters, so it is retained, sent on connecting and on change.

A broker that was away for a shift is caught up in batches, with a pause after each as long as the batch took: the
bench's own work comes first, and its strokes wait behind one batch at most. Rows are dropped by the batch too.
Nothing here raises into the caller; what goes wrong is a `BrokerState` in words.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections import deque
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from itertools import islice, takewhile
from typing import Any, Final, Protocol
from uuid import uuid4

from capture.mqtt.link import BrokerLink, Connection, LinkDown, RefusedByBroker, Will, passed
from capture.mqtt.link_state import LinkState
from capture.mqtt.messages import BenchStatus
from capture.mqtt.outgoing import OutboxRow, Outgoing, SetAside
from capture.mqtt.refusals import Refusals
from capture.mqtt.sender import Sender
from capture.mqtt.settings import BrokerSettings
from capture.mqtt.topics import status_topic, topic_level

_log = logging.getLogger(__name__)

_CONNECT_S: Final = 1.2  # the socket is opened on a thread that cannot be cancelled: keep it short
_IN_FLIGHT: Final = 8  # enough to hide a round trip, and within the broker's usual window of 20
_BATCH: Final = 64  # rows read at once: a few milliseconds of the store's thread
_DROP_AT_ONCE: Final = 512  # rows dropped in one transaction
_DROP_EVERY_S: Final = 1.0  # while nothing else is to be done
_LOOK_EVERY_S: Final = 5.0
_JUST_NOW_S: Final = 1.0  # a connection that ends so soon after an acknowledgement may have ended for that message
_REFUSED_PAUSE_S: Final = 0.5  # before a refused message is tried again, times how often it was


@dataclass(frozen=True, slots=True)
class BrokerState:
    """The link to the broker, how many messages wait for it, and what is wrong, in words."""

    link: LinkState
    waiting: int
    reason: str
    """Why it is not up; when it is up, which messages it refuses. Empty if all is well."""


class Outbox(Protocol):
    """What the publisher needs of the store. Its methods run through the injected runner."""

    def outbox_after(self, last_id: int, limit: int) -> Sequence[OutboxRow]: ...
    def drop_outbox(self, ids: Sequence[int]) -> None: ...
    def outbox_size(self) -> int: ...
    def set_aside(self, refused: Mapping[int, str]) -> None: ...
    def aside(self) -> SetAside | None: ...


class Publisher(Sender):
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
        super().__init__("publisher")
        self._status_sent: BenchStatus | None = None
        self._waiting_sent = 0
        self._refusals = Refusals()
        self._refused_now = False
        """Whether the broker refused something since the last batch began."""
        self._flying: deque[tuple[int, asyncio.Future[str]]] = deque()
        self._alone: tuple[int, str] | None = None
        """The suspect that is being tried, and its topic."""
        self._kept: dict[int, float] = {}
        """Rows that were acknowledged and are still in the outbox, oldest first: when, on this connection."""
        self._link = BrokerLink(
            settings,
            "this bench",
            f"strokelog-{topic_level(status.bench)}",  # one bench, one connection
            connect_s=_CONNECT_S,
            will=lambda: Will(self._topic, self._offline(vanished=True).model_dump_json(), qos=1, retain=True),
            # A broker may end the connection of who publishes what it may not (MQTT 3.1.1, section 3.3.5).
            lost_hint="and what the broker lets this bench do under its user name",
        )

    @property
    def state(self) -> BrokerState:
        """The newest state given to `on_state`."""
        return self._state

    def set_status(self, status: BenchStatus) -> None:
        """Publish `status`, retained, now or on connecting. `id`, `at` and `messages_waiting` are filled in."""
        self._status = status
        self._wake.set()

    async def __aexit__(self, *raised: object) -> None:
        """Send what still waits and `offline` if the broker takes them in time, then disconnect."""
        try:
            await super().__aexit__(*raised)
        finally:
            self._say("off", "stopped")

    def _say(self, link: LinkState, reason: str = "", waiting: int | None = None) -> None:
        state = BrokerState(link, self._state.waiting if waiting is None else waiting, reason)
        if state != self._state:
            if state.link != self._state.link:
                _log.info("broker %s: %s %s", self._settings.url, link, reason)
            self._state = state
            self._on_state(state)

    async def _forever(self) -> None:
        with contextlib.suppress(LinkDown):
            self._say("connecting", waiting=await self._waiting())
        await self._link.keep(
            self._publish_until_stopped,
            stop=self._stop,
            say=self._say,
            again="messages are kept and it tries again by itself",
            rest=self._wait_out,
        )

    async def _wait_out(self, pause: float) -> None:
        """Wait `pause` seconds or until told to stop, keeping the waiting count true meanwhile."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(pause):
                while not self._stop.is_set():
                    self._wake.clear()
                    with contextlib.suppress(LinkDown):
                        self._say(self._state.link, self._state.reason, await self._waiting())
                    await self._wake.wait()

    async def _publish_until_stopped(self, connection: Connection) -> None:
        self._status_sent = None
        self._kept.clear()  # whatever was acknowledged on an earlier connection is sent again
        self._flying.clear()
        self._alone = None
        try:
            await self._publish_in_turns(connection)
        finally:
            if self._alone is not None and not self._stop.is_set():
                if not self._refused_now:  # else the broker said so itself
                    self._refusals.refused(*self._alone)
            elif not self._stop.is_set():
                since = asyncio.get_running_loop().time() - _JUST_NOW_S
                just_taken = [row for row in list(self._kept)[-1:] if self._kept[row] > since]
                self._refusals.suspect([row for row, _ in self._flying] + just_taken)

    async def _publish_in_turns(self, connection: Connection) -> None:
        clock = asyncio.get_running_loop().time
        last = 0
        while True:
            self._wake.clear()
            begun = clock()
            settled, refused = self._settled(begun), self._refusals.due()
            rows, size, aside = await self._store(_turn, self._outbox, settled, refused, last)
            for row in settled:
                del self._kept[row]
            if refused:
                self._refusals.set_aside(refused)
                connection.worth_it = True
            waiting = size - len(self._kept)
            self._say("up", _aside_in_words(aside), waiting)
            news = self._status is not self._status_sent or (self._waiting_sent and not waiting)
            if news:
                self._status_sent, self._waiting_sent = self._status, waiting
                await self._tell(connection, self._stamped(self._status, waiting))
            if rows:
                await self._send(connection, rows)
                again, last = self._refusals.first(), rows[-1].row
                if again is not None and again <= last:
                    last = again - 1
                else:
                    again = None
                if again is not None and not self._refusals.due():
                    await passed(self._stop, _REFUSED_PAUSE_S * self._refusals.times(again))
                elif len(rows) == _BATCH:
                    await passed(self._stop, clock() - begun)
                if not self._stop.is_set() or again is None:
                    continue
            if self._stop.is_set():
                await self._tell(connection, self._stamped(self._offline(vanished=False), waiting))
                return
            if not news:
                await passed(self._wake, self._until_look(clock()))

    async def _send(self, connection: Connection, rows: Sequence[OutboxRow]) -> None:
        """Send `rows` in order, a few of them unacknowledged at a time, until the broker refuses one.

        A suspect goes by itself, and the status behind it shows whether the connection outlived it.
        """
        self._refused_now = False
        for row in rows:
            if self._refused_now:
                break
            if row.row in self._kept:
                continue
            topic = row.message.topic
            suspect = self._refusals.is_suspect(row.row, topic)
            while len(self._flying) >= (1 if suspect else _IN_FLIGHT):
                await self._land(connection)
            if self._refused_now:
                break
            if suspect:
                self._alone = row.row, topic
            answer = connection.post(topic, row.message.payload, retain=row.message.retain)
            # At once, and also where the connection ends before the one who waits is told.
            answer.add_done_callback(partial(self._answered, row.row, topic, suspect))
            self._flying.append((row.row, answer))
            if suspect:
                await self._land(connection)
                await self._tell(connection, self._stamped(self._status, self._state.waiting))
                self._alone = None
                if row.row in self._kept:
                    self._refusals.taken(row.row, topic)
        while self._flying:
            await self._land(connection)

    async def _land(self, connection: Connection) -> None:
        row, answer = self._flying[0]
        if not await connection.answered(answer):
            self._kept[row] = asyncio.get_running_loop().time()
        self._flying.popleft()

    def _answered(self, row: int, topic: str, suspect: bool, answer: asyncio.Future[str]) -> None:
        if answer.cancelled() or answer.exception() is not None:
            return
        if why := answer.result():
            self._refused_now = True
            self._refusals.refused(row, topic, why)
        elif not suspect:
            self._refusals.taken(row, topic)

    async def _tell(self, connection: Connection, out: Outgoing) -> None:
        """Send a status, which a broker must take from every bench: it is none of the messages that can be refused."""
        try:
            await connection.send(out.topic, out.payload, retain=out.retain)
        except RefusedByBroker as error:
            raise LinkDown(
                f"the broker does not even take this bench's status ({out.topic}): {error}; check what the broker "
                "lets this bench do under its user name, which must be the bench's name"
            ) from error

    def _settled(self, now: float) -> list[int]:
        """Return rows, oldest first, that the broker has had for long enough to have them on its disk."""
        until = now - self._settings.keep_acknowledged_s
        return list(islice(takewhile(lambda row: self._kept[row] <= until, self._kept), _DROP_AT_ONCE))

    def _until_look(self, now: float) -> float:
        """Return how long nothing needs to be done, in seconds. A command may have queued something meanwhile."""
        oldest = next(iter(self._kept.values()), None)
        if oldest is None:
            return _LOOK_EVERY_S
        return min(_LOOK_EVERY_S, max(_DROP_EVERY_S, oldest + self._settings.keep_acknowledged_s - now))

    async def _waiting(self) -> int:
        """Return how many messages no broker has acknowledged yet."""
        size: int = await self._store(self._outbox.outbox_size)
        return max(0, size - len(self._kept))

    def _stamped(self, status: BenchStatus, waiting: int) -> Outgoing:
        changes = {"id": uuid4(), "at": datetime.now(UTC), "messages_waiting": waiting}
        message = status.model_copy(update=changes)
        return Outgoing(str(message.id), self._topic, message.model_dump_json(), retain=True)

    def _offline(self, *, vanished: bool) -> BenchStatus:
        """Say that the bench is gone, and still who had which unit on it."""
        status = self._status
        return BenchStatus(
            at=datetime.now(UTC),
            bench=status.bench,
            state="offline",
            software_version=status.software_version,
            unit_serial=status.unit_serial,
            technician=status.technician,
            gauge_due=status.gauge_due,
            gauge_serial=status.gauge_serial,
            gauge_standing=status.gauge_standing,
            gauge_text=status.gauge_text,
            display_unit=status.display_unit,
            vanished=vanished,
        )

    async def _store(self, function: Callable[..., Any], *arguments: Any) -> Any:
        try:
            return await self._run(function, *arguments)
        except Exception as error:
            raise LinkDown(f"the outbox cannot be read, so nothing is published: {error}") from error


def _turn(
    outbox: Outbox, settled: Sequence[int], refused: Mapping[int, str], last: int
) -> tuple[Sequence[OutboxRow], int, SetAside | None]:
    """Do one turn of the outbox on the store's thread: drop rows, set rows aside, read those after `last`, count."""
    outbox.drop_outbox(settled)
    outbox.set_aside(refused)
    return outbox.outbox_after(last, _BATCH), outbox.outbox_size(), outbox.aside()


def _aside_in_words(aside: SetAside | None) -> str:
    if aside is None:
        return ""
    what = "1 message is" if aside.count == 1 else f"{aside.count} messages are"
    return (
        f"the broker refuses {aside.topic}: {aside.why}; {what} set aside and kept: put the broker's rules right, then "
        "send with `strokelog record send-again`"
    )
