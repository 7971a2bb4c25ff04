"""What the record gives back: one job with its checks, their strokes and verdicts, as plain frozen data."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal
from uuid import UUID

from capture.clearance.check import StrokeKept
from capture.clearance.verdict import Verdict
from capture.mqtt.outgoing import Outgoing
from capture.unit.facts import Fact

__all__ = ["FactEntry", "Job", "KeptCheck", "KeptState", "Measure", "OutboxRow", "SetAside", "VerdictEntry"]

KeptState = Literal["measuring", "done", "abandoned"]
Measure = Literal["peak", "held"]


@dataclass(frozen=True, slots=True)
class VerdictEntry:
    """A verdict, the advice given with it, and what it was derived from and by. `number` is its ledger entry."""

    number: int
    verdict: Verdict
    advice: tuple[dict[str, Any], ...]
    recording_sha256: str
    recording_bytes: int
    software_version: str
    at: datetime


@dataclass(frozen=True, slots=True)
class KeptCheck:
    """One check of one pack. `number` counts the checks of this pack in this job, from 1.

    `started_number` is the ledger entry of its start: with a verdict's and a fact's number it tells which came first.
    """

    id: int
    pack: str
    number: int
    started_number: int
    state: KeptState
    indicator: dict[str, Any]
    gauge: dict[str, Any] | None
    """The indicator's `serial` and `calibration_due` (ISO 8601 date), None where the bench's settings name none."""
    recording_path: str
    """As recordings/JOB/NAME below the record's data folder; earlier versions wrote the whole path at the bench."""
    started_at: datetime
    ended_at: datetime | None
    low_nm: int
    high_nm: int
    strokes_wanted: int
    seat_wanted: int
    measure: Measure
    strokes: tuple[StrokeKept, ...]
    verdict: VerdictEntry | None
    pruned_at: datetime | None = None
    """When its recording was removed by policy."""


@dataclass(frozen=True, slots=True)
class FactEntry:
    """Something that happened to the unit beside its strokes, and its number in the ledger."""

    number: int
    at: datetime
    fact: Fact


@dataclass(frozen=True, slots=True)
class Job:
    """One unit on one bench, from opening to closing, with the build sheet exactly as it was used."""

    id: int
    uuid: UUID
    bench: str
    unit_serial: str
    technician: str
    sheet_name: str
    sheet_revision: str
    sheet_toml: str
    opened_at: datetime
    closed_at: datetime | None
    checks: tuple[KeptCheck, ...]
    facts: tuple[FactEntry, ...]
    """In the order of the ledger."""


@dataclass(frozen=True, slots=True)
class SetAside:
    """Messages that the broker refused: how many, and of the newest its topic and why."""

    count: int
    topic: str
    why: str


@dataclass(frozen=True, slots=True)
class OutboxRow:
    """A message waiting for the broker. Row ids grow in the order the messages happened."""

    row: int
    message: Outgoing
