"""What the display's rounding leaves in a travel, dithered by the noise that the stroke showed."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    """Add the column; strokes from before do not say, and are judged with all of the rounding."""
    op.add_column("strokes", sa.Column("rounding_nm", sa.BigInteger))
