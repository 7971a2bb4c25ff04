"""A byte stream by URL: opens a port, reconnects it, and stamps every byte as it arrives. Decodes nothing."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

import serial
from serial.tools import list_ports as serial_ports

from drivers.line_guard import LineGuard
from drivers.modem_lines import SETTLE_S, LineWatch, ModemLines, hang_up_on_close, parse_setting
from drivers.port_events import Chunk, Event, EventPort, Lost, Opened

#: How long a read waits, seconds: how soon the thread notices that it is to stop, poll or write.
_READ_WAIT_S = 0.05
_SHORTEST_READ_WAIT_S = 0.002
#: A command that has waited this long is not sent any more, nanoseconds: whoever gave it may mean another by now.
_STALE_NS = 200_000_000
#: Less than a line's guard waits before it drops the line: what was decided before that opens nothing after it.
_STALE_FOR_A_LINE_NS = 120_000_000
#: A write that a port does not take in this time is a lost port.
_WRITE_WAIT_S = 0.25
_FIRST_RETRY_S = 0.1
_LAST_RETRY_S = 5.0
#: How long `close` waits for the thread. Only a network name or address that does not answer takes longer.
_CLOSE_WAIT_S = 0.45
_MOST_AT_ONCE = 4096


@dataclass(frozen=True, slots=True)
class Port:
    """A serial port of this computer; `device` is what a Transport takes as its URL."""

    device: str
    description: str


def list_ports() -> list[Port]:
    """Return the serial ports of this computer, by name, with what they say of themselves."""
    return [Port(port.device, port.description or "") for port in sorted(serial_ports.comports())]


class Transport(EventPort):
    """A port at `url`: a device path, `socket://host:port` or `rfc2217://host:port`. Iterate over its events.

    A thread of its own reads the port, so that bytes are stamped when they arrive, however busy the event loop
    is, and so that the loop never waits for a port. Iterating starts it; `close` (or leaving `async with`) ends
    it and the iteration. Stamps never decrease, across reconnects too. Several failures to open the port with
    the same reason are one `Lost`.

    What has arrived and is not yet iterated over waits in an unbounded queue. That is on purpose: a bound would
    mean dropping bytes of a check, or leaving them in the kernel, where they would be stamped late and then
    dropped. A serial line brings at most some kilobytes a second, so memory lasts for hours.

    `request` is sent every `poll_interval_ns` nanoseconds if it is not empty. `framing` is data bits, parity and
    stop bits, such as "8N1". Raises ValueError for another framing.

    `write_gap_ns` is the shortest time between the beginnings of two writes, nanoseconds, for a line on which two
    requests may not follow each other at once; what is written meanwhile waits its turn.

    With `lines` the port carries no bytes: its modem control lines are the wires, and what is written and received
    are the small texts of `drivers.modem_lines`. The output line is off whenever the port is opened or closed, and when
    `beat` was not called for a fifth of a second (`drivers.line_guard`; not where the port is one over the network).
    """

    def __init__(
        self,
        url: str,
        *,
        baud: int = 9600,
        framing: str = "8N1",
        request: bytes = b"",
        poll_interval_ns: int = 0,
        write_gap_ns: int = 0,
        lines: ModemLines | None = None,
    ) -> None:
        if len(framing) != 3 or framing[0] not in "5678" or framing[1] not in "NEOMS" or framing[2] not in "12":
            raise ValueError(f"framing {framing!r}: expected data bits, parity and stop bits such as '8N1'")
        if request and poll_interval_ns <= 0:
            raise ValueError(f"a request needs a positive poll interval, not {poll_interval_ns} ns")
        if lines is not None and url.startswith("socket:"):
            raise ValueError(f"{url} has no modem lines; expected a serial port or rfc2217://host:port")
        self.url = url
        self._baud = baud
        self._framing = framing
        self._request = request
        self._poll_interval_ns = poll_interval_ns
        self._write_gap_ns = write_gap_ns
        self._lines = lines
        # A request must go out on time, so a read may not wait for much of the time between two.
        self._read_wait_s = _READ_WAIT_S
        if request:
            self._read_wait_s = min(_READ_WAIT_S, max(_SHORTEST_READ_WAIT_S, poll_interval_ns / 10e9))
        if write_gap_ns:
            self._read_wait_s = _SHORTEST_READ_WAIT_S
        self._events: deque[Event] = deque()
        self._news = asyncio.Event()
        self._ended = asyncio.Event()
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        # Guards what other threads may do with the port against the thread closing it under them.
        self._lock = threading.Lock()
        self._port: serial.Serial | None = None
        self._guard: LineGuard | None = None
        self._to_write: deque[bytes] = deque()
        self._ahead: tuple[int, bytes] | None = None
        """What goes before all that, and when it was decided, monotonic nanoseconds."""

    # The loop's side

    async def __anext__(self) -> Event:
        self._start()
        # Give way once an event: while a port floods, the queue is never empty, and without this the loop would
        # run nothing else.
        await asyncio.sleep(0)
        while not self._events:
            if self._ended.is_set():
                raise StopAsyncIteration
            self._news.clear()
            if not self._events:
                await self._news.wait()
        return self._events.popleft()

    async def close(self) -> None:
        """Close the port and end the thread, in under half a second; what has arrived can still be iterated.

        What was written before is still sent, so that a last command to shut a valve is not lost.
        """
        self._stop.set()
        if self._thread is not None:
            self._wake()
            # A thread that still waits for a network address closes what it opens, and hands over nothing.
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(_CLOSE_WAIT_S):
                    await self._ended.wait()
                self._thread.join()
        self._end()

    def write(self, data: bytes, *, decided_ns: int | None = None) -> None:
        """Send `data` as soon as the port takes it; from any thread.

        With `decided_ns`, when it was decided (monotonic), it is a command: it goes ahead of whatever else waits and in
        place of the command before it, since only the newer is meant; and one that was decided longer than a fifth of a
        second ago, since this process stood still before or after it was given here, is not sent at all. Of a line, one
        to switch it on is let go after 120 ms, and one to switch it off is never too old.

        Raises ConnectionError if the port is not open: what is sent late may do harm; ValueError if the port's lines
        are its wires and `data` does not set the output line.
        """
        if self._lines is not None:
            parse_setting(self._lines, data)
        with self._lock:
            if self._port is None:
                raise ConnectionError(f"{self.url} is not open; nothing was sent")
            if decided_ns is not None:
                self._ahead = decided_ns, data
            else:
                self._to_write.append(data)
        self._wake()

    def beat(self) -> None:
        """Say that whoever decides about the port's output line is not hanging; call it twenty times a second or more.
        From any thread; without lines it does nothing."""
        guard = self._guard
        if guard is not None:
            guard.beat()

    def _start(self) -> None:
        if self._thread is None and not self._stop.is_set():
            self._loop = asyncio.get_running_loop()
            self._thread = threading.Thread(target=self._run, name=f"transport {self.url}", daemon=True)
            self._thread.start()

    def _end(self) -> None:
        self._ended.set()
        self._news.set()

    def _wake(self) -> None:
        """Cut the present read short, where the port can."""
        with self._lock:
            cancel = getattr(self._port, "cancel_read", None)
            if cancel is not None:
                with contextlib.suppress(OSError):
                    cancel()

    # The thread's side

    def _tell(self, event: Event) -> None:
        self._events.append(event)
        if not self._news.is_set():  # the loop clears it before it looks, so what is appended is never missed
            self._call(self._news.set)

    def _call(self, function: Callable[[], None]) -> None:
        if self._loop is not None:
            with contextlib.suppress(RuntimeError):  # the loop is closed, so nobody is listening any more
                self._loop.call_soon_threadsafe(function)

    def _run(self) -> None:
        retry_s = _FIRST_RETRY_S
        told = ""
        while not self._stop.is_set():
            opened_ns = 0
            port = None
            # Any exception at all means a lost port: pyserial and the C library under it also raise termios.error,
            # TypeError, ValueError and others when a device goes away or refuses a setting, and a thread that
            # ended on one of them would leave the bench waiting for bytes for ever.
            try:
                port = self._open()
                with self._lock:
                    self._port = port
                opened_ns = time.monotonic_ns()
                told = ""
                self._tell(Opened(opened_ns))
                self._serve(port)
                reason = ""
            except Exception as error:
                reason = _reason(self.url, error, opened=opened_ns > 0)
            with self._lock:
                self._port = None
                self._to_write.clear()
                self._ahead = None
            if reason and reason != told and not self._stop.is_set():
                told = reason
                self._tell(Lost(time.monotonic_ns(), reason))
            if port is not None:
                with contextlib.suppress(Exception):
                    port.close()
            guard, self._guard = self._guard, None
            if guard is not None:
                guard.close()
            # A port that opens and breaks at once is retried as slowly as one that does not open.
            if opened_ns and time.monotonic_ns() - opened_ns > retry_s * 1e9:
                retry_s = _FIRST_RETRY_S
            self._stop.wait(retry_s)
            retry_s = min(2 * retry_s, _LAST_RETRY_S)
        self._call(self._end)

    def _open(self) -> serial.Serial:
        port: serial.Serial = serial.serial_for_url(self.url, do_not_open=True)
        port.baudrate = self._baud
        port.bytesize = int(self._framing[0])
        port.parity = self._framing[1]
        port.stopbits = int(self._framing[2])
        port.timeout = self._read_wait_s
        if "://" not in self.url:
            port.exclusive = True
        if not self.url.startswith("rfc2217:"):  # which knows no such limit
            port.write_timeout = _WRITE_WAIT_S
        if self._lines is not None:
            # Before opening, as pyserial otherwise switches both outputs on.
            setattr(port, self._lines.output, False)
        port.open()
        if self._lines is not None:
            try:
                hang_up_on_close(port)
                self._guard = LineGuard.of(port, self._lines.output)
            except BaseException:
                port.close()
                raise
        return port

    def _serve(self, port: serial.Serial) -> None:
        if self._lines is not None:
            self._serve_lines(port, self._lines)
            return
        due_ns = time.monotonic_ns()
        free_ns = due_ns
        while not self._stop.is_set():
            if self._request and time.monotonic_ns() >= due_ns:
                port.write(self._request)
                # Requests that a busy computer missed are not made up for: the instrument would answer in a burst.
                now_ns = time.monotonic_ns()
                due_ns += self._poll_interval_ns * (1 + (now_ns - due_ns) // self._poll_interval_ns)
            while time.monotonic_ns() >= free_ns and (waiting := self._next()) is not None:
                data, age_ns = waiting
                if age_ns >= _STALE_NS:
                    continue
                free_ns = time.monotonic_ns() + self._write_gap_ns
                port.write(data)
            first = port.read(1)
            if not first:
                continue
            t_ns = time.monotonic_ns()
            try:
                rest = self._read_rest(port)
            except Exception:
                self._tell(Chunk(t_ns, first))
                raise
            self._tell(Chunk(t_ns, first + rest))
        # Where writes are kept apart there may not be time for all of them; the newest is the one that counts.
        left = [*self._to_write, *([self._ahead[1]] if self._ahead else [])]
        if left:
            time.sleep(max(0, free_ns - time.monotonic_ns()) / 1e9)
            for data in left[-1:] if self._write_gap_ns else left:
                port.write(data)

    def _next(self) -> tuple[bytes, int] | None:
        """Return what is to be sent next and how long ago it was decided, ns; None if nothing waits."""
        with self._lock:
            ahead, self._ahead = self._ahead, None
            if ahead is not None:
                return ahead[1], time.monotonic_ns() - ahead[0]
            return (self._to_write.popleft(), 0) if self._to_write else None

    def _serve_lines(self, port: serial.Serial, lines: ModemLines) -> None:
        watch = LineWatch(lines)
        try:
            while True:
                stopping = self._stop.wait(SETTLE_S)
                if self._guard is not None:
                    self._guard.check()
                while (waiting := self._next()) is not None:
                    data, age_ns = waiting
                    on = parse_setting(lines, data)
                    unguarded = self._guard is not None and not self._guard.watches
                    if on and (unguarded or age_ns >= _STALE_FOR_A_LINE_NS):
                        continue  # said before this process stood still, perhaps; whoever means it says it again
                    setattr(port, lines.output, on)
                    self._tell(Chunk(time.monotonic_ns(), data))
                if stopping:
                    return
                changed = watch.look(port)
                if changed:
                    self._tell(Chunk(time.monotonic_ns(), changed))
        finally:
            with contextlib.suppress(Exception):
                setattr(port, lines.output, False)

    def _read_rest(self, port: serial.Serial) -> bytes:
        """Return what has arrived besides the first byte, without waiting for more."""
        if self.url.startswith("socket:"):
            # Here `in_waiting` is only 0 or 1, but changing the timeout costs nothing and is asked of no one.
            if not port.in_waiting:
                return b""
            port.timeout = 0
            try:
                return bytes(port.read(_MOST_AT_ONCE))
            finally:
                port.timeout = self._read_wait_s
        waiting = min(port.in_waiting, _MOST_AT_ONCE)
        return bytes(port.read(waiting)) if waiting else b""


def _reason(url: str, error: Exception, *, opened: bool) -> str:
    """Return why a port is lost, in words for people, with what to do next."""
    number = getattr(error, "errno", None)
    if opened:
        return f"{url} stopped answering ({error}); check the cable and the instrument's power"
    if number in (errno.ENOENT, errno.ENXIO, errno.ENODEV, errno.EIO):
        return f"cannot open {url}: no such device; check the cable and `ls /dev/serial/by-id`"
    if number in (errno.EACCES, errno.EPERM):
        return f"cannot open {url}: permission denied; add yourself to group dialout and log in again"
    if number in (errno.EBUSY, errno.EAGAIN):
        return f"cannot open {url}: another program has the port open; close it (`fuser {url}` names it)"
    text = str(error).removeprefix(f"Could not open port {url}: ")
    if "://" in url:
        return f"cannot open {url}: {text}; check the address, and that the serial server is on the network"
    return f"cannot open {url}: {text}; check that it is a serial port and that it takes the baud and framing"
