"""Steps that come before a pack is measured: said before the first stroke, asked about when passed over, and told."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from capture.bench.setup import BenchSetup
from capture.plumbing.terminal.scanner import Key, Scan
from capture.recordings.stream import indicator_from
from capture.session.conduct import by_hand, in_order
from capture.session.session import Session
from capture.sheet.sheet import parse_sheet
from capture.unit.facts import StepBegun, StepDone
from tests.support.broker import until
from tests.support.sheets import HEAD, pack

SHEET = (
    HEAD + pack("low") + pack("high")
    + """
[[steps]]
kind = "soak"
name = "plates in oil"
minimum = "30 min"
before = "packs"

[[steps]]
kind = "torque"
name = "cover bolts"
passes = [{ value = "20 N m", before = "high" }, "46 N m"]
"""
)  # fmt: skip


def setup(tmp_path: Path) -> BenchSetup:
    driver, settings, _ = indicator_from({"driver": "typed"})
    return BenchSetup(
        bench="bay-2", port="keyboard:", driver=driver, settings=settings, indicator={"driver": "typed"},
        sheet=parse_sheet(SHEET, "unit.toml"), sheet_toml=SHEET, unit_serial="HX-2207", technician="Ana",
        data_dir=tmp_path / "data", record_path=tmp_path / "data" / "record.sqlite",
    )  # fmt: skip


@asynccontextmanager
async def session_at(tmp_path: Path) -> AsyncIterator[Session]:
    session = Session(setup(tmp_path), lambda line: None)
    session.understood.set()
    running = asyncio.create_task(session.bench.run())
    await session.bench.ready.wait()
    yield session
    running.cancel()
    with pytest.raises(asyncio.CancelledError):
        await running


async def test_a_unit_whose_plates_must_soak_begins_with_the_soak_and_not_with_a_stroke(tmp_path: Path) -> None:
    async with session_at(tmp_path) as session:
        bench = session.bench
        conducting = asyncio.create_task(by_hand(session))
        await asyncio.sleep(0)
        assert bench.state.running is None
        assert session.showing().view.message == (
            "Before low comes step 1 (plates in oil): s signs it. Then Enter begins the first check."
        )
        await session.take(Key("s"))
        shown = session.showing()
        assert shown.screen == "steps" and bench.unit is not None and bench.state.running is None
        await session.take(Key("escape"))
        await bench.write([StepDone(0, "Ana", lasted_ns=1_800_000_000_000)])
        assert session.showing().view.message == "Go on to pack low."
        await session.take(Key("\r"))
        assert bench.state.running is not None and bench.state.running.pack.name == "low"
        session.leave.set()
        await conducting


async def test_a_check_out_of_order_is_asked_about_and_made_at_a_second_press(tmp_path: Path) -> None:
    async with session_at(tmp_path) as session:
        state = session.bench.state
        await session.take(Key("\r"))
        question = session.showing().view.question
        assert state.running is None and question is not None and question.text == (
            "Press Enter again to measure low all the same: step 1 (plates in oil) comes before it, and is not done. "
            "s shows the steps. Escape goes on."
        )  # fmt: skip
        await session.take(Key("escape"))
        # Where readings are typed a figure alone is none of the keys.
        await session.take(Key("2"))
        assert state.running is None and session.showing().view.question is None
        await session.take(Key("\r"))
        question = session.showing().view.question
        assert state.running is None and question is not None
        assert "step 1 (plates in oil) and step 2 (cover bolts, pass 1 of 2) comes before it" in question.text
        await session.take(Key("\r"))
        assert state.running is not None and state.running.pack.name == "high"


async def test_a_scan_measures_nothing_out_of_order(tmp_path: Path) -> None:
    async with session_at(tmp_path) as session:
        await session.take(Scan("pack:low"))
        assert session.bench.state.running is None
        assert "Before low comes step 1 (plates in oil) (s), which is not done." in session.controls.said


async def test_a_step_that_has_begun_and_not_ended_is_not_done(tmp_path: Path) -> None:
    async with session_at(tmp_path) as session:
        await session.take(Key("s"))
        await session.bench.write([StepBegun(0, "Ana")])
        await session.take(Key("escape"))
        await session.take(Key("\r"))
        await until(lambda: session.showing().view.question is not None)
        assert session.bench.state.running is None


async def test_a_step_that_follows_the_packs_is_asked_about_before_them_and_is_not_next(tmp_path: Path) -> None:
    async with session_at(tmp_path) as session:
        bench = session.bench
        await session.take(Key("s"))
        await bench.write([StepDone(0, "Ana", lasted_ns=1_800_000_000_000)])
        assert bench.unit is not None and bench.unit.now.standing.next_step == 1  # it comes before high
        await bench.write([StepDone(1, "Ana", torque_unm=20_000_000)])
        bench.name_technician("")
        assert bench.unit.now.standing.next_step is None and bench.unit.now.standing.packs_left == ("low", "high")
        for key in "3\r46\rBo\r":
            await session.take(Key(key))
        form = session.showing().page.form
        assert form is not None and form.problem.startswith("The packs come first, and low and high are not good yet.")
        assert bench.unit.now.standing.steps[2].state == "open"
        await session.take(Key("\r"))
        assert bench.unit.now.standing.steps[2].state == "done"
        await session.take(Key("\r"))
        form = session.showing().page.form
        assert form is not None and form.values["by"] == "Bo"  # who signed once is not asked again


async def test_where_nobody_can_be_asked_it_is_said(tmp_path: Path) -> None:
    async with session_at(tmp_path) as session:
        said: list[str] = []
        session._say = said.append
        conducting = asyncio.create_task(in_order([0])(session))
        await until(lambda: session.bench.state.running is not None)
        assert said == [
            "low: warning: step 1 (plates in oil) comes before low, and is not done; it is measured all the same."
        ]
        conducting.cancel()
