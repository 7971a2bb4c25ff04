"""How far a proof or a replay is, where somebody looks on."""

from __future__ import annotations

import gzip
import sys
from pathlib import Path

import pytest

from capture.cli import progress_bar
from capture.cli.main import app
from capture.recordings.replay import Replay
from tests.load.year_in_bulk import write_shift
from tests.support.proven_record import make_record


def told(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, *words: object) -> tuple[str, str]:
    """What a command prints, and what it shows on the way to who sits at the terminal."""
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    monkeypatch.setattr(progress_bar.ProgressBar, "_PAUSE_S", 0.0)
    app([str(word) for word in words], standalone_mode=False)
    out, error = capsys.readouterr()
    return out, error


def test_a_replay_of_hours_shows_how_far_it_is_and_nothing_of_that_where_it_prints(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "shift.jsonl"
    write_shift(path, 4, 40)
    parts: list[float] = []
    whole = list(Replay(path, progress=parts.append).strokes())
    assert len(whole) == 6 and len(parts) >= 2 and parts == sorted(parts) and parts[-1] == 1.0
    out, shown = told(capsys, monkeypatch, "replay", path, "--json")
    assert "100%  shift.jsonl  0:00 left" in shown and "#" in shown
    assert shown.endswith("\r\x1b[K"), "the bar is gone at the end"
    assert len(out.splitlines()) == 6 and "%" not in out


def test_a_proof_shows_how_far_it_is(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    make_record(tmp_path)
    out, shown = told(capsys, monkeypatch, "record", "verify", "--data-dir", tmp_path, "--processes", "1")
    assert "100%  check 4 of 4  0:00 left" in shown and out.startswith("PROVEN")


def test_a_recording_that_was_put_away_tells_how_far_it_is_as_well(tmp_path: Path) -> None:
    path, parts = tmp_path / "shift.jsonl.gz", []
    write_shift(tmp_path / "shift.jsonl", 2, 40)
    path.write_bytes(gzip.compress((tmp_path / "shift.jsonl").read_bytes()))
    list(Replay(path, progress=parts.append).strokes())
    assert parts[-1] == 1.0
