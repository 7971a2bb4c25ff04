"""Finds where a check's readings come from, as the record keeps it. May take tenths of a second: not for the loop."""

from __future__ import annotations

import socket
from dataclasses import asdict
from pathlib import Path
from typing import Any

from drivers.port_origin import origin_of_port

_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


def origin_now(url: str, technician: str = "") -> dict[str, Any]:
    """Return what stands behind the port, this computer's name, and the id of its running since it was started; and who
    measures, where that is known, or types."""
    found = asdict(origin_of_port(url))
    by = {"by": technician} if technician or found["kind"] == "typed" else {}
    return {
        **by,
        "kind": found["kind"],
        "port": url,
        "adapter": found["adapter"],
        "host": socket.gethostname(),
        "boot": _boot(),
    }


def _boot() -> str:
    try:
        return _BOOT_ID.read_text().strip()
    except OSError:
        return ""
