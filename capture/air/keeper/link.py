"""What the bench and the valve's keeper say to each other, and the socket between them, which neither ever waits for.

A message is a JSON array in one datagram of a connected socket: its name, then what belongs to it.

    bench to keeper    setup DRIVER SETTINGS PORT WAY · alive · arm · disarm · indicator SENDS ·
                       check SEAT COUNT MOST · stroke COUNTS SEATS · settled · no-check WHY · stop
    keeper to bench    scheduled REAL-TIME IN-MEMORY · alive · air AS-TOLD · bytes MONOTONIC-NS LATIN-1 ·
                       lost MONOTONIC-NS · failed WORDS

Both ends are of one installation, so there is no version of it.
"""

from __future__ import annotations

import asyncio
import json
import socket
from collections import deque
from collections.abc import Callable
from typing import Any

#: How often each side says that it is alive, seconds.
ALIVE_EVERY_S = 0.05
_LONGEST = 1 << 17
#: What may wait for a reader that does not read, bytes: half an hour of a fixture's bytes. Beyond it the link is over.
_MOST_WAITING = 1 << 20


def link_pair() -> tuple[socket.socket, socket.socket]:
    """Return the two ends of a link."""
    return socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)


class KeeperLink:
    """One end, in the running event loop. `close` it."""

    def __init__(
        self, end: socket.socket, *, on_message: Callable[[list[Any]], None], on_end: Callable[[], None]
    ) -> None:
        """`on_message` is given each message; `on_end` is called once when nothing will come any more."""
        self._end = end
        self._on_message = on_message
        self._on_end = on_end
        self._waiting: deque[bytes] = deque()
        self._waiting_bytes = 0
        self._ended = False
        end.setblocking(False)
        self._loop = asyncio.get_running_loop()
        self._loop.add_reader(end, self._read)

    def send(self, *message: object) -> None:
        """Send a message, or keep it until the other side reads. After the end nothing is sent."""
        if self._ended:
            return
        data = json.dumps(message).encode()
        if not self._waiting and self._sent(data):
            return
        self._waiting.append(data)
        self._waiting_bytes += len(data)
        if self._waiting_bytes > _MOST_WAITING:
            self._finish()
        elif not self._ended:
            self._loop.add_writer(self._end, self._write)

    def close(self) -> None:
        """Take nothing any more, and let the other side know."""
        self._ended = True
        self._loop.remove_reader(self._end)
        self._loop.remove_writer(self._end)
        self._end.close()

    def _sent(self, data: bytes) -> bool:
        """Send now, if it goes; what the other side is not there to read counts as sent."""
        try:
            self._end.send(data)
        except BlockingIOError:
            return False
        except OSError:
            self._finish()
        return True

    def _write(self) -> None:
        while self._waiting and self._sent(self._waiting[0]):
            self._waiting_bytes -= len(self._waiting.popleft())
        if not self._waiting and not self._ended:
            self._loop.remove_writer(self._end)

    def _read(self) -> None:
        try:
            data = self._end.recv(_LONGEST)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if data:
            self._on_message(json.loads(data))
        else:
            self._finish()

    def _finish(self) -> None:
        if self._ended:
            return
        self._ended = True
        self._waiting.clear()
        self._loop.remove_reader(self._end)
        self._loop.remove_writer(self._end)
        self._on_end()
