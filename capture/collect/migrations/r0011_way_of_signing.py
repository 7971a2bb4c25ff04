"""A unit's message says by which way it was signed off; earlier benches say nothing."""

from __future__ import annotations

from alembic import op
from sqlalchemy import Column, Text

revision = "0011"
down_revision = "0010"


def upgrade() -> None:
    """Add the column."""
    op.add_column("collected_units", Column("signed_off_way", Text, nullable=False, server_default=""))
