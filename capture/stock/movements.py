"""The stock's SQLite file: its tables, and how it is opened so that several benches cannot harm it.

A movement is only ever added; the file itself refuses to change or delete one. It is opened with SQLite's rollback
journal and not its write-ahead log, because that log needs memory shared by all users of the file, and benches on
several computers may use one file in a shared folder. (sqlite.org/wal.html, "WAL does not work over a network
filesystem"; the folder must offer working locks, as NFS 4 and SMB do.)
"""

from __future__ import annotations

from pathlib import Path
from typing import Final

from sqlalchemy import (
    CheckConstraint,
    Column,
    Connection,
    Engine,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    Table,
    Text,
    UniqueConstraint,
    inspect,
)

from capture.plumbing.sqlite_file import READ, open_sqlite
from capture.stock.holdings import StockError

_VERSION: Final = 2

metadata = MetaData()

bins = Table(
    "bins",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("part", Text, nullable=False),
    Column("part_key", Text, nullable=False),
    Column("thickness_nm", Integer, nullable=False),
    Column("thickness_text", Text, nullable=False),
    Column("tolerance_nm", Integer),
    Column("low", Integer),
    UniqueConstraint("part_key", "thickness_nm"),
)

#: Parts that carry a tag, since they were measured.
measured_parts = Table(
    "measured_parts",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("bin", ForeignKey("bins.id"), nullable=False),
    Column("serial", Text, nullable=False, unique=True),
)

movements = Table(
    "movements",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("at", Text, nullable=False),  # RFC 3339 in UTC
    Column("by", Text, nullable=False),
    Column("kind", Text, nullable=False),
    Column("bin", ForeignKey("bins.id"), nullable=False),
    Column("measured_part", ForeignKey("measured_parts.id")),  # null: one of the loose parts
    Column("shelf", Integer, nullable=False),  # how many parts more (or fewer) lie on the shelf after this
    # A released or consumed reservation; unique, so that one can be closed only once whatever a program does.
    Column("closes", ForeignKey("movements.id"), unique=True),
    Column("job", Text),
    Column("unit", Text),
    Column("pack", Text),
    Column("adjuster", Integer),
    Column("from_job", Text),  # not null: the part is fitted in this pack and is to come out of it
    Column("from_unit", Text),
    Column("from_pack", Text),
    Column("from_adjuster", Integer),
    Column("actual_nm", Integer),
    Column("uncertainty_nm", Integer),
    CheckConstraint(
        "kind IN ('received', 'counted', 'measured', 'reserved', 'released', 'consumed', 'returned')",
        name="movements_kind",
    ),
    CheckConstraint("(closes IS NOT NULL) = (kind IN ('released', 'consumed'))", name="movements_closes"),
    Index("movements_bin_measured_part", "bin", "measured_part"),
    sqlite_autoincrement=True,
)

_TRIGGERS: Final = tuple(
    f"CREATE TRIGGER movements_no_{word.lower()} BEFORE {word} ON movements "
    "BEGIN SELECT RAISE(ABORT, 'a movement of the stock is never changed'); END"
    for word in ("UPDATE", "DELETE")
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
        if _version(connection) == _VERSION and inspect(connection).has_table("movements"):
            return
    with engine.begin() as connection:  # another bench may have made it meanwhile, so look again
        tables = inspect(connection).get_table_names()
        if "movements" in tables:
            if (found := _version(connection)) != _VERSION:
                who = "a newer strokelog" if found > _VERSION else "a trial of strokelog from before its first release"
                raise StockError(
                    f"the stock {path} was written by {who} (version {found}; this one knows {_VERSION}); install that "
                    "one, or export the stock file with it (`strokelog stock export`) and import that here into a new "
                    "stock. Nothing was changed"
                )
            return
        if tables:
            raise StockError(f"{path} is an SQLite database but no stock (it holds the table {tables[0]!r})")
        metadata.create_all(connection)
        for trigger in _TRIGGERS:
            connection.exec_driver_sql(trigger)
        connection.exec_driver_sql(f"PRAGMA user_version = {_VERSION}")
