"""The air-check fixture's wirings: codecs, twins behind real ptys, the conformance command, and a killed daemon."""

from __future__ import annotations

import asyncio
import itertools
import os
import signal
import subprocess
import sys
import termios
import time
import tty
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
import serial
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError
from pymodbus.framer import FramerRTU, FramerType
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

import drivers.wirings
from capture.simulation.physics import PackPhysics, PistonSimulator
from drivers.port_events import Chunk, Lost, Opened
from drivers.registry import make_settings
from drivers.transport import Transport
from drivers.wirings.ascii import check_value, line, words_of
from drivers.wirings.conformance import Result, check_fixture
from drivers.wirings.protocol import Button, FixtureCodec, FixtureFault, Heartbeat, Pressure, Signal, Valve
from drivers.wirings.registry import driver_names, find_driver
from drivers.wirings.wiring import fixture_transport
from tests.support.firmware import Wrong, firmware_of
from tests.support.lines_fixture import LinesFixture, processes_of
from tests.support.pty_fixture import PtyFixture

ROOT = Path(__file__).resolve().parents[2]
MS = 1_000_000
DEADLINE_S = 20.0


def codec(name: str, **values: Any) -> FixtureCodec:
    driver = find_driver(name)
    return driver.codec(make_settings(driver, values))


def cut(data: bytes, places: list[int]) -> list[bytes]:
    edges = [0, *sorted(min(place, len(data)) for place in places), len(data)]
    return [data[begin:end] for begin, end in itertools.pairwise(edges)]


def fed(reader: FixtureCodec, pieces: list[bytes]) -> list[Signal]:
    return [signal for piece in pieces for signal in reader.feed(piece)]


def rtu(*body: int) -> bytes:
    return bytes(body) + FramerRTU.compute_CRC(bytes(body)).to_bytes(2, "big")


cuts = st.lists(st.integers(0, 400), max_size=12)


# What every wiring offers


def test_every_wiring_is_found_by_name_and_says_what_closes_the_valve() -> None:
    assert driver_names() == ["ascii", "hand", "lines", "registers"]
    for name in driver_names():
        driver = find_driver(name)
        assert driver.closes_without_daemon and driver.summary
    with pytest.raises(LookupError, match="no fixture driver 'air'; there are: ascii, hand, lines, registers"):
        find_driver("air")


def test_by_hand_nothing_is_said_and_nothing_is_opened() -> None:
    hand = codec("hand")
    assert (hand.command(True), hand.command(False), hand.poll(), hand.feed(b"x"), hand.finish()) == (
        b"", b"", b"", [], [],
    )  # fmt: skip
    driver = find_driver("hand")
    with pytest.raises(ValueError, match="no wiring"):
        fixture_transport(driver, make_settings(driver, {}), "/dev/null")


@pytest.mark.parametrize("name", driver_names())
@settings(deadline=None)
@given(data=st.binary(max_size=400), places=cuts)
def test_no_bytes_at_all_upset_a_codec(name: str, data: bytes, places: list[int]) -> None:
    whole, pieces = codec(name), codec(name)
    assert fed(whole, [data]) == fed(pieces, cut(data, places))
    assert whole.finish() == pieces.finish() == []
    assert whole.skipped == pieces.skipped <= len(data)


@pytest.mark.parametrize("name", ["ascii", "lines", "registers"])
def test_an_endless_line_is_not_kept(name: str) -> None:
    reader = codec(name)
    for _ in range(200):
        reader.feed(b"s" * 1000)
    assert reader.skipped > 199_900


# ascii


def test_the_check_value_is_the_one_that_is_written_down() -> None:
    text = (Path(drivers.wirings.__file__).parent / "ascii.md").read_text(encoding="utf-8")
    assert check_value(b"123456789") == 0xF4  # the usual check value of this CRC-8 (from memory)
    for words in ("shut", "open", "hello", "fixture 1 bench", "state shut up 0"):
        assert f"`{line(words).decode().rstrip()}`" in text


def test_two_wrong_bits_never_make_a_command_of_another() -> None:
    for words in ("open", "shut", "hello"):
        good = line(words)[:-1]
        bits = 8 * len(good)
        for one in range(bits):
            for other in range(one, bits):
                wrong = int.from_bytes(good, "big") ^ (1 << one) ^ (0 if one == other else 1 << other)
                assert words_of(wrong.to_bytes(len(good), "big")) in (None, words)


states = st.builds(
    lambda valve, down, pressure: (valve, down, pressure),
    st.booleans(), st.booleans(), st.none() | st.integers(-99_999_999, 99_999_999),
)  # fmt: skip
noise = st.binary(max_size=120).map(lambda data: b"#" + data.replace(b"\n", b"") + b"\n")


@settings(deadline=None)
@given(told=st.lists(st.tuples(states, noise | st.just(b""))), places=cuts)
def test_whatever_lies_between_the_lines_each_state_arrives(
    told: list[tuple[tuple[bool, bool, int | None], bytes]], places: list[int]
) -> None:
    sent = b""
    wanted: list[Signal] = []
    before: bool | None = None
    for (valve, down, pressure), junk in told:
        shown = "-" if pressure is None else str(pressure)
        sent += junk + line(f"state {'open' if valve else 'shut'} {'down' if down else 'up'} {shown}")
        wanted += [Heartbeat(), Valve(valve)]
        if down != before:
            wanted.append(Button(down))
        if pressure is not None:
            wanted.append(Pressure(pressure))
        before = down
    reader = codec("ascii")
    assert fed(reader, cut(sent, places)) == wanted
    assert reader.skipped == sum(len(junk) for _, junk in told)


def test_a_line_that_does_not_check_is_skipped() -> None:
    reader = codec("ascii")
    good = line("state open down 140000")
    wrong = [good[:-2] + b"g\n", good.replace(b"open", b"shut"), good.upper(), good[1:], b"state open down 140000\n"]
    assert fed(reader, wrong) == []
    assert reader.skipped == sum(map(len, wrong))
    assert reader.feed(good.replace(b"\n", b"\r\n")) == [Heartbeat(), Valve(True), Button(True), Pressure(140_000)]


def test_a_fixture_of_another_version_is_a_fault_and_not_believed() -> None:
    reader = codec("ascii")
    assert reader.poll() == line("hello")
    (fault,) = reader.feed(line("fixture 2 bench"))
    assert isinstance(fault, FixtureFault) and "version 2" in fault.text
    assert reader.feed(line("state open up 0")) == []
    reader.finish()
    assert reader.feed(line("fixture 1 bench")) == [Heartbeat()]
    assert reader.poll() == b""
    assert reader.feed(line("fault supply low")) == [FixtureFault("supply low")]


# registers


def test_requests_are_laid_out_as_the_standard_says() -> None:
    # Modbus Application Protocol V1.1b3, 6.1, 6.2, 6.4 and 6.5: function, address, count or value, high bytes first.
    reader = codec("registers", device=17, valve_coil=2, button_input=3, pressure_register=260)
    assert reader.command(True) == rtu(17, 5, 0, 2, 0xFF, 0)
    assert reader.command(False) == rtu(17, 5, 0, 2, 0, 0)
    # The button every other time: the valve waits for its release.
    button = rtu(17, 2, 0, 3, 0, 1)
    asked = [rtu(17, 1, 0, 2, 0, 1), button, rtu(17, 4, 1, 4, 0, 1), button]
    assert [reader.poll() for _ in range(8)] == asked * 2


@pytest.mark.parametrize(
    ("values", "data", "pascals"),
    [
        ({"scale": 0.1}, (0x05, 0x78), 140_000),  # 1400 of 0.1 kPa
        ({"scale": 0.01, "unit": "psi"}, (0x07, 0xEE), 139_964),  # 20.30 psi at 6894.757 Pa (NIST SP 811 app. B)
        ({"scale": 1, "unit": "mbar"}, (0xFF, 0xFE), -200),
        ({"scale": 1, "unit": "mbar", "signed": False, "zero": 65_000}, (0xFF, 0xFE), 53_400),
        ({"words": 2, "unit": "Pa"}, (0, 2, 0x22, 0xE0), 140_000),
        ({"words": 2, "unit": "Pa", "word_order": "little"}, (0x22, 0xE0, 0, 2), 140_000),
        ({"scale": 0.1, "pressure_function": "holding"}, (0x05, 0x78), 140_000),
    ],
)
def test_registers_become_a_pressure(values: dict[str, Any], data: tuple[int, ...], pascals: int) -> None:
    function = 3 if values.get("pressure_function") == "holding" else 4
    answer = rtu(1, function, len(data), *data)
    assert codec("registers", **values).feed(answer) == [Heartbeat(), Pressure(pascals)]


@settings(deadline=None)
@given(
    told=st.lists(st.tuples(st.sampled_from([1, 2]), st.booleans(), st.binary(max_size=9).map(lambda b: b"\xfe" * 12))),
    places=cuts,
)
def test_answers_are_found_between_garbage(told: list[tuple[int, bool, bytes]], places: list[int]) -> None:
    sent = b""
    wanted: list[Signal] = []
    before: bool | None = None
    for function, on, junk in told:
        sent += junk + rtu(1, function, 1, on)
        wanted.append(Heartbeat())
        if function == 1:
            wanted.append(Valve(on))
        elif on != before:
            wanted.append(Button(on))
            before = on
    reader = codec("registers")
    assert fed(reader, cut(sent, places)) == wanted
    assert reader.skipped == sum(len(junk) for *_, junk in told)


def test_an_answer_with_a_wrong_crc_and_the_echo_of_a_command_prove_nothing() -> None:
    reader = codec("registers")
    good = rtu(1, 1, 1, 1)
    assert reader.feed(good[:-1] + bytes((good[-1] ^ 1,)) + rtu(2, 1, 1, 1) + reader.command(True)) == []
    assert reader.feed(good) == [Heartbeat(), Valve(True)]


def test_a_refusal_says_what_to_check() -> None:
    beat, fault = codec("registers").feed(rtu(1, 0x82, 2))
    assert beat == Heartbeat()
    assert isinstance(fault, FixtureFault) and "the button's input: it has no such address" in fault.text


def test_settings_that_cannot_work_are_refused_in_words() -> None:
    for values, words in (
        ({"rate": 50}, "leaves no room on the line"),
        ({"scale": 0}, "scale: zero"),
        ({"unit": "mm"}, "expected such as '140 kPa'"),
    ):
        with pytest.raises(ValidationError, match=words):
            codec("registers", **values)
    quiet = codec("registers", button_input="none", pressure_register="none")
    assert {quiet.poll() for _ in range(4)} == {rtu(1, 1, 0, 0, 0, 1)}


# lines


def test_line_states_become_signals() -> None:
    reader = codec("lines", valve="dtr", button="ri", pressed="off")
    assert (reader.command(True), reader.command(False)) == (b"dtr=1\n", b"dtr=0\n")
    assert fed(reader, [b"ri=", b"1\nri=1\nd", b"tr=1\ncts=1\nri=0\n"]) == [Button(False), Valve(True), Button(True)]
    assert reader.skipped == len(b"cts=1\n")


class FakePort:
    """Stands for a serial port with modem lines, which a pseudo-terminal has not."""

    def __init__(self) -> None:
        self.cts, self.is_there, self.in_waiting = False, True, 0
        self.done: list[str] = []

    def __setattr__(self, name: str, value: Any) -> None:
        if name in ("rts", "dtr"):
            if not self.is_there:
                raise OSError("gone")
            self.done.append(f"{name}={int(value)}")
        object.__setattr__(self, name, value)

    def __getattribute__(self, name: str) -> Any:
        if name == "cts" and not object.__getattribute__(self, "is_there"):
            raise OSError("gone")
        return object.__getattribute__(self, name)

    def open(self) -> None:
        self.done.append("open")

    def close(self) -> None:
        self.done.append("close")


async def test_a_line_drives_the_valve_and_another_reads_the_button(monkeypatch: pytest.MonkeyPatch) -> None:
    port = FakePort()
    monkeypatch.setattr("drivers.transport.serial.serial_for_url", lambda url, do_not_open: port)
    driver = find_driver("lines")
    reader = codec("lines")
    async with asyncio.timeout(DEADLINE_S), fixture_transport(driver, make_settings(driver, {}), "COM1") as transport:
        assert isinstance(await anext(transport), Opened)

        async def heard() -> list[Signal]:
            event = await anext(transport)
            assert isinstance(event, Chunk), event
            return reader.feed(event.data)

        assert await heard() == [Button(False)]
        transport.write(reader.command(True))
        assert await heard() == [Valve(True)]
        port.cts = True
        assert await heard() == [Button(True)]
        with pytest.raises(ValueError, match="does not set rts"):
            transport.write(b"dtr=1\n")
        await transport.close()
    assert port.done == ["rts=0", "open", "rts=1", "rts=0", "close"], "off before it opens and before it closes"


async def test_a_port_with_lines_that_goes_away_is_lost(monkeypatch: pytest.MonkeyPatch) -> None:
    port = FakePort()
    monkeypatch.setattr("drivers.transport.serial.serial_for_url", lambda url, do_not_open: port)
    driver = find_driver("lines")
    async with asyncio.timeout(DEADLINE_S), fixture_transport(driver, make_settings(driver, {}), "COM1") as transport:
        assert isinstance(await anext(transport), Opened)
        port.is_there = False
        assert isinstance(await anext(transport), Lost)
        with pytest.raises(ConnectionError):
            transport.write(b"rts=1\n")
    with pytest.raises(ValueError, match="no modem lines"):
        fixture_transport(driver, make_settings(driver, {}), "socket://bench:7000")


# Twins behind real ptys, through the real transport


class Host:
    """The daemon's end: what was heard, in order."""

    def __init__(self, name: str, values: dict[str, Any], url: str) -> None:
        self.driver = find_driver(name)
        made = make_settings(self.driver, values)
        self.codec: FixtureCodec = self.driver.codec(made)
        self.transport: Transport = fixture_transport(self.driver, made, url)
        self.poll_s = self.driver.poll_interval_ns(made) / 1e9
        self.heard: list[Signal] = []
        self.events: list[str] = []
        self._news = asyncio.Condition()

    async def listen(self) -> None:
        async for event in self.transport:
            async with self._news:
                self.events.append(type(event).__name__)
                if isinstance(event, Lost):
                    self.codec.finish()
                elif isinstance(event, Chunk):
                    self.heard += self.codec.feed(event.data)
                self._news.notify_all()

    async def poll(self) -> None:
        while True:
            if (asked := self.codec.poll()) and self.events[-1:] not in ([], ["Lost"]):
                self.transport.write(asked)
            await asyncio.sleep(self.poll_s)

    async def until(self, condition: Callable[[], bool]) -> None:
        async with asyncio.timeout(DEADLINE_S), self._news:
            await self._news.wait_for(condition)

    async def until_heard(self, wanted: Signal | type[Signal]) -> Signal:
        """Wait for the next such signal that comes from now on."""
        begin = len(self.heard)

        def found() -> list[Signal]:
            new = self.heard[begin:]
            return [one for one in new if one == wanted or (isinstance(wanted, type) and isinstance(one, wanted))]

        await self.until(lambda: bool(found()))
        return found()[0]


@asynccontextmanager
async def host(name: str, fixture_path: Path | str, **values: Any) -> AsyncIterator[Host]:
    bench = Host(name, values, str(fixture_path))
    async with bench.transport:
        tasks = [asyncio.create_task(bench.listen()), asyncio.create_task(bench.poll())]
        await bench.until(lambda: "Opened" in bench.events)
        try:
            yield bench
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)


@pytest.mark.parametrize("name", ["ascii", "registers"])
async def test_a_button_a_valve_and_a_pack_move_together(name: str, tmp_path: Path) -> None:
    firmware, values = firmware_of(name)
    piston = PistonSimulator(PackPhysics())
    async with PtyFixture(tmp_path / "air", firmware, piston=piston) as twin, host(name, twin.path, **values) as bench:
        await bench.until_heard(Heartbeat)
        pressed = asyncio.create_task(bench.until_heard(Button(True)))
        twin.press()
        await pressed
        bench.transport.write(bench.codec.command(False))
        sent_ns = time.monotonic_ns()
        bench.transport.write(bench.codec.command(True))
        await bench.until_heard(Valve(True))
        assert twin.moves[0].t_ns - sent_ns < 250 * MS
        await twin.until(lambda: piston.travel_nm > 100_000)
        assert (await bench.until_heard(Pressure)).pascals > 10_000  # type: ignore[union-attr]
        bench.transport.write(bench.codec.command(False))
        await bench.until_heard(Valve(False))
        released = asyncio.create_task(bench.until_heard(Button(False)))
        twin.release()
        await released
    assert [(move.open, move.why) for move in twin.moves] == [(True, "command"), (False, "command")]


@pytest.mark.parametrize("name", ["ascii", "registers"])
async def test_a_twin_can_fall_silent_shout_nonsense_and_lose_its_cable(name: str, tmp_path: Path) -> None:
    firmware, values = firmware_of(name)
    async with PtyFixture(tmp_path / "air", firmware) as twin, host(name, twin.path, **values) as bench:
        await bench.until_heard(Heartbeat)
        twin.send_garbage(bytes(range(256)) + b"\n")
        await bench.until(lambda: bench.codec.skipped >= 256)
        twin.over_pressure(900_000)
        await bench.until_heard(Pressure(900_000))
        twin.over_pressure(None)
        await bench.until_heard(Pressure(0))
        bench.transport.write(bench.codec.command(False))
        bench.transport.write(bench.codec.command(True))
        await bench.until_heard(Valve(True))
        twin.unplug()
        await bench.until(lambda: "Lost" in bench.events)
        await twin.until(lambda: not twin.valve_open)
        assert twin.moves[-1].why == "fail-safe"
        twin.freeze()
        twin.replug()
        received = twin.received
        await bench.until(lambda: bench.events[-1] == "Opened")
        bench.transport.write(bench.codec.command(False))
        await twin.until(lambda: twin.received > received)
        assert bench.events[-1] == "Opened", "a frozen fixture obeys and says nothing"
        twin.freeze(False)
        await bench.until_heard(Heartbeat)


async def test_a_cable_that_comes_back_does_not_open_the_valve_again(tmp_path: Path) -> None:
    async with PtyFixture(tmp_path / "air") as twin, host("ascii", twin.path) as bench:
        bench.transport.write(line("shut") + line("open"))
        await twin.until(lambda: twin.valve_open)
        await twin.until(lambda: not twin.valve_open)
        bench.transport.write(line("open") + line("hello"))
        await bench.until_heard(Heartbeat)
        received = twin.received
        bench.transport.write(line("open"))
        await twin.until(lambda: twin.received > received)
        assert len(twin.moves) == 2
        assert twin.moves[1].t_ns - twin.moves[0].t_ns > 490 * MS
        assert FixtureFault("no command for 500 ms, valve shut") in bench.heard


@pytest.mark.parametrize("name", ["ascii", "registers"])
async def test_the_last_command_before_closing_is_still_sent(name: str, tmp_path: Path) -> None:
    firmware, values = firmware_of(name, "no-fail-safe")
    async with PtyFixture(tmp_path / "air", firmware) as twin:
        async with host(name, twin.path, **values) as bench:
            bench.transport.write(bench.codec.command(False))
            bench.transport.write(bench.codec.command(True))
            await twin.until(lambda: twin.valve_open)
            bench.transport.write(bench.codec.command(False))
        await twin.until(lambda: not twin.valve_open)


async def test_a_module_of_another_make_is_polled_without_collisions() -> None:
    ours, theirs = os.openpty(), os.openpty()
    for pair in (ours, theirs):
        for end in pair:
            tty.setraw(end)
            os.set_blocking(end, False)
    loop = asyncio.get_running_loop()

    # Two pseudo-terminals joined back to back are a null-modem cable between the bench and the module.
    def join(source: int, sink: int) -> None:
        loop.add_reader(source, lambda: os.write(sink, os.read(source, 4096)))

    join(ours[0], theirs[0])
    join(theirs[0], ours[0])
    bits = DataType.BITS
    device = SimDevice(
        5,
        simdata=(
            [SimData(0, values=[False] * 16, datatype=bits)],
            [SimData(0, values=[True] + [False] * 15, datatype=bits)],
            [SimData(0, values=[0], datatype=DataType.REGISTERS)],
            [SimData(0, values=[1_400], datatype=DataType.REGISTERS)],
        ),
    )
    server = ModbusSerialServer(device, framer=FramerType.RTU, port=os.ttyname(theirs[1]), baudrate=19200)
    serving = asyncio.create_task(server.serve_forever())
    try:
        async with host("registers", os.ttyname(ours[1]), device=5, scale=0.1, valve_coil=3) as bench:
            await bench.until_heard(Pressure(140_000))
            assert Button(True) in bench.heard
            for wanted in (True, False, True, False):
                bench.transport.write(bench.codec.command(wanted))
                await bench.until_heard(Valve(wanted))
            assert not any(isinstance(one, FixtureFault) for one in bench.heard)
            assert bench.codec.skipped == 0
    finally:
        await server.shutdown()
        await asyncio.wait([serving])
        for end in (ours[0], theirs[0]):
            loop.remove_reader(end)
        for end in (*ours, *theirs):
            os.close(end)


# The conformance command


async def conform(path: Path, name: str, *wrong: Wrong, watchdog_ns: int | None = 500 * MS) -> list[Result]:
    firmware, values = firmware_of(name, *wrong, watchdog_ns=watchdog_ns)
    async with PtyFixture(path, firmware) as twin:

        def obey(wish: str) -> None:
            if wish.startswith("Press"):
                twin.press()
            else:
                twin.release()

        results = await check_fixture(str(twin.path), name, values, ask=obey, button_wait_s=2.0)
        if "stuck-open" not in wrong:
            await twin.until(lambda: not twin.valve_open)
    return results


def failed(results: list[Result]) -> set[str]:
    return {result.name for result in results if result.passed is False}


async def test_a_good_fixture_passes_every_point(tmp_path: Path) -> None:
    ascii_results, registers_results = await asyncio.gather(
        conform(tmp_path / "a", "ascii"), conform(tmp_path / "r", "registers")
    )
    assert [result for result in ascii_results + registers_results if result.passed is not True] == []
    assert {"greeting", "checksum", "valve opens", "shuts by itself", "button"} <= {r.name for r in ascii_results}


BROKEN: dict[tuple[str, Wrong], set[str]] = {
    ("ascii", "silent-start"): {"greeting"},
    ("ascii", "any-checksum"): {"checksum"},
    ("ascii", "no-fail-safe"): {"shuts by itself", "asks for `shut` first"},
    ("ascii", "late-fail-safe"): {"shuts by itself"},
    ("ascii", "reopens"): {"asks for `shut` first"},
    ("ascii", "slow"): {"heartbeat", "pressure rate"},
    ("ascii", "stuck-shut"): {"valve opens", "shuts by itself"},
    ("ascii", "stuck-open"): {"valve shuts", "shuts by itself"},
    ("ascii", "no-button"): {"button"},
    ("ascii", "off-scale"): {"pressure at rest"},
    ("registers", "no-fail-safe"): {"shuts by itself"},
    ("registers", "any-checksum"): {"checksum"},
    ("registers", "off-scale"): {"pressure at rest"},
}


async def test_a_broken_fixture_fails_and_is_told_what_at(tmp_path: Path) -> None:
    few = asyncio.Semaphore(4)  # at once, or the twins' own timers run late on a small computer

    async def tried(name: str, wrong: Wrong) -> list[Result]:
        async with few:
            return await conform(tmp_path / f"{name}-{wrong}", name, wrong)

    def as_wanted(wrong: Wrong, wanted: set[str], results: list[Result]) -> bool:
        if wrong in ("slow", "stuck-shut", "stuck-open", "no-fail-safe"):  # which spoil other points as well
            return wanted <= failed(results)
        return wanted == failed(results)

    found = await asyncio.gather(*(tried(name, wrong) for name, wrong in BROKEN))
    for ((name, wrong), wanted), results in zip(BROKEN.items(), found, strict=True):
        if not as_wanted(wrong, wanted, results):
            # A twin in this process may be late on a busy machine: once more, alone.
            again = await conform(tmp_path / f"{name}-{wrong}-again", name, wrong)
            assert as_wanted(wrong, wanted, again), (name, wrong, results, again)


async def test_what_cannot_be_tried_is_not_called_good(tmp_path: Path) -> None:
    (port,) = await check_fixture(str(tmp_path / "nothing"), "ascii", {})
    assert (port.name, port.passed) == ("port", False) and "no such device" in port.text
    async with PtyFixture(tmp_path / "air") as twin:
        results = await check_fixture(str(twin.path), "ascii", {})
    assert [result.name for result in results if result.passed is None] == ["button"]
    with pytest.raises(ValueError, match="no wiring"):
        await check_fixture(str(twin.path), "hand", {})


# The daemon is killed while it holds the valve open

CHILD = """
import asyncio, contextlib, sys
from drivers.wirings.protocol import Valve
from drivers.wirings.registry import find_driver
from drivers.registry import make_settings
from drivers.wirings.wiring import fixture_transport
from drivers.port_events import Chunk

async def main(name, url, values):
    driver = find_driver(name)
    settings = make_settings(driver, values)
    codec, transport = driver.codec(settings), fixture_transport(driver, settings, url)
    async def hold():
        valve_open = False
        while True:
            with contextlib.suppress(ConnectionError):
                transport.write(codec.command(valve_open))
                valve_open = True
                transport.beat()
                await asyncio.sleep(0.05)
                if asked := codec.poll():
                    transport.write(asked)
            transport.beat()
            await asyncio.sleep(0.05)
    holding = asyncio.create_task(hold())
    async for event in transport:
        if isinstance(event, Chunk) and Valve(True) in codec.feed(event.data):
            print("open", flush=True)

asyncio.run(main(sys.argv[1], sys.argv[2], eval(sys.argv[3])))
"""


def start_child(name: str, url: str, values: dict[str, Any], code: str = CHILD) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-c", code, name, url, repr(values)], cwd=ROOT, stdout=subprocess.PIPE, env={**os.environ}
    )


def kill(child: subprocess.Popen[bytes]) -> int:
    killed_ns = time.monotonic_ns()
    os.kill(child.pid, signal.SIGKILL)
    child.wait()
    assert child.stdout is not None
    child.stdout.close()
    return killed_ns


async def until_open(child: subprocess.Popen[bytes]) -> None:
    assert child.stdout is not None
    assert await asyncio.wait_for(asyncio.to_thread(child.stdout.readline), DEADLINE_S) == b"open\n"


@pytest.mark.parametrize("name", ["ascii", "registers"])
async def test_a_killed_daemon_leaves_the_valve_open_for_half_a_second_at_most(name: str, tmp_path: Path) -> None:
    firmware, values = firmware_of(name)
    async with PtyFixture(tmp_path / "air", firmware) as twin:
        child = start_child(name, str(twin.path), values)
        try:
            await until_open(child)
            assert twin.valve_open
        finally:
            killed_ns = kill(child)
        await twin.until(lambda: not twin.valve_open)
        move = twin.moves[-1]
    assert move.why == "fail-safe"
    took_ms = (move.t_ns - killed_ns) / MS
    sys.stdout.write(f"{name}: the valve shut {took_ms:.1f} ms after the kill\n")
    assert 300 < took_ms < 600


async def test_a_module_without_a_watchdog_keeps_the_valve_open_when_the_daemon_is_killed(tmp_path: Path) -> None:
    # This is why the driver says that nothing closes it, and why the conformance command fails such a module.
    firmware, values = firmware_of("registers", watchdog_ns=None)
    async with PtyFixture(tmp_path / "air", firmware) as twin:
        child = start_child("registers", str(twin.path), values)
        try:
            await until_open(child)
        finally:
            kill(child)
        with pytest.raises(TimeoutError):
            await twin.until(lambda: not twin.valve_open, timeout_s=1.0)
    assert "nothing shuts the valve" in find_driver("registers").closes_without_daemon


@asynccontextmanager
async def holding_a_line(
    tmp_path: Path, code: str = CHILD
) -> AsyncIterator[tuple[LinesFixture, subprocess.Popen[bytes], int]]:
    """A process that holds the valve open by RTS, and its guard's number."""
    async with LinesFixture(tmp_path / "air") as twin:
        slave = os.open(twin.path, os.O_RDWR | os.O_NOCTTY)
        attributes = termios.tcgetattr(slave)
        attributes[2] &= ~termios.HUPCL
        termios.tcsetattr(slave, termios.TCSANOW, attributes)
        child = start_child("lines", str(twin.path), {}, code)
        try:
            await until_open(child)
            assert termios.tcgetattr(slave)[2] & termios.HUPCL, "set even where another program had left it off"
            os.close(slave)
            await twin.until(lambda: twin.valve_open)
            yield twin, child, twin.guard()
        finally:
            os.kill(child.pid, signal.SIGCONT)
            kill(child)


async def shut_after(twin: LinesFixture, struck_ns: int) -> float:
    """How long after `struck_ns` the line went off, ms."""
    await twin.until(lambda: not twin.valve_open)
    return (twin.moves[-1].t_ns - struck_ns) / MS


async def test_a_killed_daemon_lets_go_of_its_port_at_once_and_its_line_drops(tmp_path: Path) -> None:
    async with holding_a_line(tmp_path) as (twin, child, _):
        killed_ns = time.monotonic_ns()
        os.kill(child.pid, signal.SIGKILL)
        assert await shut_after(twin, killed_ns) < 300
        await twin.until(lambda: not processes_of(twin.path))


async def test_a_daemon_and_its_guard_killed_at_once_leave_the_line_to_the_kernel(tmp_path: Path) -> None:
    async with holding_a_line(tmp_path) as (twin, child, guard):
        killed_ns = time.monotonic_ns()
        os.kill(guard, signal.SIGKILL)
        os.kill(child.pid, signal.SIGKILL)
        assert await shut_after(twin, killed_ns) < 300


async def test_a_daemon_that_is_stopped_has_its_line_dropped_by_the_guard(tmp_path: Path) -> None:
    async with holding_a_line(tmp_path) as (twin, child, _):
        stopped_ns = time.monotonic_ns()
        os.kill(child.pid, signal.SIGSTOP)
        assert 150 < await shut_after(twin, stopped_ns) < 500


async def test_nothing_opens_a_valve_again_that_the_guard_has_shut_until_somebody_beats(tmp_path: Path) -> None:
    """As a keeper that was stopped and goes on might: a command to open that had waited meanwhile, or was decided just
    before the guard heard the last of it, which is less than the guard waits."""
    hangs, old = tmp_path / "hangs", tmp_path / "old"
    code = CHILD.replace(
        "transport.beat()", f"__import__('os').path.exists({str(hangs)!r}) or transport.beat()"
    ).replace(
        "codec.command(valve_open))",
        "codec.command(valve_open), decided_ns=__import__('time').monotonic_ns() - "
        f"150_000_000 * __import__('os').path.exists({str(old)!r}))",
    )
    async with holding_a_line(tmp_path, code) as (twin, _, _):
        hangs.touch()
        await twin.until(lambda: not twin.valve_open)
        moves = len(twin.moves)
        with pytest.raises(TimeoutError):  # it says `open` ten times a second
            await twin.until(lambda: len(twin.moves) > moves, 1.0)
        old.touch()
        hangs.unlink()
        with pytest.raises(TimeoutError):  # its guard hears it again
            await twin.until(lambda: len(twin.moves) > moves, 0.5)
        old.unlink()
        await twin.until(lambda: twin.valve_open)


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGSTOP])
async def test_a_guard_that_is_gone_or_stopped_costs_the_port_and_another_comes(
    tmp_path: Path, how: signal.Signals
) -> None:
    async with holding_a_line(tmp_path) as (twin, _, guard):
        struck_ns = time.monotonic_ns()
        os.kill(guard, how)
        assert await shut_after(twin, struck_ns) < 1_000
        await twin.until(lambda: twin.valve_open)  # the child opens again whenever it can
        assert twin.guard() != guard


# The transport's part


async def test_writes_are_kept_apart_where_the_line_needs_it(tmp_path: Path) -> None:
    gap_ns = 30 * MS
    master, slave = os.openpty()
    tty.setraw(slave)
    arrived: list[int] = []
    done = asyncio.Event()

    def note() -> None:
        for _ in os.read(master, 64):
            arrived.append(time.monotonic_ns())
        if len(arrived) == 4:
            done.set()

    asyncio.get_running_loop().add_reader(master, note)
    async with asyncio.timeout(DEADLINE_S), Transport(os.ttyname(slave), write_gap_ns=gap_ns) as transport:
        assert isinstance(await anext(transport), Opened)
        for _ in range(4):
            transport.write(b"x")
        await done.wait()
    asyncio.get_running_loop().remove_reader(master)
    os.close(master)
    os.close(slave)
    assert arrived[-1] - arrived[0] > 3 * gap_ns - 15 * MS


def test_the_fake_port_is_asked_only_for_what_a_port_has() -> None:
    assert all(hasattr(serial.Serial, name) for name in ("rts", "dtr", "cts", "in_waiting", "open", "close"))
