"""Alembic's steps from an empty file to the newest schema, one file a step in `versions`."""
