"""One job's way to its sign-off in the record: read what it says, and write a fact only if nothing stands against it.

What stands against one is decided in `signoff`; how it is shown is not this file's matter.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

from capture.changes import Checked, Happened, stale_checks
from capture.facts import Fact, StepDone
from capture.messages import Outgoing
from capture.pack_states import Judged, pack_states
from capture.record import Job, Store
from capture.sheet import parse_sheet
from capture.signoff import Standing, against, elapsed_ns, standing

__all__ = ["Refused", "Signing", "happened_in"]


class Refused(Exception):
    """A fact was not written; the text says what stands against it and what to do."""


def happened_in(job: Job) -> list[Happened]:
    """Return what happened to a job's unit, in the record's order; a check stands where it began."""
    happened: list[tuple[int, Happened]] = [(entry.number, entry.fact) for entry in job.facts]
    for check in job.checks:
        if check.verdict is not None:
            happened.append((check.started_number, Checked(check.pack, check.verdict.verdict)))
    return [one for _, one in sorted(happened, key=lambda numbered: numbered[0])]


class Signing:
    """The steps, overrides and sign-off of one job. Raises RecordError and SheetError as the record does."""

    def __init__(self, store: Store, job_id: int) -> None:
        self._store = store
        self.job: Job = store.job(job_id)
        self.sheet = parse_sheet(self.job.sheet_toml, f"the sheet of job {job_id}")
        self._read()

    def _read(self) -> None:
        self.job = self._store.job(self.job.id)
        ended = [(check, check.verdict) for check in self.job.checks if check.verdict is not None]
        checks = [
            Judged(check.pack, check.started_number, entry.number, entry.verdict.verdict) for check, entry in ended
        ]
        stale = stale_checks(self.sheet, happened_in(self.job))
        self.packs = pack_states(self.sheet, checks, self.job.facts, stale)

    def standing(self) -> Standing:
        """Return how the unit stands."""
        return standing(self.sheet, self.job.facts, self.packs)

    def against(self, fact: Fact, at: datetime) -> str:
        """Return in words what stands against writing `fact`; empty if nothing does."""
        return against(self.sheet, self.job.facts, self.packs, fact, at)

    def add(self, fact: Fact, *, at: datetime, messages: Sequence[Outgoing] = ()) -> tuple[int, Fact]:
        """Write `fact` and read the job anew; return its number in the record and the fact as written.

        A step that was begun here gets the time it lasted. Raises Refused, having written nothing, if anything
        stands against it.
        """
        self._read()
        if isinstance(fact, StepDone) and fact.lasted_ns is None and 0 <= fact.step < len(self.sheet.steps):
            fact = replace(fact, lasted_ns=elapsed_ns(self.standing().steps[fact.step], at))
        why = self.against(fact, at)
        if why:
            raise Refused(f"{why}. Nothing was written")
        number = self._store.add_fact(self.job.id, fact, at=at, messages=messages)
        self._read()
        return number, fact
