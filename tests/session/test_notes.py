"""A note to the unit, a pack or a stroke: at the bench and from another desk, in the chain, and on the report."""

from __future__ import annotations

from pathlib import Path

from typer.testing import CliRunner, Result

from capture.cli.main import app
from capture.custody.verify import verify
from capture.report.writing import gather
from capture.unit.facts import NoteMade
from tests.job.test_next_unit import ENTER, bench_at, job, shown, signed, typed


async def test_a_note_is_of_the_pack_on_the_screen_of_its_stroke_or_of_the_unit(tmp_path: Path) -> None:
    async with bench_at(tmp_path) as (bench, controls):
        await bench.start_check(0)
        await bench.end_check()
        await typed(controls.take, "w", "knocked", ENTER)
        assert "note on low by first shift: knocked" in shown(controls)
        await typed(controls.take, ENTER, "slow", "tab", *["backspace"] * 3, "low 2", ENTER)
        await typed(controls.take, ENTER, "wet", "tab", *["backspace"] * 3, "clutch", ENTER)
        assert "'clutch' is no pack of this sheet; there are: low, high, reverse" in shown(controls)
        await typed(controls.take, *["backspace"] * 6, ENTER)
    kept = [one.fact for one in job(tmp_path / "data", 1).facts]
    assert kept == [
        NoteMade("knocked", "first shift", "low"),
        NoteMade("slow", "first shift", "low", 2),
        NoteMade("wet", "first shift"),
    ]


async def test_notes_are_proven_and_stand_on_the_report_until_the_sign_off_closes_the_job(tmp_path: Path) -> None:
    async with bench_at(tmp_path) as (bench, _):
        await bench.start_check(0)
        await bench.end_check()
    data = tmp_path / "data"

    def note(*words: str) -> Result:
        return CliRunner().invoke(app, ["unit", "note", "1", *words, "--by", "Di", "--data-dir", str(data)])

    assert note("came in wet").exit_code == 0 and note("seal nicked", "--pack", "low").exit_code == 0
    assert note("x", "--stroke", "2").exit_code == 2 and "is empty" in note(" ").output
    found, proof = gather(data / "record.sqlite", 1)
    assert proof.mismatch is None and verify(data / "record.sqlite").mismatch is None
    assert any("note by Di: came in wet" in text for _, text in found.facts)
    (low,) = [part for part in found.packs if part.name == "low"]
    assert "note on low by Di: seal nicked" in str(low)
    assert "came in wet" in CliRunner().invoke(app, ["show", "1", "--data-dir", str(data)]).output
    signed(data, 1)
    assert note("too late").exit_code == 1
