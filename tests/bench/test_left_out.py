"""A technician who knows that a stroke was wrong leaves it out, at the bench while its check runs or after its verdict:
it is kept with name and reason, everybody is told, and the record proves it all again."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from capture.bench.bench import Bench
from capture.custody.verify import verify
from capture.dashboard.showing import draw
from capture.job.unit_on_record import FactRefused, UnitOnRecord
from capture.mqtt.plant.plant_settings import PlantSettings
from capture.plumbing.terminal.scanner import Key
from capture.record import Job, Store
from capture.report.tables import rows
from capture.report.writing import gather
from capture.session.bench_keys import Controls
from capture.unit.facts import Override, SignedOff, StrokeLeftOut
from tests.bench.test_live import GOOD, ended, setup_for, simulated
from tests.support.broker import Mosquitto, Peer, until
from tests.support.command import run_command
from tests.support.plant_host import PlantHost

ROOT = Path(__file__).resolve().parents[2]
AT = datetime(2026, 3, 10, 9, 30, tzinfo=UTC)


@asynccontextmanager
async def at_work(tmp_path: Path, broker: str = "") -> AsyncIterator[tuple[Controls, Bench, Any]]:
    async with simulated(tmp_path / "port") as fixture:
        plant = PlantSettings(url=broker, group="forestry") if broker else None
        bench = Bench(replace(setup_for(tmp_path, broker or None), plant=plant))
        running = asyncio.create_task(bench.run())
        await bench.ready.wait()
        await bench.start_check(0)
        yield Controls(bench), bench, fixture
        await ended(running)


async def strokes(bench: Bench, fixture: Any, count: int) -> None:
    """Make strokes until so many are there."""
    while len(bench.state.strokes) < count:
        await fixture.run_check(GOOD, 1, seated=bool(bench.state.strokes))


async def verdict(bench: Bench, fixture: Any) -> None:
    while not bench.finished.is_set():
        await fixture.run_check(GOOD, 1, seated=bool(bench.state.strokes))


async def leave_out_by_keys(controls: Controls, number: int) -> None:
    for key in ("l", str(number), "\r", *"bumped the bench", "\r"):
        await controls.take(Key(key))


def screen(controls: Controls, width: int = 80, height: int = 24) -> str:
    text: str = draw(controls.showing(), width, height, False).text  # type: ignore[attr-defined]
    return " ".join(text.replace("│", " ").split())


def job_of(tmp_path: Path) -> Job:
    with Store.open_to_read(tmp_path / "data" / "record.sqlite") as store:
        return store.job(1)


def strokelog(*words: str, code: int = 0) -> str:
    done = run_command(*words)
    said = (done.stdout + done.stderr).decode()
    assert done.returncode == code, said
    return said


async def test_while_the_check_runs_another_stroke_takes_its_place_and_the_record_proves_it(tmp_path: Path) -> None:
    async with at_work(tmp_path) as (controls, bench, fixture):
        await strokes(bench, fixture, 3)
        assert "l leave out" in screen(controls, 200, 60)
        before = bench.state.running.check.counted if bench.state.running else 0
        await leave_out_by_keys(controls, 3)
        running = bench.state.running
        assert running is not None and running.check.counted == before - 1
        for width, height in ((80, 24), (200, 60), (60, 15)):
            assert "stroke 3 left out by first shift: bumped the bench" in screen(controls, width, height)
        await verdict(bench, fixture)
        assert "1 stroke left out by first shift: bumped the bench." in screen(controls, 200, 60)
    job = job_of(tmp_path)
    check = job.checks[0]
    assert check.verdict is not None and check.stands == check.verdict.verdict
    assert [one.stroke.n for one in check.strokes if one.left_out] == [3]
    assert sum(one.counts for one in check.strokes) == check.verdict.verdict.strokes >= 5
    proof = await asyncio.to_thread(verify, tmp_path / "data" / "record.sqlite")
    assert (proof.mismatch, proof.verdicts) == (None, 1)


async def test_after_the_verdict_it_is_worked_out_anew_told_to_everybody_and_proven(
    tmp_path: Path, mosquitto: Mosquitto, peer: Any
) -> None:
    supervisor: Peer = peer(mosquitto.port)
    host = PlantHost(mosquitto.port, "forestry", "bay-2")
    async with at_work(tmp_path, f"mqtt://127.0.0.1:{mosquitto.port}") as (controls, bench, fixture):
        await verdict(bench, fixture)
        first = bench.view.verdict
        await leave_out_by_keys(controls, 4)
        anew = bench.view.verdict
        assert first is not None and anew is not None and anew.strokes == first.strokes - 1
        said = "1 stroke left out by first shift: bumped the bench."
        assert said in screen(controls) and said in screen(controls, 200, 60)

        def told(topic: str) -> list[dict[str, Any]]:
            return [one.payload for one in supervisor.received if one.topic == f"strokelog/v1/bay-2/{topic}"]

        await until(lambda: len(told("low/verdict")) == 2 and len(told("unit")) == 2)
        assert told("low/verdict")[-1]["left_out"].startswith(said)
        assert [one["attempt"] for one in told("low/verdict")] == [1, 1]
        assert told("low/verdict")[-1]["strokes"] == anew.strokes
        assert told("unit")[-1]["packs"][0]["left_out"].startswith(said)
        # A plant's system too, from the same record: its births, every stroke, both verdicts.
        await until(lambda: host.values("verdict/strokes") == [anew.strokes + 1, anew.strokes])
        assert host.values("stroke/n") == list(range(1, len(bench.view.strokes) + 1))
        assert (bench.view.plant, bench.view.plant_reason) == ("up", "")
        assert host.of("NBIRTH")[0].value("verdict/mean_nm") is None and host.of("DBIRTH")
    await asyncio.to_thread(host.stop)
    assert [one.verb for one in host.said][-1] == "NDEATH"
    job = job_of(tmp_path)
    check = job.checks[0]
    assert check.verdict is not None and check.verdict.verdict.strokes == first.strokes
    assert check.stands is not None and check.stands == anew
    record = tmp_path / "data" / "record.sqlite"
    proof = await asyncio.to_thread(verify, record)
    assert (proof.mismatch, proof.verdicts) == (None, 1)
    where = ("--data-dir", str(tmp_path / "data"))
    shown = await asyncio.to_thread(strokelog, "show", "1", *where)
    assert "stroke 4 of low left out by first shift: bumped the bench" in shown and "without what was left out" in shown
    as_json = json.loads(await asyncio.to_thread(strokelog, "show", "1", "--json", *where))
    assert [one["left_out"] for one in as_json["checks"][0]["strokes"] if one["left_out"]] == [
        "left out by first shift: bumped the bench"
    ]
    report = await asyncio.to_thread(gather, record, 1)
    assert "stroke 4 of low left out by first shift: bumped the bench" in str(report)
    facts = [row for table, row in rows(job, "mm") if table == "facts"]
    assert [(row["kind"], row["stroke"], row["reason"]) for row in facts] == [
        ("stroke_left_out", 4, "bumped the bench")
    ]
    sheet = tmp_path / "sheet.toml"
    sheet.write_text(job.sheet_toml)
    again = ("--sheet", str(sheet), "--pack", "low", "--leave-out", "4", "--json")
    path = tmp_path / "data" / check.recording_path
    last = (await asyncio.to_thread(strokelog, "replay", str(path), *again)).strip().splitlines()[-1]
    assert json.loads(last)["mean_nm"] == anew.mean_nm and json.loads(last)["strokes"] == anew.strokes

    # A fact that says something else of the strokes that are left is found out, though the chain is whole.
    told_by = check.left_out[0].fact
    assert isinstance(told_by, StrokeLeftOut)
    with Store.open(record) as store:
        store.add_fact(1, replace(told_by, stroke=5, verdict=replace(anew, mean_nm=anew.mean_nm + 1)), at=AT)
    proof = await asyncio.to_thread(verify, record)
    assert proof.mismatch is not None and "the verdict without stroke 5" in str(proof.mismatch)


async def test_whoever_signs_must_know_and_nothing_is_left_out_after_the_sign_off(tmp_path: Path) -> None:
    async with at_work(tmp_path) as (_, bench, fixture):
        await verdict(bench, fixture)
    record = tmp_path / "data" / "record.sqlite"
    with Store.open(record) as store:
        unit = UnitOnRecord(store, 1)
        for number, why in ((1, "does not count as it is"), (40, "there is no stroke 40"), (3, "")):
            if why:
                with pytest.raises(FactRefused, match=why):
                    unit.left_out("low", number, "Ana", "bumped")
            else:
                with pytest.raises(FactRefused, match="what was wrong"):
                    unit.add([unit.left_out("low", number, "Ana", " ")], at=AT)
        unit.add([unit.left_out("low", 3, "Ana", "bumped the bench")], at=AT)
        with pytest.raises(FactRefused, match="stroke 3 of low was left out by Ana"):
            unit.left_out("low", 3, "Ana", "once more")
        unmeasured, known = unit.now.standing.remarks
        assert unmeasured.code == "not_measured" and "pseudo-terminal" in unmeasured.text
        assert known.code == "strokes_left_out" and "low is " in known.text
        assert "4 strokes count; the sheet asks for 5." in known.text
        steps = [Override(None, n, "Di", "not of this test") for n in range(len(unit.sheet.steps))]
        packs = [Override(one.pack, None, "Di", "not of this test") for one in unit.now.packs if one.state != "good"]
        unit.add([*steps, *packs], at=AT)
        with pytest.raises(FactRefused, match=r"whoever signs must acknowledge: low was not measured .* low is "):
            unit.add([SignedOff("Di")], at=AT)
        unit.add([SignedOff("Di", "", (unmeasured, known), "the bump was seen")], at=AT)
        with pytest.raises(FactRefused, match="signed off already"):
            unit.add([unit.left_out("low", 4, "Ana", "bumped again")], at=AT)
        assert sum(isinstance(one.fact, StrokeLeftOut) for one in unit.job.facts) == 1


async def test_a_stroke_is_left_out_from_the_command_line_too(tmp_path: Path) -> None:
    async with at_work(tmp_path) as (_, bench, fixture):
        await strokes(bench, fixture, 2)
        where = ("--by", "Ana", "--reason", "bumped the bench", "--data-dir", str(tmp_path / "data"))
        while not any(one.counts for one in bench.state.strokes):
            await fixture.run_check(GOOD, 1, seated=True)
        counts = str(next(one.stroke.n for one in bench.state.strokes if one.counts))
        told = await asyncio.to_thread(lambda: strokelog("unit", "leave-out", "1", "low", counts, *where, code=1))
        assert "low is being measured: leave the stroke out at its bench" in told
        await verdict(bench, fixture)
    assert f"stroke {counts} of low left out by Ana: bumped the bench" in strokelog(
        "unit", "leave-out", "1", "low", counts, *where
    )
    assert "does not count" in strokelog("unit", "leave-out", "1", "low", "1", *where, code=1)
    assert "with all of its strokes" in strokelog("unit", "steps", "1", *where[4:]).lower()
