"""Who collects says why its broker cannot be reached, in the row by which it shows that it lives."""

from __future__ import annotations

from alembic import op
from sqlalchemy import Column, Text

revision = "0014"
down_revision = "0013"


def upgrade() -> None:
    """Add the column."""
    op.add_column("collected_leases", Column("broker_lost", Text, nullable=False, server_default=""))
