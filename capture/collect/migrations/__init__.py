"""Alembic's steps from an empty database to the newest schema, one file a step in `versions`."""
