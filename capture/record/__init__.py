"""The bench's record: jobs, checks, strokes, verdicts and the outbox in one SQLite file.

This package alone knows SQLAlchemy and Alembic. Use `Store`; everything else here serves it.
"""

from __future__ import annotations

from capture.record.database import RecordError
from capture.record.entries import Check, FactEntry, Job, OutboxRow, StrokeEntry, VerdictEntry
from capture.record.store import Store

__all__ = ["Check", "FactEntry", "Job", "OutboxRow", "RecordError", "Store", "StrokeEntry", "VerdictEntry"]
