"""A disk that takes seconds, for the recording or for the record, holds up neither the hand at the valve nor the
finding of strokes; it is said on the screen, and nothing is lost when it recovers."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import os
import threading
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Protocol

import pytest

from capture.air.standing import FixtureSetup
from capture.bench.bench import Bench
from capture.custody.verify import verify
from capture.output.json_forms import stroke_json
from capture.record import Store
from capture.recordings.file import RecordingError
from capture.recordings.replay import Replay
from capture.sheet.sheet import parse_sheet
from capture.simulation.indicator import IndicatorSpec
from capture.simulation.physics import PackPhysics
from capture.simulation.pty_bench import PtyBench
from capture.simulation.simulated_bench import BenchSpec
from capture.simulation.simulated_bench import SimulatedBench as SimulatedBench
from drivers.registry import make_settings
from drivers.wirings.registry import find_driver
from tests.air.test_control import arm
from tests.support.air_bench import SHEET, setup_of
from tests.support.broker import until
from tests.support.firmware import firmware_of
from tests.support.lines_fixture import LinesFixture
from tests.support.pty_fixture import PtyFixture

#: What the valve may take from the button's release to being shut, ms.
WITHIN_MS = 100
#: How long a write or a commit takes while the disk is slow.
SLOW_S = 5.0


class Disk:
    """Stands before a file's writes and a record's commits: each takes `SLOW_S`, or until the disk is slow no more."""

    def __init__(self) -> None:
        self._quick = threading.Event()
        self._quick.set()

    def slow(self) -> None:
        self._quick.clear()

    def recovers(self) -> None:
        self._quick.set()

    def wait(self) -> None:
        self._quick.wait(SLOW_S)


@dataclass
class OnDisk:
    """A recording's file, which the disk keeps waiting, or which fails with `error`."""

    file: Any
    disk: Disk
    error: int = 0

    def write(self, data: bytes) -> int:
        self.disk.wait()
        if self.error:
            raise OSError(self.error, os.strerror(self.error))
        written: int = self.file.write(data)
        return written

    def __getattr__(self, name: str) -> Any:
        return getattr(self.file, name)


def put_on(bench: Bench, disk: Disk, error: int = 0) -> None:
    """Have the running check's recording on this disk."""
    assert bench.state.running is not None
    recording: Any = bench.state.running.recording
    writer = getattr(recording, "_writer", recording)
    writer._file = OnDisk(writer._file, disk, error)


class Wired(Protocol):
    """A button and a valve at the end of a wire."""

    valve_open: bool

    def press(self) -> None: ...
    def release(self) -> None: ...


@asynccontextmanager
async def at_work(tmp_path: Path, wiring: str) -> AsyncIterator[tuple[Bench, Wired]]:
    pack = PackPhysics(clearance_nm=1_100_000)
    simulated = SimulatedBench(BenchSpec(indicator=IndicatorSpec(rate_hz=50.0), seat_nm=0), pack, 5)
    driver, values = find_driver(wiring), {}
    async with contextlib.AsyncExitStack() as stack:
        wired: Any
        if wiring == "lines":
            wired = LinesFixture(tmp_path / "fixture")
        else:
            firmware, values = (None, {}) if wiring == "ascii" else firmware_of(wiring)
            wired = PtyFixture(tmp_path / "fixture", firmware, read_pressure_pa=lambda: simulated.pressure_pa)
        await stack.enter_async_context(wired)
        indicator = PtyBench(simulated, tmp_path / "indicator", valve=lambda: wired.valve_open)
        await stack.enter_async_context(indicator)
        setup = setup_of(tmp_path, "hold")
        fixture = FixtureSetup(driver, make_settings(driver, values), str(tmp_path / "fixture"), "hold")
        bench = Bench(replace(setup, fixture=fixture, fixture_header={"driver": wiring, **values}))
        running = asyncio.create_task(bench.run())
        await bench.ready.wait()
        await bench.start_check(0)
        try:
            yield bench, wired
        finally:
            running.cancel()
            with contextlib.suppress(asyncio.CancelledError, RecordingError):
                await running


def shut_within(wired: Wired) -> Callable[[], float]:
    """Let the button go, and watch the valve from a thread of its own; return what says how long that took, ms."""
    took: list[float] = []

    def watch() -> None:
        began = time.monotonic()
        wired.release()
        while wired.valve_open and time.monotonic() < began + 12:
            time.sleep(0.001)
        took.append((time.monotonic() - began) * 1e3)

    watching = threading.Thread(target=watch)
    watching.start()

    def answer() -> float:
        watching.join()
        return took[0]

    return answer


async def stroke(bench: Bench, wired: Wired, disk: Disk | None = None) -> float:
    """Make one stroke by the button; return how long after its release the valve was shut, ms.

    Where the machine gave the bench no time and the air was shut off for that, a person arms it again.
    """
    while not wired.valve_open:
        wired.release()
        await arm(bench)
        wired.press()
        with contextlib.suppress(AssertionError):
            await until(lambda: wired.valve_open, seconds=3)
    await asyncio.sleep(0.8)  # the hand holds
    if disk is not None:
        disk.slow()
    await asyncio.sleep(0.2)
    return await asyncio.to_thread(shut_within(wired))


@pytest.mark.timeout(110)
@pytest.mark.parametrize("wiring", ["ascii", "registers", "lines"])
@pytest.mark.parametrize("what", ["recording", "record"])
async def test_a_disk_that_takes_seconds_keeps_no_valve_open_and_loses_nothing(
    tmp_path: Path, what: str, wiring: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    disk, add_stroke = Disk(), Store.add_stroke

    def commit(*arguments: Any, **named: Any) -> None:
        disk.wait()
        add_stroke(*arguments, **named)

    async with at_work(tmp_path, wiring) as (bench, wired):
        if what == "recording":
            put_on(bench, disk)
        else:
            monkeypatch.setattr(Store, "add_stroke", commit)
        assert bench.state.running is not None
        check = bench.state.running.check
        await arm(bench)
        took = [await stroke(bench, wired, disk)]
        await until(lambda: check.last is not None and check.last.stroke.n == 1)
        took.append(await stroke(bench, wired))
        await until(lambda: check.last is not None and check.last.stroke.n == 2)
        await until(lambda: bench.view.warning.startswith("The disk is slow"))
        # What is not on the disk is told to nobody.
        assert bench.view.strokes == []
        disk.recovers()
        await until(lambda: len(bench.view.strokes) == 2 and bench.view.warning == "")
        while not bench.finished.is_set():
            made = len(bench.view.strokes)
            took.append(await stroke(bench, wired))
            await until(lambda made=made: len(bench.view.strokes) > made)  # type: ignore[misc]
            with contextlib.suppress(TimeoutError):  # its verdict follows it, if it is the last
                await asyncio.wait_for(bench.finished.wait(), 1)
        live = [stroke_json(kept) for kept in bench.view.strokes]
    assert all(each < WITHIN_MS for each in took), took
    with Store.open(tmp_path / "data" / "record.sqlite") as store:
        (kept,) = store.job(1).checks
    assert [one.stroke.n for one in kept.strokes] == list(range(1, len(took) + 1)) and kept.verdict is not None
    sheet = parse_sheet(SHEET, "sheet")
    again = Replay(tmp_path / "data" / kept.recording_path, sheet.pack("low"), air=sheet.air)
    assert [stroke_json(one) for one in again.strokes()] == live
    proof = await asyncio.to_thread(verify, tmp_path / "data" / "record.sqlite")
    assert (proof.mismatch, proof.verdicts) == (None, 1)


@pytest.mark.parametrize(
    ("number", "said"),
    [(errno.EIO, "cannot write to .*: Input/output error"), (errno.ENOSPC, "the disk is full: nothing of this stroke")],
)
async def test_a_write_that_fails_ends_the_session_with_its_reason(tmp_path: Path, number: int, said: str) -> None:
    async with at_work(tmp_path, "ascii") as (bench, _):
        (running,) = (task for task in asyncio.all_tasks() if task.get_coro().__qualname__ == "Bench.run")  # type: ignore[union-attr]
        put_on(bench, Disk(), number)
        with pytest.raises(RecordingError, match=said):
            await asyncio.wait_for(asyncio.shield(running), 10)


async def test_a_disk_that_never_catches_up_ends_the_session_before_memory_does(tmp_path: Path) -> None:
    disk = Disk()
    async with at_work(tmp_path, "ascii") as (bench, _):
        (running,) = (task for task in asyncio.all_tasks() if task.get_coro().__qualname__ == "Bench.run")  # type: ignore[union-attr]
        assert bench.state.running is not None
        bench.state.running.recording._most_lines = 40
        put_on(bench, disk)
        disk.slow()
        with pytest.raises(RecordingError, match=r"the disk is too slow: .* everything before it was"):
            await asyncio.wait_for(asyncio.shield(running), 10)
        disk.recovers()
