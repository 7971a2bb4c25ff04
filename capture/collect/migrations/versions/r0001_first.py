"""The first schema: strokes, verdicts, statuses, and what was refused."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects.postgresql import JSONB

revision = "0001"
down_revision = None


def _id() -> sa.types.TypeEngine[Any]:
    return sa.String(36).with_variant(sa.Uuid(as_uuid=False), "postgresql")


def _at() -> sa.types.TypeEngine[Any]:
    return sa.String(27).with_variant(sa.DateTime(timezone=True), "postgresql")


def _json() -> sa.types.TypeEngine[Any]:
    return sa.JSON().with_variant(JSONB(), "postgresql")


def _message(name: str, *columns: sa.Column[Any]) -> None:
    op.create_table(
        name,
        sa.Column("id", _id(), primary_key=True),
        sa.Column("at", _at(), nullable=False),
        sa.Column("received_at", _at(), nullable=False),
        sa.Column("shop", sa.Text, nullable=False),
        sa.Column("bench", sa.Text, nullable=False),
        sa.Column("more", _json()),
        *columns,
    )
    op.create_index(f"{name}_at", name, ["at"])


def upgrade() -> None:
    """Make every table."""
    _message(
        "collected_strokes",
        sa.Column("job", _id(), nullable=False),
        sa.Column("pack", sa.Text, nullable=False),
        sa.Column("check", sa.BigInteger, nullable=False),
        sa.Column("seat", sa.Boolean, nullable=False),
        sa.Column("n", sa.BigInteger, nullable=False),
        sa.Column("start_ns", sa.BigInteger, nullable=False),
        sa.Column("end_ns", sa.BigInteger, nullable=False),
        sa.Column("released_nm", sa.BigInteger, nullable=False),
        sa.Column("peak_travel_nm", sa.BigInteger, nullable=False),
        sa.Column("held_travel_nm", sa.BigInteger, nullable=False),
        sa.Column("rise_ns", sa.BigInteger, nullable=False),
        sa.Column("creep_nm", sa.BigInteger, nullable=False),
        sa.Column("return_error_nm", sa.BigInteger, nullable=False),
        sa.Column("flags", _json(), nullable=False),
        sa.Column("accepted", sa.Boolean, nullable=False),
        sa.Column("pressure_min_pa", sa.BigInteger),
        sa.Column("pressure_max_pa", sa.BigInteger),
        sa.Column("leak_down_pa_per_s", sa.BigInteger),
        sa.Column("rounding_nm", sa.BigInteger),
    )
    op.create_index("collected_strokes_job", "collected_strokes", ["job", "check", "n"])
    _message(
        "collected_verdicts",
        sa.Column("job", _id(), nullable=False),
        sa.Column("pack", sa.Text, nullable=False),
        sa.Column("check", sa.BigInteger, nullable=False),
        sa.Column("verdict", sa.Text, nullable=False),
        sa.Column("mean_nm", sa.BigInteger, nullable=False),
        sa.Column("expanded_uncertainty_nm", sa.BigInteger, nullable=False),
        sa.Column("coverage", sa.Float, nullable=False),
        sa.Column("coverage_factor", sa.Float, nullable=False),
        sa.Column("dof", sa.Float),
        sa.Column("standard_uncertainty_nm", sa.Float, nullable=False),
        sa.Column("strokes", sa.BigInteger, nullable=False),
        sa.Column("low_nm", sa.BigInteger, nullable=False),
        sa.Column("high_nm", sa.BigInteger, nullable=False),
        sa.Column("conformance_probability", sa.Float, nullable=False),
        sa.Column("budget", _json(), nullable=False),
        sa.Column("next_step", sa.Text, nullable=False),
        sa.Column("more_strokes", sa.BigInteger),
        sa.Column("advice", _json(), nullable=False),
        sa.Column("recording_sha256", sa.String(64), nullable=False),
    )
    op.create_index("collected_verdicts_job", "collected_verdicts", ["job", "check"])
    _message(
        "collected_statuses",
        sa.Column("state", sa.Text, nullable=False),
        sa.Column("software_version", sa.Text, nullable=False),
        sa.Column("job", _id()),
        sa.Column("unit_serial", sa.Text, nullable=False),
        sa.Column("technician", sa.Text, nullable=False),
        sa.Column("pack", sa.Text),
        sa.Column("indicator", sa.Text, nullable=False),
        sa.Column("messages_waiting", sa.BigInteger, nullable=False),
    )
    op.create_table(
        "collected_refused",
        sa.Column("number", sa.BigInteger().with_variant(sa.Integer, "sqlite"), primary_key=True, autoincrement=True),
        sa.Column("sha256", sa.String(64), nullable=False, unique=True),
        sa.Column("received_at", _at(), nullable=False),
        sa.Column("shop", sa.Text, nullable=False),
        sa.Column("topic", sa.Text, nullable=False),
        sa.Column("reason", sa.Text, nullable=False),
        sa.Column("payload", sa.LargeBinary, nullable=False),
        sa.Column("payload_bytes", sa.BigInteger, nullable=False),
        sqlite_autoincrement=True,
    )
