"""From one unit to the next without leaving the bench: by its serial, by a key, and one that came back."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path

from typer.testing import CliRunner

from capture.bench.bench import Bench
from capture.bench.came_back import SignedBefore
from capture.bench.setup import BenchSetup
from capture.clearance.advice import Change
from capture.cli.bench_run import BenchRun
from capture.cli.main import app
from capture.collect.database import engine_of
from capture.collect.rows import Arrived
from capture.collect.settings import DatabaseSettings
from capture.collect.sink import Sink
from capture.dashboard.showing import draw
from capture.mqtt.messages import UnitMessage, outgoing
from capture.plumbing.terminal.scanner import Key, Scan
from capture.record import Job, SignedJob, Store
from capture.report.writing import gather
from capture.session.bench_keys import Controls
from capture.session.conduct import attended, by_hand, in_order
from capture.session.daemon import Way, run_daemon
from capture.session.faces.hall import Hall
from capture.session.session import Session
from capture.session.units_keys import NextUnit
from capture.sheet.sheet import parse_sheet
from capture.unit.facts import CameBack, NoteMade, PartsChanged, SignedOff
from tests.bench.test_live import ended, setup_for, simulated
from tests.job.test_unfinished import UNIT, left
from tests.support.broker import until
from tests.support.samples import AT, JOB

ENTER, ESCAPE = "\r", "escape"


def shown(controls: Controls) -> str:
    text: str = draw(controls.showing(), 100, 40, False).text  # type: ignore[attr-defined]
    return " ".join(text.replace("│", " ").split())


async def typed(take: Callable[[Key], Awaitable[None]], *keys: str) -> None:
    """Press keys; a text is typed letter by letter."""
    for key in keys:
        for one in [key] if key in (ENTER, ESCAPE, "backspace", "tab") else key:
            await take(Key(one))


@asynccontextmanager
async def bench_at(
    tmp_path: Path, unit: str = UNIT, setup: BenchSetup | None = None
) -> AsyncIterator[tuple[Bench, Controls]]:
    async with simulated(tmp_path / "port"):
        bench = Bench(replace(setup or setup_for(tmp_path), unit_serial=unit))
        running = asyncio.create_task(bench.run())
        await bench.ready.wait()
        try:
            yield bench, Controls(bench)
        finally:
            await ended(running)


def job(data: Path, number: int) -> Job:
    with Store.open(data / "record.sqlite") as store:
        return store.job(number)


async def test_a_unit_that_was_signed_off_says_so_and_why_it_is_back_is_asked_before_it_is_measured(
    tmp_path: Path,
) -> None:
    earlier = left(tmp_path / "data", signed=True)
    async with bench_at(tmp_path) as (bench, controls):
        assert f"by Di, in job {earlier}. Enter asks why it is back" in shown(controls)
        await typed(controls.take, ENTER)
        assert "A unit that came back" in shown(controls) and bench.state.job_id == 0
        await typed(controls.take, ENTER)
        assert "why it is back is missing" in shown(controls) and bench.state.running is None
        await typed(controls.take, "slips in high", ENTER, ENTER)
        assert bench.state.running is not None and bench.state.job_id == earlier + 1
    (fact,) = [one.fact for one in job(tmp_path / "data", earlier + 1).facts]
    assert isinstance(fact, CameBack) and (fact.earlier, fact.reason) == (earlier, "slips in high")


async def test_what_is_next_for_a_unit_that_is_back_says_what_enter_asks_and_what_comes_first(tmp_path: Path) -> None:
    left(tmp_path / "data", signed=True)
    left(tmp_path / "data")
    usual = setup_for(tmp_path)
    toml = usual.sheet_toml + '[[steps]]\nkind = "soak"\nname = "plates"\nbefore = "packs"\n'
    setup = replace(usual, sheet=parse_sheet(toml, "sheet"), sheet_toml=toml)
    async with bench_at(tmp_path, setup=setup) as (_, controls):
        said = "(plates): s signs it. Then Enter asks why it is back, and begins a new job."
        assert said in shown(controls) and "s steps" in shown(controls)


async def test_a_unit_that_came_back_says_which_parts_went_out_in_it_and_that_nothing_was_released(
    tmp_path: Path,
) -> None:
    earlier = left(tmp_path / "data", signed=True, changes=(Change(0, "shim", 2, 3),))
    async with bench_at(tmp_path) as (_, controls):
        await typed(controls.take, ENTER)
        assert f"Job {earlier} left other parts in it: low: backing shim 3 (the sheet: 2). Enter what is in" in shown(
            controls
        )
    here = SignedJob(earlier, 4, AT, "Di", demonstration=True)
    assert f"in job {earlier}, as a demonstration that released no unit." in SignedBefore(here).words(UNIT)


async def test_both_jobs_name_each_other_in_show_and_report(tmp_path: Path) -> None:
    earlier = left(tmp_path / "data", signed=True)
    async with bench_at(tmp_path) as (_, controls):
        await typed(controls.take, ENTER, "warranty", ENTER, ENTER)
    record, later = tmp_path / "data" / "record.sqlite", earlier + 1
    first, second = (dict(gather(record, one)[0].facts) for one in (earlier, later))
    assert first["came back in"] == f"job {later}"
    assert "warranty; signed off before in job" in second["came back"]
    told = CliRunner().invoke(app, ["show", str(earlier), "--data-dir", str(tmp_path / "data")]).output
    assert f"Came back in job {later}" in told
    line = json.loads(CliRunner().invoke(app, ["show", str(later), "--json", "--data-dir", str(record.parent)]).output)
    assert line["facts"][0]["type"] == "came_back" and line["came_back_in"] == []


async def test_a_unit_that_another_bench_signed_off_is_asked_about_and_its_job_named(tmp_path: Path) -> None:
    shop = DatabaseSettings(url=f"sqlite:///{tmp_path / 'collect.sqlite'}")
    told = UnitMessage(
        at=AT, bench="bay-9", job=JOB, unit_serial=UNIT, packs=(), steps=0, steps_closed=0, against=(),
        signed_off_by="Di", signed_off_at=AT,
    )  # fmt: skip
    sink = Sink(engine_of(shop))
    message = outgoing(told)
    sink.keep([Arrived(message.topic, message.payload.encode(), AT)])
    sink.close()
    async with bench_at(tmp_path, setup=replace(setup_for(tmp_path), shop_database=shop)) as (_, controls):
        assert "by Di, at bench bay-9. Enter asks why it is back" in shown(controls)
        await typed(controls.take, ENTER, "slips in high", ENTER, ENTER)
    (fact,) = [one.fact for one in job(tmp_path / "data", 1).facts]
    assert isinstance(fact, NoteMade) and fact.text.endswith(f"by Di, in its job {JOB}: slips in high")


async def test_a_shops_database_that_is_away_is_said_and_the_bench_measures_all_the_same(tmp_path: Path) -> None:
    away = DatabaseSettings(url="postgresql://bench@127.0.0.1:9/shop")  # port 9, discard: nobody answers (RFC 863)
    async with bench_at(tmp_path, setup=replace(setup_for(tmp_path), shop_database=away)) as (bench, controls):
        assert "Only this bench's record was looked in, not the shop's database" in shown(controls)
        await typed(controls.take, ENTER)
        assert bench.state.running is not None


async def test_a_serial_is_typed_where_none_was_named_and_a_scan_does_as_well(tmp_path: Path) -> None:
    left(tmp_path / "data", unit="FW3-0007", bench="bay-9")
    async with bench_at(tmp_path, unit="") as (bench, controls):
        assert "Scan the unit, or n to type it." in shown(controls)
        await typed(controls.take, "n")
        assert "looked for in this bench's record alone" in shown(controls)
        await typed(controls.take, ESCAPE, ESCAPE)
        await typed(controls.take, "n", "FW3-0008", ENTER)
        assert bench.state.unit_serial == "FW3-0008" and "Unit FW3-0008 is on the bench." in controls.said
        await typed(controls.take, "n", ESCAPE, ESCAPE)
        assert bench.state.unit_serial == "FW3-0008"
        await controls.take(Scan("unit:FW3-0009"))
        assert bench.state.unit_serial == "FW3-0009" and controls.following is None


async def test_an_unfinished_unit_is_taken_up_by_a_key_with_its_own_sheet(tmp_path: Path) -> None:
    jobs = [left(tmp_path / "data", unit=f"FW3-000{n}") for n in range(3)]
    async with bench_at(tmp_path, unit="") as (_, controls):
        await typed(controls.take, "n")
        said = shown(controls)
        assert "3 unfinished" in said and f"1 unit FW3-0002, job {jobs[2]}: low loose, high no verdict" in said
        await typed(controls.take, "3")
        assert controls.following == NextUnit(resume=jobs[0], technician="first shift") and controls.leave.is_set()
    setup = replace(setup_for(tmp_path), sheet_toml="another")
    following = BenchRun(setup, packs=None)._setup_for(controls.following)
    assert following.resume == jobs[0] and following.sheet_toml == job(tmp_path / "data", jobs[0]).sheet_toml


async def test_no_unit_leaves_the_bench_under_a_running_check(tmp_path: Path) -> None:
    async with bench_at(tmp_path) as (bench, controls):
        await typed(controls.take, ENTER)
        assert bench.state.running is not None
        await typed(controls.take, "n")
        assert "A check is running" in controls.said and controls.following is None


async def test_after_the_sign_off_enter_begins_the_next_unit_in_the_same_process(tmp_path: Path) -> None:
    """Signed off at the sign-off screen: Enter, the serial, Enter, and the next unit's first check runs."""
    made: list[Session] = []
    setup = replace(setup_for(tmp_path), unit_serial="FW3-0001")

    def session(_: Hall, following: NextUnit | None) -> Session:
        run = BenchRun(setup, packs=None)
        made.append(Session(run._setup_for(following), lambda text: None, understood=True))
        return made[-1]

    async with simulated(tmp_path / "port"):
        daemon = asyncio.create_task(run_daemon(session, Way(by_hand)))
        await until(lambda: bool(made) and made[0].bench.state.running is not None)
        await made[0].bench.end_check()
        await asyncio.to_thread(signed, tmp_path / "data", made[0].bench.state.job_id)
        await made[0].bench.look()
        await typed(made[0].take, "u")
        await typed(made[0].take, ENTER, "FW3-0002", ENTER)
        await until(lambda: len(made) == 2 and made[1].bench.state.running is not None)
        assert made[1].bench.state.unit_serial == "FW3-0002" and made[1].bench.state.technician == "first shift"
        await typed(made[1].take, "q", "q")
        await asyncio.wait_for(daemon, 20)
    assert [job(tmp_path / "data", n).unit_serial for n in (1, 2)] == ["FW3-0001", "FW3-0002"]


def signed(data: Path, number: int) -> None:
    """Another desk signs it off: what a sign-off must prove is the matter of other tests."""
    with Store.open(data / "record.sqlite") as store:
        store.add_fact(number, SignedOff("Di"), at=AT)


async def test_without_a_keyboard_the_jobs_are_linked_all_the_same(tmp_path: Path) -> None:
    earlier = left(tmp_path / "data", signed=True)

    made: list[Session] = []

    def session(_: Hall, __: NextUnit | None) -> Session:
        made.append(Session(setup_for(tmp_path), lambda text: None, understood=True))
        return made[-1]

    async with simulated(tmp_path / "port"):
        stop = asyncio.Event()
        daemon = asyncio.create_task(run_daemon(session, Way(in_order([0])), stop))
        await until(lambda: bool(made) and made[0].bench.state.running is not None)
        with Store.open(tmp_path / "data" / "record.sqlite") as store:
            assert store.came_back_in(earlier) == [earlier + 1]
        stop.set()
        await asyncio.wait_for(daemon, 20)


async def test_a_service_takes_the_next_unit_as_well(tmp_path: Path) -> None:
    made: list[Session] = []

    def session(_: Hall, following: NextUnit | None) -> Session:
        run = BenchRun(replace(setup_for(tmp_path), unit_serial=""), packs=None)
        made.append(Session(run._setup_for(following), lambda text: None, understood=True))
        return made[-1]

    unfinished = left(tmp_path / "data", unit="FW3-0003")
    async with simulated(tmp_path / "port"):
        daemon = asyncio.create_task(run_daemon(session, Way(attended, stays=True)))
        await until(lambda: bool(made) and made[0].bench.ready.is_set())
        await typed(made[0].take, "n", "1")
        await until(lambda: len(made) == 2 and made[1].bench.state.job_id == unfinished)
        daemon.cancel()
        await asyncio.wait({daemon})


def test_jobs_shows_a_pack_that_needs_another_check_as_that(tmp_path: Path) -> None:
    number = left(tmp_path)
    with Store.open(tmp_path / "record.sqlite") as store:
        store.add_fact(number, PartsChanged("low", (), None, None, "Di"), at=AT)
    told = CliRunner().invoke(app, ["jobs", "--data-dir", str(tmp_path)], env={"COLUMNS": "200"}).output
    assert "low re-check needed (was loose)" in " ".join(told.split())
