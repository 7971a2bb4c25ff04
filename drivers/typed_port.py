"""The bench's own keyboard as a port: `keyboard:`, for a dial with a needle, whose readings a person types.

It has the face of `drivers.transport.Transport`: what was typed and ended with Enter comes out as a line of bytes.
"""

from __future__ import annotations

import asyncio
from time import monotonic_ns
from typing import Final, Self

from drivers.transport import Chunk, Event, Opened

PREFIX: Final = "keyboard:"


class TypedPort:
    """Iterate over its events; it is open as soon as one does."""

    def __init__(self) -> None:
        self._events: asyncio.Queue[Event | None] = asyncio.Queue()
        self._opened = False

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(self, *exc_info: object) -> None:
        self._events.put_nowait(None)

    def __aiter__(self) -> Self:
        return self

    async def __anext__(self) -> Event:
        if not self._opened:
            self._opened = True
            return Opened(monotonic_ns())
        event = await self._events.get()
        if event is None:
            self._events.put_nowait(None)
            raise StopAsyncIteration
        return event

    def typed(self, text: str) -> None:
        """Somebody typed `text` and Enter."""
        self._events.put_nowait(Chunk(monotonic_ns(), f"{text}\r".encode("ascii", "replace")))
