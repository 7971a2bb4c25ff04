"""One SQLite file as record and stock are kept in: how it is opened, and its transactions, one after the other."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any, ClassVar, Final, Self
from urllib.parse import quote

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.exc import DBAPIError, SQLAlchemyError
from sqlalchemy.pool import StaticPool

#: Execution options for a transaction that only reads: it must not take SQLite's write lock.
READ: Final = {"sqlite_begin": "BEGIN"}


def reason(error: Exception) -> str:
    """Return the database's own words for `error`, without SQLAlchemy's additions."""
    if isinstance(error, UnicodeDecodeError):  # Python cannot say what SQLite told of a table that is no text
        return "the definition of one of its tables is damaged"
    return str(error.orig if isinstance(error, DBAPIError) and error.orig is not None else error)


def open_read_only(path: Path) -> sqlite3.Connection:
    """Return a connection that cannot write, through which even a damaged file can be walked. Raises sqlite3.Error."""
    connection = sqlite3.connect(_place(path, "ro"), uri=True, isolation_level=None)
    # A byte that is no UTF-8 must be told as what it is, not end the walk.
    connection.text_factory = lambda raw: raw.decode("utf-8", "surrogateescape")
    connection.row_factory = sqlite3.Row
    return connection


def _place(path: Path, mode: str) -> str:
    return f"file:{quote(str(path.absolute()))}?mode={mode}"


def open_sqlite(
    path: Path,
    *,
    busy_ms: int,
    pragmas: tuple[str, ...],
    make: Callable[[Engine], None],
    refused: Callable[[str], Exception],
    read_only: bool = False,
    **options: Any,
) -> Engine:
    """Return an engine on the file at `path`, once `make` has made or checked its tables.

    Raises what `refused` makes of the database's words where the file cannot be used. `options` are those of
    `create_engine`.
    """
    place = _place(path, "ro" if read_only else "rwc")

    def connect() -> sqlite3.Connection:
        connection = sqlite3.connect(
            place, uri=True, timeout=busy_ms / 1000, isolation_level=None, check_same_thread=False
        )
        # The first of them before the others: switching the journal needs a lock too.
        for pragma in () if read_only else (f"busy_timeout = {busy_ms}", *pragmas, "foreign_keys = ON"):
            connection.execute(f"PRAGMA {pragma}").close()
        return connection

    # One connection for good: SQLite has one writer anyway, and SqliteFile serialises its callers.
    engine = create_engine("sqlite://", creator=connect, poolclass=StaticPool, **options)
    event.listen(engine, "begin", _begin)
    try:
        make(engine)
    except BaseException as error:
        engine.dispose()
        if isinstance(error, (DBAPIError, sqlite3.Error, UnicodeDecodeError)):
            raise refused(reason(error)) from error
        raise
    return engine


def _begin(connection: Connection) -> None:
    # The sqlite3 module begins transactions late and never for DDL, so this does it. IMMEDIATE takes the write lock at
    # once: what a writer has read cannot change before it has written, and no upgrade fails without waiting.
    begin = connection.get_execution_options().get("sqlite_begin", "BEGIN IMMEDIATE")
    connection.exec_driver_sql(begin)


class SqliteFile:
    """An open file whose every change is one transaction; callers on several threads wait for each other."""

    error: ClassVar[type[Exception]]
    """What is raised where the database refuses; nothing is changed then."""
    caught: ClassVar[tuple[type[Exception], ...]] = (SQLAlchemyError, sqlite3.Error)

    def __init__(self, engine: Engine, path: Path) -> None:
        self._engine = engine
        self._path = path
        self._lock = threading.Lock()

    def close(self) -> None:
        """Close the file. It is whole whether this is called or not."""
        with self._lock:
            self._engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @contextmanager
    def _transaction(self, what: str, options: Mapping[str, str]) -> Iterator[Connection]:
        try:
            with (
                self._lock,
                self._engine.connect().execution_options(**options) as connection,
                connection.begin(),
            ):
                yield connection
        except self.caught as error:
            raise self.error(self._words(what, error)) from error

    def _words(self, what: str, error: Exception) -> str:
        return f"could not {what} in {self._path}: {reason(error)}; nothing of it was kept"
