"""Tells whether this machine stood still: a process of its own that would wake every 10 ms says when it could not.

What a bench promises in milliseconds, no machine shows that gives it no time: a test that failed while nobody was
given any has shown nothing, and is run again.
"""

from __future__ import annotations

import os
import select
import subprocess
import sys
import time

__all__ = ["Watch"]

_TURN_S = 0.01
_LEAST_S = 0.15
"""Shorter than what disarms the air, longer than the turns that a busy machine's programs wait for each other."""


class Watch:
    """Looks on from its making to `end`."""

    def __init__(self) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-I", "-S", __file__],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            start_new_session=True,
        )
        assert self._process.stdout is not None
        os.set_blocking(self._process.stdout.fileno(), False)
        self._since = time.monotonic()
        self._told = b""
        self._longest_s = 0.0

    @property
    def pid(self) -> int:
        return self._process.pid

    def begin(self) -> None:
        """Count from now on."""
        self._since, self._longest_s = time.monotonic(), 0.0

    def longest_s(self) -> float:
        """Return the longest time that the machine stood still since `begin`, s; 0 where it did not."""
        assert self._process.stdout is not None
        self._told += self._process.stdout.read() or b""
        *lines, self._told = self._told.split(b"\n")
        for at_s, late_s in (map(float, line.split()) for line in lines):
            if at_s > self._since:
                self._longest_s = max(self._longest_s, late_s)
        return self._longest_s

    def end(self) -> None:
        """End the process."""
        self._process.communicate()


def _look() -> None:
    """Say of each standstill when it ended, s of the monotonic clock, and how long it was; until nobody listens."""
    last = time.monotonic()
    while not select.select([sys.stdin], [], [], _TURN_S)[0]:
        now = time.monotonic()
        if now - last > _LEAST_S:
            os.write(sys.stdout.fileno(), b"%.6f %.6f\n" % (now, now - last))
        last = now


if __name__ == "__main__":
    _look()
