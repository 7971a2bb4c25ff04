"""Every row of the stock as it is written, chained: an entry a row, whose hash is worked out as that of the record's
entries (`record/ledger.py`). A bin may change; then the newest entry of it is what its row must be.

    taken_over      the chain was begun on a stock that had none: so many rows follow as they were found
    bin             a bin's whole row, new or changed, and who did it
    measured_part   a tagged part's row
    movement        a movement's row
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from sqlalchemy import Connection, Table, func, insert, select, update

from capture.record.ledger import BEFORE_THE_FIRST, canonical, digest, exact
from capture.stock.tables import bins, ledger, measured_parts, movements

#: The table that an entry's row is in, by its kind.
KINDS: Final[Mapping[str, Table]] = {"bin": bins, "measured_part": measured_parts, "movement": movements}
_KIND_OF: Final = {table: kind for kind, table in KINDS.items()}
TAKEN_OVER: Final = "taken_over"
#: In a bin's entry: who made or changed it. Movements have it in their rows.
CHANGED_BY: Final = "changed_by"
_NEVER: Final = "1970-01-01T00:00:00.000000+00:00"


def put(connection: Connection, table: Table, values: Mapping[str, Any], *, at: str, by: str) -> int:
    """Insert a row and its entry; return the row's id."""
    key = int(connection.execute(insert(table).values(**values).returning(table.c.id)).scalar_one())
    _append_row(connection, table, key, at, by)
    return key


def change(connection: Connection, table: Table, key: int, values: Mapping[str, Any], *, at: str, by: str) -> None:
    """Change a row, with an entry if that made it another."""
    before = _row(connection, table, key)
    connection.execute(update(table).where(table.c.id == key).values(**values))
    if _row(connection, table, key) != before:
        _append_row(connection, table, key, at, by)


def take_over(connection: Connection) -> None:
    """Begin the chain with the rows that are there; nothing where there are none."""
    counts = {
        table.name: connection.execute(select(func.count()).select_from(table)).scalar_one() for table in _KIND_OF
    }
    if not any(counts.values()):
        return
    at = connection.execute(select(func.max(movements.c.at))).scalar_one() or _NEVER
    _append(connection, TAKEN_OVER, counts, at)
    for table in (bins, measured_parts, movements):
        for key in connection.execute(select(table.c.id).order_by(table.c.id)).scalars().all():
            _append_row(connection, table, key, at, "")


def head(connection: Connection) -> tuple[int, str]:
    """Return number and hash of the newest entry."""
    newest = select(ledger.c.number, ledger.c.sha256).order_by(ledger.c.number.desc()).limit(1)
    row = connection.execute(newest).first()
    return BEFORE_THE_FIRST if row is None else (row.number, row.sha256)


def _row(connection: Connection, table: Table, key: int) -> dict[str, Any]:
    return dict(connection.execute(select(table).where(table.c.id == key)).one()._mapping)


def _append_row(connection: Connection, table: Table, key: int, at: str, by: str) -> None:
    body = _row(connection, table, key)
    if "by" not in body:
        body[CHANGED_BY] = by
    _append(connection, _KIND_OF[table], body, at)


def _append(connection: Connection, kind: str, body: Mapping[str, Any], at: str) -> None:
    last, previous = head(connection)
    text = canonical(exact(body))
    values = {"number": last + 1, "kind": kind, "at": at, "body": text, "previous": previous}
    connection.execute(insert(ledger).values(**values, sha256=digest(previous, last + 1, kind, at, text)))
