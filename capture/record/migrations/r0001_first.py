"""The first schema, which is made of the tables themselves: the later steps start from it."""

from __future__ import annotations

revision = "0001"
down_revision = None
