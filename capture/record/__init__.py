"""The bench's record: jobs, checks, strokes, verdicts, facts, their ledger and the outbox in one SQLite file.

This package alone knows SQLAlchemy and Alembic. Use `Store`; everything else here serves it.
"""

from __future__ import annotations

from capture.record.audit import Audit, CheckEnded, GaugeSealed, PhotoSealed, SettingsSet, audit
from capture.record.database import RecordError
from capture.record.entries import FactEntry, Job, KeptCheck, VerdictEntry
from capture.record.kept import KeptRecording
from capture.record.mismatch import Mismatch
from capture.record.of_units import SignedJob
from capture.record.rows import columns_of_advice
from capture.record.store import Store

__all__ = [
    "Audit",
    "CheckEnded",
    "FactEntry",
    "GaugeSealed",
    "Job",
    "KeptCheck",
    "KeptRecording",
    "Mismatch",
    "PhotoSealed",
    "RecordError",
    "SettingsSet",
    "SignedJob",
    "Store",
    "VerdictEntry",
    "audit",
    "columns_of_advice",
]
