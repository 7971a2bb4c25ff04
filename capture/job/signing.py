"""One job's way to its sign-off in the record: read what it says, and write a fact only if nothing stands against it.

What stands against one is decided in `signoff` and `changes`; how it is shown is not this file's matter.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from capture.clearance.verdict import Verdict
from capture.mqtt.outgoing import Outgoing
from capture.record import Job, Store
from capture.sheet.sheet import parse_sheet
from capture.unit.changes import Happened, PlanError, fitted_now
from capture.unit.facts import Fact, PartsChanged, StepDone
from capture.unit.gauge import overdue_words
from capture.unit.pack_states import PackState
from capture.unit.signoff_rules import Standing, against, elapsed_ns
from capture.unit.standing import Ended, UnitStanding, happened, unit_now
from capture.unit.words import typed_words

__all__ = ["Refused", "Signing", "ended_in", "happened_in"]

#: A number above that of every entry: what is about to be written comes after them all, and before whatever is asked
#: about it (`signoff` asks with a number above this one).
_NEXT = 2**61


class Refused(Exception):
    """A fact was not written; the text says what stands against it and what to do."""


@dataclass(frozen=True, slots=True)
class _Coming:
    """A fact that is about to be written."""

    at: datetime
    fact: Fact
    number: int = _NEXT


def ended_in(job: Job) -> list[Ended]:
    """Return the checks of a job that came to a verdict."""
    return [
        Ended(
            check.pack,
            check.started_number,
            check.verdict.number,
            check.verdict.verdict,
            overdue_words(check.gauge, check.started_at.astimezone().date()),
        )
        for check in job.checks
        if check.verdict is not None
    ]


def happened_in(job: Job) -> list[Happened]:
    """Return what happened to a job's unit, in the record's order; a check stands where it began."""
    return happened(job.facts, ended_in(job))


class Signing:
    """The parts, steps, overrides and sign-off of one job. Raises RecordError, SheetError and PlanError."""

    def __init__(self, store: Store, job_id: int) -> None:
        self._store = store
        self.job: Job = store.job(job_id)
        self.sheet = parse_sheet(self.job.sheet_toml, f"the sheet of job {job_id}")
        self.now: UnitStanding = unit_now(self.sheet, self.job.facts, ended_in(self.job))

    def look(self) -> UnitStanding:
        """Read the job anew, as others may have written to it, and return how its unit stands."""
        self.job = self._store.job(self.job.id)
        self.now = unit_now(self.sheet, self.job.facts, ended_in(self.job))
        return self.now

    @property
    def packs(self) -> tuple[PackState, ...]:
        """How each pack stands, in the order of checking."""
        return self.now.packs

    def standing(self) -> Standing:
        """Return how the unit stands."""
        return self.now.standing

    def against(self, fact: Fact, at: datetime) -> str:
        """Return in words what stands against writing `fact`; empty if nothing does."""
        why = against(self.sheet, self.job.facts, self.packs, fact, at, self.standing().remarks)
        if not why and isinstance(fact, PartsChanged):
            try:
                fitted_now(self.sheet, [*happened_in(self.job), fact])
            except PlanError as error:
                return str(error)
        return why

    def after_fact(self, fact: Fact, at: datetime) -> UnitStanding:
        """Return how the unit will stand once `fact` is written."""
        return unit_now(self.sheet, [*self.job.facts, _Coming(at, fact)], ended_in(self.job))

    def after_verdict(self, check_id: int, verdict: Verdict) -> UnitStanding:
        """Return how the unit will stand once a check that is being measured has this verdict."""
        check = next(check for check in self.job.checks if check.id == check_id)
        late = overdue_words(check.gauge, check.started_at.astimezone().date())
        return unit_now(
            self.sheet,
            self.job.facts,
            [*ended_in(self.job), Ended(check.pack, check.started_number, _NEXT, verdict, late)],
        )

    def _timed(self, fact: Fact, at: datetime) -> Fact:
        """Return a step that is done with what the record knows of how long it lasted."""
        if not isinstance(fact, StepDone) or not 0 <= fact.step < len(self.sheet.steps):
            return fact
        known_ns = elapsed_ns(self.standing().steps[fact.step], at)
        return replace(fact, lasted_ns=known_ns) if fact.lasted_ns is None else replace(fact, known_ns=known_ns)

    def to_confirm(self, fact: Fact, at: datetime) -> str:
        """Return in words what a person must be asked before `fact` is written; empty for most, and what is refused.

        A time that was typed and is longer than since the record saw the step begin may be right: it may have been
        begun before anybody said so here. It is never taken without a word.
        """
        timed = self._timed(fact, at)
        if not isinstance(timed, StepDone) or timed.known_ns is None or timed.lasted_ns is None:
            return ""
        longer = timed.lasted_ns > timed.known_ns and not self.against(fact, at)
        return typed_words(timed.lasted_ns, timed.known_ns) if longer else ""

    def add(
        self,
        fact: Fact,
        *,
        at: datetime,
        messages: Callable[[UnitStanding], Sequence[Outgoing]] = lambda now: (),
    ) -> tuple[int, Fact]:
        """Write `fact` and read the job anew; return its number in the record and the fact as written.

        A step that was begun here gets the time it lasted, beside one that was typed. `messages` are told how the unit
        then stands, and go out with the fact or not at all. Raises Refused, having written nothing, if anything stands
        against it.
        """
        self.look()
        fact = self._timed(fact, at)
        why = self.against(fact, at)
        if why:
            raise Refused(f"{why}. Nothing was written")
        number = self._store.add_fact(self.job.id, fact, at=at, messages=messages(self.after_fact(fact, at)))
        self.look()
        return number, fact
