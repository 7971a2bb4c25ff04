"""Messages that a broker refused, set aside so that they hold nothing up."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    """Add the table."""
    op.create_table(
        "set_aside",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer, "sqlite"), primary_key=True, autoincrement=False),
        sa.Column("message", sa.Text, nullable=False, unique=True),
        sa.Column("topic", sa.Text, nullable=False),
        sa.Column("payload", sa.Text, nullable=False),
        sa.Column("retain", sa.Boolean, nullable=False),
        sa.Column("created_at", sa.Text, nullable=False),
        sa.Column("why", sa.Text, nullable=False),
    )
