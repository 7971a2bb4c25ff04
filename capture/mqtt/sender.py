"""What sends to a broker beside a bench's work: begun without waiting for it, woken by news, ended in bounded time."""

from __future__ import annotations

import asyncio
from abc import ABC, abstractmethod
from typing import Final, Self

_CLOSING_S: Final = 1.6  # for the last messages and the farewell; the rest of 2 s to let go
_LEAVE_S: Final = 0.3


class Sender(ABC):
    """Sends by a task of its own while it is entered. At the end it has a moment to tell what still waits."""

    def __init__(self, name: str) -> None:
        """`name` is the task's."""
        self._name = name
        self._wake = asyncio.Event()
        self._stop = asyncio.Event()
        self._task: asyncio.Task[None] | None = None

    def notify(self) -> None:
        """Say that there is something new; it is sent at once if the broker is up."""
        self._wake.set()

    async def __aenter__(self) -> Self:
        """Begin; does not wait for the broker."""
        self._task = asyncio.create_task(self._forever(), name=self._name)
        return self

    async def __aexit__(self, *_: object) -> None:
        """Send what still waits and a farewell if the broker takes them in time, then disconnect."""
        assert self._task is not None
        self._stop.set()
        self._wake.set()
        try:
            await asyncio.wait({self._task}, timeout=_CLOSING_S)
        finally:
            self._task.cancel()
            await asyncio.wait({self._task}, timeout=_LEAVE_S)

    @abstractmethod
    async def _forever(self) -> None:
        """Send until `_stop` is set."""
