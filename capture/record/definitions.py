"""The tables, indexes, views and triggers of a record's file, held against those that this program makes: by their SQL,
since a trigger or table that only has the right name refuses nothing."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Final

from sqlalchemy import create_engine

from capture.plumbing.migrations import to_newest
from capture.record.mismatch import Mismatch
from capture.record.schema import metadata

#: The folder of the record's steps from one schema to the next.
STEPS: Final = Path(__file__).parent / "migrations"
#: What SQLite and the migrations keep for themselves.
_NOT_OURS: Final = ("sqlite_", "alembic_version")


@cache
def definitions_of(version: str) -> Mapping[str, str]:
    """Return the SQL of a record of that schema, as `definitions` gives it."""
    engine = create_engine("sqlite://")
    try:
        with engine.begin() as connection:
            to_newest(connection, metadata, STEPS, "alembic_version", version)
            return definitions(list(connection.exec_driver_sql("SELECT type, name, sql FROM sqlite_master")))
    finally:
        engine.dispose()


def definitions(rows: list[tuple[str, str, str | None]]) -> dict[str, str]:
    """Return the SQL of each thing by its type and name, without regard to spacing."""
    return {
        f"{kind} {name}": " ".join((sql or "").split()) for kind, name, sql in rows if not name.startswith(_NOT_OURS)
    }


def first_difference(
    rows: list[tuple[str, str, str | None]], version: str
) -> tuple[str, str | None, str | None] | None:
    """Return what differs first from the schema `version`: its words, what was expected and what is there; None where
    nothing does."""
    return difference(definitions(rows), definitions_of(version))


def hold_file(connection: sqlite3.Connection, expected: Mapping[str, str]) -> None:
    """Hold the file against SQLite's own check of it, and what it is made of against `expected`. Raises Mismatch."""
    said = connection.execute("PRAGMA integrity_check(1)").fetchone()[0]
    if said != "ok":
        raise Mismatch("SQLite's own check of the file", expected="ok", found=said)
    parts = [tuple(row) for row in connection.execute("SELECT type, name, sql FROM sqlite_master")]
    if (differs := difference(definitions(parts), expected)) is not None:
        what, wanted, found = differs
        raise Mismatch(what, expected=wanted, found=found)


def difference(there: Mapping[str, str], expected: Mapping[str, str]) -> tuple[str, str | None, str | None] | None:
    """Return what differs first in two files' SQL as `definitions` gives it."""
    for name in sorted(expected.keys() - there.keys(), key=lambda one: (not one.startswith("trigger"), one)):
        if name.startswith("trigger"):
            return "a trigger that refuses changes was removed", name.removeprefix("trigger "), None
        return "a part of the file was removed", name, None
    for name in sorted(there.keys() - expected.keys()):
        return "a part of the file that no record has", None, name
    for name in sorted(expected):
        if there[name] != expected[name]:
            return f"the SQL of the {name}", expected[name], there[name]
    return None
