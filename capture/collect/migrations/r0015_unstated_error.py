"""A verdict's message says where no limit of the indicator's own error is counted; earlier benches say nothing."""

from __future__ import annotations

from alembic import op
from sqlalchemy import Column, Text

revision = "0015"
down_revision = "0014"


def upgrade() -> None:
    """Add the column."""
    op.add_column("collected_verdicts", Column("unstated", Text, nullable=False, server_default=""))
