"""Whatever a release left behind is opened, proven, brought up to date and written on by this version."""

from __future__ import annotations

import json
import shutil
import sqlite3
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from capture.cli.main import app
from capture.collect.database import CollectError, engine_of
from capture.collect.heads import collected_heads
from capture.collect.rows import Arrived
from capture.collect.schema import VERSION_TABLE
from capture.collect.settings import DatabaseSettings
from capture.collect.sink import Sink
from capture.config import load_config
from capture.custody.backup import back_up_to_folder, restore
from capture.custody.backup.sources import Source
from capture.custody.verify import Proof, verify
from capture.job.unit_on_record import UnitOnRecord
from capture.record import RecordError, Store
from capture.recordings.replay import Replay
from capture.sheet.sheet import load_sheet
from capture.stock import PieceWanted, Place, StockError, StockRoom, load_stock
from capture.strokes.methods import FIRST_METHOD, METHOD
from capture.unit.facts import Override
from tests.support.make_release import RELEASES, keep_check

NOW = datetime(2031, 11, 28, 7, 30, tzinfo=UTC)
LEFT = sorted(RELEASES.iterdir())


@pytest.fixture(params=LEFT, ids=lambda folder: folder.name)
def left(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """A copy of what a release left, as it was left."""
    folder: Path = request.param
    return Path(shutil.copytree(folder, tmp_path / folder.name))


def expected(left: Path) -> dict[str, Any]:
    told: dict[str, Any] = json.loads((left / "expected.json").read_text())
    return told


def whole(proof: Proof, told: dict[str, Any]) -> None:
    assert proof.mismatch is None, proof.mismatch
    assert proof.further == []
    assert proof.head == tuple(told["head"])
    assert [proof.jobs, proof.verdicts, proof.abandoned, proof.gauge_checks] == told["proven"]
    assert (proof.photos, proof.people) == (told.get("photos", 0), "")


def judged(store: Store) -> list[list[Any]]:
    return [
        [job.unit_serial, check.pack, one.verdict.verdict, one.verdict.mean_nm, one.verdict.expanded_uncertainty_nm]
        for job in store.every_job()
        for check in job.checks
        if (one := check.verdict) is not None
    ]


def test_its_record_is_brought_up_to_date_proves_against_what_was_collected_and_goes_on(left: Path) -> None:
    told, path = expected(left), left / "data" / "record.sqlite"
    with Store.open(path) as store:
        assert judged(store) == told["verdicts"]
        assert store.outbox_size() == told["outbox"]
    collected = f"sqlite:///{left / 'collected.sqlite'}"
    heads = collected_heads(DatabaseSettings(url=collected), ["bay-1"])
    assert heads
    derived = left / "derived.jsonl"
    whole(verify(path, heads=heads, derived=derived), told)
    with Store.open(path) as store:
        assert store.abandon_open_checks("bay-1", at=NOW) == 1
        unit = UnitOnRecord(store, 2, publishes=True)
        keep_check(unit, store, left / "data", "low", "line-10hz-mm-clean", "line-10hz-mm-clean", at=NOW)
        unit.add([Override("reverse", None, "foreman", "measured by hand")], at=NOW + timedelta(minutes=5))
        for part in unit.job.checks:
            assert part.verdict is None or part.verdict.verdict.strokes >= 2
    methods = {part.verdict.method or FIRST_METHOD for part in unit.job.checks if part.verdict is not None}
    assert max(methods) == METHOD > min(methods), "one unit, measured by the release's method and by this one"
    # The chain is walked as a whole.
    proof = verify(path, job=2, expect=tuple(told["head"]), heads=heads, derived=derived)
    assert proof.mismatch is None, proof.mismatch
    assert proof.verdicts == 1 + sum(serial == unit.job.unit_serial for serial, *_ in told["verdicts"])


def test_its_backup_comes_back_proves_and_takes_the_next_one(left: Path, tmp_path: Path) -> None:
    told = expected(left)
    back = restore(left / "backup", tmp_path / "restored")
    assert back.head == tuple(told["head"])
    Store.open(tmp_path / "restored" / "record.sqlite").close()
    whole(verify(tmp_path / "restored" / "record.sqlite"), told)
    data = left / "data"
    with Store.open(data / "record.sqlite") as store:
        store.abandon_open_checks("bay-1", at=NOW)
    made = back_up_to_folder(Source(data / "record.sqlite", data / "stock.sqlite"), left / "backup", at=NOW)
    assert made.head[0] == told["head"][0] + 1
    restore(left / "backup", tmp_path / "again")


def test_its_commands_say_so(left: Path) -> None:
    words, said = ["--data-dir", str(left / "data")], {}
    for command in ("jobs", "record verify 2 --processes 1", "show 1"):
        told = CliRunner().invoke(app, [*command.split(), *words], env={"COLUMNS": "200"})
        assert told.exit_code == 0, told.output
        said[command.partition(" ")[0]] = told.output
    assert said["record"].startswith(f"PROVEN: {expected(left)['head'][0]} entries")


def test_its_stock_has_what_it_had_and_moves_on(left: Path) -> None:
    with StockRoom.open(left / "data" / "stock.sqlite") as room:
        before = room.holdings()
        assert [[one.text, one.shelf, one.free] for one in before.bins] == expected(left)["stock"]
        assert [one.place.unit for one in before.reservations] == ["FW3-0118"]
        room.reserve([PieceWanted("snap ring", 3_000_000, None, Place("", "FW3-0119", "low", 0))], by="Di", at=NOW)
        room.consume("FW3-0118", by="Di", at=NOW)
        after = {one.text: (one.shelf, one.free) for one in room.holdings().bins}
    assert after["snap ring 3.00 mm"] == (6, 5) and after["snap ring 2.80 mm"] == (3, 3)


def test_its_collector_s_database_takes_what_benches_publish_now(left: Path, tmp_path: Path) -> None:
    shutil.copytree(left / "data", tmp_path / "bench")
    with Store.open(tmp_path / "bench" / "record.sqlite") as store:
        store.abandon_open_checks("bay-1", at=NOW)
        UnitOnRecord(store, 2, publishes=True).add([Override("reverse", None, "Di", "a trial")], at=NOW)
        waiting = store.outbox_after(0, 1000)
    told = expected(left)
    assert len(waiting) == told["outbox"] + 1
    sink = Sink(engine_of(DatabaseSettings(url=f"sqlite:///{left / 'collected.sqlite'}")))
    sink.open()
    counts = sink.keep([Arrived(one.message.topic, one.message.payload.encode(), NOW) for one in waiting])
    assert (counts.strokes + counts.verdicts + counts.statuses + counts.units, counts.refused) == (len(waiting), 0)
    sink.close()


def test_its_recordings_settings_sheet_masters_and_stock_file_are_read(left: Path, monkeypatch: Any) -> None:
    monkeypatch.chdir(left)
    config = load_config(left / "config.toml")
    assert config.bench == "bay-1" and config.gauge is not None
    pack = load_sheet(left / "sheet.toml").pack("low")
    assert load_stock(left / "stock.toml").parts
    for recording in (left / "data" / "recordings").rglob("job-*/*-low.jsonl"):
        assert list(Replay(recording, pack).strokes())
    listed = CliRunner().invoke(
        app,
        ["gauge", "masters", str(left / "masters.toml"), "--by", "Di", "--data-dir", str(left / "data")],
    )
    assert listed.exit_code == 0, listed.output


def test_an_earlier_version_refuses_what_a_later_one_wrote_in_words(left: Path) -> None:
    """What the version of each database will be to one that does not know it yet."""
    data = left / "data"
    statements = {
        data / "record.sqlite": "UPDATE alembic_version SET version_num = '9999'",
        data / "stock.sqlite": "PRAGMA user_version = 9999",
        left / "collected.sqlite": f"UPDATE {VERSION_TABLE} SET version_num = '9999'",
    }
    for path, statement in statements.items():
        with closing(sqlite3.connect(path)) as connection, connection:
            connection.execute(statement)
    with pytest.raises(RecordError, match="newer strokelog"):
        Store.open(data / "record.sqlite")
    with pytest.raises(StockError, match="newer strokelog"):
        StockRoom.open(data / "stock.sqlite")
    sink = Sink(engine_of(DatabaseSettings(url=f"sqlite:///{left / 'collected.sqlite'}")))
    with pytest.raises(CollectError, match="newer collector"):
        sink.open()
    sink.close()
