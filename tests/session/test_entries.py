"""Entries without thought: the sheet's unit where none is typed, a second look at what is far off, and a way back."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path
from uuid import uuid4

import pytest
from typer.testing import CliRunner, Result

from capture.cli.main import app
from capture.plumbing.terminal.scanner import Scan
from capture.record import Job, Store
from capture.sheet.sheet import parse_sheet
from capture.stock import StockRoom
from capture.stock.file import load_stock
from capture.unit.codes import NotUnderstood, PartFitted, read_scan
from capture.unit.facts import ChangeUndone, PartsChanged, StepDone
from drivers.indicators.registry import find_driver
from drivers.registry import make_settings
from drivers.units import length_text, length_unit, parse_length
from tests.bench.test_live import SHEET, setup_for
from tests.job.test_next_unit import ENTER, ESCAPE, bench_at, shown, typed
from tests.support.samples import AT, finish_check, open_job, start_check, verdict

BACK = "backspace"
TORQUE = """
[[steps]]
kind = "torque"
name = "cover bolts"
value = "46 N m"
bolts = 3
before = "packs"
"""


@pytest.mark.parametrize(
    ("text", "nm"),
    [
        ("0.040", 1_016_000),
        (".040", 1_016_000),
        ('0.040"', 1_016_000),
        ("0.040 inch", 1_016_000),
        ("0.04in", 1_016_000),
        ("40 thou", 1_016_000),
        ("1.016 mm", 1_016_000),
    ],
)
def test_an_inch_shop_types_a_length_as_it_likes(text: str, nm: int) -> None:
    """0.001 in = 25.4 um exactly (NIST SP 811, app. B)."""
    assert parse_length(length_text(text, "in")) == nm


def test_the_inchs_sign_is_an_inch_in_a_sheet_too() -> None:
    assert parse_length('0.040"') == parse_length("0.040 in") and length_unit('0.040"') == "in"
    with pytest.raises(ValueError, match="has no unit"):
        parse_length(0.04)


def test_a_part_without_a_unit_is_of_the_sheets_unit() -> None:
    sheet = parse_sheet(SHEET.read_text(), "sheet")
    assert read_scan("part:high/snap ring/3.20", sheet) == PartFitted("high", 0, 3_200_000)
    assert read_scan("part:high/snap ring/3.20 mm", sheet) == PartFitted("high", 0, 3_200_000)
    assert isinstance(read_scan("part:high/snap ring/0.126 in", sheet), NotUnderstood)


def test_the_indicators_unit_may_be_spelled_out() -> None:
    settings = [make_settings(find_driver("line"), {"unit": one}).unit for one in ("inch", '"', "in", "MM")]
    assert settings == ["in", "in", "in", "mm"]


@asynccontextmanager
async def at_torques(
    tmp_path: Path,
) -> AsyncIterator[tuple[Callable[..., object], Callable[[], str], Callable[[], Job]]]:
    """A bench whose unit asks for one torque pass, with the steps screen open."""
    text = SHEET.read_text().split("[[steps]]")[0] + TORQUE

    def job() -> Job:
        with Store.open(tmp_path / "data" / "record.sqlite") as store:
            return store.job(1)

    setup = replace(setup_for(tmp_path), sheet=parse_sheet(text, "sheet"), sheet_toml=text)
    async with bench_at(tmp_path, setup=setup) as (bench, controls):
        await bench.start_check(0)
        await bench.end_check()
        await typed(controls.take, "s", ENTER)
        yield controls.take, lambda: shown(controls), job


async def test_a_torque_takes_the_sheets_unit_and_one_for_each_bolt(tmp_path: Path) -> None:
    async with at_torques(tmp_path) as (take, said, job):
        assert "in N m, as read at the wrench" in said()
        await typed(take, "46", ENTER, "46.5", ENTER, "45.9", ENTER)
        # One figure beside three bolts must not pass for all of them.
        assert "done, farthest 46.5 N m (+1.1 %)" in said()
        (done,) = [one.fact for one in job().facts if isinstance(one.fact, StepDone)]
    assert done.torque_unm == 46_500_000 and done.note == "46 N m (+0.0 %), 46.5 N m (+1.1 %), 45.9 N m (-0.2 %)"


async def test_a_torque_that_is_far_off_is_asked_about_once_and_both_are_kept(tmp_path: Path) -> None:
    """64 for 46: two digits changed places."""
    async with at_torques(tmp_path) as (take, said, job):
        await typed(take, "-46", ENTER, ENTER)
        assert "is no tightening" in said()
        await typed(take, BACK, BACK, BACK, "64", ENTER, ENTER)
        assert "64 N m (+39.1 %): that is far from 46 N m. Enter again if that is what the wrench says" in said()
        assert job().facts == ()
        await typed(take, BACK, BACK, "46", ENTER, ENTER)
        (done,) = [one.fact for one in job().facts if isinstance(one.fact, StepDone)]
    assert done.torque_unm == 46_000_000
    # What is no torque at all was refused and is no reading.
    assert done.note == "typed before, and asked about: 64 N m (+39.1 %); one for all 3 bolts"


async def test_a_torque_that_is_far_off_and_right_takes_enter_again(tmp_path: Path) -> None:
    async with at_torques(tmp_path) as (take, _, job):
        await typed(take, "64", ENTER, ENTER, ENTER, ENTER)
        (done,) = [one.fact for one in job().facts if isinstance(one.fact, StepDone)]
    assert done.torque_unm == 64_000_000 and "asked about: 64 N m (+39.1 %)" in done.note


async def test_a_part_typed_by_mistake_is_undone_and_the_check_before_it_counts_again(tmp_path: Path) -> None:
    setup = replace(setup_for(tmp_path), stock=tmp_path / "stock.sqlite")
    assert setup.stock is not None
    with StockRoom.open(setup.stock) as room:
        room.import_file(load_stock(SHEET.parents[1] / "stock/forestry-workshop.toml"), by="", at=AT)
    async with bench_at(tmp_path, setup=setup) as (bench, controls):
        await bench.start_check(0)
        await bench.end_check()
        with Store.open(setup.record_path) as store:
            finish_check(store, start_check(store, 1, pack="high"), verdict=verdict())
        await typed(controls.take, "c", "p", "high/snap ring/2.80", ENTER, ENTER)
        assert bench.unit is not None and list(bench.unit.now.recheck) == ["high"]
        with StockRoom.open(setup.stock) as room:
            assert len(room.holdings().reservations) == 1
        await typed(controls.take, "c", "z")
        assert "Undo this change? high: snap ring 3.00 mm to 2.80 mm" in shown(controls)
        await typed(controls.take, ENTER)
        assert not bench.unit.now.recheck and bench.unit.now.fitted.pack("high").adjusters[0].fitted == 3_000_000
        with StockRoom.open(setup.stock) as room:
            assert not room.holdings().reservations
        await typed(controls.take, "z")
        assert "nothing to undo" in shown(controls)
    with Store.open(setup.record_path) as store:
        kept = [type(one.fact) for one in store.job(1).facts]
    assert kept == [PartsChanged, ChangeUndone]


async def test_what_was_checked_since_cannot_be_undone(tmp_path: Path) -> None:
    async with bench_at(tmp_path) as (bench, controls):
        await bench.start_check(0)
        await bench.end_check()
        await controls.take(Scan("part:low/backing shim/3"))
        await typed(controls.take, ENTER)
        await bench.start_check(0)
        await bench.end_check()
        await typed(controls.take, "c", "z")
        assert "No part was changed since the last check began" in shown(controls)
        await typed(controls.take, ESCAPE)


def test_a_recording_of_an_inch_indicator_is_replayed_in_inches() -> None:
    recordings = Path(__file__).resolve().parents[2] / "fixtures" / "recordings"
    inch = next(
        path for path in sorted(recordings.glob("*.jsonl")) if "-in-" in path.name and "expected" not in path.name
    )
    told = CliRunner().invoke(app, ["replay", str(inch)]).output
    assert " in" in told and "mm" not in told


def test_a_change_is_undone_from_another_desk_as_well(tmp_path: Path) -> None:
    with Store.open(tmp_path / "record.sqlite") as store:
        job = open_job(store, uuid=uuid4(), sheet_toml=SHEET.read_text())
        finish_check(store, start_check(store, job, pack="low"), verdict=verdict())

    def change(*words: str) -> Result:
        return CliRunner().invoke(app, ["unit", "change", "1", *words, "--by", "Di", "--data-dir", str(tmp_path)])

    assert change("low/backing shim/3").exit_code == 0
    assert "change of low undone by Di: entry" in change("--undo").output
    again = change("--undo")
    assert again.exit_code == 1 and "nothing to undo" in again.output
    said = CliRunner().invoke(app, ["show", "1", "--data-dir", str(tmp_path)]).output
    assert "parts of low changed by Di" in said and "was written by mistake, and never made" in said
