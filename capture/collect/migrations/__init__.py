"""The steps from one schema version to the next, each a file that Alembic reads; a new database takes them all."""
