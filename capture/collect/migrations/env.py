"""Run by Alembic: applies the steps on the connection that `capture.collect.database` opened."""

from __future__ import annotations

from alembic import context

from capture.collect.schema import VERSION_TABLE

# SQLite and PostgreSQL roll a schema change back: a step that fails or is cut off leaves the old schema whole.
context.configure(
    connection=context.config.attributes["connection"], version_table=VERSION_TABLE, transactional_ddl=True
)
with context.begin_transaction():
    context.run_migrations()
