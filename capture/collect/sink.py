"""Writes batches of messages: one transaction each, every message once, whatever was sent again.

Theory of operation. A message's `id` is the key of its row, and a row that is there already is left alone, so a batch
may be written any number of times. When `keep` returns, the batch is committed and may be acknowledged. A message that
is none goes to `collected_refused`, which holds the newest of them only. Should the database refuse a row that looked
right, the batch is halved until that row stands alone and is refused, so that it cannot hold the others up for ever.
Blocks; used from one thread.
"""

from __future__ import annotations

import contextlib
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from typing import Any, Final

from pydantic import TypeAdapter
from sqlalchemy import Connection, Engine, LargeBinary, Table, delete, func, insert, select
from sqlalchemy.dialects import sqlite
from sqlalchemy.exc import DataError, DBAPIError, IntegrityError, SQLAlchemyError, StatementError

from capture.collect.database import DatabaseAway, bring_up_to_date, why
from capture.collect.events import BrokenRecord, Counts
from capture.collect.heads import keep_heads
from capture.collect.lease import Lease
from capture.collect.rows import Arrived, NoMessage, refusal, row_of
from capture.collect.schema import by_id, collectors, leases, refused

__all__ = ["REFUSED_KEPT", "Sink", "insert_anywhere", "insert_of"]

#: Rows. More of them tell nothing new, and whoever sends rubbish must not fill the disk.
REFUSED_KEPT: Final = 10_000
_ORDER: Final = tuple(by_id)  # always the same, so that collectors writing together cannot deadlock
#: What a row can be to blame for. Everything else a database says may pass by itself.
_ROW_AT_FAULT: Final = (DataError, IntegrityError)

#: The kinds of messages that carry a head of the bench's record.
_UNDER_HEAD: Final = ("verdict", "unit")

_ROWS: Final = TypeAdapter(Sequence[dict[str, Any]])

_COUNT: Final = {"preserve_rowcount": True}

Insert = Callable[[Connection, Table, str, Sequence[dict[str, Any]]], int]


def insert_of(engine: Engine) -> Insert:
    """Return the way to insert what is not there yet that the engine's database does best."""
    if engine.dialect.name == "postgresql":
        return _insert_postgresql
    if engine.dialect.name == "sqlite":
        return _insert_sqlite
    return insert_anywhere


# No conflict target: a table that is divided by time has more than the id for its key. The rows are one JSON text,
# which the database takes apart: parameters cost the collector 55 us a row, and this 17.
def _insert_postgresql(connection: Connection, table: Table, key: str, rows: Sequence[dict[str, Any]]) -> int:
    names = ", ".join(connection.dialect.identifier_preparer.quote(name) for name in rows[0])
    statement = (
        f"INSERT INTO {table.name} ({names}) SELECT {names} FROM json_populate_recordset(NULL::{table.name}, %s) "
        "ON CONFLICT DO NOTHING"
    )
    for name, column in table.c.items():
        if isinstance(column.type, LargeBinary):
            rows = [{**row, name: f"\\x{row[name].hex()}"} for row in rows]
    return connection.exec_driver_sql(statement, (_ROWS.dump_json(rows).decode(),)).rowcount


def _insert_sqlite(connection: Connection, table: Table, key: str, rows: Sequence[dict[str, Any]]) -> int:
    new = sqlite.insert(table).on_conflict_do_nothing()
    return connection.execute(new, rows, execution_options=_COUNT).rowcount


def insert_anywhere(connection: Connection, table: Table, key: str, rows: Sequence[dict[str, Any]]) -> int:
    """Insert the rows whose `key` is not in `table` yet, in plain SQL; return how many those were.

    Where another collector inserts the same row between the two statements, the batch is written row by row.
    """
    first = {row[key]: row for row in reversed(rows)}
    there = set(connection.execute(select(table.c[key]).where(table.c[key].in_(list(first)))).scalars())
    new = [row for name, row in first.items() if name not in there]
    if new:
        connection.execute(insert(table), new)
    return len(new)


class Sink:
    """The tables of one database. Its methods raise DatabaseAway, and then have changed nothing."""

    def __init__(
        self,
        engine: Engine,
        insert_new: Insert | None = None,
        on_broken: Callable[[BrokenRecord], None] = lambda found: None,
    ) -> None:
        """`on_broken` is told, after the commit, of benches whose record is not what it was."""
        self._engine = engine
        self._insert_new = insert_new or insert_of(engine)
        self._on_broken = on_broken
        self._open = False

    def open(self) -> None:
        """Connect, and bring the schema up to date. Raises CollectError for one that is newer than this software."""
        if not self._open:
            bring_up_to_date(self._engine)
            self._open = True

    def knows(self, session: str) -> bool:
        """Say whether this database has taken from that session at a broker before."""
        with self._transaction() as connection:
            found = select(collectors.c.name).where(collectors.c.name == session)
            return connection.execute(found).first() is not None

    def remember(self, session: str) -> None:
        """Keep that this database takes from that session at a broker."""
        with self._transaction() as connection:
            self._insert_new(connection, collectors, "name", [{"name": session, "since": datetime.now(UTC)}])

    def lease(self, session: str) -> Lease:
        """Return who may keep what comes from that session."""
        with self._transaction() as connection:
            lease = Lease.read(connection, session)
            if lease is None:
                self._insert_new(connection, leases, "session", [asdict(Lease(session))])
            return lease or Lease(session)

    def take(self, seen: Lease, holder: str) -> Lease | None:
        """Take a lease as it was seen; None if it has moved meanwhile."""
        with self._transaction() as connection:
            return seen.taken(connection, holder)

    def beat(self, lease: Lease, broker_lost: str | None = None) -> None:
        """Show that the lease's holder lives, and why it has no broker (empty where it has). Raises LeaseLost."""
        with self._transaction() as connection:
            lease.beaten(connection, broker_lost=broker_lost)

    def hand_over(self, lease: Lease) -> None:
        """Let whoever waits for the lease have it at once. Raises LeaseLost."""
        with self._transaction() as connection:
            lease.beaten(connection, holder="", broker_lost="")

    def close(self) -> None:
        """Let go of the database. It is whole whether this is called or not."""
        self._engine.dispose()

    def keep(self, batch: Sequence[Arrived], lease: Lease | None = None) -> Counts:
        """Commit `batch` and return what was new in it. With a `lease`, only while that holds: raises LeaseLost."""
        rows: dict[str, list[tuple[Arrived, dict[str, Any]]]] = defaultdict(list)
        wrong: list[dict[str, Any]] = []
        under_head: list[dict[str, Any]] = []
        for arrived in batch:
            try:
                kind, row = row_of(arrived)
                rows[kind].append((arrived, row))
                if kind in _UNDER_HEAD:
                    under_head.append(row)
            except NoMessage as error:
                wrong.append(refusal(arrived, str(error)))
        with self._transaction() as connection:
            if lease is not None:
                lease.beaten(connection)
            counts = Counts()
            for kind in _ORDER:
                if rows[kind]:
                    counts += self._write(connection, kind, rows[kind], wrong)
            found = keep_heads(connection, under_head, self._insert_new)
            counts += self._refuse(connection, wrong)
        for one in found:
            self._on_broken(one)
        return counts

    @contextlib.contextmanager
    def _transaction(self) -> Iterator[Connection]:
        self.open()
        try:
            with self._engine.begin() as connection:
                yield connection
        except SQLAlchemyError as error:
            self._engine.dispose()
            raise DatabaseAway(why(error)) from error

    def _write(
        self,
        connection: Connection,
        kind: str,
        rows: Sequence[tuple[Arrived, dict[str, Any]]],
        wrong: list[dict[str, Any]],
    ) -> Counts:
        try:
            with connection.begin_nested():
                new = self._insert_new(connection, by_id[kind], "id", [row for _arrived, row in rows])
        except (StatementError, ValueError, TypeError, OverflowError) as error:
            if not _row_at_fault(error):
                raise
            if len(rows) == 1:
                wrong.append(refusal(rows[0][0], f"the database refused it: {why(error)}"))
                return Counts()
            half = len(rows) // 2
            return self._write(connection, kind, rows[:half], wrong) + self._write(connection, kind, rows[half:], wrong)
        return Counts.of(kind, new, len(rows) - new)

    def _refuse(self, connection: Connection, wrong: Sequence[dict[str, Any]]) -> Counts:
        if not wrong:
            return Counts()
        new = self._insert_new(connection, refused, "sha256", wrong)
        newest = connection.execute(select(func.max(refused.c.number))).scalar_one()
        connection.execute(delete(refused).where(refused.c.number <= newest - REFUSED_KEPT))
        return Counts(refused=new, repeated=len(wrong) - new)


def _row_at_fault(error: Exception) -> bool:
    """Say whether a row is to blame: the database said so, or its driver could not even put the row into words."""
    return isinstance(error, _ROW_AT_FAULT) or not isinstance(error, DBAPIError)
