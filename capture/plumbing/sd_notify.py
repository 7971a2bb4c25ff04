"""What a service manager wants to hear (sd_notify(3)): ready, still alive, stopping. Silent where none listens."""

from __future__ import annotations

import asyncio
import os
import socket
from collections.abc import Callable
from time import monotonic_ns


def notify_service(state: str) -> bool:
    """Send `state` ("READY=1", "WATCHDOG=1", "STOPPING=1") to the service manager; return whether there is one."""
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return False
    if address.startswith("@"):
        address = "\0" + address[1:]
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as link:
        link.connect(address)
        link.sendall(state.encode())
    return True


async def watchdog(alive: Callable[[], bool]) -> None:
    """Tell the manager twice in its interval that the daemon is alive, for as long as `alive()` says so."""
    usec = int(os.environ.get("WATCHDOG_USEC", "0"))
    if usec <= 0 or os.environ.get("WATCHDOG_PID", str(os.getpid())) != str(os.getpid()):
        return
    pause_s = usec / 2e6
    while True:
        began = monotonic_ns()
        await asyncio.sleep(pause_s)
        late = monotonic_ns() - began > 2 * pause_s * 1e9
        if alive() and not late:
            notify_service("WATCHDOG=1")
