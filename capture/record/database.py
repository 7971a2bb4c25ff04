"""Opens the record's SQLite file: durable settings, the stored schema version, and migrations when needed."""

from __future__ import annotations

import json
import resource
import sqlite3
from pathlib import Path
from typing import Any, Final

from sqlalchemy import Connection, Engine, inspect, text
from sqlalchemy.exc import DBAPIError

from capture.plumbing.migrations import to_newest
from capture.plumbing.sqlite_file import READ, open_sqlite
from capture.record.definitions import STEPS, first_difference
from capture.record.schema import REVISIONS, TRIALS, metadata

_PAGE_HEADER: Final = b"SQLite format 3\x00"


class RecordError(Exception):
    """The record cannot do what was asked. The text says what happened, where, and what to do next."""


def is_full(error: Exception) -> bool:
    """Return whether `error` says that there is no room, on the disk or up to the limit on this process's files."""
    code = getattr(error.orig if isinstance(error, DBAPIError) else error, "sqlite_errorcode", None)
    limited = resource.getrlimit(resource.RLIMIT_FSIZE)[0] != resource.RLIM_INFINITY
    return code == sqlite3.SQLITE_FULL or (limited and code == sqlite3.SQLITE_IOERR_WRITE)


def open_engine(path: Path, *, read_only: bool = False) -> Engine:
    """Return an engine on the record at `path`, made or migrated to the newest schema if it must be.

    With `read_only` nothing of it is written: it must be there and have the newest schema. Raises RecordError if the
    file cannot be used as a record.
    """
    _check_place(path)
    return open_sqlite(
        path,
        busy_ms=5000,
        # A stroke that was acknowledged survives a power cut.
        pragmas=("journal_mode = WAL", "synchronous = FULL"),
        make=lambda engine: _bring_up_to_date(engine, path, read_only),
        refused=lambda words: RecordError(
            f"cannot open the record {path}: {words}; expected an SQLite file this user may write, "
            "in a directory this user may write; check the owner and free space, or give another path"
        ),
        read_only=read_only,
        json_serializer=_to_json,
    )


def is_newest(path: Path) -> bool:
    """Say whether the record that is there has the newest schema, False for one that this version can bring up to it.

    Nothing of it is written. Raises RecordError if no step leads from it to the newest.
    """
    _check_place(path)
    found: list[str | None] = []
    open_sqlite(
        path,
        busy_ms=5000,
        pragmas=(),
        make=lambda engine: found.append(_known_version(engine, path)),
        refused=lambda words: RecordError(f"cannot read the record {path}: {words}; is it whole, and readable?"),
        read_only=True,
    ).dispose()
    return found == [REVISIONS[-1]]


def _check_place(path: Path) -> None:
    if not path.parent.is_dir():
        raise RecordError(
            f"cannot open the record {path}: there is no directory {path.parent}; make it, or give another path"
        )
    if path.is_dir():
        raise RecordError(f"cannot open the record {path}: it is a directory; give the path of a file in it")
    try:
        with path.open("rb") as file:
            start = file.read(len(_PAGE_HEADER))
    except FileNotFoundError:
        return
    except OSError as error:
        raise RecordError(
            f"cannot read the record {path}: {error.strerror}; make it readable and writable for this user"
        ) from error
    if start and start != _PAGE_HEADER:
        raise RecordError(f"{path} is no SQLite database, so it is no record; move it away, or give another path")


def _to_json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False)


def _known_version(engine: Engine, path: Path) -> str | None:
    """The schema that is stored, None if none is; raises RecordError for one from which no step leads to the newest."""
    with engine.connect().execution_options(**READ) as connection:
        version = _stored_version(connection, path)
    if version in TRIALS:
        raise RecordError(
            f"the record {path} was written by a trial of strokelog from before its first release (schema {version}), "
            "which no release reads; keep that trial to read it, and give another path"
        )
    if version is not None and version not in REVISIONS:
        raise RecordError(
            f"the record {path} was written by a newer strokelog (schema {version}; this one knows up to "
            f"{REVISIONS[-1]}); install that version or a later one, or give another path. Nothing was changed"
        )
    return version


def _bring_up_to_date(engine: Engine, path: Path, read_only: bool) -> None:
    version = _known_version(engine, path)
    if version == REVISIONS[-1]:
        return
    if read_only:
        raise RecordError(
            f"the record {path} has schema {version or 'none'} and must be brought up to {REVISIONS[-1]} first; "
            "`strokelog jobs` does that"
        )
    with engine.begin() as connection:
        if version is not None:
            _need_untouched(connection, path, version)
        to_newest(connection, metadata, STEPS, "alembic_version")


def _need_untouched(connection: Connection, path: Path, version: str) -> None:
    """No step is taken on tables that are not those it was written for."""
    parts = connection.exec_driver_sql("SELECT type, name, sql FROM sqlite_master").all()
    if (differs := first_difference([(one.type, one.name, one.sql) for one in parts], version)) is not None:
        what, expected, found = differs
        raise RecordError(
            f"the record {path} says it has schema {version}, and has not: {what}: expected {expected or 'nothing'}, "
            f"found {found or 'nothing'}. A trial from before the first release wrote it, or somebody changed it. "
            "Nothing was changed; keep it with the version that wrote it, and give another path"
        )


def _stored_version(connection: Connection, path: Path) -> str | None:
    tables = inspect(connection).get_table_names()
    if "alembic_version" in tables:
        version: str | None = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
        return version
    if tables:
        raise RecordError(
            f"{path} is an SQLite database but no strokelog record (it holds the table {tables[0]!r}); "
            "give another path"
        )
    return None
