"""What a keyboard and a scanner on one line came to."""

from __future__ import annotations

from collections.abc import AsyncIterator
from time import monotonic_ns

from capture.plumbing.terminal.keys import Keys
from capture.plumbing.terminal.scanner import Key, KeyCollector, LostScan, Scan

#: As the collector knows them.
_CONTROL = {"enter": "\r", "stx": "\x02"}
NAMES = {character: name for name, character in _CONTROL.items()}


async def presses(keys: Keys) -> AsyncIterator[Key | Scan | LostScan]:
    """Yield what a keyboard and a scanner on one line came to, key by key and code by code."""
    collector = KeyCollector()
    while True:
        try:
            pressed = await keys.pressed(collector.due_ns)
        except TimeoutError:
            told = collector.wait(monotonic_ns())
        else:
            if pressed is None:
                return
            told = collector.take(pressed[0], _CONTROL.get(pressed[1], pressed[1]))
        for one in told:
            yield one
