"""The unit at the bench beyond its screens: the stock beside the advice, jobs that go on, changes from the command
line, packs planned together, and what keys and scans may never do."""

from __future__ import annotations

import asyncio
import json
import os
import pty
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from capture.air.keeper.kept import KeptAir
from capture.air.safety import State as AirState
from capture.air.standing import FixtureSetup
from capture.bench.bench import Bench
from capture.clearance.check import StrokeKept
from capture.clearance.verdict import Verdict
from capture.config import ConfigError, load_config
from capture.custody.verify import verify
from capture.dashboard.showing import draw
from capture.job.unit_on_record import FactRefused, UnitOnRecord
from capture.mqtt.publisher import BrokerState
from capture.plumbing.terminal.keys import Keys
from capture.plumbing.terminal.scanner import Key, LostScan, Scan
from capture.record import RecordError, Store
from capture.report.writing import gather
from capture.session.bench_keys import Controls
from capture.session.pressed import presses
from capture.sheet.sheet import parse_sheet
from capture.stock import StockFile, StockRoom
from capture.unit.changes import PlanError
from capture.unit.codes import PartFitted
from capture.unit.facts import Judged, Override, PartsChanged, SignedOff, StepBegun, StepDone
from capture.unit.offers import offers, taken, typed_change
from capture.unit.standing import unit_now
from drivers.registry import make_settings
from drivers.wirings.registry import find_driver
from tests.air.test_control import stand
from tests.bench.test_live import GOOD, ended, setup_for, simulated
from tests.support.broker import Mosquitto, Peer, until
from tests.support.command import run_command
from tests.support.preview import sample_view
from tests.support.samples import open_job, verdict
from tests.support.sheets import FORWARDER

ROOT = Path(__file__).resolve().parents[2]
SHEET = FORWARDER
AT = datetime(2026, 3, 10, 9, 30, tzinfo=UTC)


def measured(mean_nm: int, word: str = "loose", low_nm: int = 900_000, high_nm: int = 1_300_000) -> Verdict:
    return replace(
        verdict(), verdict=word, mean_nm=mean_nm, low_nm=low_nm, high_nm=high_nm, standard_uncertainty_nm=9_000.0,
        expanded_uncertainty_nm=18_000, conformance_probability=0.99 if word == "good" else 0.01,
    )  # fmt: skip


def checked(store: Store, job: int, pack: str, found: Verdict, gauge: dict[str, str] | None = None) -> None:
    check = store.start_check(
        job, pack=pack, indicator={"driver": "line"}, recording_path="x.jsonl", low_nm=found.low_nm,
        high_nm=found.high_nm, strokes_wanted=5, seat_wanted=1, measure="held", gauge=gauge, at=AT,
    )  # fmt: skip
    store.finish_check(
        check, found, advice=[], recording_sha256="0" * 64, recording_bytes=1, software_version="0", at=AT
    )


def record(tmp_path: Path) -> tuple[Store, int]:
    """A job of the demo's sheet: low loose by a shim, high tight by a ring, reverse good."""
    store = Store.open(tmp_path / "record.sqlite")
    job = open_job(store, sheet_toml=SHEET)
    checked(store, job, "low", measured(1_378_000))
    checked(store, job, "high", measured(740_000, "tight", 800_000, 1_200_000))
    checked(store, job, "reverse", measured(1_180_000, "good", 1_000_000, 1_400_000))
    return store, job


def shelf(tmp_path: Path, *rings: tuple[str, int], shims: int | None = None, low: int | None = None) -> Path:
    path = tmp_path / "stock.sqlite"
    parts: list[dict[str, Any]] = [
        {"part": "snap ring", "thickness": thickness, "count": count, "low": low} for thickness, count in rings
    ]
    if shims is not None:
        parts.append({"part": "backing shim", "thickness": "0.25 mm", "count": shims})
    with StockRoom.open(path) as room:
        room.import_file(StockFile.model_validate({"stock": {"name": "shop"}, "parts": parts}), by="", at=AT)
    return path


def strokelog(*words: str, code: int = 0) -> str:
    done = run_command(*words)
    said = (done.stdout + done.stderr).decode()
    assert done.returncode == code, said
    return said


def test_a_fact_takes_one_look_at_the_record(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    store, job = record(tmp_path)
    with store:
        unit = UnitOnRecord(store, job)
        looked: list[int] = []
        read = store.job
        monkeypatch.setattr(store, "job", lambda number: looked.append(number) or read(number))
        soak = StepDone(0, "Ana", lasted_ns=3_600_000_000_000)
        (written,) = unit.add([soak], at=AT)
        assert looked == [job] and unit.now.standing.steps[0].state == "done"
        assert unit.job == read(job) and unit.job.facts[-1].number == written.number


# -- the stock ---------------------------------------------------------------------------------------------------


def test_the_shelf_is_said_beside_the_advice_taking_reserves_and_the_sign_off_consumes(tmp_path: Path) -> None:
    store, job = record(tmp_path)
    path = shelf(tmp_path, ("2.80 mm", 2), ("3.20 mm", 1), shims=1)
    with store:
        unit = UnitOnRecord(store, job, stock=path)
        choice = unit.choice("low")
        assert choice.texts("low")[0].endswith("(backing shim 0.25 mm: 1 left)")
        assert choice.shelf[-1] == "snap ring 2.80 mm: 2 left"
        for way in [choice.found.ways[0], choice.found.ways[-1]]:
            (written,) = unit.add(taken(way, "Ana"), at=AT)
            assert written.notes == ()
        with StockRoom.open(path) as room:
            held = room.holdings()
            assert [(one.part, one.place.pack, one.by) for one in held.reservations] == [
                ("backing shim", "low", "Ana"),
                ("snap ring", "high", "Ana"),
            ]
        # Another ring after all: the first one goes back on the shelf.
        back = typed_change(unit.now, PartFitted("high", 0, 3_200_000), "Ana")
        assert (back.predicted_nm, back.expanded_uncertainty_nm) == (None, None)  # its pack needs a re-check
        unit.add([back], at=AT)
        with StockRoom.open(path) as room:
            rings = {one.thickness_text: one.reserved for one in room.holdings().bins if one.part == "snap ring"}
        assert rings == {"2.80 mm": 0, "3.20 mm": 1}
        facts = [StepDone(0, "Ana", lasted_ns=1_900 * 10**9), StepDone(1, "Ana")]
        facts += [StepDone(2, "Ana", torque_unm=20_000_000), StepDone(3, "Ana", torque_unm=46_000_000)]
        passed = [Override(pack, None, "Di", "tried on the machine") for pack in ("low", "high")]
        unit.add([*facts, *passed], at=AT)
        (signed,) = unit.add([SignedOff("Di")], at=AT)
        assert [note.split(" for ")[0] for note in signed.notes] == [
            "Consumed: backing shim 0.25 mm",
            "Consumed: snap ring 3.20 mm",
        ]


def test_a_part_that_is_not_in_stock_is_said_to_be_so_and_its_change_is_kept_all_the_same(tmp_path: Path) -> None:
    store, job = record(tmp_path)
    path = shelf(tmp_path, ("3.20 mm", 1))
    with store:
        unit = UnitOnRecord(store, job, stock=path)
        choice = unit.choice("high")
        assert choice.shelf[0] == "snap ring 2.80 mm: none in stock: allot or order"
        assert choice.texts("low") == [choice.found.ways[1].text]  # of shims this stock knows nothing
        (written,) = unit.add(taken(choice.found.ways[0], "Ana"), at=AT)
        assert written.notes[0].startswith("Not reserved: ") and "no snap ring of 2.800 mm" in written.notes[0]
        assert unit.now.fitted.pack("high").adjusters[0].fitted == 2_800_000


def test_a_stock_that_cannot_be_read_stops_nobody(tmp_path: Path) -> None:
    store, job = record(tmp_path)
    (tmp_path / "stock.sqlite").write_text("no database")
    with store:
        unit = UnitOnRecord(store, job, stock=tmp_path / "stock.sqlite")
        choice = unit.choice("low")
        assert "the stock cannot be read" in choice.shelf[0]
        (written,) = unit.add(taken(choice.found.ways[0], "Ana"), at=AT)
        assert "The stock was not told" in written.notes[0] or "Not reserved" in written.notes[0]


# -- changes -----------------------------------------------------------------------------------------------------


def test_a_change_that_cannot_be_is_refused_in_words_and_not_written(tmp_path: Path) -> None:
    store, job = record(tmp_path)
    with store:
        unit = UnitOnRecord(store, job)
        (way, *_) = unit.choice("low").found.ways
        unit.add(taken(way, "Ana"), at=AT)
        with pytest.raises(FactRefused, match=r"changed from 2 backing shims, but 3 backing shims was fitted"):
            unit.add(taken(way, "Ana"), at=AT)
        with pytest.raises(FactRefused, match="nobody's name is given"):
            unit.add([PartsChanged("reverse", (), None, None, " ")], at=AT)
        with pytest.raises(PlanError, match="that is what low has"):
            typed_change(unit.now, PartFitted("low", 0, 3), "Ana")
        assert len(store.job(job).facts) == 1


def test_a_typed_change_predicts_what_the_advice_for_it_does(tmp_path: Path) -> None:
    store, job = record(tmp_path)
    with store:
        unit = UnitOnRecord(store, job)
        (advised,) = unit.choice("low").found.ways[0].changes
        assert typed_change(unit.now, PartFitted("low", 0, 3), "") == advised


MOVING = SHEET.replace(
    'more = "closes"\n', 'more = "closes"\nmoves = { "high" = -1.0 }\ntolerance = "0.01 mm"\n', 1
)  # fmt: skip


def test_where_packs_influence_each_other_the_unit_is_planned_together() -> None:
    sheet = parse_sheet(MOVING, "moving.toml")
    both = [
        Judged("low", 1, 2, measured(1_378_000)),
        Judged("high", 3, 4, measured(740_000, "tight", 800_000, 1_200_000)),
    ]
    found = offers(unit_now(sheet, [], both), "low")
    best = found.ways[0]
    assert best.pack == "" and "Check again: low, high" in best.text
    # One shim more closes low by 0.25 mm and opens high by as much: no ring has to be changed.
    assert [(made.pack, made.predicted_nm) for made in best.changes] == [("low", 1_128_000)]
    alone = offers(unit_now(sheet, [], both[:1]), "low").ways[0]
    assert [made.pack for made in alone.changes] == ["low"]
    assert taken(best, "Ana")[0].by == "Ana"


def test_a_mover_s_change_is_written_before_that_of_the_pack_it_moves() -> None:
    sheet = parse_sheet(MOVING.replace('moves = { "high" = -1.0 }', 'moves = { "high" = 1.0 }'), "moving.toml")
    both = [
        Judged("low", 1, 2, measured(1_378_000)),
        Judged("high", 3, 4, measured(1_000_000, "good", 800_000, 1_200_000)),
    ]
    ways = offers(unit_now(sheet, [], both), "high").ways
    order = [[made.pack for made in way.changes] for way in ways if len(way.changes) == 2]
    assert order and all(packs == ["low", "high"] for packs in order)


def test_changes_from_the_command_line(tmp_path: Path) -> None:
    store, job = record(tmp_path)
    store.close()
    shelf(tmp_path, ("2.80 mm", 2))
    where = ["--data-dir", str(tmp_path), "--by", "tech:Ana"]
    said = strokelog("unit", "change", str(job), "high/snap ring/2.80 mm", *where)
    assert "parts of high changed by Ana: snap ring 3.00 mm to 2.80 mm; predicted 0.940 mm" in said
    (line,) = strokelog("unit", "change", str(job), "--way", "1", *where, "--json").splitlines()
    told = json.loads(line)
    assert (told["type"], told["pack"], told["changes"][0]["to"]) == ("parts_changed", "low", 3)
    with StockRoom.open(tmp_path / "stock.sqlite") as room:
        assert [one.thickness_text for one in room.holdings().reservations] == ["2.80 mm"]
    assert "that is what low has" in strokelog("unit", "change", str(job), "PART/LOW/BACKING SHIM/3", *where, code=1)
    assert "no count of backing shim, 0 to 5" in strokelog(
        "unit", "change", str(job), "low/backing shim/9", *where, code=2
    )
    assert "no such adjuster" in strokelog("unit", "change", str(job), "what?", *where, code=2)
    assert "say what was changed" in strokelog("unit", "change", str(job), *where, code=2)
    assert "there is no way 4" in strokelog("unit", "change", str(job), "--way", "4", *where, code=2)
    assert "re-check needed: low: parts of low were changed since" in strokelog(
        "unit", "plan", str(job), "--data-dir", str(tmp_path)
    )


# -- what whoever signs must say ----------------------------------------------------------------------------------


def missed(tmp_path: Path) -> int:
    """A job with all packs good and every step done but the first; low's change did not come out as predicted, and
    high was measured with a gauge whose calibration had run out."""
    store, job = record(tmp_path)
    with store:
        unit = UnitOnRecord(store, job)
        made = typed_change(unit.now, PartFitted("low", 0, 3), "Ana")
        assert made.predicted_nm == 1_128_000
        unit.add([made], at=AT)
        checked(store, job, "low", measured(1_240_000, "good"))
        late = {"serial": "DI-0413", "calibration_due": "2026-01-31"}
        checked(store, job, "high", measured(1_000_000, "good", 800_000, 1_200_000), late)
        checked(store, job, "reverse", measured(1_180_000, "good", 1_000_000, 1_400_000))
        unit.add([StepDone(1, "Ana"), StepDone(2, "Ana", torque_unm=20_000_000)], at=AT)
        unit.add([StepDone(3, "Ana", torque_unm=46_000_000)], at=AT)
    return job


def test_what_did_not_come_out_and_an_overdue_gauge_are_acknowledged_by_whoever_signs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "160")
    job = str(missed(tmp_path))
    where = ["--data-dir", str(tmp_path)]
    strokelog("unit", "step", job, "1", "--by", "Ana", "--lasted", "40 min", *where)
    said = strokelog("unit", "steps", job, *where)
    assert "when signing: The change in low did not come out as predicted: 1.240 mm is 0.112 mm more" in said
    assert "to acknowledge when signing: Gauge DI-0413, calibration due 2026-01-31, was overdue when high was" in said
    shown = strokelog("show", job, *where)
    assert "  outcome: The change in low did not come out as predicted: 1.240 mm" in shown
    told = json.loads(strokelog("show", job, "--json", *where))["facts"][0]
    assert told["as_predicted"] is False and "did not come out" in told["outcome"]
    assert json.loads(strokelog("jobs", "--json", *where))["signed_off"] is None
    assert "no, open" in strokelog("jobs", *where)
    refused = strokelog("unit", "sign-off", job, "--by", "Di", *where, code=1)
    assert "did not come out as predicted" in refused and "DI-0413" in refused and "--acknowledge" in refused
    assert "signed off" not in strokelog("show", job, *where)
    said = strokelog("unit", "sign-off", job, "--by", "Di", "--acknowledge", "plates counted twice", *where)
    assert "signed off by Di; acknowledged: The change in low" in said and "all the same: plates counted twice" in said
    shown = strokelog("show", job, *where)
    told = shown.split("signed off by Di; acknowledged: ")[1]
    assert told.startswith("The change in low did not") and "DI-0413" in told
    assert json.loads(strokelog("jobs", "--json", *where))["signed_off"]["by"] == "Di"
    assert "by Di" in strokelog("jobs", *where)
    assert shown.count("no strokes: none was completed") == shown.count("check ") - shown.count("check again")
    with Store.open_to_read(tmp_path / "record.sqlite") as store:
        signed = store.job(int(job)).facts[-1].fact
    assert isinstance(signed, SignedOff) and len(signed.acknowledged or ()) == 2
    found, _ = gather(tmp_path / "record.sqlite", int(job))
    notes = {note.head: note for note in found.notes}
    assert set(notes) == {"Acknowledged by Di"} and all(note.loud for note in found.notes)
    assert "plates counted twice" in notes["Acknowledged by Di"].text and len(found.notes) == 2


def test_a_typed_time_longer_than_the_record_knows_is_asked_about_once_and_both_are_kept(tmp_path: Path) -> None:
    job = str(missed(tmp_path))
    where = ["--by", "Ana", "--data-dir", str(tmp_path)]
    strokelog("unit", "step", job, "1", "--begin", *where)
    assert "wait another" in strokelog("unit", "step", job, "1", "--lasted", "20 min", *where, code=1)
    refused = strokelog("unit", "step", job, "1", "--lasted", "2 h", *where, code=1)
    assert "step 1 was begun" in refused and "s ago by this record; 2 h typed. Nothing was written" in refused
    said = strokelog("unit", "step", job, "1", "--lasted", "2 h", "--confirm-typed", *where)
    assert "lasted 2 h as typed, begun" in said and "s before by this record" in said
    assert "lasted 2 h as typed, begun" in strokelog("show", job, *where[2:])
    (line,) = [
        one
        for one in json.loads(strokelog("show", job, "--json", *where[2:]))["facts"]
        if one.get("step") == 1 and one["type"] == "step_done"
    ]
    assert line["lasted_ns"] == 7200 * 10**9 and 0 <= line["known_ns"] < 60 * 10**9
    found, _ = gather(tmp_path / "record.sqlite", int(job))
    assert "lasted 2 h as typed, begun" in found.finishing.steps[0].state


async def test_the_forms_ask_for_what_must_be_acknowledged_and_for_a_typed_time_once(tmp_path: Path) -> None:
    async with at_work(tmp_path) as (controls, bench):
        await bench.end_check()
        job = bench.state.job_id
        with Store.open(bench.setup.record_path) as store:
            late = {"serial": "DI-0413", "calibration_due": "2026-01-31"}
            for pack in parse_sheet(SHEET, "sheet").packs:
                checked(store, job, pack.name, measured(1_100_000, "good", pack.low_nm, pack.high_nm), late)
            store.add_fact(job, StepBegun(0, "Ana"), at=datetime.now(UTC))
            for fact in (StepDone(1, "A"), StepDone(2, "A", 20_000_000), StepDone(3, "A", 46_000_000)):
                store.add_fact(job, fact, at=AT)

        def screen() -> str:
            return " ".join(draw(controls.showing(), 80, 24, False).text.split())  # type: ignore[attr-defined]

        async def press(*keys: str) -> None:
            for key in keys:
                await controls.take(Key(key))

        await press("s", "1", "\r", *"2 h", "\r")
        assert "2 h typed. Enter again if that is right." in screen()
        await press("\r")
        assert "done, lasted 2 h as typed, begun" in screen()
        assert "u signs the unit off, which asks to acknowledge" in bench.view.message
        await press("u")
        assert "to acknowledge: Gauge DI-0413" in screen() and "1 to acknowledge" in screen()
        await press("\r")
        assert "knowing this" in screen() and "everything on this sheet" not in screen()
        await press("\r")
        assert "why it may go out" in screen() and "Signed off" not in screen()
        await press(*"sent to be calibrated", "\r")
        assert "Signed off by first shift" in screen()
    with Store.open_to_read(bench.setup.record_path) as store:
        signed = store.job(job).facts[-1].fact
    assert isinstance(signed, SignedOff) and signed.why == "sent to be calibrated"
    assert signed.acknowledged is not None and "DI-0413" in signed.acknowledged[0].text


# -- a job that goes on --------------------------------------------------------------------------------------------


async def test_a_job_goes_on_in_another_session_and_the_record_proves(tmp_path: Path) -> None:
    async with simulated(tmp_path / "port") as fixture:
        for resume in (None, 1):
            bench = Bench(replace(setup_for(tmp_path), resume=resume))
            running = asyncio.create_task(bench.run())
            await bench.ready.wait()
            if resume:
                assert [pack.is_good for pack in bench.view.packs] == [True, False, False]
                assert bench.view.message == "Go on to pack high." and bench.view.job == "1"
            await bench.start_check(1 if resume else 0)
            while not bench.finished.is_set():
                await fixture.run_check(GOOD, 6)
            await ended(running)
    path = tmp_path / "data" / "record.sqlite"
    with Store.open(path) as store:
        (job,) = store.jobs(9)
        assert [check.pack for check in job.checks] == ["low", "high"] and job.closed_at is not None
        for pack, n in (("low", 1), ("high", 2)):
            assert [one.number for one in job.checks if one.pack == pack] == [1], n
        with pytest.raises(RecordError, match="there is no job 9"):
            store.reopen_job(9, at=AT)
        store.reopen_job(1, at=AT)
        with pytest.raises(RecordError, match="is open already"):
            store.reopen_job(1, at=AT)
    assert verify(path).mismatch is None


async def test_a_signed_job_and_another_bench_s_are_not_gone_on_with(tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    store, job = record(tmp_path / "data")
    with pytest.raises(RecordError, match="is of bench"):
        await Bench(replace(setup_for(tmp_path), resume=job)).run()
    store.add_fact(job, SignedOff("Di"), at=AT)
    store.close()
    with pytest.raises(RecordError, match="was signed off"):
        await Bench(replace(setup_for(tmp_path), resume=job)).run()
    where = ["--data-dir", str(tmp_path / "data")]
    assert "leave --sheet, --variant, --unit" in strokelog("run", "--resume", "1", "--unit", "X", *where, code=2)
    assert "leave --auto and --repeat out" in strokelog("run", "--service", "--auto", *where, code=2)
    assert "there is no job 7" in strokelog("run", "--resume", "7", *where, code=1)


async def test_a_verdict_and_a_fact_tell_the_shop_how_the_unit_stands(
    tmp_path: Path, mosquitto: Mosquitto, peer: Any
) -> None:
    supervisor: Peer = peer(mosquitto.port)
    async with simulated(tmp_path / "port") as fixture:
        bench = Bench(setup_for(tmp_path, f"mqtt://127.0.0.1:{mosquitto.port}"))
        running = asyncio.create_task(bench.run())
        await bench.ready.wait()
        await bench.start_check(0)
        while not bench.finished.is_set():
            await fixture.run_check(GOOD, 6)
        await bench.write([StepDone(1, "Ana"), Override("high", None, "Di", "not fitted")])

        def units() -> list[dict[str, Any]]:
            return [one.payload for one in supervisor.received if one.topic == "strokelog/v1/bay-2/unit"]

        await until(lambda: len(units()) == 3)
        await ended(running)
    last = units()[-1]
    assert [(pack["pack"], pack["state"], pack["passed_by"]) for pack in last["packs"]] == [
        ("low", "good", ""),
        ("high", "unchecked", "Di"),
        ("reverse", "unchecked", ""),
    ]
    assert (last["steps"], last["steps_closed"], last["signed_off_by"]) == (4, 1, "")
    assert last["against"][0] == "pack 'reverse' is not checked"


def test_the_wrench_is_a_table_of_its_own_in_the_settings(tmp_path: Path) -> None:
    settings = tmp_path / "config.toml"
    settings.write_text('[wrench]\nport = "/dev/ttyUSB1"\nunit = "N m"\n')
    wrench = load_config(settings).wrench
    assert wrench is not None and (wrench.port, wrench.unit, wrench.baud) == ("/dev/ttyUSB1", "N m", 9600)
    settings.write_text('[wrench]\nport = "/dev/ttyUSB1"\nmake = "x"\n')
    with pytest.raises(ConfigError, match=r"wrench\.make: is no setting; there are: unit, decimal, baud"):
        load_config(settings)


# -- keys and scans ------------------------------------------------------------------------------------------------


@asynccontextmanager
async def at_work(tmp_path: Path) -> AsyncIterator[tuple[Controls, Bench]]:
    """Controls of a bench whose first check has begun."""
    async with simulated(tmp_path / "port"):
        bench = Bench(setup_for(tmp_path))
        running = asyncio.create_task(bench.run())
        await bench.ready.wait()
        await bench.start_check(0)
        yield Controls(bench), bench
        await ended(running)


def made(bench: Bench, strokes: int) -> None:
    """Let some strokes of the running check have been made."""
    bench.state.strokes = [StrokeKept(sample_view("good").strokes[0].stroke, seat=False)] * strokes


def armed(tmp_path: Path) -> KeptAir:
    """The control of a fixture whose air can come at any moment."""

    async def nothing(*what: object) -> None: ...

    wiring = find_driver("ascii")
    setup = FixtureSetup(wiring, make_settings(wiring, {}), str(tmp_path / "fixture"))
    air = KeptAir(setup, on_bytes=nothing, on_lost=nothing, on_change=lambda: None)
    air.safety = replace(air.safety, state=AirState.ARMED)
    return air


def screen(controls: Controls, width: int = 80, height: int = 24) -> str:
    text: str = draw(controls.showing(), width, height, False).text  # type: ignore[attr-defined]
    return " ".join(text.replace("│", " ").split())


@pytest.mark.parametrize("key", ["q", "r", "1", "2"])
async def test_what_loses_strokes_is_asked_and_holds_as_long_as_it_stands_on_the_screen(
    tmp_path: Path, key: str
) -> None:
    async with at_work(tmp_path) as (controls, bench):
        made(bench, 3)
        check = bench.state.running
        await controls.take(Key(key))
        ends = "the session and the check of low" if key == "q" else "it ends the check of low"
        for width, height in ((80, 24), (200, 60), (60, 15)):
            shown = screen(controls, width, height)
            assert ends in shown and "Its strokes stay in the record" in shown
            assert f"Press {key} again if that is meant" in shown
        for width, height in ((60, 5), (40, 6), (30, 10)):  # too small for all of it, and still it is no secret
            assert f"SURE? Press {key} again" in screen(controls, width, height)
        # A stroke completes, the broker comes and goes, the bench is looked at: it stands, and it holds.
        bench.telling.broker_changed(BrokerState("down", 3, "The broker refused the connection."))
        bench._arrivals.look_for_silence()
        assert f"Press {key} again" in screen(controls) and "WARNING" in screen(controls)
        assert bench.state.running is check and not controls.leave.is_set()
        # Another key, or a scan, takes it off the screen, and then it no longer holds.
        for other in (Key("escape"), Scan("nothing"), LostScan("x")):
            await controls.take(other)
            assert controls.question is None and "if that is meant" not in screen(controls)
            await controls.take(Key(key))
            assert bench.state.running is check and not controls.leave.is_set()
            assert "if that is meant" in screen(controls)
        await controls.take(Key(key))
        assert controls.leave.is_set() if key == "q" else bench.state.running is not check
        assert controls.question is None


async def test_a_question_about_a_check_ends_with_the_check(tmp_path: Path) -> None:
    async with at_work(tmp_path) as (controls, bench):
        made(bench, 1)
        await controls.take(Key("q"))
        assert "Its strokes stay in the record" in screen(controls)
        await bench.end_check()
        assert controls.question is None and "if that is meant" not in screen(controls)


async def test_a_session_without_strokes_ends_at_the_first_press(tmp_path: Path) -> None:
    async with at_work(tmp_path) as (controls, _):
        await controls.take(Key("q"))
        assert controls.leave.is_set() and controls.question is None


async def test_the_bottom_line_says_whether_enter_checks_the_same_pack_or_another(tmp_path: Path) -> None:
    async with at_work(tmp_path) as (controls, bench):
        await bench.end_check()
        assert "Enter low again" in screen(controls) and "next pack" not in screen(controls)
        now = bench.state.unit
        assert now is not None
        bench.state.unit = replace(now, verdicts={"low": measured(1_100_000, "good")})
        assert "Enter next pack r again" in screen(controls)


CODES = [
    "a", "aaaa", "tech:a", "a\ra", "unit:X", "pack:high", "step:1", "part:low/backing shim/3", "r", "12", "q", "\x02a",
]  # fmt: skip


async def test_no_scan_arms_the_air(tmp_path: Path) -> None:
    async with stand(tmp_path) as bay:
        controls, air = Controls(bay.bench), bay.bench.air
        assert air is not None
        await until(lambda: not air.safety.against_arming())
        for code in CODES:
            await controls.take(Scan(code))
            await controls.take(LostScan(code))
            assert air.safety.state.value == "unarmed"
        await until(lambda: bay.bench.view.air_state == "unarmed")
        await controls.take(Key("escape"))  # a scan may have opened a form
        # A hand at the key does; again, where a heartbeat that came late on a busy machine stood against it.
        async with asyncio.timeout(10):
            while air.safety.state.value != "armed":
                await until(lambda: not air.safety.against_arming())
                await controls.take(Key("a"))
                await asyncio.sleep(0)


async def test_no_scan_ends_a_check_or_the_session_or_writes_anything(tmp_path: Path) -> None:
    async with at_work(tmp_path) as (controls, bench):
        for code in CODES:
            for told in (Scan(code), LostScan(code), Scan(code)):
                await controls.take(told)
            controls.screens.leave()
            assert not controls.leave.is_set() and not bench.finished.is_set() and bench.view.pack == 0
            assert bench.unit is not None and bench.unit.job.facts == () and len(bench.unit.job.checks) <= 1


async def test_no_screen_opens_over_air_that_can_come_and_no_parts_are_changed_in_a_check(tmp_path: Path) -> None:
    async with at_work(tmp_path) as (controls, bench):
        await controls.take(Key("c"))
        assert controls.screens.screen == "" and "A check is running" in controls.said
        await controls.take(Scan("part:low/backing shim/3"))
        assert controls.screens.screen == "" and "A check is running" in controls.said
        bench.state.air = armed(tmp_path)
        for told in (Key("s"), Key("u"), Scan("step:1")):
            await controls.take(told)
            assert controls.screens.screen == "" and "Take the air off first" in controls.said
        bench.state.air = None
        await controls.take(Key("s"))
        assert controls.screens.screen == "steps"
        await controls.take(Scan("unit:OTHER"))
        assert bench.view.unit_serial == "FW3-0042"


async def test_what_the_record_refuses_stays_on_the_form_and_the_session_goes_on(tmp_path: Path) -> None:
    async with at_work(tmp_path) as (controls, bench):
        await bench.end_check()
        with Store.open(bench.setup.record_path) as store:  # somebody signs at another desk
            store.add_fact(bench.state.job_id, SignedOff("Di"), at=AT)
        for key in ("s", "2", "\r", "\r", "\r"):
            await controls.take(Key(key))
        assert "was signed off at" in draw(controls.showing(), 80, 24, False).text.replace("\n", " ")  # type: ignore[attr-defined]
        for key in ("escape", "escape", "1"):
            await controls.take(Key(key))
        assert bench.finished.is_set() and "more work on the unit is a new job" in controls.said


async def test_a_scanner_and_a_hand_on_one_line_are_told_apart(tmp_path: Path) -> None:
    master, slave = pty.openpty()
    try:
        with Keys(slave) as keys:
            told = presses(keys)
            os.write(master, b"tech:Ana\r")
            assert await asyncio.wait_for(anext(told), 5) == Scan("tech:Ana")
            os.write(master, b"c")
            assert await asyncio.wait_for(anext(told), 5) == Key("c")
            os.write(master, b"arra")  # a code that broke off: none of it may act
            assert await asyncio.wait_for(anext(told), 5) == LostScan("arra")
            os.write(master, b"\x02unit:7\r")
            assert await asyncio.wait_for(anext(told), 5) == Scan("unit:7")
    finally:
        os.close(master)
        os.close(slave)
