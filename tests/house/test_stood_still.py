"""The watch that says whether the machine gave anybody time while a test ran."""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal

from tests.support.broker import until
from tests.support.stood_still import Watch


async def test_a_machine_that_stands_still_is_told_once_and_only_while_it_did() -> None:
    watch = Watch()
    try:
        while watch.longest_s() == 0:  # the first may come before it looks
            os.kill(watch.pid, signal.SIGSTOP)
            await asyncio.sleep(0.4)
            os.kill(watch.pid, signal.SIGCONT)
            with contextlib.suppress(AssertionError):
                await until(lambda: watch.longest_s() > 0, seconds=1)
        assert watch.longest_s() >= 0.4
        watch.begin()
        assert watch.longest_s() == 0
    finally:
        watch.end()
