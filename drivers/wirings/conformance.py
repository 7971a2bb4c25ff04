"""Tries a real fixture over its port and says, point by point, whether it does what its wiring promises.

It opens the valve: the pack comes off the port first. The caller shows the cautions and has the person agree. Whatever
happens, the last thing sent shuts the valve.
"""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass
from typing import Any

from drivers.port_events import Chunk, Lost, Opened
from drivers.registry import make_settings
from drivers.transport import Transport
from drivers.units import format_pressure
from drivers.wirings.protocol import (
    COMMAND_INTERVAL_NS,
    Button,
    FixtureCodec,
    FixtureDriver,
    FixtureFault,
    FixtureSettings,
    Heartbeat,
    Pressure,
    Signal,
    Valve,
)
from drivers.wirings.registry import find_driver
from drivers.wirings.wiring import fixture_transport

#: Told to the person, such as "press the apply button".
Ask = Callable[[str], None]

_OPEN_WAIT_S = 5.0
_ANSWER_WAIT_S = 1.0
_WATCH_S = 1.5
_CONFIRM_MS = 300
#: What the fixture may take to shut the valve by itself, and what telling it may take on top.
_FAIL_SAFE_MS = 500
_TELL_MS = 100
#: It must bear a host that is late by a few commands.
_SHORTEST_FAIL_SAFE_MS = 400
_LONGEST_SILENCE_MS = {"ascii": 200}
_LONGEST_SILENCE_POLLED_MS = 500
_LEAST_PRESSURES_HZ = {"ascii": 10.0}
#: What a sensor may show of an open port, gauge pascals.
_EMPTY_PA = 20_000


@dataclass(frozen=True, slots=True)
class Result:
    """One point: `passed` is None where it could not be tried; `text` says what was found and what was expected."""

    name: str
    passed: bool | None
    text: str


@dataclass(frozen=True, slots=True)
class _Heard:
    t_ns: int
    signal: Signal


class _Session:
    """One open port: what was heard, and the commands that are repeated."""

    def __init__(self, driver: FixtureDriver, settings: FixtureSettings, transport: Transport) -> None:
        self.driver = driver
        self.settings = settings
        self.transport = transport
        self.codec: FixtureCodec = driver.codec(settings)
        self.heard: list[_Heard] = []
        self.lost = ""
        self.is_open = False
        self.sending: Callable[[], bytes] | None = None
        """What is sent ten times a second, None for nothing at all."""
        self.polling = True
        self.polled = driver.name != "ascii" and driver.poll_interval_ns(settings) > 0
        """Whether the fixture tells its state only when it is asked."""
        self._news = asyncio.Condition()

    async def listen(self) -> None:
        async for event in self.transport:
            async with self._news:
                if isinstance(event, Opened):
                    self.is_open = True
                elif isinstance(event, Lost):
                    self.is_open, self.lost = False, event.reason
                    self.codec.finish()
                elif isinstance(event, Chunk):
                    self.heard += [_Heard(event.t_ns, signal) for signal in self.codec.feed(event.data)]
                self._news.notify_all()

    async def repeat(self) -> None:
        while True:
            if self.sending is not None:
                self.send(self.sending())
            await asyncio.sleep(COMMAND_INTERVAL_NS / 1e9)

    async def poll(self) -> None:
        interval_ns = self.driver.poll_interval_ns(self.settings)
        while interval_ns:
            if self.polling:
                self.send(self.codec.poll())
            await asyncio.sleep(interval_ns / 1e9)

    def send(self, data: bytes) -> int:
        """Send, if the port is there; return when, on the monotonic clock."""
        sent_ns = time.monotonic_ns()
        if data:
            with contextlib.suppress(ConnectionError):  # that the port is lost shows in what is not heard
                self.transport.write(data)
        return sent_ns

    def command(self, valve_open: bool) -> int:
        """Send a command now and repeat it; return when it was first sent."""
        self.sending = lambda: self.codec.command(valve_open)
        return self.send(self.codec.command(valve_open))

    async def wait(self, condition: Callable[[], bool], timeout_s: float) -> bool:
        try:
            async with asyncio.timeout(timeout_s), self._news:
                await self._news.wait_for(condition)
        except TimeoutError:
            return condition()
        return True

    async def watch(self, duration_s: float) -> list[_Heard]:
        """Return what is heard in the time to come."""
        begin = len(self.heard)
        await asyncio.sleep(duration_s)
        return self.heard[begin:]

    async def valve(self, valve_open: bool, timeout_s: float, begin: int | None = None) -> int | None:
        """Return when the fixture says that its valve is so, None if it does not in time."""
        begin = len(self.heard) if begin is None else begin

        def said() -> int | None:
            return next((heard.t_ns for heard in self.heard[begin:] if heard.signal == Valve(valve_open)), None)

        await self.wait(lambda: said() is not None, timeout_s)
        return said()


@asynccontextmanager
async def _session(driver: FixtureDriver, settings: FixtureSettings, url: str) -> AsyncIterator[_Session]:
    async with fixture_transport(driver, settings, url) as transport:
        session = _Session(driver, settings, transport)
        tasks = [asyncio.create_task(work()) for work in (session.listen, session.repeat, session.poll)]
        try:
            yield session
        finally:
            for task in tasks[1:]:
                task.cancel()
            session.send(session.codec.command(False))
            await transport.close()
            await asyncio.gather(*tasks, return_exceptions=True)


async def check_fixture(
    url: str, driver_name: str, settings: dict[str, Any], *, ask: Ask | None = None, button_wait_s: float = 15.0
) -> list[Result]:
    """Try the fixture at `url`; return a result for each point, in the order in which they were tried.

    `settings` are the driver's, as they are written. `ask` is told what the person has to do; without it what needs a
    person is not tried. Raises LookupError for an unknown driver, ValueError for its settings, or if it has no wiring.
    """
    driver = find_driver(driver_name)
    made = make_settings(driver, settings)
    async with _session(driver, made, url) as session:
        if not await session.wait(lambda: session.is_open, _OPEN_WAIT_S):
            return [Result("port", False, session.lost or f"{url} did not open within {_OPEN_WAIT_S:.0f} s")]
        results = [Result("port", True, f"{url} is open")]
        session.command(False)
        if driver.name == "ascii":
            results.append(await _greeting(session))
        if driver.has_heartbeat:
            results += await _rates(session)
        if driver.confirms_valve:
            results.append(await _checksum(session))
            results += await _open_and_shut(session)
            results.append(await _fail_safe(session))
            if driver.name == "ascii":
                results.append(await _rearm(session))
        else:
            results.append(
                Result("valve", None, f"nothing reports the valve; watch it: {driver.closes_without_daemon}")
            )
        session.command(False)
        results.append(await _button(session, ask, button_wait_s))
        faults = {heard.signal.text for heard in session.heard if isinstance(heard.signal, FixtureFault)}
        unexpected = sorted(text for text in faults if not text.startswith("no command for"))
        if unexpected:
            results.append(Result("faults", False, "the fixture reports: " + "; ".join(unexpected)))
        if session.lost:
            results.append(Result("port stays", False, session.lost))
    return results


async def _greeting(session: _Session) -> Result:
    greeted = await session.wait(lambda: session.codec.poll() == b"", _ANSWER_WAIT_S)
    if not greeted:
        return Result("greeting", False, "no greeting within 1 s of `hello`; expected `fixture 1 NAME`")
    return Result("greeting", True, "it greets")


async def _rates(session: _Session) -> list[Result]:
    name = session.driver.name
    began_ns = time.monotonic_ns()
    heard = await session.watch(_WATCH_S)
    beats = [one.t_ns for one in heard if isinstance(one.signal, Heartbeat)]
    pressures = [one.signal.pascals for one in heard if isinstance(one.signal, Pressure)]
    stamps = [began_ns, *beats, time.monotonic_ns()]
    longest_ms = max(after - before for before, after in itertools.pairwise(stamps)) / 1e6
    limit_ms = _LONGEST_SILENCE_MS.get(name, _LONGEST_SILENCE_POLLED_MS)
    results = [
        Result(
            "heartbeat",
            longest_ms <= limit_ms,
            f"{len(beats)} in {_WATCH_S} s, the longest silence {longest_ms:.0f} ms; expected at most {limit_ms} ms",
        )
    ]
    if not pressures:
        return [*results, Result("pressure", None, "no pressure is reported; a fixture without a sensor reports none")]
    if name in _LEAST_PRESSURES_HZ:
        rate_hz, least_hz = len(pressures) / _WATCH_S, _LEAST_PRESSURES_HZ[name]
        text = f"{rate_hz:.0f} Hz; expected at least {least_hz:.0f} Hz"
        results.append(Result("pressure rate", rate_hz >= least_hz, text))
    low, high = min(pressures), max(pressures)
    results.append(
        Result(
            "pressure at rest",
            max(-low, high) <= _EMPTY_PA,
            f"{low} to {high} Pa with the valve shut; expected within {_EMPTY_PA} Pa of zero; check the sensor's scale "
            "and zero",
        )
    )
    return results


async def _checksum(session: _Session) -> Result:
    good = session.codec.command(True)
    # The last byte of the check value with one bit wrong; a line feed after it is none of it.
    at = len(good) - (2 if good.endswith(b"\n") else 1)
    wrong = good[:at] + bytes((good[at] ^ 1,)) + good[at + 1 :]
    shut = session.codec.command(False)
    turn = 0

    def sent() -> bytes:
        # Now and then a good `shut`, as a fixture may take `open` only from a host that it hears.
        nonlocal turn
        turn += 1
        return shut if turn % 4 == 0 else wrong

    session.sending = sent
    heard = await session.watch(1.0)
    session.command(False)
    if any(one.signal == Valve(True) for one in heard):
        return Result("checksum", False, "a command to open with a wrong check value opened the valve")
    if not any(one.signal == Valve(False) for one in heard):
        return Result("checksum", False, "the fixture does not say what its valve does")
    return Result("checksum", True, "commands with a wrong check value are passed over")


def _both(pascals: int) -> str:
    """Return a pressure for a shop of either unit: no sheet is at hand that would say which."""
    return f"{format_pressure(pascals, 'psi')} ({format_pressure(pascals, 'kPa')})"


async def _open_and_shut(session: _Session) -> list[Result]:
    results = []
    session.command(False)
    await session.watch(0.2)
    for valve_open, name in ((True, "valve opens"), (False, "valve shuts")):
        begin = len(session.heard)
        sent_ns = session.command(valve_open)
        at_ns = await session.valve(valve_open, 2.0, begin)
        if at_ns is None:
            results.append(Result(name, False, "not confirmed within 2 s of the command"))
            continue
        took_ms = (at_ns - sent_ns) / 1e6
        results.append(
            Result(name, took_ms <= _CONFIRM_MS, f"confirmed after {took_ms:.0f} ms; expected {_CONFIRM_MS} ms at most")
        )
        if valve_open:
            limit_pa = session.settings.over_pressure
            high = [one.signal.pascals for one in await session.watch(0.4) if isinstance(one.signal, Pressure)]
            if high:
                results.append(
                    Result(
                        "pressure in use",
                        -_EMPTY_PA <= max(high) < limit_pa,
                        f"up to {_both(max(high))} with the valve open; expected below over_pressure, "
                        f"{_both(limit_pa)}",
                    )
                )
    return results


async def _fail_safe(session: _Session) -> Result:
    name = "shuts by itself"
    session.command(False)
    if await session.valve(False, 1.0) is None:
        return Result(name, False, "cannot be tried: the valve is not reported shut beforehand")
    session.command(True)
    if await session.valve(True, 1.0) is None:
        return Result(name, False, "cannot be tried: the valve does not open")
    session.sending, session.polling = None, False
    last_ns = session.send(session.codec.command(True))
    limit_ms = _FAIL_SAFE_MS + _TELL_MS
    expected = f"expected {_SHORTEST_FAIL_SAFE_MS} to {_FAIL_SAFE_MS} ms, and {_TELL_MS} ms to tell it"
    begin = len(session.heard)
    if session.polled:
        # It tells only when it is asked, and being asked may count as being commanded: ask once, when it is over.
        await asyncio.sleep(limit_ms / 1e3)
        session.polling = True
        begin = len(session.heard)
        first = await session.wait(
            lambda: any(isinstance(one.signal, Valve) for one in session.heard[begin:]), _ANSWER_WAIT_S
        )
        said = next((one.signal for one in session.heard[begin:] if isinstance(one.signal, Valve)), None)
        shut = first and said == Valve(False)
        text = f"asked {limit_ms} ms after the last command, the valve is " + ("shut" if shut else "still open")
    else:
        at_ns = await session.valve(False, 1.0, begin)
        took_ms = None if at_ns is None else (at_ns - last_ns) / 1e6
        shut = took_ms is not None and _SHORTEST_FAIL_SAFE_MS <= took_ms <= limit_ms
        text = "still open 1 s after" if took_ms is None else f"shut {took_ms:.0f} ms after"
        text += f" the last command; {expected}"
    session.polling = True
    return Result(name, shut, text)


async def _rearm(session: _Session) -> Result:
    """After it shut by itself, `open` alone must not open the valve again."""
    begin = len(session.heard)
    session.command(True)
    opened_ns = await session.valve(True, 0.5, begin)
    session.command(False)
    if opened_ns is not None:
        return Result(
            "asks for `shut` first", False, "after shutting by itself it took `open` without `shut` before it"
        )
    return Result("asks for `shut` first", True, "after shutting by itself it passes over `open` until `shut`")


async def _button(session: _Session, ask: Ask | None, wait_s: float) -> Result:
    if ask is None:
        return Result("button", None, "not tried, as nobody is there to press it")
    for pressed, wish, what in (
        (True, "Press the apply button and keep it pressed.", "pressed"),
        (False, "Let the apply button go.", "released"),
    ):
        begin = len(session.heard)
        ask(wish)

        def said(begin: int = begin, pressed: bool = pressed) -> bool:
            return any(one.signal == Button(pressed) for one in session.heard[begin:])

        if not await session.wait(said, wait_s):
            return Result("button", False, f"not reported as {what} within {wait_s:.0f} s of asking; check its wires")
    return Result("button", True, "reported as pressed and as released")
