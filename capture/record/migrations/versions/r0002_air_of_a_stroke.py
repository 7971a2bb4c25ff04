"""What the air did during a stroke, where a fixture measured it."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Add the columns; strokes from before have no word on their air."""
    for name in ("pressure_min_pa", "pressure_max_pa", "leak_down_pa_per_s"):
        op.add_column("strokes", sa.Column(name, sa.BigInteger))
