"""The tables of the stock's file."""

from __future__ import annotations

from sqlalchemy import (
    CheckConstraint,
    Column,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    Table,
    Text,
    UniqueConstraint,
)

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

#: Every row that was written, chained by its hash to the one before; see `chained`.
ledger = Table(
    "ledger",
    metadata,
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("kind", Text, nullable=False),
    Column("at", Text, nullable=False),
    Column("body", Text, nullable=False),  # canonical JSON
    Column("previous", Text, nullable=False),
    Column("sha256", Text, nullable=False),
)
