"""The bench with its fixture: two ptys, a button, and a valve that is shut whenever anything is wrong."""

from __future__ import annotations

import asyncio
import contextlib
import random
import sys
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from broker import until

from capture.air_check import FixtureSetup, Way
from capture.daemon import Bench, BenchSetup
from capture.record import Store
from capture.replay import Replay, stroke_json
from capture.sheet import parse_sheet
from capture.simulation.bench import Bench as SimulatedBench
from capture.simulation.bench import BenchSpec
from capture.simulation.fixture import PtyFixture
from capture.simulation.indicator import IndicatorSpec
from capture.simulation.physics import PackPhysics
from capture.simulation.pty_bench import PtyBench
from capture.stream import indicator_from
from drivers.fixtures.registry import find_driver, make_settings

SHEET = """
[sheet]
name = "Harvester splitter box"
revision = "1"
source = "invented for this test"

[air]
pressure = "140 kPa"
tolerance = "20 kPa"

[[packs]]
name = "low"
range = ["0.90 mm", "1.30 mm"]
strokes = 2
seat_strokes = 1

[[packs]]
name = "high"
range = ["0.90 mm", "1.30 mm"]
strokes = 2
seat_strokes = 1
"""
INDICATOR = {"driver": "line", "unit": "mm", "resolution": "0.01 mm", "max_error": "0.005 mm"}


@dataclass
class Stand:
    """A pack, an indicator and a fixture in software, each behind its port."""

    bench: Bench
    indicator: PtyBench
    fixture: PtyFixture
    record: Path

    async def armed(self) -> None:
        assert self.bench.air is not None
        air = self.bench.air

        def arm() -> bool:
            air.arm()
            return air.safety.state.value == "armed"

        await until(arm, 10)
        # No finger is at the button sooner than its contacts are believed.
        await asyncio.sleep(0.05)

    async def press(self, seconds: float = 0.15) -> None:
        """A finger on the button: how long it stays is part of what is said."""
        self.fixture.press()
        await asyncio.sleep(seconds)
        self.fixture.release()


@asynccontextmanager
async def stand(tmp_path: Path, way: Way = "press", supply_pa: float = 140_000.0) -> AsyncIterator[Stand]:
    pack = replace(PackPhysics(clearance_nm=1_100_000), supply_pa=supply_pa)
    simulated = SimulatedBench(BenchSpec(indicator=IndicatorSpec(rate_hz=50.0), seat_nm=0), pack, 5)
    driver, settings, _ = indicator_from(INDICATOR)
    wiring = find_driver("ascii")
    fixture = PtyFixture(tmp_path / "fixture", read_pressure_pa=lambda: simulated.pressure_pa)
    async with fixture, PtyBench(simulated, tmp_path / "indicator", valve=lambda: fixture.valve_open) as indicator:
        bench = Bench(
            BenchSetup(
                bench="bay-3",
                port=str(tmp_path / "indicator"),
                driver=driver,
                settings=settings,
                indicator=INDICATOR,
                sheet=parse_sheet(SHEET, "sheet"),
                sheet_toml=SHEET,
                unit_serial="HS-7",
                technician="first shift",
                data_dir=tmp_path / "data",
                record_path=tmp_path / "data" / "record.sqlite",
                fixture=FixtureSetup(wiring, make_settings(wiring, {}), str(tmp_path / "fixture"), way),
                fixture_header={"driver": "ascii"},
            )
        )
        running = asyncio.create_task(bench.run())
        await bench.ready.wait()
        try:
            yield Stand(bench, indicator, fixture, tmp_path / "data" / "record.sqlite")
        finally:
            running.cancel()
            with contextlib.suppress(asyncio.CancelledError, OSError):
                await running


async def test_button_events_alone_make_a_whole_job_and_its_replay_is_the_same(tmp_path: Path) -> None:
    async with stand(tmp_path) as bay:
        live = []
        await bay.bench.start_check(0)
        await bay.armed()
        for pack in (0, 1):
            if pack:
                await bay.bench.start_check(pack)
            await bay.press()
            await asyncio.wait_for(bay.bench.finished.wait(), 40)
            live.append([stroke_json(kept) for kept in bay.bench.view.strokes])  # type: ignore[arg-type]
        assert not bay.fixture.valve_open
    with Store.open(bay.record) as store:
        job = store.job(1)
    assert [check.verdict and check.verdict.verdict.verdict for check in job.checks] == ["good", "good"]
    sheet = parse_sheet(SHEET, "sheet")
    for check, strokes in zip(job.checks, live, strict=True):
        again = Replay(Path(check.recording_path), sheet.pack(check.pack), air=sheet.air)
        assert [stroke_json(kept) for kept in again.strokes()] == strokes
        assert b'"fixture","state open' in await asyncio.to_thread(Path(check.recording_path).read_bytes)


async def test_no_air_without_arming(tmp_path: Path) -> None:
    async with stand(tmp_path) as bay:
        await bay.bench.start_check(0)
        await until(lambda: bay.bench.view.fixture == "up" and bay.bench.view.indicator == "up")
        await bay.press()
        await until(lambda: "not armed" in bay.bench.view.air_text)
        assert bay.fixture.moves == []


async def test_the_valve_follows_the_hand_in_the_other_way_to_work(tmp_path: Path) -> None:
    async with stand(tmp_path, "hold") as bay:
        await bay.bench.start_check(0)
        await bay.armed()
        bay.fixture.press()
        await bay.fixture.until(lambda: bay.fixture.valve_open)
        bay.fixture.release()
        await bay.fixture.until(lambda: not bay.fixture.valve_open)
        assert [move.open for move in bay.fixture.moves] == [True, False]


async def test_air_outside_the_sheets_window_flags_the_stroke_and_says_so(tmp_path: Path) -> None:
    async with stand(tmp_path, "hold", supply_pa=200_000.0) as bay:
        await bay.bench.start_check(0)
        await bay.armed()
        bay.fixture.press()
        await until(lambda: (bay.bench.view.pressure_pa or 0) > 190_000)
        await asyncio.sleep(1.0)  # the hand holds
        bay.fixture.release()
        await until(lambda: len(bay.bench.view.strokes) == 1, 10)
        stroke = bay.bench.view.strokes[0].stroke
        assert "pressure" in stroke.flags and not stroke.accepted
        await until(
            lambda: "to 200 kPa gauge; the sheet asks for 120 kPa gauge to 160 kPa gauge" in bay.bench.view.air_text
        )


FAULTS = ("fixture cable", "indicator cable", "frozen heartbeat", "over-pressure", "garbage", "error", "exit")
#: What each fault may take from striking to the valve being shut, ms: the heartbeat's 500 ms, the silence that an
#: indicator may keep, a byte and a tick otherwise; and the fixture's own 500 ms where its cable is gone.
WITHIN_MS = {
    "fixture cable": 560,
    "indicator cable": 150,
    "frozen heartbeat": 620,
    "over-pressure": 150,
    "garbage": 620,
    "error": 150,
    "exit": 150,
}


@pytest.mark.timeout(300)
async def test_random_faults_in_applies_end_with_the_valve_shut_in_time(tmp_path: Path) -> None:
    await strike(tmp_path, rounds=2, seed=5)


async def strike(tmp_path: Path, rounds: int, seed: int) -> None:
    """Strike every kind of fault `rounds` times at random moments of an apply; print how long each took."""
    dice = random.Random(seed)
    took: dict[str, list[float]] = {fault: [] for fault in FAULTS}
    kinds = [fault for fault in FAULTS for _ in range(rounds)]
    dice.shuffle(kinds)
    for number, fault in enumerate(kinds):
        folder = tmp_path / str(number)
        folder.mkdir()
        async with stand(folder, "hold") as bay:
            await bay.bench.start_check(0)
            await bay.armed()
            bay.fixture.press()
            await bay.fixture.until(lambda bay=bay: bay.fixture.valve_open)  # type: ignore[misc]
            await asyncio.sleep(dice.random() * 0.5)
            struck_ns = time.monotonic_ns()
            await _strike(bay, fault, dice)
            await bay.fixture.until(lambda bay=bay: not bay.fixture.valve_open)  # type: ignore[misc]
            took[fault].append((bay.fixture.moves[-1].t_ns - struck_ns) / 1e6)
            if fault not in ("garbage", "exit"):
                # A person must arm again; the button, still held, opens nothing.
                assert bay.bench.air is not None and bay.bench.air.safety.state.value in ("tripped", "stopped")
            assert not bay.fixture.valve_open
    for fault, times in took.items():
        sys.stdout.write(f"{fault:18} {len(times):4} faults, valve shut within {max(times):6.1f} ms\n")
        assert max(times) <= WITHIN_MS[fault], (fault, times)


async def _strike(bay: Stand, fault: str, dice: random.Random) -> None:
    assert bay.bench.air is not None
    if fault == "fixture cable":
        bay.fixture.unplug()
    elif fault == "indicator cable":
        bay.indicator.unplug()
    elif fault == "frozen heartbeat":
        bay.fixture.freeze()
    elif fault == "over-pressure":
        bay.fixture.over_pressure(900_000)
    elif fault == "garbage":
        # Garbage hides the fixture's lines, and then the hand lets go: neither may leave the valve open.
        bay.fixture.send_garbage(dice.randbytes(200))
        bay.fixture.release()
    elif fault == "error":

        def fail(*_: object) -> None:
            raise OSError("disk full")

        bay.bench.air._codec.feed = fail  # type: ignore[assignment,method-assign]
    else:
        for task in asyncio.all_tasks():
            if task.get_name() == "air":
                task.cancel()
