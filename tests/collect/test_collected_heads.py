"""Heads that leave the house prove a record against its owner: what was collected as it happened cannot be worked out
anew at the bench."""

from __future__ import annotations

import json
import shutil
import sqlite3
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest
import sqlalchemy as sa
from typer.testing import CliRunner

from capture.cli.main import app
from capture.collect.database import engine_of
from capture.collect.events import BrokenRecord
from capture.collect.heads import collected_heads
from capture.collect.rows import Arrived
from capture.collect.schema import broken, heads
from capture.collect.settings import DatabaseSettings
from capture.collect.sink import Sink
from capture.custody.verify import verify
from capture.job.unit_on_record import UnitOnRecord
from capture.record import Store
from capture.unit.facts import Override
from tests.support.proven_record import AT, forge, make_record

NOW = AT + timedelta(days=1)


def strokelog(*words: str, code: int) -> str:
    done = CliRunner().invoke(app, [*words, "--processes", "1"], env={"COLUMNS": "300"})
    assert done.exit_code == code, done.output
    return done.output


def let_pass(record: Path, *packs: str, minute: int = 0) -> list[Arrived]:
    """Write an override of each pack into the second job, and return what was published of it."""
    with Store.open(record) as store:
        unit = UnitOnRecord(store, 2, publishes=True)
        for n, pack in enumerate(packs):
            unit.add([Override(pack, None, "Di", "a trial")], at=NOW + timedelta(minutes=minute + n))
        waiting = store.outbox_after(0, 1000)
        store.drop_outbox([one.row for one in waiting])
    return [Arrived(one.message.topic, one.message.payload.encode(), NOW) for one in waiting]


@pytest.fixture
def record(tmp_path: Path) -> Path:
    (tmp_path / "bench").mkdir()
    path = make_record(tmp_path / "bench")
    with Store.open(path) as store:
        store.abandon_open_checks(store.benches()[0], at=NOW - timedelta(minutes=1))
    return path


@pytest.fixture
def shop(tmp_path: Path) -> str:
    return f"sqlite:///{tmp_path / 'shop.sqlite'}"


def collect(url: str, *batches: list[Arrived]) -> list[BrokenRecord]:
    found: list[BrokenRecord] = []
    sink = Sink(engine_of(DatabaseSettings(url=url)), on_broken=found.append)
    for batch in batches:
        sink.keep(batch)
    sink.close()
    return found


def test_every_head_is_kept_once_and_is_the_record_s_own(record: Path, shop: str) -> None:
    first, second = let_pass(record, "high"), let_pass(record, "reverse", "high", minute=10)
    assert collect(shop, first, second, first, second) == []
    with Store.open(record) as store:
        bench = store.benches()
        newest = store.head()
    told = collected_heads(DatabaseSettings(url=shop), bench)
    assert len(told) == 3 and told[-1] == newest
    with closing(sqlite3.connect(record)) as connection:
        ledger = dict(connection.execute("SELECT number, sha256 FROM ledger").fetchall())
    assert all(ledger[number] == sha256 for number, sha256 in told)
    said = strokelog("record", "verify", "--against", shop, "--data-dir", str(record.parent), code=0)
    assert said.count("TIMES IN DOUBT") == 1  # that of eleven minutes later; those of five are one clock's as another's
    assert f"TIMES IN DOUBT: entry {newest[0]} says" in said
    assert f"Proven against what was collected as it happened: 3 heads, the newest of entry {newest[0]}." in said


@pytest.mark.attack("the unit's serial, a sign-off's name")
def test_a_chain_worked_out_anew_proves_alone_and_not_against_what_was_collected(record: Path, shop: str) -> None:
    collect(shop, let_pass(record, "high"))
    with closing(sqlite3.connect(record)) as connection:
        (number,) = connection.execute("SELECT max(number) FROM ledger WHERE kind = 'override'").fetchone()
        (early,) = connection.execute("SELECT min(number) FROM ledger WHERE kind = 'step_done'").fetchone()
    forge(record, early, by="somebody else")
    assert verify(record).mismatch is None  # whoever may write everything can make a chain that is whole
    said = strokelog("record", "verify", "--against", shop, "--data-dir", str(record.parent), code=1)
    assert f"Entry {number}: the hash of this entry as it was written down" in said
    mismatch, proof = map(json.loads, strokelog(
        "record", "verify", "--against", shop, "--json", "--data-dir", str(record.parent), code=1
    ).splitlines())  # fmt: skip
    assert mismatch["entry"] == number and proof["proven"] is False and proof["collected_heads"] == 1


@pytest.mark.attack("the end cut off")
def test_a_record_put_back_from_a_backup_is_noticed_by_its_next_message(
    record: Path, shop: str, tmp_path: Path
) -> None:
    before = let_pass(record, "high")
    backup = tmp_path / "backup.sqlite"
    with closing(sqlite3.connect(record)) as source, closing(sqlite3.connect(backup)) as copy:
        source.backup(copy)
    after = let_pass(record, "high", "reverse", minute=10)
    assert collect(shop, before, after) == []
    for leftover in record.parent.glob("record.sqlite-*"):
        leftover.unlink()
    shutil.copyfile(backup, record)
    again = let_pass(record, "reverse", minute=30)
    (found,) = collect(shop, again)
    assert found.shop == "" and "the record was changed or replaced" in found.why
    # It is told once: what follows is of the record as it is now.
    assert collect(shop, let_pass(record, "high", minute=40), again) == []
    with engine_of(DatabaseSettings(url=shop)).connect() as connection:
        (row,) = connection.execute(sa.select(broken)).all()
        assert (row.bench, row.why) == (found.bench, found.why)
        assert connection.execute(sa.select(sa.func.count()).select_from(heads)).scalar() == 5
    said = strokelog("record", "verify", "--against", shop, "--data-dir", str(record.parent), code=1)
    assert "the hash of this entry as it was written down" in said


@pytest.mark.attack("the end cut off")
def test_a_cut_tail_is_found_by_what_was_collected(record: Path, shop: str, tmp_path: Path) -> None:
    short = tmp_path / "short.sqlite"
    with closing(sqlite3.connect(record)) as source, closing(sqlite3.connect(short)) as copy:
        source.backup(copy)
    collect(shop, let_pass(record, "high"))
    for leftover in record.parent.glob("record.sqlite-*"):
        leftover.unlink()
    shutil.copyfile(short, record)
    assert verify(record).mismatch is None
    said = strokelog("record", "verify", "--against", shop, "--data-dir", str(record.parent), code=1)
    assert "the end of the ledger is missing" in said


def test_a_database_that_knows_nothing_of_the_bench_proves_nothing_and_says_so(record: Path, tmp_path: Path) -> None:
    where = ("--data-dir", str(record.parent))
    empty = f"sqlite:///{tmp_path / 'empty.sqlite'}"
    collect(empty, [])
    assert "nothing can be proven against it" in strokelog("record", "verify", "--against", empty, *where, code=1)
    assert "no database address" in strokelog("record", "verify", "--against", "shop.db", *where, code=2)
    gone = f"sqlite:///{tmp_path / 'nowhere.sqlite'}"
    assert "--against" in strokelog("record", "verify", "--against", gone, *where, code=1)
    assert not (tmp_path / "nowhere.sqlite").exists()
