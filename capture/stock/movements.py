"""The stock's SQLite file: how it is made, brought up to date and opened so that several benches cannot harm it.

A movement is only ever added; the file itself refuses to change or delete one, and its ledger chains them all. It is
opened with SQLite's rollback journal and not its write-ahead log, because that log needs memory shared by all users of
the file, and benches on several computers may use one file in a shared folder. (sqlite.org/wal.html, "WAL does not work
over a network filesystem"; the folder must offer working locks, as NFS 4 and SMB do.)
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Final

from sqlalchemy import Connection, Engine, create_engine, inspect

from capture.plumbing.sqlite_file import READ, open_sqlite
from capture.record.definitions import definitions, difference
from capture.stock.chained import take_over
from capture.stock.holdings import StockError
from capture.stock.tables import ledger, metadata

#: The version of a stock's file.
VERSION: Final = 3
#: The version before there was a chain.
_UNCHAINED: Final = 2


def _refused(table: str, words: str) -> tuple[str, ...]:
    return tuple(
        f"CREATE TRIGGER {table}_no_{word.lower()} BEFORE {word} ON {table} BEGIN SELECT RAISE(ABORT, '{words}'); END"
        for word in ("UPDATE", "DELETE")
    )


_TRIGGERS: Final = _refused("movements", "a movement of the stock is never changed")
_CHAIN_TRIGGERS: Final = (
    *_refused("ledger", "the ledger of the stock is append-only"),
    "CREATE TRIGGER ledger_in_order BEFORE INSERT ON ledger WHEN "
    "NEW.number <> (SELECT coalesce(max(number), 0) + 1 FROM ledger) OR NEW.previous <> "
    f"coalesce((SELECT sha256 FROM ledger ORDER BY number DESC LIMIT 1), '{'0' * 64}') BEGIN "
    "SELECT RAISE(ABORT, 'ledger: an entry follows the newest one and names its hash'); END",
)


def open_stock(path: Path) -> Engine:
    """Return an engine on the stock at `path`, made if there is none. Raises StockError if it cannot be used."""
    if not path.parent.is_dir():
        raise StockError(f"cannot open the stock {path}: there is no directory {path.parent}; make it")
    if path.is_dir():
        raise StockError(f"cannot open the stock {path}: it is a directory; give the path of a file in it")
    return open_sqlite(
        path,
        busy_ms=10_000,
        # EXTRA: the journal's removal, which is the commit, survives a power cut too.
        pragmas=("journal_mode = DELETE", "synchronous = EXTRA"),
        make=lambda engine: _make(engine, path),
        refused=lambda words: StockError(
            f"cannot open the stock {path}: {words}; expected an SQLite file this user may write, "
            "in a directory this user may write"
        ),
    )


def _version(connection: Connection) -> int:
    return int(connection.exec_driver_sql("PRAGMA user_version").scalar_one())


def _make(engine: Engine, path: Path) -> None:
    with engine.connect().execution_options(**READ) as connection:
        if _version(connection) == VERSION and inspect(connection).has_table("movements"):
            return
    with engine.begin() as connection:  # another bench may have made it meanwhile, so look again
        tables = inspect(connection).get_table_names()
        found = _version(connection)
        if "movements" in tables and found == VERSION:
            return
        if "movements" in tables and found != _UNCHAINED:
            who = "a newer strokelog" if found > VERSION else "a trial of strokelog from before its first release"
            raise StockError(
                f"the stock {path} was written by {who} (version {found}; this one knows {VERSION}); install that "
                "one, or export the stock file with it (`strokelog stock export`) and import that here into a new "
                "stock. Nothing was changed"
            )
        if not tables:
            make_tables(connection, chained=False)
        elif "movements" not in tables:
            raise StockError(f"{path} is an SQLite database but no stock (it holds the table {tables[0]!r})")
        elif (differs := difference(parts_of(connection), _definitions(chained=False))) is not None:
            what, expected, there = differs
            raise StockError(
                f"the stock {path} says it is of version {found}, and is not: {what}: expected "
                f"{expected or 'nothing'}, found {there or 'nothing'}. Nothing was changed"
            )
        _chain(connection)
        connection.exec_driver_sql(f"PRAGMA user_version = {VERSION}")


def make_tables(connection: Connection, *, chained: bool) -> None:
    """Make the tables of a new stock, or with `chained` false those of one from before there was a chain."""
    for table in metadata.sorted_tables:
        if chained or table is not ledger:
            table.create(connection, checkfirst=False)
    for trigger in (*_TRIGGERS, *(_CHAIN_TRIGGERS if chained else ())):
        connection.exec_driver_sql(trigger)


def _chain(connection: Connection) -> None:
    """Begin the chain, with whatever is there already."""
    ledger.create(connection, checkfirst=False)
    for trigger in _CHAIN_TRIGGERS:
        connection.exec_driver_sql(trigger)
    take_over(connection)


def parts_of(connection: Connection) -> dict[str, str]:
    """Return the SQL of every part of the file."""
    rows = connection.exec_driver_sql("SELECT type, name, sql FROM sqlite_master").all()
    return definitions([(row[0], row[1], row[2]) for row in rows])


def definitions_now() -> dict[str, str]:
    """Return the SQL of every part that a stock's file has."""
    return _definitions(chained=True)


@cache
def _definitions(*, chained: bool) -> dict[str, str]:
    engine = create_engine("sqlite://")
    try:
        with engine.begin() as connection:
            make_tables(connection, chained=chained)
            return parts_of(connection)
    finally:
        engine.dispose()
