"""The byte stream from real pseudo-terminals and real sockets: order, stamps, unplugging, floods and polling."""

from __future__ import annotations

import asyncio
import errno
import os
import socket
import threading
import time
import tty
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest
import serial
import serial.rfc2217

from drivers.port_events import Chunk, Event, Lost, Opened
from drivers.transport import Transport, list_ports

DEADLINE_S = 20.0


class Pty:
    """A pseudo-terminal: the test holds the instrument's end, the transport opens the other by its path."""

    def __init__(self) -> None:
        self.end, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.path = os.ttyname(self._slave)

    def unplug(self) -> None:
        if self.end >= 0:
            os.close(self.end)
            os.close(self._slave)
            self.end = -1


@contextmanager
def pty() -> Iterator[Pty]:
    port = Pty()
    try:
        yield port
    finally:
        port.unplug()


@asynccontextmanager
async def running(transport: Transport) -> AsyncIterator[Transport]:
    async with asyncio.timeout(DEADLINE_S), transport:
        yield transport


async def opened(transport: Transport) -> Opened:
    event = await anext(transport)
    assert isinstance(event, Opened), event
    return event


async def lost(transport: Transport) -> Lost:
    async for event in transport:
        if isinstance(event, Lost):
            return event
    raise AssertionError("the transport ended")


async def eventually(condition: Callable[[], bool]) -> None:
    for _ in range(20_000):
        if condition():
            return
        await asyncio.sleep(0.001)
    raise AssertionError("it never came about")


async def until(transport: Transport, enough: Callable[[bytes], bool]) -> tuple[bytes, list[Event]]:
    data, events = b"", []
    async for event in transport:
        events.append(event)
        if isinstance(event, Chunk):
            data += event.data
            if enough(data):
                break
    return data, events


async def test_bytes_come_unchanged_and_in_order_with_stamps_that_never_decrease() -> None:
    with pty() as port:
        async with running(Transport(port.path)) as transport:
            before_ns = time.monotonic_ns()
            first = await opened(transport)
            stamps = [before_ns, first.t_ns]
            for n in range(50):
                line = b"%+08.3f mm\r\n" % (n / 1000) + bytes(range(256))
                os.write(port.end, line)
                data, events = await until(transport, lambda data, line=line: len(data) >= len(line))
                assert data == line
                stamps += [event.t_ns for event in events]
            stamps.append(time.monotonic_ns())
            assert stamps == sorted(stamps)


async def test_a_byte_is_delivered_without_waiting_for_more() -> None:
    with pty() as port:
        async with running(Transport(port.path)) as transport:
            await opened(transport)
            delays = []
            for _ in range(20):
                sent_ns = time.monotonic_ns()
                os.write(port.end, b"x")
                event = await anext(transport)
                assert isinstance(event, Chunk)
                assert event.data == b"x"
                delays.append(event.t_ns - sent_ns)
            assert sorted(delays)[10] < 20_000_000, "half of them within 20 ms"


async def test_unplugging_is_told_once_and_plugging_in_again_brings_the_bytes_back(tmp_path: Path) -> None:
    link = tmp_path / "by-id-indicator"
    with pty() as port, pty() as again:
        link.symlink_to(port.path)
        async with running(Transport(str(link))) as transport:
            await opened(transport)
            os.write(port.end, b"1.000\r\n")
            assert (await until(transport, lambda data: data == b"1.000\r\n"))[0] == b"1.000\r\n"
            link.unlink()
            port.unplug()
            gone = await lost(transport)
            assert "stopped answering" in gone.reason
            missing = await lost(transport)
            assert "no such device; check the cable" in missing.reason
            link.symlink_to(again.path)
            back = await opened(transport)
            assert gone.t_ns <= missing.t_ns <= back.t_ns
            os.write(again.end, b"2.000\r\n")
            assert (await until(transport, lambda data: data == b"2.000\r\n"))[0] == b"2.000\r\n"


async def test_a_port_that_is_not_there_is_told_once_and_opened_when_it_comes(tmp_path: Path) -> None:
    link = tmp_path / "tty"
    async with running(Transport(str(link))) as transport:
        first = await anext(transport)
        assert isinstance(first, Lost)
        assert first.reason == f"cannot open {link}: no such device; check the cable and `ls /dev/serial/by-id`"
        with pty() as port:
            link.symlink_to(port.path)
            await opened(transport)


async def test_a_port_that_another_program_has_open_says_so() -> None:
    with pty() as port, serial.Serial(port.path, exclusive=True):
        async with running(Transport(port.path)) as transport:
            event = await anext(transport)
            assert isinstance(event, Lost)
            assert "another program has the port open" in event.reason


async def test_a_port_without_permission_says_which_group_to_join(monkeypatch: pytest.MonkeyPatch) -> None:
    # Root may open any port, so the kernel's refusal (open(2): EACCES) is put in its place.
    real_open = os.open

    def refuse(path: str, *more: Any, **named: Any) -> int:
        if path == "/dev/ttyS-refused":
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), path)
        return real_open(path, *more, **named)

    monkeypatch.setattr(os, "open", refuse)
    async with running(Transport("/dev/ttyS-refused")) as transport:
        assert "add yourself to group dialout" in (await lost(transport)).reason


@pytest.mark.parametrize("url", ["nonsense://here", "socket://127.0.0.1:notaport", "socket://127.0.0.1:1"])
async def test_an_address_that_does_not_work_is_told_and_not_raised(url: str) -> None:
    async with running(Transport(url)) as transport:
        assert url in (await lost(transport)).reason


async def test_what_is_no_serial_port_is_told_and_not_raised(tmp_path: Path) -> None:
    plain = tmp_path / "file"
    plain.touch()
    async with running(Transport(str(plain))) as transport:
        assert "check that it is a serial port" in (await lost(transport)).reason


async def test_a_setting_the_port_refuses_is_told_and_not_raised() -> None:
    with pty() as port:
        async with running(Transport(port.path, baud=2**40)) as transport:
            assert port.path in (await lost(transport)).reason


@pytest.mark.parametrize("framing", ["", "8N", "9N1", "8X1", "8N3", "8N1 "])
def test_a_framing_that_is_none_is_refused(framing: str) -> None:
    with pytest.raises(ValueError, match="8N1"):
        Transport("/dev/null", framing=framing)


async def test_closing_is_prompt_and_ends_the_iteration_and_the_thread(tmp_path: Path) -> None:
    with pty() as port:
        for path in (port.path, str(tmp_path / "missing")):
            async with asyncio.timeout(DEADLINE_S):
                transport = Transport(path)
                seen: list[Event] = []

                async def follow(transport: Transport = transport, seen: list[Event] = seen) -> None:
                    async for event in transport:
                        seen.append(event)

                following = asyncio.create_task(follow())
                await eventually(lambda seen=seen: bool(seen))
                started = time.monotonic()
                await transport.close()
                assert time.monotonic() - started < 0.5
                await following
                assert not [t for t in threading.enumerate() if t.name == f"transport {path}"]
                with pytest.raises(StopAsyncIteration):
                    await anext(transport)


async def test_what_arrived_before_closing_can_still_be_read() -> None:
    with pty() as port:
        async with asyncio.timeout(DEADLINE_S):
            transport = Transport(port.path)
            await opened(transport)
            os.write(port.end, b"a")
            await until(transport, lambda data: data == b"a")
            os.write(port.end, b"b")
            await eventually(lambda: bool(transport._events))  # it is here, and nobody has asked for it
            await transport.close()
            assert [event.data async for event in transport if isinstance(event, Chunk)] == [b"b"]


async def test_the_loop_keeps_its_pace_while_a_port_floods() -> None:
    with pty() as port:
        stop = threading.Event()
        os.set_blocking(port.end, False)

        def flood() -> None:
            while not stop.is_set():
                try:
                    os.write(port.end, b"+00.1234 in\r\n" * 64)
                except BlockingIOError:
                    stop.wait(0.0005)

        writer = threading.Thread(target=flood)
        async with running(Transport(port.path)) as transport:
            await opened(transport)
            lags: list[float] = []

            async def measure() -> None:
                while True:
                    started = time.perf_counter()
                    await asyncio.sleep(0.005)
                    lags.append(time.perf_counter() - started - 0.005)

            writer.start()
            measuring = asyncio.create_task(measure())
            try:
                # A hundred thousand bytes are what a line at 115200 baud brings in nine seconds.
                data, _ = await until(transport, lambda data: len(data) > 100_000 and len(lags) > 50)
            finally:
                measuring.cancel()
                stop.set()
                writer.join()
        assert len(data) > 100_000
        assert sorted(lags)[len(lags) * 99 // 100] < 0.05


async def test_the_request_is_sent_at_its_pace_and_the_answers_come_back() -> None:
    with pty() as port:
        os.set_blocking(port.end, False)
        loop = asyncio.get_running_loop()
        asked: list[int] = []

        def answer() -> None:
            for _ in range(os.read(port.end, 4096).count(b"?\r")):
                asked.append(time.monotonic_ns())
                os.write(port.end, b"0.25\r")

        loop.add_reader(port.end, answer)
        try:
            async with running(Transport(port.path, request=b"?\r", poll_interval_ns=20_000_000)) as transport:
                await opened(transport)
                data, _ = await until(transport, lambda data: data.count(b"\r") >= 25)
        finally:
            loop.remove_reader(port.end)
        assert data == b"0.25\r" * 25
        mean_ns = (asked[24] - asked[0]) / 24
        assert 19_000_000 < mean_ns < 40_000_000


async def test_what_is_written_goes_out_and_nothing_is_kept_for_a_lost_port() -> None:
    with pty() as port:
        async with running(Transport(port.path)) as transport:
            with pytest.raises(ConnectionError, match="not open"):
                transport.write(b"early")
            await opened(transport)
            await asyncio.to_thread(transport.write, b"valve\r")
            os.set_blocking(port.end, False)
            got = b""
            while got != b"valve\r":
                try:
                    got += os.read(port.end, 100)
                except BlockingIOError:
                    await asyncio.sleep(0)
            port.unplug()
            await lost(transport)
            with pytest.raises(ConnectionError, match="not open"):
                transport.write(b"late")


async def test_a_command_that_was_decided_long_ago_is_not_sent_and_a_new_one_is() -> None:
    with pty() as port:
        async with running(Transport(port.path)) as transport:
            await opened(transport)
            transport.write(b"open\r", decided_ns=time.monotonic_ns() - 300_000_000)
            transport.write(b"poll\r")
            os.set_blocking(port.end, False)
            got = b""
            while not got.endswith(b"poll\r"):
                with suppress(BlockingIOError):
                    got += os.read(port.end, 100)
                await asyncio.sleep(0)
            assert got == b"poll\r"
            transport.write(b"shut\r", decided_ns=time.monotonic_ns())
            while not got.endswith(b"shut\r"):
                with suppress(BlockingIOError):
                    got += os.read(port.end, 100)
                await asyncio.sleep(0)


async def test_a_network_socket_is_read_lost_and_connected_again() -> None:
    connections: asyncio.Queue[asyncio.StreamWriter] = asyncio.Queue()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await connections.put(writer)

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    host, number = server.sockets[0].getsockname()
    try:
        async with running(Transport(f"socket://{host}:{number}")) as transport:
            for text in (b"0.123\r\n" * 500, b"0.456\r\n"):
                await opened(transport)
                writer = await connections.get()
                writer.write(text)
                await writer.drain()
                data, _ = await until(transport, lambda data, text=text: len(data) >= len(text))
                assert data == text
                writer.close()
                await writer.wait_closed()
                assert "stopped answering" in (await lost(transport)).reason
    finally:
        server.close()


class RemotePort(serial.Serial):
    """A serial port on a pseudo-terminal, which has no modem lines to read or set."""

    cts = dsr = ri = cd = True  # type: ignore[assignment]

    def _update_rts_state(self) -> None:
        pass

    def _update_dtr_state(self) -> None:
        pass


# pyserial 3.5 names its own thread in a way that Python has deprecated.
@pytest.mark.filterwarnings("ignore:set(Daemon|Name)\\(\\) is deprecated:DeprecationWarning")
async def test_a_remote_port_after_rfc_2217_is_read_and_takes_its_settings() -> None:
    # The server is pyserial's own, RFC 2217 (Telnet Com Port Control Option), in front of a pseudo-terminal.
    listener = socket.create_server(("127.0.0.1", 0))
    host, number = listener.getsockname()
    with pty() as port, RemotePort(port.path, timeout=0.01) as remote:

        def serve() -> None:
            peer, _ = listener.accept()
            with peer:
                peer.settimeout(0.01)

                class Connection:
                    def write(self, data: bytes) -> None:
                        peer.sendall(data)

                manager = serial.rfc2217.PortManager(remote, Connection())
                while True:
                    try:
                        received = peer.recv(1024)
                        if not received:
                            return
                        remote.write(b"".join(manager.filter(received)))
                    except TimeoutError:
                        pass
                    except OSError:
                        return
                    if from_port := remote.read(remote.in_waiting or 1):
                        try:
                            peer.sendall(b"".join(manager.escape(from_port)))
                        except OSError:
                            return

        server = threading.Thread(target=serve)
        server.start()
        try:
            async with running(Transport(f"rfc2217://{host}:{number}", baud=4800, framing="8N2")) as transport:
                await opened(transport)
                assert (remote.baudrate, remote.bytesize, remote.parity, remote.stopbits) == (4800, 8, "N", 2)
                os.write(port.end, b"0.123\r\n\xff\xff")
                data, _ = await until(transport, lambda data: len(data) >= 9)
                assert data == b"0.123\r\n\xff\xff"
        finally:
            listener.close()
            server.join()


def test_the_ports_of_this_computer_have_a_path_and_a_description() -> None:
    for port in list_ports():
        assert port.device.startswith("/dev/")
        assert isinstance(port.description, str)
