"""A bench that sees signs of a check begun with the air on asks, takes the answer, and says it beside the verdict."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from capture.clearance.remarks import AIR_OFF_FIRST
from capture.custody.verify import verify
from capture.plumbing.terminal.scanner import Key
from capture.strokes.sides import Sides
from tests.bench.test_left_out import at_work, job_of, screen, strokes, verdict


@pytest.mark.parametrize("answered", [True, False])
async def test_it_asks_and_what_the_technician_answers_is_recorded_and_proven(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, answered: bool
) -> None:
    monkeypatch.setattr(Sides, "seem_swapped", property(lambda self: not self._denied))
    async with at_work(tmp_path) as (controls, bench, fixture):
        await strokes(bench, fixture, 2)
        shown = screen(controls, 200, 60)
        assert "was the air on when the check began?" in shown
        assert "o air was off" in shown
        if answered:
            await controls.take(Key("o"))
            assert not bench.asks_for_air and "o air was off" not in screen(controls, 200, 60)
        await verdict(bench, fixture)
        assert (AIR_OFF_FIRST in screen(controls, 200, 60)) != answered
    check = job_of(tmp_path).checks[0]
    assert check.verdict is not None
    assert [one.code for one in check.verdict.verdict.remarks] == ([] if answered else ["air_at_start"])
    recording = (tmp_path / "data" / check.recording_path).read_text()
    assert ("the air was off at the start" in recording) == answered
    proof = await asyncio.to_thread(verify, tmp_path / "data" / "record.sqlite")
    assert (proof.mismatch, proof.verdicts) == (None, 1)
