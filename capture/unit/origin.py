"""Where a check's readings came from, as the record keeps it, and whether that makes it a measurement. Pure.

Theory. Bytes from a file or from a program of this machine look like an indicator's, and a verdict on them is worth
what whoever made them says it is. So each check keeps what stood behind its port; what came neither from a line nor
from another machine's is no measurement of a unit: it can be looked at, and signed as a
demonstration, and nothing more.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

_WORDS: Final = {
    "line": "a port of this computer",
    "network": "a port of another machine",
    "keyboard": "a keyboard of its own at this computer",
    "typed": "readings typed",
    "this-machine": "a socket of this machine",
    "pseudo-terminal": "a program of this machine (pseudo-terminal)",
    "recording": "a recording",
    "unknown": "a port that nothing is known of",
}
_MEASURED: Final = frozenset({"line", "network", "keyboard", "typed"})


def is_measured(origin: Mapping[str, Any] | None) -> bool:
    """Say whether readings of this origin are a measurement; where an earlier version kept none, nothing is known
    against them."""
    return origin is None or origin.get("kind") in _MEASURED


def origin_words(origin: Mapping[str, Any] | None) -> str:
    """Return in words where readings came from: "a port of this computer, /dev/ttyUSB0, adapter A1B2, on bench-pc"."""
    if origin is None:
        return "where the readings came from was not kept"
    if origin.get("kind") == "typed":
        told = [f"typed by {origin.get('by') or 'somebody who was not named'}"]
    else:
        told = [_WORDS.get(str(origin.get("kind")), _WORDS["unknown"]), str(origin.get("port") or "")]
    told.append(f"adapter {origin['adapter']}" if origin.get("adapter") else "")
    told.append(f"on {origin['host']}" if origin.get("host") else "")
    return ", ".join(one for one in told if one)


def not_measured_words(origin: Mapping[str, Any] | None) -> str:
    """Return what the readings came from instead of an indicator's port, in words; empty where they are measured."""
    if origin is None or is_measured(origin):
        return ""
    return f"{_WORDS.get(str(origin.get('kind')), _WORDS['unknown'])}, {origin.get('port')}"
