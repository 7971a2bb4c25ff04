"""What a port is to whoever reads it: something to enter, to iterate over, and to close, and the events that it brings.

Stamps are nanoseconds on the monotonic clock, and never decrease.
"""

from __future__ import annotations

import asyncio
from abc import ABC, abstractmethod
from dataclasses import dataclass
from typing import Self


@dataclass(frozen=True, slots=True)
class Opened:
    """The port is open."""

    t_ns: int


@dataclass(frozen=True, slots=True)
class Chunk:
    """Bytes as they came; the first of them arrived at `t_ns`."""

    t_ns: int
    data: bytes


@dataclass(frozen=True, slots=True)
class Lost:
    """The port is not there; `reason` says why and what to do. It is being opened again."""

    t_ns: int
    reason: str


Event = Opened | Chunk | Lost


class EventPort(ABC):
    """A port to iterate over. Iterating opens it; `close`, or leaving `async with`, ends it and the iteration."""

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(self, *exc_info: object) -> None:
        await self.close()

    def __aiter__(self) -> Self:
        return self

    @abstractmethod
    async def __anext__(self) -> Event:
        """Return the next event. Raises StopAsyncIteration once the port is closed."""

    @abstractmethod
    async def close(self) -> None:
        """Close the port; what has arrived can still be iterated."""


class QueuedPort(EventPort):
    """A port whose events are put into a queue by the loop's own callbacks, for as long as it is open."""

    def __init__(self) -> None:
        self._events: asyncio.Queue[Event | None] = asyncio.Queue()
        self._begun = False

    @abstractmethod
    def _begin(self) -> None:
        """Somebody iterates for the first time: open the port."""

    async def __anext__(self) -> Event:
        if not self._begun:
            self._begun = True
            self._begin()
        event = await self._events.get()
        if event is None:
            self._events.put_nowait(None)  # whoever iterates again has ended as well
            raise StopAsyncIteration
        return event

    async def close(self) -> None:
        self._events.put_nowait(None)
