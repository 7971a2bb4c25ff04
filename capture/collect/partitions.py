"""Messages by month: a part of a table for each month in PostgreSQL, made ahead and dropped when it is old enough.

Theory of operation. A table of messages is divided by `at`, in months of UTC, and its key is `(id, at)`: a message
that comes again has the same time. What belongs to no month that is there lies in the part `_rest`, so no date is
refused, be it a bench's whose clock is wrong. The upkeep makes this month and the next two, and any month of the last
ten years that the rest has rows of; it takes those rows along. A month is a transaction of its own. The step that first
divided a table made all it held the rest, which takes no copying; from there it goes out month by month.

With `keep_months` a month that ended so long ago is dropped, which is quick. Rows that lie in no month (another kind of
database, or a wrong clock) are deleted once they are as old by their own time and by when they were received.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from typing import Final

from sqlalchemy import Connection, Engine, Table, delete, select, text
from sqlalchemy.exc import SQLAlchemyError

from capture.collect.database import MIGRATING, DatabaseAway, why
from capture.collect.events import Upkeep
from capture.collect.schema import by_id

_AHEAD: Final = 2
_BACK: Final = 120
_MONTH: Final = re.compile(r"(\d{4})_(\d{2})")
_DELETED_AT_ONCE: Final = 5000
#: A collector writes nothing while it sees to a month; what takes longer is for `collect migrate`.
_PATIENCE_MS: Final = 5000


@dataclass(frozen=True, slots=True)
class MonthsDue:
    """What is to be done to one table: months to make and to drop, each by its first day."""

    table: str
    make: tuple[date, ...]
    drop: tuple[date, ...]


def month_of(at: datetime) -> date:
    """Return the first day of the month of an aware time, in UTC."""
    return at.astimezone(UTC).date().replace(day=1)


def months_after(month: date, months: int) -> date:
    """Return the month that is so many after, or before if negative."""
    count = month.year * 12 + month.month - 1 + months
    return date(count // 12, count % 12 + 1, 1)


def months_due(
    table: str, there: Iterable[date], in_rest: Iterable[date], now: datetime, keep_months: int | None
) -> MonthsDue:
    """Say what is to be done to a table with the months `there` and rows of `in_rest` in its rest."""
    this = month_of(now)
    oldest = months_after(this, -_BACK if keep_months is None else -min(keep_months, _BACK))
    newest = months_after(this, _AHEAD)
    wanted = {months_after(this, n) for n in range(_AHEAD + 1)} | {one for one in in_rest if oldest <= one <= newest}
    there = set(there)
    too_old = () if keep_months is None else sorted(one for one in there if one < months_after(this, -keep_months))
    return MonthsDue(table, tuple(sorted(wanted - there)), tuple(too_old))


def part_of(table: str, month: date) -> str:
    """Return the name of a month's part."""
    return f"{table}_{month:%Y_%m}"


def months_to_see_to(engine: Engine, now: datetime, keep_months: int | None) -> list[MonthsDue]:
    """Return what is to be done to the tables that are divided by month. Raises DatabaseAway."""
    if engine.dialect.name != "postgresql":
        return []
    try:
        with engine.begin() as connection:
            due = [_due_to(connection, table.name, now, keep_months) for table in by_id.values()]
    except SQLAlchemyError as error:
        raise DatabaseAway(why(error)) from error
    return [one for one in due if one.make or one.drop]


def keep_by_month(
    engine: Engine, now: datetime, keep_months: int | None, patience_ms: int | None = _PATIENCE_MS
) -> Upkeep:
    """Make the months that are due, and drop what is too old. Raises DatabaseAway, for what can be done later as well.

    A statement may take `patience_ms`, None for as long as it takes. A user who may not do it is told what is due.
    """
    due = months_to_see_to(engine, now, keep_months)
    make = [(one.table, month) for one in due for month in one.make]
    drop = [part_of(one.table, month) for one in due for month in one.drop]
    deleted = 0
    try:
        if due and not _owns(engine):
            parts = [*(part_of(*one) for one in make), *drop]
            return Upkeep(
                needs=f"{len(parts)} parts of tables are due to be made or dropped (the first is {parts[0]}), which "
                "only the tables' owner may: run `strokelog collect migrate` as the owner; until then rows of months "
                "that are not there lie in the rest"
            )
        for table, month in make:
            with engine.begin() as connection:
                _make(connection, table, month, patience_ms)
        for part in drop:
            with engine.begin() as connection:
                _settle(connection, patience_ms)
                connection.exec_driver_sql(f"DROP TABLE IF EXISTS {part}")
        if keep_months is not None:
            before = _begin(months_after(month_of(now), -keep_months))
            deleted = sum(_delete_old(engine, table, before) for table in by_id.values())
    except SQLAlchemyError as error:
        raise DatabaseAway(why(error)) from error
    return Upkeep(len(make), len(drop), deleted)


_PARTS: Final = text(
    "SELECT c.relname FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid "
    "WHERE i.inhparent = CAST(:table AS regclass)"
)
_MAY: Final = text(
    "SELECT pg_has_role(relowner, 'USAGE') AS own, has_table_privilege(oid, 'SELECT') AS see "
    "FROM pg_class WHERE oid = CAST(:table AS regclass)"
)
#: A look into the index for each month, however many rows there are.
_IN_REST: Final = """
SELECT month FROM generate_series(CAST(:oldest AS timestamp), CAST(:newest AS timestamp), '1 month') AS month
WHERE EXISTS (SELECT 1 FROM {table} WHERE at >= month AT TIME ZONE 'UTC'
  AND at < (month + interval '1 month') AT TIME ZONE 'UTC')
"""


def _due_to(connection: Connection, table: str, now: datetime, keep_months: int | None) -> MonthsDue:
    ends = [name.removeprefix(f"{table}_") for name in connection.execute(_PARTS, {"table": table}).scalars()]
    there = {date(int(one[1]), int(one[2]), 1) for end in ends if (one := _MONTH.fullmatch(end))}
    in_rest: list[date] = []
    if connection.execute(_MAY, {"table": f"{table}_rest"}).one().see:
        span = {"oldest": months_after(month_of(now), -_BACK), "newest": months_after(month_of(now), _AHEAD)}
        found = connection.execute(text(_IN_REST.format(table=f"{table}_rest")), span).scalars()
        in_rest = [one.date() for one in found]
    return months_due(table, there, in_rest, now, keep_months)


def _owns(engine: Engine) -> bool:
    with engine.begin() as connection:
        return all(connection.execute(_MAY, {"table": table.name}).one().own for table in by_id.values())


def _settle(connection: Connection, patience_ms: int | None) -> None:
    """One at a time, among all collectors of this database."""
    connection.exec_driver_sql(f"SET LOCAL statement_timeout = {patience_ms or 0}")
    connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({MIGRATING})")


def _make(connection: Connection, table: str, month: date, patience_ms: int | None) -> None:
    _settle(connection, patience_ms)
    part, rest = part_of(table, month), f"{table}_rest"
    if connection.dialect.has_table(connection, part):
        return  # another collector was first
    begin, end = (f"'{_begin(one).isoformat()}'" for one in (month, months_after(month, 1)))
    for statement in (
        # They are read meanwhile, and not written.
        f"LOCK TABLE ONLY {table} IN SHARE ROW EXCLUSIVE MODE",
        f"LOCK TABLE {rest} IN SHARE ROW EXCLUSIVE MODE",
        f"CREATE TABLE {part} (LIKE {table} INCLUDING ALL)",
        f"WITH moved AS (DELETE FROM {rest} WHERE at >= {begin} AND at < {end} RETURNING *) "
        f"INSERT INTO {part} SELECT * FROM moved",
        # Who reads from here on waits before it looks which parts there are. To attach one keeps readers from the rest
        # alone, and who waited there would find the rows neither in it nor in a part that it did not know of.
        f"LOCK TABLE ONLY {table} IN ACCESS EXCLUSIVE MODE",
        f"ALTER TABLE {table} ATTACH PARTITION {part} FOR VALUES FROM ({begin}) TO ({end})",
    ):
        connection.exec_driver_sql(statement)


def _delete_old(engine: Engine, table: Table, before: datetime) -> int:
    """Delete rows that are old by both clocks, some at a time; return how many."""
    old = select(table.c.id).where(table.c.at < before, table.c.received_at < before).limit(_DELETED_AT_ONCE)
    deleted = 0
    while True:
        with engine.begin() as connection:
            ids = connection.execute(old).scalars().all()
            if ids:
                connection.execute(delete(table).where(table.c.id.in_(ids), table.c.at < before))
        deleted += len(ids)
        if len(ids) < _DELETED_AT_ONCE:
            return deleted


def _begin(month: date) -> datetime:
    return datetime.combine(month, time(), UTC)
