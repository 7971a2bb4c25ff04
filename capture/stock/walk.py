"""Walks the stock's ledger from its first entry and holds every row of the stock against it. Only reads.

What a person took off a shelf without a word is no row: only a count of the shelf finds that.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from capture.plumbing.sqlite_file import open_read_only
from capture.record.chain import ChainWalk
from capture.record.definitions import hold_file
from capture.record.mismatch import Mismatch
from capture.stock.chained import CHANGED_BY, KINDS, TAKEN_OVER
from capture.stock.holdings import StockError
from capture.stock.movements import VERSION, definitions_now


@dataclass(frozen=True, slots=True)
class StockWalk:
    """What was found to be whole."""

    head: tuple[int, str]
    movements: int
    taken_over: int
    """Rows that were there when the chain was begun: what was changed before then cannot be seen."""


def walk_stock(path: Path, heads: Sequence[tuple[int, str]] = ()) -> StockWalk:
    """Walk the stock at `path`; `heads` are numbers and hashes that its ledger must hold.

    Raises Mismatch for the first thing that does not match, StockError where there is no stock to walk.
    """
    if not path.is_file():
        raise StockError(f"there is no stock at {path}")
    try:
        with closing(open_read_only(path)) as connection:
            connection.execute("BEGIN")
            return _walk(connection, path, heads)
    except sqlite3.OperationalError as error:
        raise StockError(f"cannot read the stock {path}: {error}") from error
    except sqlite3.DatabaseError as error:
        raise Mismatch("the file is damaged", expected="a whole SQLite database", found=str(error)) from error


def is_chained(path: Path) -> bool:
    """Say whether the stock at `path` has a ledger; one of an earlier version has none yet."""
    with closing(open_read_only(path)) as connection:
        return bool(connection.execute("PRAGMA user_version").fetchone()[0] >= VERSION)


def _walk(connection: sqlite3.Connection, path: Path, heads: Sequence[tuple[int, str]]) -> StockWalk:
    version = connection.execute("PRAGMA user_version").fetchone()[0]
    if version != VERSION:
        raise StockError(
            f"the stock {path} is of version {version}, and this strokelog walks {VERSION}: an older one is brought up "
            "to date by `strokelog stock show`, a newer one needs a newer strokelog"
        )
    chain = ChainWalk(heads)
    newest: dict[tuple[str, int], tuple[int, dict[str, Any]]] = {}
    taken_over = 0
    for entry in connection.execute("SELECT * FROM ledger ORDER BY number"):
        body, kind = chain.take(entry), entry["kind"]
        if kind == TAKEN_OVER and entry["number"] == 1:
            taken_over = sum(body.values())
        elif kind in KINDS and isinstance(body.get("id"), int):
            key = (KINDS[kind].name, body["id"])
            if key in newest and kind != "bin":
                raise Mismatch(
                    f"a second entry for row {key[1]} of {key[0]}", entry=entry["number"], expected=1, found=2
                )
            newest[key] = entry["number"], {name: value for name, value in body.items() if name != CHANGED_BY}
        else:
            raise Mismatch("no entry that this program writes", entry=entry["number"], expected="a row", found=kind)
    chain.ended()
    for table in KINDS.values():
        for row in connection.execute(f'SELECT * FROM "{table.name}" ORDER BY id'):
            _same_row(table.name, dict(row), newest.pop((table.name, row["id"]), None))
    for (name, gone), (number, _) in sorted(newest.items()):
        raise Mismatch(f"row {gone} of {name}", entry=number, expected="its row", found=None)
    hold_file(connection, definitions_now())
    count = connection.execute("SELECT count(*) FROM movements").fetchone()[0]
    return StockWalk(chain.head, count, taken_over)


def _same_row(table: str, row: dict[str, Any], told: tuple[int, dict[str, Any]] | None) -> None:
    if told is None:
        raise Mismatch(f"row {row['id']} of {table}", expected="an entry for it", found=None)
    number, body = told
    for name in sorted(row.keys() | body.keys()):
        had, found = body.get(name), row.get(name)
        if type(had) is not type(found) or had != found:
            raise Mismatch(f"{name} of row {row['id']} of {table}", entry=number, expected=had, found=found)
