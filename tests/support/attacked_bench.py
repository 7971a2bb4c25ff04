"""A bench in a process of its own, fixture and indicator as twins here, for attacks on any of them from outside.

The bench does what it is told on its standard input: `arm` (it answers `armed`, with the keeper's process), `block S`
(its loop stands still for so many seconds, as behind a screen that does not take what is drawn), `slow S` (its
recording's disk takes that long for a write), `break` (its finder fails at the next reading), `fail` (its record fails,
and the indicator's port takes two seconds to close).
"""

from __future__ import annotations

import asyncio
import contextlib
import functools
import json
import os
import random
import signal
import sqlite3
import sys
import threading
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from capture.air.standing import FixtureSetup
from capture.bench.bench import Bench
from capture.record.database import RecordError
from capture.simulation.indicator import IndicatorSpec
from capture.simulation.physics import PackPhysics
from capture.simulation.pty_bench import PtyBench
from capture.simulation.simulated_bench import BenchSpec, SimulatedBench
from drivers.registry import make_settings
from drivers.wirings.registry import find_driver
from tests.support.air_bench import setup_of
from tests.support.firmware import firmware_of
from tests.support.lines_fixture import LinesFixture
from tests.support.pty_fixture import PtyFixture

__all__ = ["WIRINGS", "AttackedBench", "attacked_bench"]

ROOT = Path(__file__).resolve().parents[2]
#: What is attacked: a wiring's driver and its settings. `hand` has no valve that strokelog could hold open.
WIRINGS: dict[str, tuple[str, dict[str, Any]]] = {
    "ascii": ("ascii", {}),
    "registers": ("registers", firmware_of("registers")[1]),
    "lines": ("lines", {}),
    "lines, DTR": ("lines", {"valve": "dtr"}),
}


@dataclass
class AttackedBench:
    """The bench's process and the twins."""

    wiring: str
    folder: Path
    process: asyncio.subprocess.Process
    fixture: PtyFixture | LinesFixture
    indicator: PtyBench
    keeper: int = 0
    """The keeper's process, as of the last arming."""
    locked: sqlite3.Connection | None = None

    async def say(self, *words: object) -> None:
        """Tell the bench."""
        assert self.process.stdin is not None
        with contextlib.suppress(ConnectionError):  # it has ended; whoever waits for its answer will know
            self.process.stdin.write(f"{' '.join(map(str, words))}\n".encode())
            await self.process.stdin.drain()

    async def hear(self, word: str) -> list[str]:
        """Wait for a line that begins with this word; return the rest of it. Raises EOFError at the bench's end."""
        assert self.process.stdout is not None
        while line := await asyncio.wait_for(self.process.stdout.readline(), 120):
            first, *rest = line.decode().split()
            if first == word:
                return rest
        raise EOFError(f"the bench ended with {await self.process.wait()} before it said {word!r}")

    async def apply(self, dice: random.Random) -> None:
        """Arm and press, and hold for a random while. A busy machine may shut the air before its time: then again."""
        for _ in range(5):
            await self.say("arm")
            (keeper,) = await self.hear("armed")
            self.keeper = int(keeper)
            await asyncio.sleep(0.05)  # no finger is at the button sooner
            self.fixture.press()
            with contextlib.suppress(TimeoutError):
                await self.fixture.until(lambda: self.fixture.valve_open, 2.0)
                await asyncio.sleep(dice.random() * 0.4)  # where in the apply it strikes
                if self.fixture.valve_open:
                    return
            self.fixture.release()
            await asyncio.sleep(0.05)  # contacts are believed when they have held still
        raise TimeoutError(f"no air could be had: {self.wiring}")

    async def lock_record(self) -> None:
        """Hold the record's lock, as another program that writes would."""
        self.locked = sqlite3.connect(
            self.folder / "data" / "record.sqlite", isolation_level=None, check_same_thread=False
        )
        await asyncio.to_thread(self.locked.execute, "BEGIN IMMEDIATE")

    def unlock_record(self) -> None:
        """Let go of it."""
        if self.locked is not None:
            self.locked.close()
            self.locked = None


@asynccontextmanager
async def attacked_bench(folder: Path, wiring: str) -> AsyncIterator[AttackedBench]:
    """The bench at work, its check begun. At the end it is killed, if nothing did that before."""
    name, values = WIRINGS[wiring]
    simulated = SimulatedBench(
        BenchSpec(indicator=IndicatorSpec(rate_hz=50.0), seat_nm=0), PackPhysics(clearance_nm=1_100_000), 5
    )
    fixture: PtyFixture | LinesFixture
    if name == "lines":
        fixture = LinesFixture(folder / "fixture", values.get("valve", "rts"))
    else:
        firmware = firmware_of(name)[0]
        fixture = PtyFixture(folder / "fixture", firmware, read_pressure_pa=lambda: simulated.pressure_pa)
    indicator = PtyBench(simulated, folder / "indicator", valve=lambda: fixture.valve_open)
    async with fixture, indicator:
        process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-m", "tests.support.attacked_bench", str(folder), name, json.dumps(values)),
            cwd=ROOT,
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.DEVNULL,
        )
        bay = AttackedBench(wiring, folder, process, fixture, indicator)
        try:
            yield bay
        finally:
            bay.unlock_record()
            with contextlib.suppress(ProcessLookupError):
                process.kill()
            await process.wait()


class _Slow:
    """A recording's file whose writes take a while."""

    def __init__(self, file: Any, seconds: float) -> None:
        self._file, self._until = file, time.monotonic() + seconds

    def write(self, data: bytes) -> int:
        threading.Event().wait(max(0.0, self._until - time.monotonic()))
        written: int = self._file.write(data)
        return written

    def __getattr__(self, name: str) -> Any:
        return getattr(self._file, name)


async def _be(folder: Path, name: str, values: dict[str, Any]) -> None:
    driver = find_driver(name)
    fixture = FixtureSetup(driver, make_settings(driver, values), str(folder / "fixture"), "hold")
    bench = Bench(replace(setup_of(folder, "hold"), fixture=fixture, fixture_header={"driver": name, **values}))
    running, loop = asyncio.create_task(bench.run()), asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGHUP, signal.SIGINT):
        loop.add_signal_handler(number, running.cancel)
    told = asyncio.StreamReader()
    await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(told), sys.stdin)
    await bench.ready.wait()
    obeying = asyncio.create_task(_obey(bench, told))
    try:
        await running
    finally:
        obeying.cancel()


async def _obey(bench: Bench, told: asyncio.StreamReader) -> None:
    air = bench.air
    assert air is not None
    while line := (await told.readline()).decode().split():
        match line:
            case ["arm"]:
                if bench.finished.is_set():
                    await bench.start_check(0)
                while air.safety.state.value != "armed":
                    air.arm()
                    await asyncio.sleep(0.02)
                sys.stdout.write(f"armed {air.pid}\n")
            case ["block", seconds]:
                os.write(1, b"blocked\n")
                time.sleep(float(seconds))  # noqa: ASYNC251  what must not happen, and may
            case ["slow", seconds] if bench.state.running is not None:
                recording: Any = bench.state.running.recording
                recording._writer._file = _Slow(recording._writer._file, float(seconds))
            case ["break"] if bench.state.running is not None:
                bench.state.running.stream.feed = _broken  # type: ignore[assignment,method-assign]
            case ["fail"]:
                port: Any = bench._transport
                port.close = functools.partial(_closes_slowly, port.close)
                bench._fail(RecordError("the record's disk is gone"))
        sys.stdout.flush()


async def _closes_slowly(close: Callable[[], Awaitable[None]]) -> None:
    await asyncio.sleep(2)
    await close()


def _broken(*_: object) -> Any:
    raise ArithmeticError("the finder broke")


if __name__ == "__main__":
    with contextlib.suppress(asyncio.CancelledError, KeyboardInterrupt):
        asyncio.run(_be(Path(sys.argv[1]), sys.argv[2], json.loads(sys.argv[3])))
