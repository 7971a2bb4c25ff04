"""A verdict says by which way of measuring it was found; those from before have none."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0001"


def upgrade() -> None:
    """Add the column."""
    op.add_column("verdicts", sa.Column("method", sa.BigInteger, nullable=True))
