"""Tells a plant's system how one bench stands and what happened at it, as an edge node of Sparkplug.

Theory of operation. What happened is in the record's ledger, and stays there: nothing is queued for the plant but the
number up to which it was told. On every connection the node waits for its primary host, if it has one, is born with
what is so now, and tells what happened since that number, marked as historical up to the birth. Data travel at QoS 0,
so no broker acknowledges them: the number moves on when connection and host have held for `keep_acknowledged_s` more.
After a broken one all since is told again, each under its entry's number. A host that asks for it gets the births
anew; one that goes away ends the session, and what happens meanwhile is told to it when it is back.

Nothing here raises into the caller; what goes wrong is told in words.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Awaitable, Callable, Sequence
from datetime import UTC, datetime
from typing import Any, Final, Protocol

from capture.mqtt.link import BrokerLink, Connection, LinkDown, Will, passed
from capture.mqtt.link_state import LinkState
from capture.mqtt.messages import BenchStatus
from capture.mqtt.plant.bench_metrics import (
    INDICATOR,
    Metrics,
    at_birth,
    indicator_answers,
    of_indicator,
    of_node,
    told,
)
from capture.mqtt.plant.edge_node import EdgeNode, PlantMessage
from capture.mqtt.plant.happened import Happened
from capture.mqtt.plant.metrics import asks_for_rebirth
from capture.mqtt.plant.plant_settings import PlantSettings
from capture.mqtt.plant.primary_host import PrimaryHost
from capture.mqtt.sender import Sender
from capture.mqtt.topics import topic_level

_BATCH: Final = 64
_LOOK_EVERY_S: Final = 5.0
_CONNECT_S: Final = 1.2
_HOST_ANSWERS_S: Final = 1.0  # what it said of itself is retained, so it comes at once
_UNREAD: Final = 64  # commands and states; what a host sends beyond that is left out


class PlantHistory(Protocol):
    """What the plant's face needs of the record. Its methods run through the injected runner."""

    def begun(self) -> tuple[int, int]:
        """Return the number of the entry up to which all was told, and of the last session, -1 for none."""

    def mark(self, number: int, session: int) -> None:
        """Keep both."""

    def since(self, number: int, limit: int) -> tuple[Sequence[Happened], int]:
        """Return what happened after an entry, oldest first, and up to which entry that is all."""

    def newest(self) -> tuple[Sequence[Happened], int]:
        """Return the newest of each group, and the number of the newest entry."""


class PlantPublisher(Sender):
    """Tells for one bench while its `async with` block runs; leaving the block takes at most 2 s.

    `run` runs a function on the record's thread. `on_state` is told in words when the link is up or down; it must not
    block. `status` is what to say first.
    """

    def __init__(
        self,
        settings: PlantSettings,
        history: PlantHistory,
        run: Callable[..., Awaitable[Any]],
        status: BenchStatus,
        on_state: Callable[[LinkState, str], None] = lambda _link, _why: None,
    ) -> None:
        self._settings, self._history, self._run, self._on_state = settings, history, run, on_state
        self._status, self._since = status, datetime.now(UTC)
        self._node = EdgeNode(settings.group, topic_level(status.bench), -1)
        self._host = PrimaryHost(settings.primary_host)
        super().__init__("plant")
        self._rebirth = False
        self._now: Metrics = {}
        """The node's metrics as a host has them."""
        self._device: Metrics | None = None
        """The indicator's, None while it is dead."""
        self._born = False
        self._safe = 0
        self._told = 0
        self._born_at = 0
        """Entries up to here are history."""
        self._kept: deque[tuple[int, float]] = deque()
        """Entries that were told on this connection, and when."""
        self._link = BrokerLink(
            settings,
            "this bench",
            f"strokelog-plant-{topic_level(status.bench)}",
            connect_s=_CONNECT_S,
            will=self._will,
            most_waiting=_UNREAD,
            lost_hint="and what the broker lets this bench do under its user name",
        )

    def set_status(self, status: BenchStatus) -> None:
        """Tell how the bench stands, now or when the plant is there."""
        self._status, self._since = status, datetime.now(UTC)
        self._wake.set()

    async def _forever(self) -> None:
        while not self._stop.is_set():
            try:
                self._safe, self._node.bd_seq = await self._ask(self._history.begun)
                break
            except LinkDown as error:
                self._on_state("down", str(error))
                await passed(self._stop, _LOOK_EVERY_S)
        await self._link.keep(
            self._session,
            stop=self._stop,
            say=self._on_state,
            again="it is all in the record, and it tries again by itself",
        )

    def _will(self) -> Will:
        self._node.connects()
        self._host.connects()
        death = self._node.death(datetime.now(UTC))
        return Will(death.topic, death.payload, qos=1, retain=False)

    async def _session(self, connection: Connection) -> None:
        await self._ask(self._history.mark, self._safe, self._node.bd_seq)
        self._told, self._born, self._rebirth = self._safe, False, False
        self._kept.clear()
        await connection.hear([self._node.commands, *self._host.topics])
        listening = asyncio.create_task(self._listen(connection), name="plant's commands")
        try:
            while await self._turn(connection):
                pass
            death = self._node.death(datetime.now(UTC))
            await connection.send(death.topic, death.payload, retain=False)
            await connection.leave_with_will()
        finally:
            listening.cancel()
        if not self._stop.is_set():
            raise LinkDown(f"the plant's primary host {self._host.name} went away")

    async def _listen(self, connection: Connection) -> None:
        while True:
            heard = await connection.arrival()
            if heard.topic == self._node.commands:
                self._rebirth = self._rebirth or asks_for_rebirth(heard.payload)
            else:
                self._host.heard(heard.payload)
            self._wake.set()

    async def _turn(self, connection: Connection) -> bool:
        """Tell what there is to tell, and wait for more; return whether the session goes on."""
        self._wake.clear()
        if self._host.left or (self._stop.is_set() and not self._born):
            return False
        if not self._host.there:
            await passed(self._wake, _HOST_ANSWERS_S)
            if self._wake.is_set():
                return True
            self._on_state("down", f"the plant's primary host {self._host.name} is away; it is all in the record")
            await passed(self._wake, None)
            return True
        if self._rebirth or not self._born:
            await self._be_born(connection)
        begun = asyncio.get_running_loop().time()
        await self._tell_standing(connection)
        caught_up = await self._tell_happened(connection)
        if not caught_up:  # the bench's own work comes first
            await passed(self._stop, asyncio.get_running_loop().time() - begun)
        elif self._stop.is_set():
            return False
        else:
            await passed(self._wake, _LOOK_EVERY_S)
        return True

    async def _be_born(self, connection: Connection) -> None:
        newest, self._born_at = await self._ask(self._history.newest)
        self._rebirth = False
        now = datetime.now(UTC)
        self._now = at_birth(now)
        for one in newest:
            self._now |= told(one)
        self._now |= of_node(self._status, self._since)
        await self._send(connection, self._node.birth(self._now.values(), now))
        self._device = None
        self._born = connection.worth_it = True
        self._on_state("up", "")

    async def _tell_standing(self, connection: Connection) -> None:
        """Tell what of the bench's standing is not as the host has it."""
        status, now = self._status, datetime.now(UTC)
        indicator = of_indicator(status, self._since)
        if not indicator_answers(status):
            if self._device is not None:
                self._device = None
                await self._send(connection, self._node.device_death(INDICATOR, now))
        elif self._device is None:
            self._device = indicator
            await self._send(connection, self._node.device_birth(INDICATOR, indicator.values(), now))
        elif changed := _changed(self._device, indicator):
            self._device |= changed
            await self._send(connection, self._node.device_data(INDICATOR, changed.values(), now))
        if changed := _changed(self._now, of_node(status, self._since)):
            self._now |= changed
            await self._send(connection, self._node.data(changed.values(), now))

    async def _tell_happened(self, connection: Connection) -> bool:
        """Tell what happened, a batch of it; return whether that was all."""
        happened, until = await self._ask(self._history.since, self._told, _BATCH)
        for one in happened:
            if self._rebirth or self._host.left:  # tck-id-operational-behavior-data-commands-rebirth-action-1
                return False
            metrics, historical = told(one), one.number <= self._born_at
            if not historical:
                self._now |= metrics
            now = datetime.now(UTC)
            await self._send(connection, self._node.data(metrics.values(), now, historical=historical))
            self._told = one.number
        self._told = until
        await self._settle()
        return len(happened) < _BATCH

    async def _settle(self) -> None:
        """Move on with the number up to which everything was told for good."""
        now, safe = asyncio.get_running_loop().time(), self._safe
        if self._told > (self._kept[-1][0] if self._kept else self._safe):
            self._kept.append((self._told, now))
        while self._kept and self._kept[0][1] <= now - self._settings.keep_acknowledged_s:
            safe, _ = self._kept.popleft()
        if safe != self._safe:
            self._safe = safe
            await self._ask(self._history.mark, self._safe, self._node.bd_seq)

    async def _send(self, connection: Connection, message: PlantMessage) -> None:
        await connection.tell(message.topic, message.payload)

    async def _ask(self, function: Callable[..., Any], *arguments: Any) -> Any:
        try:
            return await self._run(function, *arguments)
        except Exception as error:
            raise LinkDown(f"the record cannot be read, so nothing is told to the plant: {error}") from error


def _changed(known: Metrics, now: Metrics) -> Metrics:
    return {name: one for name, one in now.items() if one.value != known[name].value}
