"""A keyboard of its own as a port: `input:/dev/input/by-id/...`, for an indicator that types its values as keys.

The device is taken for this alone (EVIOCGRAB, linux/input.h), so that
no value is typed into a window, and is the one of its path, never whichever keyboard comes first. What its keys would
write on a keyboard laid out as in the United States comes out as bytes; Enter is a carriage return.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
from collections.abc import Iterable
from pathlib import Path
from time import monotonic_ns
from typing import Any, Final, Protocol

from drivers.port_events import Chunk, Lost, Opened, QueuedPort

__all__ = ["PREFIX", "KeyboardPort", "KeysWritten", "keyboards"]

PREFIX: Final = "input:"
BY_ID: Final = Path("/dev/input/by-id")
_RETRY_S: Final = 1.0
#: linux/input-event-codes.h: the type of a key's event, what its value says, and the keys that write.
_EV_KEY, _DOWN, _UP = 1, 1, 0
_SHIFTS: Final = frozenset({42, 54})
_ENTERS: Final = frozenset({28, 96})


def _written() -> dict[int, tuple[str, str]]:
    """Return what each key writes, without and with Shift."""
    rows = (
        (2, "1234567890-=", "!@#$%^&*()_+"),
        (16, "qwertyuiop[]", "QWERTYUIOP{}"),
        (30, "asdfghjkl;'`", 'ASDFGHJKL:"~'),
        (44, "zxcvbnm,./", "ZXCVBNM<>?"),
    )
    keys = {
        first + at: both for first, plain, shifted in rows for at, both in enumerate(zip(plain, shifted, strict=True))
    }
    keypad = {71: "7", 72: "8", 73: "9", 74: "-", 75: "4", 76: "5", 77: "6", 78: "+", 79: "1", 80: "2", 81: "3"}
    keypad |= {82: "0", 83: ".", 121: ",", 55: "*", 98: "/", 117: "=", 57: " ", 15: "\t"}
    return keys | {code: (text, text) for code, text in keypad.items()}


_WRITES: Final = _written()


class KeysWritten:
    """Key events in, the bytes that they write out. No I/O."""

    def __init__(self) -> None:
        self._shifts: set[int] = set()

    def feed(self, events: Iterable[tuple[int, int, int]]) -> bytes:
        """Take events as (type, code, value) and return what was written. A key held down writes once."""
        text = ""
        for kind, code, value in events:
            if kind != _EV_KEY:
                continue
            if code in _SHIFTS:
                (self._shifts.discard if value == _UP else self._shifts.add)(code)
            elif value == _DOWN and code in _ENTERS:
                text += "\r"
            elif value == _DOWN and code in _WRITES:
                text += _WRITES[code][bool(self._shifts)]
        return text.encode("ascii")


def keyboards() -> list[str]:
    """Return the ports of the keyboards that this computer knows by a name of their own, sorted."""
    return [f"{PREFIX}{path}" for path in sorted(BY_ID.glob("*-event-kbd"))]


class InputDevice(Protocol):
    """What is needed of `evdev.InputDevice`."""

    fd: int

    def grab(self) -> None: ...
    def read(self) -> Iterable[Any]: ...
    def close(self) -> None: ...


def _opened(path: str) -> InputDevice:
    """Return the device, taken. Raises OSError, and ConnectionError where the library is not installed."""
    try:
        import evdev
    except ImportError as error:
        raise ConnectionError("evdev is not installed here; `pip install 'strokelog[keyboard]'` brings it") from error
    device: InputDevice = evdev.InputDevice(path)
    try:
        device.grab()
    except BaseException:
        device.close()
        raise
    return device


class KeyboardPort(QueuedPort):
    """A device that goes away is looked for every second, and comes back by itself."""

    def __init__(self, url: str) -> None:
        super().__init__()
        self.url = url
        self._path = url.removeprefix(PREFIX)
        self._closed = asyncio.Event()
        self._task: asyncio.Task[None] | None = None

    def _begin(self) -> None:
        if not self._closed.is_set():
            self._task = asyncio.create_task(self._run(), name=f"port {self.url}")

    async def close(self) -> None:
        """Give the device back; what has come can still be iterated."""
        self._closed.set()
        if self._task is not None:
            await self._task
        await super().close()

    async def _run(self) -> None:
        told = ""
        while not self._closed.is_set():
            opened = False
            try:
                device = await asyncio.to_thread(_opened, self._path)
                opened, told = True, ""
                self._events.put_nowait(Opened(monotonic_ns()))
                await self._serve(device)
                return
            except (OSError, ConnectionError) as error:
                reason = _reason(self.url, self._path, error, opened=opened)
            if reason != told:
                told = reason
                self._events.put_nowait(Lost(monotonic_ns(), reason))
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(_RETRY_S):
                    await self._closed.wait()

    async def _serve(self, device: InputDevice) -> None:
        """Hand on what is typed until the port is closed. Raises OSError where the device goes away."""
        loop, failed, keys = asyncio.get_running_loop(), asyncio.Event(), KeysWritten()
        failure: list[OSError] = []

        def take() -> None:
            try:
                events = [(event.type, event.code, event.value) for event in device.read()]
            except BlockingIOError:
                return
            except OSError as error:
                failure.append(error)
                failed.set()
                loop.remove_reader(device.fd)
                return
            if data := keys.feed(events):
                self._events.put_nowait(Chunk(monotonic_ns(), data))

        loop.add_reader(device.fd, take)
        try:
            ending = [asyncio.create_task(one.wait()) for one in (failed, self._closed)]
            await asyncio.wait(ending, return_when=asyncio.FIRST_COMPLETED)
            for one in ending:
                one.cancel()
        finally:
            loop.remove_reader(device.fd)
            with contextlib.suppress(OSError):
                device.close()  # the system gives a device back that is closed
        if failure:
            raise failure[0]


def _reason(url: str, path: str, error: Exception, *, opened: bool) -> str:
    """Return why the port is lost, in words for people, with what to do next."""
    number = getattr(error, "errno", None)
    if opened:
        return f"{url} stopped answering ({error}); check the indicator's cable"
    if number in (errno.ENOENT, errno.ENODEV, errno.ENXIO):
        return f"cannot open {url}: no such device; check the cable and `ls {BY_ID}`"
    if number in (errno.EACCES, errno.EPERM):
        return f"cannot open {url}: permission denied; add yourself to group input and log in again"
    if number == errno.EBUSY:
        return f"cannot open {url}: another program has taken this keyboard; close it (`fuser {path}` names it)"
    return f"cannot open {url}: {error}"
