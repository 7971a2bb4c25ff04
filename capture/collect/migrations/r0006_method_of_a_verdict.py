"""A verdict's message says by which way of measuring it was found; earlier benches say nothing."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"


def upgrade() -> None:
    """Add the column."""
    op.add_column("collected_verdicts", sa.Column("method", sa.BigInteger, nullable=True))
