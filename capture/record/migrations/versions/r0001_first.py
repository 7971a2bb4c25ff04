"""The first schema: jobs, checks, strokes, verdicts and the outbox."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def _key() -> sa.Column[int]:
    return sa.Column("id", sa.BigInteger().with_variant(sa.Integer, "sqlite"), primary_key=True, autoincrement=True)


def upgrade() -> None:
    """Make every table."""
    op.create_table(
        "jobs",
        _key(),
        sa.Column("uuid", sa.Text, nullable=False, unique=True),
        sa.Column("bench", sa.Text, nullable=False),
        sa.Column("unit_serial", sa.Text, nullable=False),
        sa.Column("technician", sa.Text, nullable=False),
        sa.Column("sheet_name", sa.Text, nullable=False),
        sa.Column("sheet_revision", sa.Text, nullable=False),
        sa.Column("sheet_toml", sa.Text, nullable=False),
        sa.Column("opened_at", sa.Text, nullable=False),
        sa.Column("closed_at", sa.Text),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "checks",
        _key(),
        sa.Column("job", sa.BigInteger, sa.ForeignKey("jobs.id"), nullable=False),
        sa.Column("pack", sa.Text, nullable=False),
        sa.Column("number", sa.Integer, nullable=False),
        sa.Column("state", sa.Text, nullable=False),
        sa.Column("indicator", sa.JSON, nullable=False),
        sa.Column("recording_path", sa.Text, nullable=False),
        sa.Column("started_at", sa.Text, nullable=False),
        sa.Column("ended_at", sa.Text),
        sa.Column("low_nm", sa.BigInteger, nullable=False),
        sa.Column("high_nm", sa.BigInteger, nullable=False),
        sa.Column("strokes_wanted", sa.Integer, nullable=False),
        sa.Column("seat_wanted", sa.Integer, nullable=False),
        sa.Column("measure", sa.Text, nullable=False),
        sa.UniqueConstraint("job", "pack", "number"),
        sa.CheckConstraint("state IN ('measuring', 'done', 'abandoned')", name="checks_state"),
        sa.CheckConstraint("measure IN ('peak', 'held')", name="checks_measure"),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "strokes",
        _key(),
        sa.Column("check", sa.BigInteger, sa.ForeignKey("checks.id"), nullable=False),
        sa.Column("n", sa.Integer, nullable=False),
        sa.Column("seat", sa.Boolean, nullable=False),
        sa.Column("start_ns", sa.BigInteger, nullable=False),
        sa.Column("end_ns", sa.BigInteger, nullable=False),
        sa.Column("released_nm", sa.BigInteger, nullable=False),
        sa.Column("peak_travel_nm", sa.BigInteger, nullable=False),
        sa.Column("held_travel_nm", sa.BigInteger, nullable=False),
        sa.Column("rise_ns", sa.BigInteger, nullable=False),
        sa.Column("creep_nm", sa.BigInteger, nullable=False),
        sa.Column("return_error_nm", sa.BigInteger, nullable=False),
        sa.Column("flags", sa.JSON, nullable=False),
        sa.Column("accepted", sa.Boolean, nullable=False),
        sa.UniqueConstraint("check", "n"),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "verdicts",
        _key(),
        sa.Column("check", sa.BigInteger, sa.ForeignKey("checks.id"), nullable=False, unique=True),
        sa.Column("verdict", sa.Text, nullable=False),
        sa.Column("mean_nm", sa.BigInteger, nullable=False),
        sa.Column("expanded_uncertainty_nm", sa.BigInteger, nullable=False),
        sa.Column("coverage", sa.Float, nullable=False),
        sa.Column("coverage_factor", sa.Float, nullable=False),
        sa.Column("dof", sa.Float),
        sa.Column("standard_uncertainty_nm", sa.Float, nullable=False),
        sa.Column("strokes", sa.Integer, nullable=False),
        sa.Column("low_nm", sa.BigInteger, nullable=False),
        sa.Column("high_nm", sa.BigInteger, nullable=False),
        sa.Column("conformance_probability", sa.Float, nullable=False),
        sa.Column("budget", sa.JSON, nullable=False),
        sa.Column("next_step", sa.Text, nullable=False),
        sa.Column("more_strokes", sa.Integer),
        sa.Column("advice", sa.JSON, nullable=False),
        sa.Column("recording_sha256", sa.Text, nullable=False),
        sa.Column("recording_bytes", sa.BigInteger, nullable=False),
        sa.Column("software_version", sa.Text, nullable=False),
        sa.Column("at", sa.Text, nullable=False),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "outbox",
        _key(),
        sa.Column("message", sa.Text, nullable=False, unique=True),
        sa.Column("topic", sa.Text, nullable=False),
        sa.Column("payload", sa.Text, nullable=False),
        sa.Column("retain", sa.Boolean, nullable=False),
        sa.Column("created_at", sa.Text, nullable=False),
        sqlite_autoincrement=True,
    )
