"""A unit that comes back: its unfinished job is said before a new one begins, never silently passed over."""

from __future__ import annotations

import asyncio
import json
import subprocess
from dataclasses import replace
from pathlib import Path
from uuid import uuid4

from capture.bench.bench import Bench
from capture.clearance.advice import Change
from capture.dashboard.showing import draw
from capture.job.unfinished import unfinished
from capture.plumbing.terminal.scanner import Key, Scan
from capture.record import Store
from capture.session.bench_keys import Controls
from capture.session.conduct import by_hand
from capture.session.session import Session
from capture.unit.facts import PartsChanged, SignedOff
from tests.bench.test_live import ROOT, SHEET, STROKELOG, ended, setup_for, simulated
from tests.support.broker import until
from tests.support.samples import AT, finish_check, open_job, start_check, verdict

UNIT = "FW3-0042"


def left(
    data: Path, *, changes: tuple[Change, ...] = (), bench: str = "bay-2", unit: str = UNIT, signed: bool = False
) -> int:
    """A job as a killed session leaves it: low loose and then `changes` made, high begun."""
    data.mkdir(exist_ok=True)
    with Store.open(data / "record.sqlite") as store:
        toml = SHEET.read_text()
        job = open_job(store, uuid=uuid4(), bench=bench, unit_serial=unit, sheet_toml=toml)
        finish_check(store, start_check(store, job, pack="low"), verdict=verdict(verdict="loose", mean_nm=2_198_000))
        if changes:
            store.add_fact(job, PartsChanged("low", changes, None, None, "Di"), at=AT)
        store.abandon_check(start_check(store, job, pack="high"), at=AT)
        if signed:
            store.add_fact(job, SignedOff("Di"), at=AT)
    return job


def words(tmp_path: Path, unit: str = UNIT, bench: str = "bay-2") -> str:
    with Store.open(tmp_path / "record.sqlite") as store:
        return unfinished(store, unit, bench)


def test_a_unit_without_an_unsigned_job_has_nothing_to_be_told(tmp_path: Path) -> None:
    left(tmp_path, signed=True)
    left(tmp_path, unit="FW3-9999")
    left(tmp_path, unit="")
    assert words(tmp_path) == "" and words(tmp_path, "") == ""


def test_the_newest_unsigned_job_is_named_with_its_packs_and_how_to_go_on(tmp_path: Path) -> None:
    jobs = [left(tmp_path, signed=n == 1) for n in range(3)]
    assert words(tmp_path) == (
        f"Unit FW3-0042 has an unfinished job, {jobs[2]} (low loose, high no verdict; not signed off). "
        f"To go on with it: strokelog run --resume {jobs[2]}. Not signed off either: {jobs[0]}."
    )
    assert f"--resume {jobs[2]} --bench 'bay-2'." in words(tmp_path, bench="bay 9")
    for _ in range(4):
        left(tmp_path)
    assert "Not signed off either: 6, 5, 4 and 2 more." in words(tmp_path)


async def test_at_the_keyboard_the_new_job_waits_for_a_key(tmp_path: Path) -> None:
    job = left(tmp_path / "data")
    said: list[str] = []
    async with simulated(tmp_path / "port"):
        session = Session(setup_for(tmp_path), lambda text: None)
        session.bench = bench = Bench(setup_for(tmp_path), on_event=lambda event, pack: said.append(str(event)))
        controls = session.controls = Controls(bench)
        running = asyncio.create_task(bench.run())
        await bench.ready.wait()
        at_hand = asyncio.create_task(by_hand(session))
        await until(lambda: bench.view.indicator == "up")
        await until(lambda: bench.view.reading_nm is not None)
        assert bench.finished.is_set() and bench.state.job_id == 0
        for width, height in ((80, 24), (200, 60), (60, 15)):
            text: str = draw(controls.showing(), width, height, False).text  # type: ignore[attr-defined]
            shown = " ".join(text.replace("│", " ").split())
            assert f"strokelog run --resume {job}." in shown and "low loose" in shown
            assert "Enter begins a new job." in shown and "Enter new job" in shown
        assert [text for text in said if f"--resume {job}. This session begins a new job." in text]
        await controls.take(Key("\r"))
        assert bench.state.job_id == job + 1 and bench.view.next_step.startswith("Seat the pack")
        at_hand.cancel()
        await ended(running)


async def test_a_scanned_unit_is_looked_up_too_and_another_begins_at_once(tmp_path: Path) -> None:
    job = left(tmp_path / "data")
    async with simulated(tmp_path / "port"):
        bench = Bench(replace(setup_for(tmp_path), unit_serial="FW3-0001"))
        running = asyncio.create_task(bench.run())
        await bench.ready.wait()
        assert bench.state.unfinished == ""
        controls = Controls(bench)
        await controls.take(Scan(f"unit:{UNIT}"))
        assert f"strokelog run --resume {job}" in controls.said
        await ended(running)


def test_a_pipe_is_told_and_goes_on(tmp_path: Path) -> None:
    left(tmp_path, bench="bay-1")
    recording = ROOT / "fixtures" / "recordings" / "line-1000hz-mm-micron-short.jsonl"
    command = [
        *STROKELOG, "run", "--sheet", str(SHEET), "--port", f"recording:{recording}", "--driver", "line",
        "--unit", UNIT, "--set", "resolution=0.001 mm", "--pack", "low", "--data-dir", str(tmp_path),
        "--bench", "bay-1",
    ]  # fmt: skip
    for face in ([], ["--json"]):
        process = subprocess.Popen(
            [*command, *face], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT
        )
        try:
            assert process.stdout is not None and process.stderr is not None
            stream = process.stderr if face else process.stdout
            line = next(line for line in stream if "unfinished" in line)
            assert line.startswith(f"warning: Unit {UNIT} has an unfinished job, ") and "--resume" in line
            assert "This session begins a new job." in line
            if face:
                assert json.loads(process.stdout.readline())["job"] > 1
        finally:
            process.terminate()
            process.communicate(timeout=60)
