"""The valve's keeper by itself: whatever tells it to end, and however often, the last that it says is to shut."""

from __future__ import annotations

import asyncio
import os
import signal
import time
from pathlib import Path

import pytest

from capture.air.button import StrokesToMake
from capture.air.control import AirControl
from capture.air.keeper.kept import KeptAir
from capture.air.safety import Event, Safety
from capture.air.standing import FixtureSetup
from drivers.registry import make_settings
from drivers.wirings.protocol import COMMAND_INTERVAL_NS
from drivers.wirings.registry import find_driver
from tests.support.broker import until
from tests.support.firmware import firmware_of
from tests.support.pty_fixture import PtyFixture


def kept(tmp_path: Path, wiring: str, **settings: object) -> tuple[KeptAir, PtyFixture]:
    """A fixture's twin, and its air as the bench has it."""
    firmware, values = firmware_of(wiring)
    driver = find_driver(wiring)
    setup = FixtureSetup(driver, make_settings(driver, values | settings), str(tmp_path / "fixture"), "hold")
    air = KeptAir(setup, on_bytes=lambda t_ns, data: None, on_lost=lambda t_ns: None, on_change=lambda: None)
    return air, PtyFixture(tmp_path / "fixture", firmware)


async def opened(air: KeptAir | AirControl, fixture: PtyFixture) -> None:
    """A check begins, the air is armed and the button pressed: the valve is open."""
    air.indicator(True)
    air.begin_check(StrokesToMake(1, 2, 5))

    def armed() -> bool:
        air.arm()
        return air.safety.state.value == "armed"

    await until(armed)
    await asyncio.sleep(0.05)  # no finger is quicker
    fixture.press()
    await fixture.until(lambda: fixture.valve_open)


async def test_a_keeper_that_is_told_twice_to_end_still_says_to_shut(tmp_path: Path) -> None:
    """As by the end of its link and the kernel's signal, which both come when its bench is killed. On a bus where one
    request has to wait for the answer to another."""
    air, twin = kept(tmp_path, "registers", turnaround_ms=30, rate=5.0)
    with twin as fixture:
        keeping = asyncio.create_task(air.run())
        try:
            await opened(air, fixture)
            keeper, told_ns = air.pid, time.monotonic_ns()
            assert keeper is not None
            os.kill(keeper, signal.SIGTERM)
            await asyncio.sleep(0.003)
            os.kill(keeper, signal.SIGHUP)
            await fixture.until(lambda: not fixture.valve_open)
            assert fixture.moves[-1].why == "command", "and not by the fixture's own timer"
            assert (fixture.moves[-1].t_ns - told_ns) / 1e6 < 300
        finally:
            keeping.cancel()
            await asyncio.gather(keeping, return_exceptions=True)


async def test_who_stood_still_between_deciding_and_saying_opens_no_valve_that_its_module_has_shut(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As by SIGSTOP in the very decision: what was decided before it is as old as that, and is not said any more."""
    firmware, values = firmware_of("registers")
    driver = find_driver("registers")
    setup = FixtureSetup(driver, make_settings(driver, values), str(tmp_path / "fixture"), "hold")
    air = AirControl(setup, on_bytes=lambda t_ns, data: None, on_lost=lambda t_ns: None, on_change=lambda: None)
    stands_still: list[float] = []
    take = Safety.take

    def decide(machine: Safety, now_ns: int, event: Event) -> Safety:
        if len(stands_still) == 1:  # the next decision comes when what was said after the last is on its way
            time.sleep(stands_still.pop())
        decided = take(machine, now_ns, event)
        # The command to open is sent with this decision only where it is due to be said again.
        if decided.valve_open and stands_still and now_ns - air._sent_ns >= COMMAND_INTERVAL_NS:
            time.sleep(stands_still.pop())
        return decided

    async def alive() -> None:
        while True:
            air.alive()
            await asyncio.sleep(0.02)

    with PtyFixture(tmp_path / "fixture", firmware) as fixture:
        running = [asyncio.create_task(air.run()), asyncio.create_task(alive())]
        try:
            await opened(air, fixture)
            monkeypatch.setattr(Safety, "take", decide)
            stands_still += [0.05, 0.7]
            await until(lambda: air.safety.state.value == "tripped")
            await asyncio.sleep(0.3)
            moved = [(one.open, one.why) for one in fixture.moves]
            assert len(moved) == 2 and not fixture.valve_open, moved
            assert moved[-1][1] != "command", "its own timer shut it meanwhile"
        finally:
            for task in running:
                task.cancel()
            await asyncio.gather(*running, return_exceptions=True)


@pytest.mark.parametrize("turns", [1, 2, 3])
async def test_a_bench_that_ends_as_its_keeper_does_ends(tmp_path: Path, turns: int) -> None:
    """Told to end within the very turns of the loop in which it hears that the keeper has ended."""
    air, twin = kept(tmp_path, "ascii")
    with twin:
        keeping = asyncio.create_task(air.run())
        await until(lambda: air.port_text == "" and air.button_known)
        air._ended.set()
        for _ in range(turns):
            await asyncio.sleep(0)
        keeping.cancel()
        done, _ = await asyncio.wait({keeping}, timeout=60)
        for _ in range(5):
            keeping.cancel()
        await asyncio.wait({keeping}, timeout=60)
        assert done == {keeping} and air.pid is None
