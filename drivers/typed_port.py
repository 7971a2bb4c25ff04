"""The bench's own keyboard as a port: `keyboard:`, for a dial with a needle, whose readings a person types.

What was typed and ended with Enter comes out as a line of bytes.
"""

from __future__ import annotations

from time import monotonic_ns
from typing import Final

from drivers.port_events import Chunk, Opened, QueuedPort

PREFIX: Final = "keyboard:"


class TypedPort(QueuedPort):
    """It is open as soon as one iterates."""

    def _begin(self) -> None:
        self._events.put_nowait(Opened(monotonic_ns()))

    def typed(self, text: str) -> None:
        """Somebody typed `text` and Enter."""
        self._events.put_nowait(Chunk(monotonic_ns(), f"{text}\r".encode("ascii", "replace")))
