"""How units stand on their way to the sign-off; the unit's serial beside strokes and verdicts; who collects here."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects.postgresql import JSONB

revision = "0002"
down_revision = "0001"


def _id() -> sa.types.TypeEngine[Any]:
    return sa.String(36).with_variant(sa.Uuid(as_uuid=False), "postgresql")


def _at() -> sa.types.TypeEngine[Any]:
    return sa.String(27).with_variant(sa.DateTime(timezone=True), "postgresql")


def _json() -> sa.types.TypeEngine[Any]:
    return sa.JSON().with_variant(JSONB(), "postgresql")


def upgrade() -> None:
    """Add the tables and the columns, and fill in the serials that the statuses tell."""
    op.create_table(
        "collected_units",
        sa.Column("id", _id(), primary_key=True),
        sa.Column("at", _at(), nullable=False),
        sa.Column("received_at", _at(), nullable=False),
        sa.Column("shop", sa.Text, nullable=False),
        sa.Column("bench", sa.Text, nullable=False),
        sa.Column("more", _json()),
        sa.Column("job", _id(), nullable=False),
        sa.Column("unit_serial", sa.Text, nullable=False),
        sa.Column("packs", _json(), nullable=False),
        sa.Column("steps", sa.BigInteger, nullable=False),
        sa.Column("steps_closed", sa.BigInteger, nullable=False),
        sa.Column("next_step", sa.Text, nullable=False),
        sa.Column("against", _json(), nullable=False),
        sa.Column("to_acknowledge", _json(), nullable=False),
        sa.Column("signed_off_by", sa.Text, nullable=False),
        sa.Column("signed_off_at", _at()),
    )
    op.create_index("collected_units_at", "collected_units", ["at"])
    op.create_index("collected_units_job", "collected_units", ["job"])
    op.create_index("collected_units_serial", "collected_units", ["unit_serial"])
    op.create_table(
        "collected_by",
        sa.Column("name", sa.Text, primary_key=True),
        sa.Column("since", _at(), nullable=False),
    )
    postgresql = op.get_bind().dialect.name == "postgresql"
    if postgresql:
        op.execute("SET LOCAL statement_timeout = 0")  # filling in may take longer than any batch
    for table in ("collected_strokes", "collected_verdicts"):
        op.add_column(table, sa.Column("unit_serial", sa.Text, nullable=False, server_default=""))
        op.create_index(f"{table}_serial", table, ["unit_serial"])
        op.execute(
            f"UPDATE {table} SET unit_serial = told.serial FROM (SELECT job, max(unit_serial) AS serial "
            f"FROM collected_statuses WHERE unit_serial <> '' GROUP BY job) AS told WHERE told.job = {table}.job"
        )
    # Whoever collected into it before did so under a name that was not kept: an empty one stands for any.
    now = "now()" if postgresql else "strftime('%Y-%m-%dT%H:%M:%fZ')"
    op.execute(
        f"INSERT INTO collected_by (name, since) SELECT '', {now} WHERE EXISTS (SELECT 1 FROM collected_statuses) "
        "OR EXISTS (SELECT 1 FROM collected_strokes) OR EXISTS (SELECT 1 FROM collected_verdicts)"
    )
