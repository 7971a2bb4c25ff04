"""Opens the collector's database: an engine with durable settings, and the newest schema.

Everything here blocks and raises DatabaseAway for whatever may pass by itself: a server that is down, full or locked, a
login that is refused. Only a schema that this version does not know is a reason to stop (CollectError).
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

from sqlalchemy import Connection, Engine, create_engine, event, inspect, text
from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from capture.collect.schema import REVISIONS, TRIALS, VERSION_TABLE, metadata
from capture.collect.settings import DatabaseSettings
from capture.plumbing.migrations import to_newest
from capture.plumbing.user_folders import data_folder

_STEPS: Final = Path(__file__).parent / "migrations"
_BUSY_S: Final = 5
#: libpq: a connection that hangs, or a server that vanished, must be noticed within seconds.
_POSTGRES: Final = {
    "connect_timeout": 5,
    "tcp_user_timeout": 10_000,
    "keepalives_idle": 10,
    "keepalives_interval": 3,
    "keepalives_count": 3,
    "application_name": "strokelog collect",
    # A collector that was stopped in the middle of a transaction must not hold its rows for ever.
    "options": "-c statement_timeout=20000 -c lock_timeout=10000 -c idle_in_transaction_session_timeout=5000",
}
#: The key of the server's advisory lock for changes of the schema; any number that is always the same.
MIGRATING: Final = 7_377_001


class CollectError(Exception):
    """The collector cannot work with what it was given. The text says what happened, and what to do next."""


class DatabaseAway(Exception):
    """The database cannot be used now; the text says why and what to look at."""


def why(error: BaseException) -> str:
    """Return the database's own words on one line. They never hold a password."""
    words = error.orig if isinstance(error, DBAPIError) and error.orig is not None else error
    said = " ".join(str(words).split()) or type(words).__name__
    if "no password supplied" in said:  # libpq's words for a login that it found no password for
        said += "; the password is a line of ~/.pgpass, or of the file that PGPASSFILE names"
    return said


def engine_of(settings: DatabaseSettings) -> Engine:
    """Return an engine on the database; does not connect yet. Raises CollectError without the driver it needs."""
    url = settings.address
    sqlite = url.get_backend_name() == "sqlite"
    if sqlite:
        options: dict[str, Any] = {"timeout": _BUSY_S, "isolation_level": None, "check_same_thread": False}
    else:
        options = {}
        if url.get_backend_name() == "postgresql":
            options = {name: value for name, value in _POSTGRES.items() if name not in url.query}
    # Where a row that another collector has just committed must be seen: the way for every other database looks first.
    level = {} if sqlite else {"isolation_level": "READ COMMITTED"}
    try:
        # One connection, for the one thread that writes.
        engine = create_engine(
            url, pool_size=1, max_overflow=0, pool_pre_ping=not sqlite, connect_args=options, **level
        )
    except ImportError as error:
        raise CollectError(f"no driver for a database such as {settings.url}: {error}") from error
    except (SQLAlchemyError, TypeError) as error:
        raise CollectError(f"cannot use the database {settings.url}: {why(error)}") from error
    if sqlite:
        event.listen(engine, "connect", _configure_sqlite)
        event.listen(engine, "begin", _begin_sqlite)
    if settings.password_file is not None:
        file = settings.password_file

        @event.listens_for(engine, "do_connect")
        def _let_in(_dialect: object, _record: object, _args: object, parameters: dict[str, Any]) -> None:
            try:
                parameters["password"] = file.read_text(encoding="utf-8").rstrip("\r\n")
            except (OSError, ValueError) as error:
                raise DatabaseAway(f"cannot read the database's password_file: {error}") from error

    return engine


def _configure_sqlite(connection: sqlite3.Connection, _pool_entry: object) -> None:
    for pragma in (
        f"busy_timeout = {_BUSY_S * 1000}",  # before the others: switching to WAL needs a lock too
        "journal_mode = WAL",
        "synchronous = FULL",  # what is acknowledged to the broker survives a power cut here
    ):
        connection.execute(f"PRAGMA {pragma}").close()


def _begin_sqlite(connection: Connection) -> None:
    # The sqlite3 module begins late and never for DDL. Every transaction here writes, so take the lock at once.
    connection.exec_driver_sql("BEGIN IMMEDIATE")


def bring_up_to_date(engine: Engine) -> None:
    """Make or migrate the tables if they must be. Raises DatabaseAway, or CollectError for a newer schema."""
    with _of_any_version(engine) as connection:
        _to_newest(connection, engine)


def steps_due(engine: Engine) -> list[str]:
    """Return the statements that would bring the tables up to date: all are tried and taken back, behind their locks.

    Raises as `bring_up_to_date`.
    """
    told: list[str] = []
    with _of_any_version(engine) as connection:
        event.listen(connection, "before_cursor_execute", lambda _c, _cursor, said, *_: told.append(said))
        if not _to_newest(connection, engine):
            told.clear()
        connection.rollback()
    if engine.dialect.name == "postgresql":  # as it goes to the driver each % is doubled, and to the database it is not
        told = [one.replace("%%", "%") for one in told]
    return [one.strip() for one in told if not one.lstrip().startswith(("SELECT", "PRAGMA", "SET"))]


@contextmanager
def _of_any_version(engine: Engine) -> Iterator[Connection]:
    """Give a connection within a transaction."""
    try:
        own = data_folder()  # any other folder must be there: a path may be mistyped
        if engine.dialect.name == "sqlite" and engine.url.database and Path(engine.url.database).parent == own:
            own.mkdir(parents=True, exist_ok=True)
        with engine.begin() as connection:
            yield connection
    except (SQLAlchemyError, OSError) as error:
        owner = "; the tables are from another version: run `strokelog collect migrate` as their owner"
        raise DatabaseAway(why(error) + (owner if _lacks_rights(error) else "")) from error


def _to_newest(connection: Connection, engine: Engine) -> bool:
    """Take what steps there are; return whether there were any."""
    if _stored_version(connection, engine) == REVISIONS[-1]:
        return False
    if engine.dialect.name == "postgresql":  # collectors that start together: one migrates, the others wait
        connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": MIGRATING})
        for setting in ("statement_timeout = 0", "idle_in_transaction_session_timeout = 60000"):
            # An index on millions of rows takes its time, and so does loading what takes the steps where all is busy.
            connection.execute(text(f"SET LOCAL {setting}"))
    version = _stored_version(connection, engine)
    if version != REVISIONS[-1]:
        to_newest(connection, metadata, _STEPS, VERSION_TABLE)
    return version != REVISIONS[-1]


def _lacks_rights(error: Exception) -> bool:
    # SQLSTATE 42501, insufficient_privilege, and 25006, read_only_sql_transaction, of PostgreSQL's Appendix A.
    return isinstance(error, DBAPIError) and getattr(error.orig, "sqlstate", None) in ("42501", "25006")


def _stored_version(connection: Connection, engine: Engine) -> str | None:
    if not inspect(connection).has_table(VERSION_TABLE):
        return None
    version: str | None = connection.execute(text(f"SELECT version_num FROM {VERSION_TABLE}")).scalar()
    if version in TRIALS:
        raise CollectError(
            f"the database {engine.url} was written by a trial of the collector from before its first release (schema "
            f"{version}), which no release reads; give another"
        )
    if version is not None and version not in REVISIONS:
        raise CollectError(
            f"the database {engine.url} was written by a newer collector (schema {version}; this one knows up to "
            f"{REVISIONS[-1]}); install that version or a later one"
        )
    return version
