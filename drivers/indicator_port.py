"""Opens the port of an indicator, whatever stands behind its URL: a serial line, a keyboard of its own, or a person."""

from __future__ import annotations

from drivers import keyboard_port, typed_port
from drivers.keyboard_port import KeyboardPort
from drivers.port_events import EventPort
from drivers.transport import Transport
from drivers.typed_port import TypedPort

#: URLs of ports that have no baud.
NO_BAUD = ("socket:", keyboard_port.PREFIX, typed_port.PREFIX)


def indicator_port_at(
    url: str, *, baud: int = 9600, framing: str = "8N1", request: bytes = b"", poll_interval_ns: int = 0
) -> EventPort:
    """Return the port at `url`, not open yet. Raises ValueError as `Transport` does."""
    if url.startswith(keyboard_port.PREFIX):
        return KeyboardPort(url)
    if url.startswith(typed_port.PREFIX):
        return TypedPort()
    return Transport(url, baud=baud, framing=framing, request=request, poll_interval_ns=poll_interval_ns)
