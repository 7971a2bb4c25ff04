"""What a verdict says beside itself, such as that the seal leaks."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"


def upgrade() -> None:
    """Add the column; verdicts from before say nothing."""
    op.add_column("verdicts", sa.Column("remarks", sa.JSON))
