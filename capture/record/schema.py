"""The record's tables, as the newest migration leaves them. `ledger` is the record; the others are its quick-to-read
form, written in the same transaction.

Columns carry the names of the fields that they keep. Change a table or such a field only together with a new step in
`migrations`, and append its name to REVISIONS. Times are RFC 3339 text in UTC with
microseconds, so text order is time order. Lengths are integer nanometres.
"""

from __future__ import annotations

from datetime import datetime
from typing import Final
from uuid import UUID

from sqlalchemy import (
    DDL,
    JSON,
    BigInteger,
    Boolean,
    CheckConstraint,
    Column,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    Table,
    Text,
    UniqueConstraint,
    event,
)

from capture.clearance.verdict import Verdict
from capture.mqtt.outgoing import Outgoing
from capture.plumbing.columns import columns_of
from capture.record.entries import Job, KeptCheck, VerdictEntry
from capture.strokes.stroke import Stroke

#: Every schema version this software knows, oldest first; the last is the one it needs.
REVISIONS: Final = ("0001", "0008")
#: Names that trials from before the first release used, whose tables no release reads. Never use them again.
TRIALS: Final = ("0002", "0003", "0004", "0005", "0006", "0007")

metadata = MetaData()


_TYPES: Final = {datetime: Text, UUID: Text, dict: JSON(none_as_null=True)}
# SQLite numbers rows by itself only in an INTEGER key; elsewhere the key needs 64 bits.
_NUMBER: Final = BigInteger().with_variant(Integer, "sqlite")


def _key() -> Column[int]:
    return Column("id", _NUMBER, primary_key=True, autoincrement=True)


jobs = Table(
    "jobs",
    metadata,
    _key(),
    *columns_of(Job, _TYPES, without=("id", "checks", "facts")),
    UniqueConstraint("uuid"),
    sqlite_autoincrement=True,
)

checks = Table(
    "checks",
    metadata,
    _key(),
    Column("job", BigInteger, ForeignKey("jobs.id"), nullable=False),
    *columns_of(
        KeptCheck,
        _TYPES,
        without=("id", "started_number", "strokes", "verdict", "pruned_at", "left_out"),
    ),
    UniqueConstraint("job", "pack", "number"),
    CheckConstraint("state IN ('measuring', 'done', 'abandoned')", name="checks_state"),
    CheckConstraint("measure IN ('peak', 'held')", name="checks_measure"),
    sqlite_autoincrement=True,
)

strokes = Table(
    "strokes",
    metadata,
    _key(),
    Column("check", BigInteger, ForeignKey("checks.id"), nullable=False),
    Column("seat", Boolean, nullable=False),
    *columns_of(Stroke, _TYPES),
    UniqueConstraint("check", "n"),
    sqlite_autoincrement=True,
)

verdicts = Table(
    "verdicts",
    metadata,
    _key(),
    Column("check", BigInteger, ForeignKey("checks.id"), nullable=False, unique=True),
    *columns_of(Verdict, _TYPES, nullable=("dof",)),  # null: infinitely many
    *columns_of(VerdictEntry, _TYPES, without=("number", "verdict")),
    sqlite_autoincrement=True,
)


def _outbox(name: str, key: Column[int], *more: Column[str]) -> Table:
    return Table(
        name,
        metadata,
        key,
        Column("message", Text, nullable=False, unique=True),
        *columns_of(Outgoing, _TYPES, without=("id",)),
        Column("created_at", Text, nullable=False),
        *more,
        sqlite_autoincrement=key.autoincrement is True,
    )


# Its keys are never used again (AUTOINCREMENT), so they stay the order of the bench's messages.
outbox = _outbox("outbox", _key())

#: Messages that the broker refused, out of the outbox so that they hold nothing up, each under its number there.
set_aside = _outbox(
    "set_aside", Column("id", _NUMBER, primary_key=True, autoincrement=False), Column("why", Text, nullable=False)
)

ledger = Table(
    "ledger",
    metadata,
    # Numbered without gaps by whoever appends: a missing number is a missing entry.
    Column("number", _NUMBER, primary_key=True, autoincrement=False),
    Column("job", BigInteger, ForeignKey("jobs.id")),  # null: about the record as a whole
    Column("kind", Text, nullable=False),
    Column("at", Text, nullable=False),
    Column("body", Text, nullable=False),  # canonical JSON
    Column("previous", Text, nullable=False),
    Column("sha256", Text, nullable=False),
    Index("ledger_job_kind", "job", "kind"),
)


def _trigger(table: Table, name: str, words: str) -> None:
    trigger = DDL(f"CREATE TRIGGER {table.name}_{name} {words}")  # type: ignore[no-untyped-call]
    event.listen(table, "after_create", trigger)


for _table in (ledger, strokes, verdicts):
    _name = _table.name
    for _verb in ("UPDATE", "DELETE"):
        _trigger(
            _table,
            f"no_{_verb.lower()}",
            f"BEFORE {_verb} ON {_name} BEGIN "
            f"SELECT RAISE(ABORT, '{_name} is append-only: a correction is a new entry'); END",
        )
_trigger(
    ledger,
    "in_order",
    "BEFORE INSERT ON ledger WHEN "
    "NEW.number <> (SELECT coalesce(max(number), 0) + 1 FROM ledger) OR NEW.previous <> "
    f"coalesce((SELECT sha256 FROM ledger ORDER BY number DESC LIMIT 1), '{'0' * 64}') BEGIN "
    "SELECT RAISE(ABORT, 'ledger: an entry follows the newest one and names its hash'); END",
)
