"""The settings that decide something are in the chain whenever they are others than before, with who was at work."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path

import pytest
from typer.testing import CliRunner

from capture.cli.main import app
from capture.custody.verify import verify
from capture.record import Store
from capture.record.settings_kept import WhoSet, difference_of
from tests.support.proven_record import AT, forge, make_record

AINO, BERIT = WhoSet("Aino", "bench"), WhoSet("Berit", "root")
GAUGE = {"gauge": {"serial": "DI-0413"}, "indicator": {"driver": "line", "max_error": "0.01 mm"}}
OTHER = {"gauge": {"serial": "DI-0999"}, "indicator": {"driver": "line", "max_error": "0.002 mm"}}


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "record.sqlite"


def test_only_settings_that_are_others_than_before_make_an_entry(path: Path) -> None:
    with Store.open(path) as store:
        assert store.keep_settings("bay-1", "bench", GAUGE, AINO, at=AT) == 1
        assert store.keep_settings("bay-1", "bench", GAUGE, BERIT, at=AT) is None
        assert store.keep_settings("bay-1", "retention", {"prune_after_days": 730}, AINO, at=AT) == 2
        assert store.keep_settings("bay-2", "bench", GAUGE, AINO, at=AT) == 3
        assert store.keep_settings("bay-1", "bench", OTHER, BERIT, at=AT) == 4
        assert store.keep_settings("bay-1", "bench", GAUGE, BERIT, at=AT) == 5  # and back again


def test_what_differs_is_named() -> None:
    assert difference_of(GAUGE, OTHER) == {
        "gauge.serial": ("DI-0413", "DI-0999"),
        "indicator.max_error": ("0.01 mm", "0.002 mm"),
    }
    assert difference_of({"wrench": "W-1"}, {}) == {"wrench": ("W-1", None)}


@pytest.mark.attack("the gauge, its limits or the sheet")
def test_verify_tells_who_was_at_work_when_settings_became_others(tmp_path: Path) -> None:
    path = make_record(tmp_path)
    with Store.open(path) as store:
        store.keep_settings("bay-1", "bench", GAUGE, AINO, at=AT + timedelta(days=1))
        number = store.keep_settings("bay-1", "bench", OTHER, BERIT, at=AT + timedelta(days=2))
    words = ["record", "verify", "--data-dir", str(tmp_path)]
    told = CliRunner().invoke(app, words, env={"COLUMNS": "300"}).output
    assert f"Entry {number}: settings (bench) of bay-1 changed at" in told
    assert "Berit at work as user root: gauge.serial from DI-0413 to DI-0999" in told
    line = json.loads(CliRunner().invoke(app, [*words, "--json"]).output.splitlines()[-1])
    assert [one["technician"] for one in line["settings"]] == ["Aino", "Berit"]


@pytest.mark.attack("what the settings were")
def test_who_was_at_work_cannot_be_made_another_unseen(tmp_path: Path) -> None:
    path = make_record(tmp_path)
    with Store.open(path) as store:
        number = store.keep_settings("bay-1", "bench", GAUGE, AINO, at=AT + timedelta(days=1))
        head = store.head()
    assert number is not None
    forge(path, number, technician="Carl")
    mismatch = verify(path, heads=[head]).mismatch
    assert mismatch is not None and "as it was written down" in str(mismatch)


@pytest.mark.attack("the gauge, its limits or the sheet")
def test_how_long_recordings_stay_is_kept_when_recordings_are_pruned_by_it(tmp_path: Path) -> None:
    path = make_record(tmp_path)
    settings = tmp_path / "bay-1.toml"

    def prune(days: int, *more: str) -> list[dict[str, object]]:
        settings.write_text(f'bench = "bay-1"\ntechnician = "Di"\n[retention]\ncompress_after_days = {days}\n')
        words = ["record", "prune", "--config", str(settings), "--data-dir", str(tmp_path), *more]
        CliRunner().invoke(app, words)
        return [one.settings for one in verify(path).settings]

    assert prune(400_000, "--dry-run") == []
    assert len(prune(400_000)) == 1 and len(prune(400_000)) == 1
    assert [one["compress_after_days"] for one in prune(300_000)] == [400_000, 300_000]
