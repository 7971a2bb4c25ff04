"""How fast the travel of a stroke fell while held, and what of it was not read but inferred."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """Add the columns; strokes that were collected before do not say."""
    for name in ("fall_nm_per_s", "inferred_nm"):
        op.add_column("collected_strokes", sa.Column(name, sa.BigInteger))
