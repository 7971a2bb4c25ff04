"""What the record gives back: one job with its checks, their strokes and verdicts, as plain frozen data."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Literal
from uuid import UUID

from capture.clearance.check import StrokeKept
from capture.clearance.verdict import Verdict
from capture.unit.facts import Fact, StrokeLeftOut

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
    method: int | None = None
    """The way of measuring by its number (`strokes/methods`); None from before they were numbered."""


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
    origin: dict[str, Any] | None = None
    """What stood behind its port (`unit/origin.py`); None in entries of versions that did not keep it."""
    left_out: tuple[FactEntry, ...] = ()
    """The strokes that a person left out, in the order of the ledger."""

    def without(self, entry: FactEntry) -> KeptCheck:
        """Return the check after a stroke of it was left out."""
        fact = entry.fact
        assert isinstance(fact, StrokeLeftOut)
        words = f"left out by {fact.by}: {fact.reason}"
        strokes = (replace(one, left_out=words) if one.stroke.n == fact.stroke else one for one in self.strokes)
        return replace(self, strokes=tuple(strokes), left_out=(*self.left_out, entry))

    def as_of(self, number: int) -> KeptCheck:
        """Return the check as it was judged when the ledger's newest entry was that of `number`, its strokes and state
        as they are."""
        verdict = self.verdict if self.verdict is not None and self.verdict.number <= number else None
        return replace(self, verdict=verdict, left_out=tuple(one for one in self.left_out if one.number <= number))

    @property
    def stands(self) -> Verdict | None:
        """The verdict that holds now: the one it came to, or what the rest said when strokes were left out after it."""
        found = None if self.verdict is None else self.verdict.verdict
        for entry in self.left_out:
            if isinstance(entry.fact, StrokeLeftOut) and entry.fact.verdict is not None:
                found = entry.fact.verdict
        return found


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

    def with_fact(self, entry: FactEntry) -> Job:
        """Return the job after something more happened."""
        checks, fact = self.checks, entry.fact
        if isinstance(fact, StrokeLeftOut):
            checks = tuple(one.without(entry) if one.id == fact.check else one for one in checks)
        return replace(self, checks=checks, facts=(*self.facts, entry))

    def as_of(self, number: int) -> Job:
        """Return the job as it was when the ledger's newest entry was that of `number`."""
        checks = tuple(one.as_of(number) for one in self.checks if one.started_number <= number)
        return replace(self, checks=checks, facts=tuple(one for one in self.facts if one.number <= number))
