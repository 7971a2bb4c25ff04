"""The record's tables, as the newest migration leaves them. `ledger` is the record; the others are its quick-to-read
form, written in the same transaction.

Change them only together with a new migration in `migrations/versions`, and append its name to REVISIONS.
Times are RFC 3339 text in UTC with microseconds, so text order is time order. Lengths are integer nanometres.
"""

from __future__ import annotations

from typing import Final

from sqlalchemy import (
    JSON,
    BigInteger,
    Boolean,
    CheckConstraint,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    Table,
    Text,
    UniqueConstraint,
)

__all__ = ["REVISIONS", "checks", "jobs", "ledger", "metadata", "outbox", "set_aside", "strokes", "verdicts"]

#: Every schema version this software knows, oldest first; the last is the one it needs.
REVISIONS: Final = ("0001", "0002", "0003", "0004", "0005", "0006", "0007")

metadata = MetaData()


def _key() -> Column[int]:
    # SQLite numbers rows by itself only in an INTEGER key; elsewhere the key needs 64 bits.
    return Column("id", BigInteger().with_variant(Integer, "sqlite"), primary_key=True, autoincrement=True)


jobs = Table(
    "jobs",
    metadata,
    _key(),
    Column("uuid", Text, nullable=False, unique=True),
    Column("bench", Text, nullable=False),
    Column("unit_serial", Text, nullable=False),
    Column("technician", Text, nullable=False),
    Column("sheet_name", Text, nullable=False),
    Column("sheet_revision", Text, nullable=False),
    Column("sheet_toml", Text, nullable=False),
    Column("opened_at", Text, nullable=False),
    Column("closed_at", Text),
    sqlite_autoincrement=True,
)

checks = Table(
    "checks",
    metadata,
    _key(),
    Column("job", BigInteger, ForeignKey("jobs.id"), nullable=False),
    Column("pack", Text, nullable=False),
    Column("number", Integer, nullable=False),
    Column("state", Text, nullable=False),
    Column("indicator", JSON, nullable=False),
    Column("recording_path", Text, nullable=False),
    Column("started_at", Text, nullable=False),
    Column("ended_at", Text),
    Column("low_nm", BigInteger, nullable=False),
    Column("high_nm", BigInteger, nullable=False),
    Column("strokes_wanted", Integer, nullable=False),
    Column("seat_wanted", Integer, nullable=False),
    Column("measure", Text, nullable=False),
    Column("gauge", JSON(none_as_null=True)),  # null: nothing is known of it
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
    Column("n", Integer, nullable=False),
    Column("seat", Boolean, nullable=False),
    Column("start_ns", BigInteger, nullable=False),
    Column("end_ns", BigInteger, nullable=False),
    Column("released_nm", BigInteger, nullable=False),
    Column("peak_travel_nm", BigInteger, nullable=False),
    Column("held_travel_nm", BigInteger, nullable=False),
    Column("rise_ns", BigInteger, nullable=False),
    Column("creep_nm", BigInteger, nullable=False),
    Column("return_error_nm", BigInteger, nullable=False),
    Column("flags", JSON, nullable=False),
    Column("accepted", Boolean, nullable=False),
    Column("pressure_min_pa", BigInteger),
    Column("pressure_max_pa", BigInteger),
    Column("leak_down_pa_per_s", BigInteger),
    Column("rounding_nm", BigInteger),
    Column("fall_nm_per_s", BigInteger),
    Column("inferred_nm", BigInteger),
    UniqueConstraint("check", "n"),
    sqlite_autoincrement=True,
)

verdicts = Table(
    "verdicts",
    metadata,
    _key(),
    Column("check", BigInteger, ForeignKey("checks.id"), nullable=False, unique=True),
    Column("verdict", Text, nullable=False),
    Column("mean_nm", BigInteger, nullable=False),
    Column("expanded_uncertainty_nm", BigInteger, nullable=False),
    Column("coverage", Float, nullable=False),
    Column("coverage_factor", Float, nullable=False),
    Column("dof", Float),  # null: infinitely many
    Column("standard_uncertainty_nm", Float, nullable=False),
    Column("strokes", Integer, nullable=False),
    Column("low_nm", BigInteger, nullable=False),
    Column("high_nm", BigInteger, nullable=False),
    Column("conformance_probability", Float, nullable=False),
    Column("budget", JSON, nullable=False),
    Column("next_step", Text, nullable=False),
    Column("more_strokes", Integer),
    Column("remarks", JSON),
    Column("advice", JSON, nullable=False),
    Column("recording_sha256", Text, nullable=False),
    Column("recording_bytes", BigInteger, nullable=False),
    Column("software_version", Text, nullable=False),
    Column("at", Text, nullable=False),
    sqlite_autoincrement=True,
)

outbox = Table(
    "outbox",
    metadata,
    _key(),  # never reused (AUTOINCREMENT), so it stays the order of the bench's messages
    Column("message", Text, nullable=False, unique=True),
    Column("topic", Text, nullable=False),
    Column("payload", Text, nullable=False),
    Column("retain", Boolean, nullable=False),
    Column("created_at", Text, nullable=False),
    sqlite_autoincrement=True,
)

#: Messages that the broker refused, out of the outbox so that they hold nothing up.
set_aside = Table(
    "set_aside",
    metadata,
    Column("id", BigInteger().with_variant(Integer, "sqlite"), primary_key=True, autoincrement=False),  # in the outbox
    Column("message", Text, nullable=False, unique=True),
    Column("topic", Text, nullable=False),
    Column("payload", Text, nullable=False),
    Column("retain", Boolean, nullable=False),
    Column("created_at", Text, nullable=False),
    Column("why", Text, nullable=False),
)

ledger = Table(
    "ledger",
    metadata,
    # Numbered without gaps by whoever appends: a missing number is a missing entry.
    Column("number", BigInteger().with_variant(Integer, "sqlite"), primary_key=True, autoincrement=False),
    Column("job", BigInteger, ForeignKey("jobs.id")),  # null: about the record as a whole
    Column("kind", Text, nullable=False),
    Column("at", Text, nullable=False),
    Column("body", Text, nullable=False),  # canonical JSON
    Column("previous", Text, nullable=False),
    Column("sha256", Text, nullable=False),
    Index("ledger_job_kind", "job", "kind"),
)
