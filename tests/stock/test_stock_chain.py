"""The stock is chained as the record is: whatever was edited past its triggers is found and named."""

from __future__ import annotations

import json
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from capture.cli.main import app
from capture.custody.backup import BackupError, back_up_to_archive, back_up_to_folder, restore
from capture.custody.backup.sources import Source
from capture.record import Mismatch
from capture.record.ledger import BEFORE_THE_FIRST, digest
from capture.stock import PieceWanted, Place, StockError, StockRoom, load_stock
from capture.stock.chained import KINDS
from capture.stock.walk import walk_stock
from tests.support.make_release import RELEASES
from tests.support.proven_record import AT, make_record

ROOT = Path(__file__).resolve().parents[2]
EXAMPLE = ROOT / "fixtures" / "stock" / "forestry-workshop.toml"
UNIT = Place("", "FW3-0117", "high", 0)


def fill(path: Path) -> Path:
    with StockRoom.open(path) as room:
        room.import_file(load_stock(EXAMPLE), by="parts desk", at=AT)
        room.receive("snap ring", 2_800_000, 3, by="parts desk", at=AT + timedelta(hours=1))
        room.measure("snap ring", 2_800_000, "SR-77", 2_806_000, 4_000, by="Aino", at=AT + timedelta(hours=2))
        room.reserve([PieceWanted("snap ring", 3_200_000, "SR-31", UNIT)], by="Aino", at=AT + timedelta(hours=3))
        room.consume("FW3-0117", by="Carl", at=AT + timedelta(hours=4))
    return path


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return fill(tmp_path_factory.mktemp("stock") / "stock.sqlite")


@pytest.fixture
def stock(filled: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(filled, tmp_path / "stock.sqlite"))


def edit(path: Path, *statements: str) -> None:
    """As somebody would who knows SQLite: without the triggers, which are put back."""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        triggers = connection.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for name, _ in triggers:
            connection.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            connection.execute(statement)
        for _, sql in triggers:
            connection.execute(sql)


def said(path: Path, *heads: tuple[int, str]) -> str:
    with pytest.raises(Mismatch) as caught:
        walk_stock(path, heads)
    return str(caught.value)


def strokelog(*words: object) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words], env={"COLUMNS": "300"})


def test_a_stock_that_nobody_edited_proves(stock: Path) -> None:
    whole = stock.read_bytes()
    walked = walk_stock(stock)
    with StockRoom.open(stock) as room:
        assert walked.head == room.head() and walked.taken_over == 0
    assert stock.read_bytes() == whole
    assert strokelog("stock", "verify", "--stock", stock).output.startswith(f"PROVEN: {walked.head[0]} entries")


def cells() -> Iterator[tuple[str, str]]:
    for table in KINDS.values():
        for column in table.columns:
            yield table.name, column.name


@pytest.mark.attack("a movement, bin or measured part")
@pytest.mark.parametrize(("table", "column"), list(cells()))
def test_any_changed_column_is_found_and_named(stock: Path, table: str, column: str) -> None:
    edit(
        stock,
        "PRAGMA foreign_keys = OFF",
        "PRAGMA ignore_check_constraints = ON",
        f'UPDATE {table} SET "{column}" = coalesce("{column}", 0) || 7 WHERE id = (SELECT max(id) FROM {table})',
    )
    text = said(stock)
    assert (f"{column} of row" in text and f"of {table}" in text) or (column == "id" and table in text), text


@pytest.mark.attack("a movement, bin or measured part")
@pytest.mark.parametrize(
    ("statement", "found"),
    [
        ("DELETE FROM movements WHERE id = 4", "row 4 of movements: expected its row, found nothing"),
        ("INSERT INTO movements (at, by, kind, bin, shelf) VALUES ('2026', 'x', 'received', 1, 5)", "an entry for it"),
        ("DELETE FROM ledger WHERE number = 4", "Entry 4: an entry of the ledger is missing"),
        ("UPDATE ledger SET body = replace(body, 'Aino', 'Carl')", "the entry (movement) was changed"),
        ("DROP INDEX movements_bin_measured_part", "a part of the file was removed"),
    ],
)
def test_what_was_put_in_or_taken_out_is_found(stock: Path, statement: str, found: str) -> None:
    edit(stock, statement)
    assert found.lower() in said(stock).lower()
    told = strokelog("stock", "verify", "--stock", stock)
    assert told.exit_code == 1 and told.output.startswith("NOT PROVEN")


def test_a_trigger_that_only_has_the_right_name_is_found(stock: Path) -> None:
    with closing(sqlite3.connect(stock)) as connection:
        connection.execute("DROP TRIGGER movements_no_update")
        connection.execute("CREATE TRIGGER movements_no_update BEFORE UPDATE ON movements WHEN 0 BEGIN SELECT 1; END")
    assert "the SQL of the trigger movements_no_update" in said(stock)


def rebuild(path: Path, number: int, **changes: object) -> None:
    """Change an entry and its row, and work the whole chain out again."""
    with closing(sqlite3.connect(path)) as connection:
        rows = connection.execute("SELECT number, kind, at, body FROM ledger ORDER BY number").fetchall()
    last, statements = BEFORE_THE_FIRST[1], []
    for one, kind, at, text in rows:
        if one == number:
            body = {**json.loads(text), **changes}
            text = json.dumps(body, separators=(",", ":"), sort_keys=True)
            sets = ", ".join(f"{name} = {value!r}" for name, value in changes.items())
            statements.append(f"UPDATE {KINDS[kind].name} SET {sets} WHERE id = {body['id']}")
        sha256 = digest(last, one, kind, at, text)
        quoted = text.replace("'", "''")
        statements.append(
            f"UPDATE ledger SET body = '{quoted}', previous = '{last}', sha256 = '{sha256}' WHERE number = {one}"
        )
        last = sha256
    edit(path, *statements)


@pytest.mark.attack("the stock edited and its chain")
def test_a_chain_worked_out_again_is_found_by_a_head_that_left_the_house(stock: Path, tmp_path: Path) -> None:
    head = walk_stock(stock).head
    rebuild(stock, head[0], by="Berit")
    walk_stock(stock)  # it looks whole
    assert "as it was written down" in said(stock, head)
    told = strokelog("stock", "verify", "--stock", stock, "--expect", f"{head[0]}:{head[1]}")
    assert told.exit_code == 1 and "as it was written down" in told.output


@pytest.mark.attack("a part taken off the shelf")
def test_a_part_taken_off_the_shelf_shows_only_when_somebody_counts(stock: Path, tmp_path: Path) -> None:
    assert walk_stock(stock)  # whatever lies on the shelf
    with StockRoom.open(stock) as room:
        (part, thickness_nm, there), *_ = ((one.part, one.thickness_nm, one.loose) for one in room.holdings().bins)
        counted = tmp_path / "counted.toml"
        counted.write_text(
            f"[[parts]]\npart = '{part}'\nthickness = '{thickness_nm / 1e6:.4f} mm'\ncount = {there - 1}\n"
        )
        told = room.import_file(load_stock(counted), by="Aino", at=AT)
    assert f"-1 unmeasured, now {there - 1}" in "; ".join(told)


def test_the_anchor_of_a_record_takes_the_stock_s_head_along(tmp_path: Path) -> None:
    (tmp_path / "bench").mkdir()
    record = make_record(tmp_path / "bench")
    stock = fill(record.parent / "stock.sqlite")
    settings, file = tmp_path / "bay-1.toml", tmp_path / "heads.jsonl"
    settings.write_text(f'bench = "bay-1"\ndata_dir = "{record.parent}"\n[anchors]\nfile = "{file}"\n')
    said_so = strokelog("record", "anchor", "--config", settings).output
    number, sha256 = walk_stock(stock).head
    assert f"Head of the stock: {number}:{sha256}" in said_so
    words = ("stock", "verify", "--config", settings, "--anchors", file)
    assert f"Proven against heads written down: 1, the newest of entry {number}." in strokelog(*words).output
    assert strokelog("record", "verify", "--config", settings, "--anchors", file).exit_code == 0
    rebuild(stock, number, by="Berit")
    assert strokelog(*words).exit_code == 1


@pytest.mark.attack("the stock edited and its chain")
def test_a_backup_takes_no_stock_that_does_not_prove_and_knows_another(tmp_path: Path) -> None:
    (tmp_path / "bench").mkdir()
    record = make_record(tmp_path / "bench")
    stock = fill(record.parent / "stock.sqlite")
    source, place = Source(record, stock), tmp_path / "backup"
    back_up_to_folder(source, place, at=AT)
    back_up_to_archive(source, tmp_path / "backup.tar.gz", at=AT)
    for backup in (place, tmp_path / "backup.tar.gz"):
        restore(backup, tmp_path / f"back-{backup.name}")
        assert walk_stock(tmp_path / f"back-{backup.name}" / "stock.sqlite").head == walk_stock(stock).head
    rebuild(stock, walk_stock(stock).head[0], by="Berit")
    with pytest.raises(BackupError, match=r"the stock .* was not backed up, since it does not prove: .*written down"):
        back_up_to_folder(source, place, at=AT)
    edit(stock, "DELETE FROM movements WHERE id = 4")
    with pytest.raises(BackupError, match="row 4 of movements"):
        back_up_to_archive(source, tmp_path / "other.tar", at=AT)


def test_a_stock_from_before_there_was_a_chain_is_taken_over_as_it_is(tmp_path: Path) -> None:
    path = Path(shutil.copy(RELEASES / "0.2.0" / "data" / "stock.sqlite", tmp_path))
    with pytest.raises(StockError, match="an older one is brought up to date by `strokelog stock show`"):
        walk_stock(path)
    with StockRoom.open(path) as room:
        room.receive("snap ring", 2_800_000, 1, by="Di", at=AT)
    walked = walk_stock(path)
    assert walked.taken_over and walked.movements
    told = strokelog("stock", "verify", "--stock", path).output
    assert f"{walked.taken_over} rows were there before it had a chain" in told


def test_a_stock_that_was_edited_before_it_had_a_chain_is_not_taken_over(tmp_path: Path) -> None:
    path = Path(shutil.copy(RELEASES / "0.2.0" / "data" / "stock.sqlite", tmp_path))
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("DROP TRIGGER movements_no_update")
    whole = path.read_bytes()
    with pytest.raises(StockError, match="says it is of version 2, and is not: a trigger that refuses changes"):
        StockRoom.open(path)
    assert path.read_bytes() == whole
