"""The bench's side of the air: starts the valve's keeper, says that the bench is alive, and knows what it was told.

A keeper that ends unasked or says nothing any more is ended for good and another is started, unarmed. Whatever the
bench waits for, a disk or a screen, the valve does not: what the keeper sends meanwhile is taken afterwards, with the
times at which it came.
"""

from __future__ import annotations

import asyncio
import base64
import contextlib
import logging
import os
import pickle
import signal
import sys
import tempfile
from collections.abc import Callable, Coroutine
from time import monotonic_ns
from typing import Any

from capture.air.button import StrokesToMake
from capture.air.keeper.link import ALIVE_EVERY_S, KeeperLink, link_pair
from capture.air.standing import Air, FixtureSetup

_log = logging.getLogger(__name__)
_log.addHandler(logging.NullHandler())  # by default Python would write into a live screen
#: A keeper that has said nothing for this long hangs; the valve is shut by then, and it is ended.
_SILENT_NS = 1_000_000_000
#: A keeper says its first word within this time, however busy the computer.
_FIRST_WORD_NS = 15_000_000_000
#: How long it may take to shut the valve and let go of the port when it is told to stop.
_STOP_S = 1.5
_GOES_ON = "The valve is shut; another keeper is started, then the air can be armed again."
_FIRST_RETRY_S, _LAST_RETRY_S = 0.1, 5.0


class KeeperFailed(Exception):
    """The valve's keeper failed, in its own words; the valve is shut."""


class KeptAir(Air):
    """The air of a fixture whose valve has a keeper. Run `run()` as a task; tell it the rest from the same loop."""

    def __init__(
        self,
        setup: FixtureSetup,
        *,
        on_bytes: Callable[[int, bytes], None],
        on_lost: Callable[[int], None],
        on_change: Callable[[], None],
    ) -> None:
        """`on_bytes` is given what the fixture sent and when (monotonic ns); `on_lost` is told of a lost port, or of a
        keeper that ended; `on_change` is called when anything shown may differ."""
        super().__init__(setup)
        self._on_bytes = on_bytes
        self._on_lost = on_lost
        self._on_change = on_change
        self._link: KeeperLink | None = None
        self._heard_ns = 0
        self._failed = ""
        self._broken: Exception | None = None
        self._ended = asyncio.Event()
        self._process: asyncio.subprocess.Process | None = None
        self._sends = False
        self._check: list[tuple[object, ...]] = []
        """What has been said of the running check, for a keeper that has to be told again."""

    @property
    def pid(self) -> int | None:
        """The keeper's process, None while there is none."""
        return None if self._process is None else self._process.pid

    # -- what the bench tells ----------------------------------------------------------------------------

    def arm(self) -> None:
        """A person allows the air, or again after a fault. Refused, in words, while something stands against it."""
        self._say("arm")

    def disarm(self) -> None:
        """A person takes that back."""
        self._say("disarm")

    def indicator(self, sends: bool) -> None:
        """The indicator sends readings, or has stopped to."""
        if sends != self._sends:
            self._sends = sends
            self._say("indicator", sends)

    def begin_check(self, strokes: StrokesToMake) -> None:
        """A check begins: the button works for it."""
        self._check = []
        self._say_of_check("check", strokes.seat, strokes.count, strokes.most)

    def end_check(self, why: str) -> None:
        """The check is over: no air is wanted any more."""
        self._check = []
        self._say("no-check", why)

    def stroke(self, *, counts: bool, seats: bool) -> None:
        """A stroke was found; `counts` says whether it is averaged, `seats` whether it settled the pack."""
        self._say_of_check("stroke", counts, seats)

    def settled(self) -> None:
        """The verdict stands."""
        self._say_of_check("settled")

    def _say_of_check(self, *message: object) -> None:
        self._check.append(message)
        self._say(*message)

    def _say(self, *message: object) -> None:
        if self._link is not None:
            self._link.send(*message)

    # -- the keeper --------------------------------------------------------------------------------------

    async def run(self) -> None:
        """Have the valve kept until cancelled; it is shut when this has ended. Raises KeeperFailed."""
        retry_s = _FIRST_RETRY_S
        while True:
            began_ns = monotonic_ns()
            why = await self._one_keeper()
            self.take_over({**Air(self.setup).as_told(), "port_text": why})
            self._on_lost(monotonic_ns())
            self._on_change()
            if monotonic_ns() - began_ns > 10 * _LAST_RETRY_S * 1e9:
                retry_s = _FIRST_RETRY_S
            await asyncio.sleep(retry_s)
            retry_s = min(2 * retry_s, _LAST_RETRY_S)

    async def _one_keeper(self) -> str:
        """Have one process keep the valve; return why it ended, in words."""
        ours, theirs = link_pair()
        self._ended.clear()
        self._failed = ""
        with ours, theirs, tempfile.TemporaryFile() as last_words:
            # A session of its own: what stops or hangs up a terminal must not stop the keeper of a valve.
            process = await asyncio.create_subprocess_exec(
                *(sys.executable, "-m", "capture.air.keeper", str(theirs.fileno())),
                pass_fds=[theirs.fileno()],
                stdin=asyncio.subprocess.DEVNULL,
                stdout=asyncio.subprocess.DEVNULL,
                stderr=last_words,
                start_new_session=True,
            )
            theirs.close()
            self._process = process
            self._link = KeeperLink(ours, on_message=self._take, on_end=self._ended.set)
            # Pickled, since what settings are made of is written with units, and is no longer known.
            settings = base64.b64encode(pickle.dumps(self.setup.settings)).decode()
            self._say(
                "setup", self.setup.driver.name, settings, self.setup.port, self.setup.way, self.setup.pressure_unit
            )
            self._say("alive")
            self._say("indicator", self._sends)
            for message in self._check:
                self._say(*message)
            self._heard_ns = 0
            began_ns = monotonic_ns()
            try:
                while not self._ended.is_set():
                    self._say("alive")
                    now_ns = monotonic_ns()
                    if now_ns - (self._heard_ns or began_ns) > (_SILENT_NS if self._heard_ns else _FIRST_WORD_NS):
                        _kill(process)
                        return f"The valve's keeper hung and was ended. {_GOES_ON}"
                    with contextlib.suppress(TimeoutError):
                        async with asyncio.timeout(ALIVE_EVERY_S):
                            await self._ended.wait()
            finally:
                await _to_its_end(self._end(process))
            if self._broken is not None:
                raise self._broken
            if self._failed:
                raise KeeperFailed(self._failed)
            last_words.seek(0)
            return _ended_words(process.returncode or 0, last_words.read().decode(errors="replace"))

    async def _end(self, process: asyncio.subprocess.Process) -> None:
        """Have the valve shut and the port let go of; what the fixture sent until then is still taken."""
        self._say("stop")
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(_STOP_S):
                await self._ended.wait()
        if self._link is not None:
            self._link.close()
            self._link = None
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(_STOP_S):
                await process.wait()
        _kill(process)
        await process.wait()
        self._process = None

    def _take(self, message: list[Any]) -> None:
        self._heard_ns = monotonic_ns()
        try:
            match message:
                case ["air", told]:
                    self.take_over(told)
                    self._on_change()
                case ["bytes", t_ns, text]:
                    self._on_bytes(t_ns, text.encode("latin-1"))
                case ["lost", t_ns]:
                    self._on_lost(t_ns)
                case ["scheduled", real_time, in_memory]:
                    _log.info("the valve's keeper: real time %s, kept in memory %s", real_time, in_memory)
                case ["failed", words]:
                    self._failed = words
        except Exception as error:  # of the bench's own: what it is told must not be passed over
            self._broken = error
            self._ended.set()


async def _to_its_end(work: Coroutine[Any, Any, None]) -> None:
    """Wait until it is done, even when told again meanwhile to stop waiting, and stop then."""
    doing, told = asyncio.create_task(work), False
    while not doing.done():
        try:
            await asyncio.shield(doing)
        except asyncio.CancelledError:
            told = True
    doing.result()
    if told:
        raise asyncio.CancelledError


def _kill(process: asyncio.subprocess.Process) -> None:
    """End it and its group: what it started to guard a line would otherwise go on holding the port."""
    with contextlib.suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)


def _ended_words(code: int, last_words: str) -> str:
    """Return how a keeper ended that nobody told to."""
    how = f"was killed by {signal.Signals(-code).name}" if code < 0 else f"ended with {code}"
    said = f" ({last_words.strip().splitlines()[-1]})" if last_words.strip() else ""
    return f"The valve's keeper {how}{said}. {_GOES_ON}"
