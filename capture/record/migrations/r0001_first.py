"""The first schema: the SQL beside this, which never changes."""

from __future__ import annotations

from pathlib import Path

from alembic import op

from capture.plumbing.migrations import make_first

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Make the tables."""
    make_first(Path(__file__).parent, op.get_bind())
