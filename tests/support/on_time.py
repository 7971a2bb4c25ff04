"""Lets what plays hardware, or times it, run before the programs that are tried, since no load slows hardware."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress

__all__ = ["on_time", "runs_on_time"]

#: Before the valve's keeper as well, which has the lowest of real time.
_PRIORITY = 2


def runs_on_time(pid: int = 0) -> None:
    """Have this thread, or a process, run before all others, where the machine allows that. What it begins does not."""
    with suppress(PermissionError):
        os.sched_setscheduler(pid, os.SCHED_RR | os.SCHED_RESET_ON_FORK, os.sched_param(_PRIORITY))


@contextmanager
def on_time() -> Iterator[None]:
    """Have this thread run so for a while."""
    runs_on_time()
    try:
        yield
    finally:
        with suppress(PermissionError):
            os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))
