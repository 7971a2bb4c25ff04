"""Run by Alembic: applies the steps on the connection that `capture.record.database` opened."""

from __future__ import annotations

from alembic import context

# SQLite can roll a schema change back, and the connection was begun with an explicit BEGIN: a migration that
# fails or is cut off leaves the old schema whole.
context.configure(connection=context.config.attributes["connection"], transactional_ddl=True)
with context.begin_transaction():
    context.run_migrations()
