"""The short version: every way finds the strokes that are there, and ours costs a small part of what it costs live."""

from __future__ import annotations

from pathlib import Path

from tests.load import year_in_bulk


def test_all_ways_find_the_strokes_that_are_there(tmp_path: Path) -> None:
    path = tmp_path / "shift.jsonl"
    readings, strokes = year_in_bulk.write_shift(path, minutes=1.5, every_s=10)
    assert readings == 9_000 and strokes == 9
    assert year_in_bulk.in_bulk(path) == year_in_bulk.one_by_one(path) == strokes
    assert year_in_bulk.with_pandas(path) == strokes


def test_quiet_readings_cost_less_than_a_third_of_what_they_cost_live(tmp_path: Path) -> None:
    path = tmp_path / "shift.jsonl"
    year_in_bulk.write_shift(path, minutes=8, every_s=120)
    ours = min(year_in_bulk.measured("in bulk", year_in_bulk.in_bulk, path).cpu_s for _ in range(3))
    live = year_in_bulk.measured("one by one", year_in_bulk.one_by_one, path).cpu_s
    assert ours < live / 3, (ours, live)
