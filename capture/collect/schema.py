"""The collector's tables, as the newest migration leaves them, and how ids and times are kept in each database.

Columns carry the names of the message's fields; a field that has no column, because the bench is newer than the
collector, is kept in `more`. Lengths are integer nanometres, times within a recording integer nanoseconds. A new field
of a message takes a new step in `migrations`, and its name in REVISIONS.
"""

from __future__ import annotations

from typing import Final
from uuid import UUID

from pydantic import AwareDatetime, BaseModel
from sqlalchemy import (
    BigInteger,
    Column,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
)

from capture.collect.column_types import ID, JSON_VALUE, Instant
from capture.mqtt.messages import BenchStatus, GaugeMessage, StrokeMessage, UnitMessage, VerdictMessage
from capture.plumbing.columns import columns_of

__all__ = [
    "REVISIONS",
    "TRIALS",
    "VERSION_TABLE",
    "broken",
    "by_id",
    "collectors",
    "gauge_checks",
    "heads",
    "leases",
    "refused",
    "statuses",
    "strokes",
    "units",
    "verdicts",
]

#: Every schema version this software knows, oldest first; the last is the one it needs.
REVISIONS: Final = ("0001", "0005", "0006", "0008", "0009", "0010", "0011", "0012", "0013", "0014", "0015")
#: Names that trials from before the first release used, whose tables no release reads. Never use them again.
TRIALS: Final = ("0002", "0003", "0004")
#: Not Alembic's usual name: the database may be shared with other software that uses Alembic.
VERSION_TABLE: Final = "collected_version"


_TYPES: Final = {AwareDatetime: Instant, UUID: ID, dict: JSON_VALUE}

metadata = MetaData()
_BY_TIME: Final = {"at": ("at",), "bench": ("bench", "at"), "shop": ("shop", "bench", "at")}


def _message(name: str, fields: type[BaseModel], indexes: dict[str, tuple[str, ...]]) -> Table:
    return Table(
        name,
        metadata,
        Column("id", ID, primary_key=True),
        Column("received_at", Instant, nullable=False),
        Column("shop", Text, nullable=False),
        *columns_of(fields, _TYPES, without=("schema_version", "id")),
        Column("more", JSON_VALUE),
        *(Index(f"{name}_{index}", *columns) for index, columns in {**_BY_TIME, **indexes}.items()),
    )


_SERIAL: Final = {"serial": ("unit_serial",)}
strokes = _message("collected_strokes", StrokeMessage, {**_SERIAL, "job": ("job", "check", "n")})
verdicts = _message("collected_verdicts", VerdictMessage, {**_SERIAL, "job": ("job", "check")})
statuses = _message("collected_statuses", BenchStatus, {})
#: A row each time that a unit's way to its sign-off changed. Signed off where `signed_off_by` is not empty.
units = _message("collected_units", UnitMessage, {**_SERIAL, "job": ("job",)})
#: Every check of a bench's gauge against masters.
gauge_checks = _message("collected_gauge_checks", GaugeMessage, {"gauge": ("gauge_serial", "at")})

#: The sessions at brokers that were written from.
collectors = Table(
    "collected_by",
    metadata,
    Column("name", Text, primary_key=True),
    Column("since", Instant, nullable=False),
)

#: Every head of a bench's record that a message carried, once: what `record verify --against` proves a record with.
heads = Table(
    "collected_heads",
    metadata,
    Column("sha256", String(64), primary_key=True),
    Column("shop", Text, primary_key=True),
    Column("bench", Text, primary_key=True),
    Column("number", BigInteger, nullable=False),
    Column("record", Integer, nullable=False),  # 1, and one more after each time that it was found broken
    Column("at", Instant, nullable=False),
    Column("received_at", Instant, nullable=False),
    Index("collected_heads_bench", "shop", "bench", "number"),
)

#: Benches whose record lost its end, was changed or was replaced, each time that heads told so.
broken = Table(
    "collected_broken_records",
    metadata,
    Column("number", BigInteger().with_variant(Integer, "sqlite"), primary_key=True, autoincrement=True),
    Column("shop", Text, nullable=False),
    Column("bench", Text, nullable=False),
    Column("received_at", Instant, nullable=False),
    Column("head_number", BigInteger, nullable=False),
    Column("head_sha256", String(64), nullable=False),
    Column("why", Text, nullable=False),
    sqlite_autoincrement=True,
)

#: Who may keep what comes from a session now; see `lease.py`.
leases = Table(
    "collected_leases",
    metadata,
    Column("session", Text, primary_key=True),
    Column("holder", Text, nullable=False),
    Column("number", BigInteger, nullable=False),
    Column("beat", BigInteger, nullable=False),
    Column("broker_lost", Text, nullable=False, server_default=""),  # why, while its holder cannot reach the broker
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
by_id: Final = {"stroke": strokes, "verdict": verdicts, "status": statuses, "unit": units, "gauge": gauge_checks}
