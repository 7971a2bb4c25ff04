"""What was found beside a clearance, such as that the seal leaks, in a column of its own."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects.postgresql import JSONB

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    """Add the column, and move there what verdicts said that came before."""
    op.add_column("collected_verdicts", sa.Column("remarks", sa.JSON().with_variant(JSONB(), "postgresql")))
    if op.get_bind().dialect.name == "postgresql":
        op.execute("SET LOCAL statement_timeout = 0")  # moving them may take longer than any batch
        said, rest, none = "more -> 'remarks'", "more - 'remarks'", "'{}'::jsonb"
    else:
        said, rest, none = "json_extract(more, '$.remarks')", "json_remove(more, '$.remarks')", "'{}'"
    op.execute(
        f"UPDATE collected_verdicts SET remarks = {said}, more = NULLIF({rest}, {none}) WHERE {said} IS NOT NULL"
    )
