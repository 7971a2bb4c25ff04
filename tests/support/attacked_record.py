"""What somebody does to a record who has its files and has read how it works, and what a proof says of it."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

from capture.custody.verify import recording_of, verify
from capture.record import Store
from capture.record.ledger import BEFORE_THE_FIRST, canonical, digest
from tests.support.proven_record import forge, tamper


def entries(path: Path) -> list[dict[str, Any]]:
    """Return the entries of a record's ledger, in order."""
    with closing(sqlite3.connect(path)) as connection:
        connection.row_factory = sqlite3.Row
        return [dict(row) for row in connection.execute("SELECT * FROM ledger ORDER BY number")]


def number_of(path: Path, kind: str, nth: int = 0) -> int:
    """Return the number of an entry of a kind, the first if not told otherwise."""
    return int([one["number"] for one in entries(path) if one["kind"] == kind][nth])


def rebuild(path: Path, change: Callable[[dict[str, Any]], None], *more: tuple[str, tuple[Any, ...]]) -> None:
    """Change entries, work the whole chain out again, and make the tables agree with `more`."""
    last, statements = BEFORE_THE_FIRST[1], list(more)
    for one in entries(path):
        one["body"] = json.loads(one["body"])
        change(one)
        text = canonical(one["body"])
        sha256 = digest(last, one["number"], one["kind"], one["at"], text)
        sql = "UPDATE ledger SET at = ?, kind = ?, body = ?, previous = ?, sha256 = ? WHERE number = ?"
        statements.append((sql, (one["at"], one["kind"], text, last, sha256, one["number"])))
        last = sha256
    tamper(path, *statements)


def take_out(path: Path, *numbers: int, tables: tuple[tuple[str, tuple[Any, ...]], ...] = ()) -> None:
    """Take entries out of the ledger, and their rows by `tables`, and number and chain the rest anew."""
    left = [one["number"] for one in entries(path) if one["number"] not in numbers]
    gone = [("DELETE FROM ledger WHERE number = ?", (number,)) for number in numbers]
    moved = [("UPDATE ledger SET number = ? WHERE number = ?", (place, one)) for place, one in enumerate(left, 1)]
    tamper(path, *gone, *moved, *tables)
    rebuild(path, lambda one: None)


def put_right(path: Path, table_id: int, recording: Path) -> None:
    """Make the chain say that this is the recording of a verdict."""
    data = recording.read_bytes()
    told = {"recording_sha256": hashlib.sha256(data).hexdigest(), "recording_bytes": len(data)}
    number = next(
        one["number"] for one in entries(path) if one["kind"] == "verdict" and json.loads(one["body"])["id"] == table_id
    )
    forge(path, number, **told)
    sql = "UPDATE verdicts SET recording_sha256 = ?, recording_bytes = ? WHERE id = ?"
    tamper(path, (sql, (*told.values(), table_id)))


def header_says(recording: Path, **told: Any) -> None:
    """Make the header of a recording say something else."""
    header, rest = recording.read_text().split("\n", 1)
    recording.write_text(json.dumps({**json.loads(header), **told}) + "\n" + rest)


def judged(path: Path) -> Path:
    """Return the recording of the first job's verdict."""
    with Store.open_to_read(path) as store:
        return recording_of(next(one for one in store.job(1).checks if one.verdict is not None), path)


def found(path: Path, **options: Any) -> str:
    """Return what does not match."""
    mismatch = verify(path, **options).mismatch
    assert mismatch is not None
    return str(mismatch)


def only_elsewhere(path: Path, heads: list[tuple[int, str]]) -> str:
    """The record by itself proves; return what is found by what was written down elsewhere."""
    mismatch = verify(path).mismatch
    assert mismatch is None, mismatch
    return found(path, heads=heads)
