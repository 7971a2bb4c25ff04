"""Run by Alembic: takes the steps on the connection, and in the transaction, that `to_newest` was given."""

from __future__ import annotations

from alembic import context

given = context.config.attributes
# SQLite and PostgreSQL roll a schema change back.
context.configure(connection=given["connection"], version_table=given["version_table"], transactional_ddl=True)
with context.begin_transaction():
    context.run_migrations()
