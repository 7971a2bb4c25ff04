"""The collector's tables, as the newest migration leaves them, and how ids and times are kept in each database.

Change them only together with a new migration in `migrations/versions`, and append its name to REVISIONS. Lengths
are integer nanometres, times within a recording integer nanoseconds. Columns carry the names of the message's fields;
a field that has no column, because the bench is newer than the collector, is kept in `more`.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any, Final

from sqlalchemy import (
    JSON,
    BigInteger,
    Boolean,
    Column,
    DateTime,
    Dialect,
    Float,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    Uuid,
)
from sqlalchemy.dialects.postgresql import JSONB
from sqlalchemy.types import TypeDecorator, TypeEngine

__all__ = [
    "REVISIONS",
    "VERSION_TABLE",
    "Instant",
    "by_id",
    "collectors",
    "refused",
    "statuses",
    "strokes",
    "units",
    "verdicts",
]

#: Every schema version this software knows, oldest first; the last is the one it needs.
REVISIONS: Final = ("0001", "0002", "0003", "0004")
#: Not Alembic's usual name: the database may be shared with other software that uses Alembic.
VERSION_TABLE: Final = "collected_version"


class Instant(TypeDecorator[datetime]):
    """An aware time: `timestamptz` where there is one, else RFC 3339 text in UTC, whose order is time order."""

    impl = String(27)
    cache_ok = True

    def load_dialect_impl(self, dialect: Dialect) -> TypeEngine[Any]:
        """Choose the column's type."""
        return dialect.type_descriptor(DateTime(timezone=True) if dialect.name == "postgresql" else String(27))

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> Any:
        """Write."""
        if value is None or dialect.name == "postgresql":
            return value
        return value.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")

    def process_result_value(self, value: Any, dialect: Dialect) -> datetime | None:
        """Read."""
        return datetime.fromisoformat(value).astimezone(UTC) if isinstance(value, str) else value


_ID: Final = String(36).with_variant(Uuid(as_uuid=False), "postgresql")
_JSON: Final = JSON(none_as_null=True).with_variant(JSONB(none_as_null=True), "postgresql")

metadata = MetaData()


def _message(name: str, *columns: Any) -> Table:
    return Table(
        name,
        metadata,
        Column("id", _ID, primary_key=True),
        Column("at", Instant, nullable=False),
        Column("received_at", Instant, nullable=False),
        Column("shop", Text, nullable=False),
        Column("bench", Text, nullable=False),
        Column("more", _JSON),
        *columns,
    )


strokes = _message(
    "collected_strokes",
    Column("job", _ID, nullable=False),
    Column("pack", Text, nullable=False),
    Column("check", BigInteger, nullable=False),
    Column("seat", Boolean, nullable=False),
    Column("n", BigInteger, nullable=False),
    Column("start_ns", BigInteger, nullable=False),
    Column("end_ns", BigInteger, nullable=False),
    Column("released_nm", BigInteger, nullable=False),
    Column("peak_travel_nm", BigInteger, nullable=False),
    Column("held_travel_nm", BigInteger, nullable=False),
    Column("rise_ns", BigInteger, nullable=False),
    Column("creep_nm", BigInteger, nullable=False),
    Column("return_error_nm", BigInteger, nullable=False),
    Column("flags", _JSON, nullable=False),
    Column("accepted", Boolean, nullable=False),
    Column("pressure_min_pa", BigInteger),
    Column("pressure_max_pa", BigInteger),
    Column("leak_down_pa_per_s", BigInteger),
    Column("rounding_nm", BigInteger),
    Column("fall_nm_per_s", BigInteger),
    Column("inferred_nm", BigInteger),
    Column("unit_serial", Text, nullable=False, server_default=""),
    Index("collected_strokes_serial", "unit_serial"),
    Index("collected_strokes_job", "job", "check", "n"),
    Index("collected_strokes_at", "at"),
)

verdicts = _message(
    "collected_verdicts",
    Column("job", _ID, nullable=False),
    Column("pack", Text, nullable=False),
    Column("check", BigInteger, nullable=False),
    Column("verdict", Text, nullable=False),
    Column("mean_nm", BigInteger, nullable=False),
    Column("expanded_uncertainty_nm", BigInteger, nullable=False),
    Column("coverage", Float, nullable=False),
    Column("coverage_factor", Float, nullable=False),
    Column("dof", Float),  # null: infinitely many
    Column("standard_uncertainty_nm", Float, nullable=False),
    Column("strokes", BigInteger, nullable=False),
    Column("low_nm", BigInteger, nullable=False),
    Column("high_nm", BigInteger, nullable=False),
    Column("conformance_probability", Float, nullable=False),
    Column("budget", _JSON, nullable=False),
    Column("next_step", Text, nullable=False),
    Column("more_strokes", BigInteger),
    Column("advice", _JSON, nullable=False),
    Column("recording_sha256", String(64), nullable=False),
    Column("remarks", _JSON),  # null: from before they were kept in a column
    Column("unit_serial", Text, nullable=False, server_default=""),
    Index("collected_verdicts_serial", "unit_serial"),
    Index("collected_verdicts_job", "job", "check"),
    Index("collected_verdicts_at", "at"),
)

statuses = _message(
    "collected_statuses",
    Column("state", Text, nullable=False),
    Column("software_version", Text, nullable=False),
    Column("job", _ID),
    Column("unit_serial", Text, nullable=False),
    Column("technician", Text, nullable=False),
    Column("pack", Text),
    Column("indicator", Text, nullable=False),
    Column("messages_waiting", BigInteger, nullable=False),
    Index("collected_statuses_at", "at"),
)

#: A row each time that a unit's way to its sign-off changed. Signed off where `signed_off_by` is not empty.
units = _message(
    "collected_units",
    Column("job", _ID, nullable=False),
    Column("unit_serial", Text, nullable=False),
    Column("packs", _JSON, nullable=False),
    Column("steps", BigInteger, nullable=False),
    Column("steps_closed", BigInteger, nullable=False),
    Column("next_step", Text, nullable=False),
    Column("against", _JSON, nullable=False),
    Column("to_acknowledge", _JSON, nullable=False),
    Column("signed_off_by", Text, nullable=False),
    Column("signed_off_at", Instant),
    Index("collected_units_at", "at"),
    Index("collected_units_job", "job"),
    Index("collected_units_serial", "unit_serial"),
)

#: The sessions at brokers that were written from; an empty one stands for those from before they were kept.
collectors = Table(
    "collected_by",
    metadata,
    Column("name", Text, primary_key=True),
    Column("since", Instant, nullable=False),
)

refused = Table(
    "collected_refused",
    metadata,
    # Numbers only grow, so the oldest rows can be dropped by number.
    Column("number", BigInteger().with_variant(Integer, "sqlite"), primary_key=True, autoincrement=True),
    Column("sha256", String(64), nullable=False, unique=True),  # of topic and payload: a repeat is kept once
    Column("received_at", Instant, nullable=False),
    Column("shop", Text, nullable=False),
    Column("topic", Text, nullable=False),
    Column("reason", Text, nullable=False),
    Column("payload", LargeBinary, nullable=False),  # its beginning
    Column("payload_bytes", BigInteger, nullable=False),
    sqlite_autoincrement=True,
)

#: The tables whose key is a message's id, by the kind of message, which is the last level of its topic.
by_id: Final = {"stroke": strokes, "verdict": verdicts, "status": statuses, "unit": units}
