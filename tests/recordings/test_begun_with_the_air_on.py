"""A check begun while the air is on, by hand and not zeroed, is measured from the true rest, or is asked about."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from capture.clearance.remarks import AIR_MAY_HAVE_BEEN_ON, AIR_OFF_FIRST, AIR_WAS_ON
from capture.recordings.replay import Replay
from capture.strokes.finder import FinderSettings, StrokeFinder
from capture.strokes.machine import Notice
from drivers.reading import Reading
from tests.load import evaluate_strokes as evaluation
from tests.support.sheets import pack, sheet
from tests.support.waveforms import SECOND, Waveform

MM = 1_000_000
PACK = sheet(pack("low", keys="strokes = 3\nseat_strokes = 0")).packs[0]
CELLS = [cell for cell in evaluation.grid(None) if cell.rate_hz < 1000]


def begun_held(ends_at_rest: bool = True, last_s: float = 1.4, scatter_nm: int = 3_000, **settings: object) -> Waveform:
    """A wave whose air is on at the start, and then four strokes, with pauses a little longer than the holds."""
    wave = Waveform(resolution_nm=1_000, noise_nm=800, **settings)  # type: ignore[arg-type]
    wave.toward(1.1 * MM, 1.3, 1e-9).toward(0, 1.6, 0.03)
    for number in range(4):
        wave.stroke(1.1 * MM + scatter_nm * (-1) ** number, 1.2, 1.6)
    return wave if ends_at_rest else wave.toward(1.1 * MM, last_s, 0.03)


def recorded(path: Path, wave: Waveform, *marks: tuple[int, str]) -> Path:
    """Write the wave as a recording of a line, with these notes at those times."""
    indicator = {"driver": "line", "unit": "mm", "resolution": "0.001 mm"}
    lines: list[tuple[int, dict[str, object]]] = [
        (t_ns, {"ns": t_ns, "indicator": f"{reading.value_nm / MM:+.3f}\r\n"}) for t_ns, reading in wave.samples
    ]
    lines += [(t_ns, {"ns": t_ns, "mark": {"note": note}}) for t_ns, note in marks]
    header = {"recording": 2, "started": "2026-11-28T08:00:00+00:00", "bench": "b", "port": "p", "indicator": indicator}
    told = [header, *(line for _, line in sorted(lines, key=lambda line: line[0]))]
    path.write_text("".join(f"{json.dumps(line)}\n" for line in told), encoding="utf-8")
    return path


@pytest.mark.parametrize("direction", [1, -1])
@pytest.mark.parametrize("rate_hz", [10, 50, 100])
@pytest.mark.parametrize("speed", [None, 1e9])
def test_a_recording_begun_with_the_air_on_is_measured_from_the_rest_after_it(
    tmp_path: Path, direction: int, rate_hz: int, speed: float | None
) -> None:
    replay = Replay(recorded(tmp_path / "r.jsonl", begun_held(direction=direction, rate_hz=rate_hz)), PACK)
    strokes = [kept.stroke for kept in replay.strokes(speed)]
    assert [stroke.released_nm for stroke in strokes] == pytest.approx([2 * MM] * 4, abs=3_000)
    assert [stroke.start_ns / SECOND for stroke in strokes] == pytest.approx([2.9 + 2.8 * n for n in range(4)], abs=0.7)
    assert [stroke.accepted for stroke in strokes] == [True] * 4
    assert replay.verdict is not None
    assert [(one.code, one.text) for one in replay.verdict.remarks] == [("air_at_start", AIR_WAS_ON)]


def test_a_recording_that_a_bench_broke_off_in_a_hold_is_measured_as_it_was(tmp_path: Path) -> None:
    wave = Waveform(resolution_nm=1_000, noise_nm=800, rate_hz=50).rest(2)
    for _ in range(4):
        wave.stroke(1.1 * MM, 1.2, 1.6)
    wave.toward(1.1 * MM, 1.0, 0.03)
    path = recorded(tmp_path / "r.jsonl", wave, (wave.samples[-1][0], "ended by the technician"))
    replay = Replay(path, PACK)
    assert [kept.stroke.released_nm for kept in replay.strokes()] == pytest.approx([2 * MM] * 5, abs=3_000)
    assert replay.verdict is not None and replay.verdict.remarks == ()


def test_where_it_is_only_likely_the_verdict_says_so_until_the_technician_says_otherwise(tmp_path: Path) -> None:
    """It was broken off in a hold, so that how it ends says nothing. Had it ended so by itself, it would be taken for
    one that begins and ends at rest."""
    wave = begun_held(ends_at_rest=False, scatter_nm=6_000)
    broken_off = (wave.samples[-1][0], "ended by the technician")
    shown = Replay(recorded(tmp_path / "asked.jsonl", wave, broken_off), PACK)
    assert len(list(shown.strokes())) == 5
    assert shown.verdict is not None
    assert [one.text for one in shown.verdict.remarks] == [AIR_MAY_HAVE_BEEN_ON]
    assert shown.verdict.air_at_start and not shown.verdict.seal
    assert shown.verdict.verdict == "inconclusive" or shown.verdict.next_step.startswith(AIR_OFF_FIRST)
    off = (13 * SECOND, "the air was off at the start")
    answered = recorded(tmp_path / "answered.jsonl", wave, off, broken_off)
    denied = Replay(answered, PACK)
    assert len(list(denied.strokes())) == 5
    assert denied.verdict is not None and denied.verdict.remarks == ()


def _asked(wave: evaluation.Wave, begin: int) -> tuple[bool, StrokeFinder]:
    finder, asked = StrokeFinder(FinderSettings(wave.cell.resolution_nm)), False
    for t_s, value in zip(wave.t_s.tolist()[begin:], wave.values_nm.tolist()[begin:], strict=True):
        finder.feed(round(t_s * SECOND), [Reading(value, "mm")])
        asked |= Notice.AIR_WAS_ON in finder.notices
    finder.ends_by_itself()
    return asked or finder.air_may_have_been_on, finder


def test_of_ordinary_checks_none_is_asked_about_and_of_those_begun_with_the_air_on_nearly_all() -> None:
    silent = told = 0
    for number in range(60):
        cell = CELLS[number * 7 % len(CELLS)]
        scenario = evaluation.SCENARIOS[number % len(evaluation.SCENARIOS)]
        wave = evaluation.make_wave(cell, np.random.default_rng([78, number]), scenario)
        silent += not _asked(wave, 0)[0]
        first = wave.strokes[0]
        held = int(np.searchsorted(wave.t_s, first.apply_s + 0.6 * (first.release_s - first.apply_s)))
        told += _asked(wave, held)[0]
    assert silent == 60
    assert told >= 54
