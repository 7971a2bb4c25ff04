"""The process that may open the valve, and does nothing else: `python -m capture.air.keeper DESCRIPTOR`, by the bench.

It holds the fixture's port, the safety's table and its clocks. It writes no file, draws no screen and waits for nobody,
and asks to run before all else, so nothing but this computer itself can stand between the button and the valve. It
shuts the valve at every end of it: when the bench stops it, ends or is killed (the link ends, and the kernel says so
too), at SIGTERM, SIGHUP, SIGINT and at an exception. Killed itself, it leaves the valve to what
`FixtureDriver.closes_without_daemon` says.
"""

from __future__ import annotations

import asyncio
import base64
import contextlib
import ctypes
import pickle
import signal
import socket
import sys
from typing import Any

from capture.air.button import StrokesToMake
from capture.air.control import AirControl
from capture.air.keeper.link import ALIVE_EVERY_S, KeeperLink
from capture.air.standing import FixtureSetup
from capture.plumbing.long_lived import keep_for_good
from drivers.real_time import run_before_others, stay_in_memory
from drivers.wirings.registry import find_driver

#: prctl(2): send this process a signal when its parent ends.
_PR_SET_PDEATHSIG = 1


class _Keeper:
    """One bench's valve, from its setup to the end of the link."""

    def __init__(self, end: socket.socket) -> None:
        self._link = KeeperLink(end, on_message=self._take, on_end=self._stop)
        self._control: AirControl | None = None
        self._running: asyncio.Task[None] | None = None
        self._stopping = False
        self._error: BaseException | None = None
        self._ready = asyncio.Event()

    async def keep(self) -> None:
        """Keep the valve until told to stop, or until nobody is there any more."""
        loop = asyncio.get_running_loop()
        for number in (signal.SIGTERM, signal.SIGHUP, signal.SIGINT):
            loop.add_signal_handler(number, self._stop)
        loop.set_exception_handler(self._broke)
        self._link.send("scheduled", run_before_others(), stay_in_memory())
        saying = asyncio.create_task(self._say_alive())
        try:
            await self._ready.wait()
            if self._running is not None:
                await asyncio.wait({self._running})
                if not self._running.cancelled():
                    self._error = self._error or self._running.exception()
            if self._error is not None:
                cause = _cause(self._error)
                self._link.send("failed", str(cause) or type(cause).__name__)
        finally:
            saying.cancel()
            self._link.close()

    def _broke(self, _loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        """Something failed beside the control: shut the valve with it."""
        self._error = self._error or context.get("exception") or RuntimeError(context["message"])
        self._stop()

    def _stop(self) -> None:
        self._ready.set()
        if self._running is not None and not self._stopping:
            # Once: told again, it would leave off sending the command to shut, which may have to wait for its turn.
            self._stopping = True
            self._running.cancel()

    async def _say_alive(self) -> None:
        while True:
            self._link.send("alive")
            await asyncio.sleep(ALIVE_EVERY_S)

    def _take(self, message: list[Any]) -> None:
        control = self._control
        if control is None:
            if message[0] == "setup":
                self._set_up(*message[1:])
            return
        match message:
            case ["alive"]:
                control.alive()
            case ["arm"]:
                control.arm()
            case ["disarm"]:
                control.disarm()
            case ["indicator", sends]:
                control.indicator(sends)
            case ["check", seat, count, most]:
                control.begin_check(StrokesToMake(seat, count, most))
            case ["stroke", counts, seats]:
                control.stroke(counts=counts, seats=seats)
            case ["settled"]:
                control.settled()
            case ["no-check", why]:
                control.end_check(why)
            case ["stop"]:
                self._stop()

    def _set_up(self, driver: str, settings: str, port: str, way: Any, pressure_unit: Any) -> None:
        control = AirControl(
            FixtureSetup(find_driver(driver), pickle.loads(base64.b64decode(settings)), port, way, pressure_unit),
            on_bytes=lambda t_ns, data: self._link.send("bytes", t_ns, data.decode("latin-1")),
            on_lost=lambda t_ns: self._link.send("lost", t_ns),
            on_change=self._tell,
        )
        self._control = control
        keep_for_good()
        self._running = asyncio.create_task(control.run())
        self._ready.set()

    def _tell(self) -> None:
        if self._control is not None:
            self._link.send("air", self._control.as_told())


def _cause(error: BaseException) -> BaseException:
    """Return the first error of a group, since it is what happened first."""
    return _cause(error.exceptions[0]) if isinstance(error, BaseExceptionGroup) else error


def main() -> None:
    """Keep the valve of the bench whose end of the link is at the other side of the descriptor that is named."""
    with contextlib.suppress(AttributeError, OSError):  # not Linux; there the link's end alone says so
        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGTERM)

    async def keep() -> None:
        await _Keeper(socket.socket(fileno=int(sys.argv[1]))).keep()

    asyncio.run(keep())


if __name__ == "__main__":
    main()
