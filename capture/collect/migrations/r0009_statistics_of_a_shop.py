"""What the statistics of a shop need of a verdict, and their views."""

from __future__ import annotations

from alembic import op
from sqlalchemy import BigInteger, Boolean, Column

from capture.collect.statistics.views import make_views

revision = "0009"
down_revision = "0008"


def upgrade() -> None:
    """Add the columns, and make the views."""
    op.add_column("collected_verdicts", Column("unit_parts_changed", BigInteger))
    op.add_column("collected_verdicts", Column("changed_closes", Boolean))
    op.add_column("collected_verdicts", Column("needs_a_master", Boolean))
    make_views(op.get_bind(), "statistics_0009.sql")
