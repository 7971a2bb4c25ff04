"""What stands behind a port's URL: a line of this computer, another machine, or a program. Reads no byte of the port.

A line's kind says what the operating system says of it. What it cannot tell apart (a kernel module that plays a serial
line, a program at the other end of a real cable) nothing here can.
"""

from __future__ import annotations

import os
import socket
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal
from urllib.parse import urlsplit

from serial.tools import list_ports

PortKind = Literal["line", "network", "keyboard", "typed", "this-machine", "pseudo-terminal", "recording", "unknown"]

#: Linux's major numbers of pseudo-terminals' slaves: Documentation/admin-guide/devices.txt of the kernel.
_PTY_MAJORS: Final = range(136, 144)


@dataclass(frozen=True, slots=True)
class PortOrigin:
    """Where the bytes of a port come from. `adapter` is the serial number of the USB adapter, where there is one."""

    kind: PortKind
    url: str
    adapter: str | None = None


def origin_of_port(url: str) -> PortOrigin:
    """Return what stands behind `url` now. Never raises: what cannot be told is `unknown`. May wait for a name
    server."""
    scheme = url.partition(":")[0].lower()
    if scheme == "recording":
        return PortOrigin("recording", url)
    if scheme in ("socket", "rfc2217"):
        return PortOrigin(_of_network(url), url)
    if scheme == "keyboard":
        return PortOrigin("typed", url)
    kind: PortKind = "keyboard" if scheme == "input" else "line"
    try:
        device = Path(url.removeprefix("input:")).resolve(strict=True)
        told = device.stat()
    except (OSError, RuntimeError, ValueError):
        return PortOrigin("unknown", url)
    if not stat.S_ISCHR(told.st_mode):
        return PortOrigin("unknown", url)
    if os.major(told.st_rdev) in _PTY_MAJORS:
        return PortOrigin("pseudo-terminal", url)
    known = Path(f"/sys/dev/char/{os.major(told.st_rdev)}:{os.minor(told.st_rdev)}")
    if known.exists():
        if (known / "subsystem").resolve().name != ("input" if kind == "keyboard" else "tty"):
            return PortOrigin("unknown", url)
        # What no hardware stands behind hangs below `virtual` (sysfs-rules.rst of the kernel's documentation).
        if "virtual" in known.resolve().parts:
            return PortOrigin("pseudo-terminal", url)
    return PortOrigin(kind, url, _adapter(str(device)) if kind == "line" else None)


def _of_network(url: str) -> PortKind:
    """Say whether the host of a URL is this machine: an address can only be bound to where it is one of one's own."""
    try:
        address = urlsplit(url)
        found = socket.getaddrinfo(address.hostname, address.port, type=socket.SOCK_STREAM)
    except (OSError, ValueError, UnicodeError):
        return "unknown"
    return "this-machine" if any(_is_own(family, one[0]) for family, _, _, _, one in found) else "network"


def _is_own(family: int, host: str | int) -> bool:
    with socket.socket(family, socket.SOCK_STREAM) as trial:
        try:
            trial.bind((host, 0))
        except OSError:
            return False
        return True


def _adapter(device: str) -> str | None:
    return next((port.serial_number or None for port in list_ports.comports() if port.device == device), None)
