"""How fast the travel fell while held, and what of a travel was not read but inferred."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"


def upgrade() -> None:
    """Add the columns; strokes from before do not say."""
    for name in ("fall_nm_per_s", "inferred_nm"):
        op.add_column("strokes", sa.Column(name, sa.BigInteger))
