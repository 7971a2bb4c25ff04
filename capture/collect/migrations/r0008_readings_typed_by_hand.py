"""A bench's status says whether its readings are typed; those of before were not."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0006"


def upgrade() -> None:
    """Add the column."""
    op.add_column("collected_statuses", sa.Column("typed", sa.Boolean, nullable=False, server_default=sa.false()))
