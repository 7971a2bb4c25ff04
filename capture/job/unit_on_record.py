"""One job's unit over its record: read what it says, and write a fact only if nothing stands against it.

Synchronous: the bench calls it on the record's thread, the commands directly. It decides nothing: `signoff_rules` and
`changes` say what stands against a fact, `offers` what may be changed, `stock_for_unit` speaks for the stock.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from capture import __version__
from capture.clearance.advice import Advice, advise
from capture.clearance.check import StrokeKept, judged_again
from capture.clearance.gauge.standing import instrument_words
from capture.clearance.verdict import MeasurementLimits, Verdict
from capture.job.stock_for_unit import UnitStock
from capture.job.told_of_job import outcome_anew, stroke_told, unit_told, verdict_told
from capture.mqtt.messages import outgoing
from capture.mqtt.outgoing import Outgoing
from capture.output.json_forms import fact_json
from capture.record import FactEntry, Job, KeptCheck, Store, columns_of_advice
from capture.recordings.stream import indicator_from, limits_of
from capture.sheet.sheet import Pack, Sheet, parse_sheet
from capture.stock import StockError
from capture.strokes.methods import METHOD
from capture.unit.changes import Happened, Outcome, PlanError, fitted_now
from capture.unit.facts import (
    ChangeUndone,
    Fact,
    Judged,
    PartsChanged,
    SignedOff,
    StepDone,
    StrokeLeftOut,
    is_demonstration,
    without_undone,
)
from capture.unit.gauge_identity import out_words, overdue_words, pressure_gauge_words
from capture.unit.offers import Choice, Offers, offers
from capture.unit.origin import not_measured_words
from capture.unit.signoff_rules import against
from capture.unit.signoff_standing import Objection, elapsed_ns
from capture.unit.standing import UnitStanding, happened, unit_now
from capture.unit.words import fact_words, typed_words, unjudged_words

#: A number above that of every entry: what is about to be written comes after them all, and before whatever is asked
#: about it (`signoff_rules` asks with a number above this one).
_NEXT = 2**61


class FactRefused(Exception):
    """A fact was not written; `why` is what stands against it."""

    def __init__(self, why: Objection) -> None:
        self.why = why
        super().__init__(f"{why.text}. Nothing was written")


@dataclass(frozen=True, slots=True)
class FactWritten:
    """A fact that is in the record now: in words, as a JSON object, and what else the people should hear."""

    fact: Fact
    number: int
    text: str
    data: dict[str, Any]
    notes: tuple[str, ...] = ()


def judged_in(job: Job) -> list[Judged]:
    """Return the checks of a job that came to a verdict, as they stand without the strokes that were left out since."""
    return [_judged(job, check) for check in job.checks if check.verdict is not None]


def _judged(job: Job, check: KeptCheck) -> Judged:
    assert check.verdict is not None and check.stands is not None
    found = _judged_as(check, check.verdict.number, check.stands)
    return _with_left_out(job, check, found) if check.left_out else found


def _judged_as(check: KeptCheck, number: int, verdict: Verdict) -> Judged:
    late = overdue_words(check.gauge, check.started_at.astimezone().date())
    return Judged(
        check.pack,
        check.started_number,
        number,
        verdict,
        overdue=late,
        out=out_words(check.gauge),
        pressure=pressure_gauge_words(check.gauge),
        set_up=_set_up(check),
        not_measured=not_measured_words(check.origin),
    )


def _with_left_out(job: Job, check: KeptCheck, found: Judged) -> Judged:
    """Return a finished check with the strokes that were left out of it, and what all of them say."""
    since = [entry.number for entry in check.left_out if entry.number > found.number]
    with_all = found.verdict if check.verdict is None else check.verdict.verdict
    sheet, limits = _measured(job, check)
    pack = sheet.pack(check.pack)
    if len(since) < len(check.left_out):
        with_all = judged_again(pack, limits, check.strokes, (), sheet.display_unit, found.verdict) or with_all
    number = max([found.number, *since])
    return replace(found, number=number, left_out=check.left_out, with_all=with_all, least=pack.first_look)


def _measured(job: Job, check: KeptCheck) -> tuple[Sheet, MeasurementLimits]:
    """The job's sheet, and what is known of the indicator."""
    limits = limits_of(indicator_from(check.indicator)[1], check.gauge)
    return parse_sheet(job.sheet_toml, f"the sheet of job {job.id}"), limits


def without(job: Job, check: KeptCheck, left_out: Collection[int]) -> Verdict | None:
    """Judge a finished check anew without some of its strokes. Raises SheetError and ValueError."""
    sheet, limits = _measured(job, check)
    had = check.verdict.verdict if check.verdict is not None else None
    return judged_again(sheet.pack(check.pack), limits, check.strokes, left_out, sheet.display_unit, had)


def _set_up(check: KeptCheck) -> str:
    """Return the gauge as it was set up for a check, and the day, in one text."""
    told = {"indicator": check.indicator, "gauge": check.gauge, "day": check.started_at.astimezone().date().isoformat()}
    return json.dumps(told, sort_keys=True)


def happened_in(job: Job) -> list[Happened]:
    """Return what happened to a job's unit, in the record's order; a check stands where it began."""
    return happened(job.facts, judged_in(job))


def _against_leaving_out(check: KeptCheck, fact: StrokeLeftOut) -> Objection | None:
    kept = next((one for one in check.strokes if one.stroke.n == fact.stroke), None)
    what = f"stroke {fact.stroke} of {check.pack}"
    if kept is None:
        return Objection("no_such_stroke", f"there is no {what}")
    if kept.left_out:
        return Objection("does_not_count", f"{what} was {kept.left_out}")
    if not kept.counts:
        return Objection("does_not_count", f"{what} does not count as it is")
    if check.state == "abandoned":
        return Objection("does_not_count", f"the check of {check.pack} was abandoned; it has no verdict")
    return None


def _newest_change(job: Job) -> FactEntry | None:
    """Return the newest change of parts that stands, where no check began since."""
    made = [one for one in without_undone(job.facts) if isinstance(one.fact, PartsChanged)]
    began = max((check.started_number for check in job.checks), default=0)
    return made[-1] if made and made[-1].number > began else None


def _against_undoing(job: Job, fact: ChangeUndone) -> Objection | None:
    newest = _newest_change(job)
    if newest is None:
        return Objection("nothing_to_undo", "there is no change of parts since the last check began; change them again")
    if newest.number != fact.entry:
        return Objection("nothing_to_undo", f"only the newest change, entry {newest.number}, can be undone")
    return None


class UnitOnRecord:
    """One job's unit. Raises RecordError, SheetError and PlanError; `add` Refused as well."""

    def __init__(
        self, store: Store, job_id: int, *, stock: Path | None = None, publishes: bool = False, wrench: str = ""
    ) -> None:
        """`stock` is the stock's file where the shop keeps one; `publishes` sends word of the unit with each fact;
        `wrench` is the serial number of the torque wrench here, if the shop says it."""
        self._store = store
        self._wrench = wrench
        self._publishes = publishes
        self.job = store.job(job_id)
        """The job as it was last read."""
        self.sheet = parse_sheet(self.job.sheet_toml, f"the sheet of job {job_id}")
        """The sheet as the job began with it."""
        self.now = self._standing(self.job)
        """How the unit stood when it was last looked at."""
        self._stock = UnitStock(stock, self.job.uuid, self.job.unit_serial) if stock is not None else None

    def _standing(self, job: Job, *ended: Judged) -> UnitStanding:
        return unit_now(self.sheet, job.facts, [*judged_in(job), *ended])

    def look(self) -> UnitStanding:
        """Read the job anew, as others may have written to it, and return how its unit stands."""
        self.job = self._store.job(self.job.id)
        self.now = self._standing(self.job)
        return self.now

    # -- strokes and verdicts ----------------------------------------------------------------------------

    def keep_stroke(self, check_id: int, kept: StrokeKept, *, at: datetime, technician: str = "") -> None:
        """Keep a stroke of a running check, with its message, which says who made it."""
        # Without a broker nothing would ever empty the outbox, so then nothing goes in.
        messages = []
        if self._publishes:
            messages = [outgoing(stroke_told(self.job, self._check(check_id), kept, technician, at))]
        self._store.add_stroke(check_id, kept.stroke, seat=kept.seat, at=at, messages=messages)

    def keep_verdict(
        self,
        check_id: int,
        pack: Pack,
        verdict: Verdict,
        advice: Sequence[Advice],
        *,
        recording_sha256: str,
        recording_bytes: int,
        at: datetime,
        technician: str = "",
    ) -> Outcome | None:
        """End a running check with its verdict and messages; return how the change of parts before it came out.

        Nothing where no change was predicted.
        """
        before = len(self.look().outcomes)
        check = next(check for check in self.job.checks if check.id == check_id)
        judged = _judged_as(check, _NEXT, verdict)
        if check.left_out:
            judged = _with_left_out(self.job, check, judged)
        after = self._standing(self.job, judged)
        outcome = after.outcomes[-1] if len(after.outcomes) > before else None
        message = verdict_told(
            self.job, check, verdict, after, outcome, technician, at,
            advice=[one.text for one in advice], recording_sha256=recording_sha256, method=METHOD,
        )  # fmt: skip

        self._store.finish_check(
            check_id,
            verdict,
            advice=[columns_of_advice(pack, one) for one in advice],
            recording_sha256=recording_sha256,
            recording_bytes=recording_bytes,
            software_version=__version__,
            at=at,
            messages=lambda head: (
                [outgoing(message, head), self._word(after, at, head, check)] if self._publishes else []
            ),
        )
        self.look()
        return outcome

    def _check(self, check_id: int) -> KeptCheck:
        """Return a check of the job; one that began since the record was last looked at as well."""
        found = next((check for check in self.job.checks if check.id == check_id), None)
        if found is None:
            self.look()
            found = next(check for check in self.job.checks if check.id == check_id)
        return found

    def _word(self, now: UnitStanding, at: datetime, head: tuple[int, str], ended: KeptCheck | None = None) -> Outgoing:
        """Return the message that tells how the unit stands."""
        return outgoing(unit_told(self.job, now, at, ended), head)

    def _anew(self, fact: Fact, after: UnitStanding, at: datetime, head: tuple[int, str]) -> list[Outgoing]:
        """Return the message of a verdict that was worked out anew without a stroke, if `fact` is that."""
        if not isinstance(fact, StrokeLeftOut) or fact.verdict is None:
            return []
        check = next(check for check in self.job.checks if check.id == fact.check)
        assert check.verdict is not None
        message = verdict_told(
            self.job, check, fact.verdict, after, outcome_anew(check, fact.verdict, after), "", at,
            advice=[one.text for one in advise(after.fitted.pack(check.pack), fact.verdict, self.sheet.display_unit)],
            recording_sha256=check.verdict.recording_sha256, method=fact.method,
        )  # fmt: skip
        return [outgoing(message, head)]

    # -- parts -------------------------------------------------------------------------------------------

    def choice(self, first: str = "") -> Choice:
        """Return what may be changed, that of the pack called `first` before the others'. May take a second or two."""
        try:
            found = offers(self.now, first)
        except PlanError as error:
            return Choice(Offers((), (str(error),)), ())
        shelf = [""] * len(found.ways)
        if self._stock is not None:
            try:
                there = self._stock.holdings()
                shelf = [self._stock.words(there, self.now.fitted, way.changes) for way in found.ways]
            except (StockError, sqlite3.Error) as error:
                return Choice(found, tuple(f"the stock cannot be read: {error}" for _ in found.ways))
        return Choice(found, tuple(shelf))

    def to_undo(self) -> FactEntry | None:
        """Return the newest change of parts, where no check began since: it can still be undone."""
        return _newest_change(self.job)

    # -- facts -------------------------------------------------------------------------------------------

    def left_out(self, pack: str, stroke: int, by: str, reason: str) -> StrokeLeftOut:
        """Return the fact that a stroke of the pack's newest check was wrong, with what the others say.

        Raises Refused where it does not count, or too few would be left.
        """
        self.look()
        check = next((one for one in reversed(self.job.checks) if one.pack == pack), None)
        if check is None:
            raise FactRefused(Objection("no_such_stroke", f"pack {pack!r} was not checked in this job"))
        last = max((kept.stroke.n for kept in check.strokes), default=0)
        fact = StrokeLeftOut(pack, check.id, stroke, last, by, reason)
        if why := _against_leaving_out(check, fact):
            raise FactRefused(why)
        if check.verdict is None:
            return fact
        gone = [one.fact.stroke for one in check.left_out if isinstance(one.fact, StrokeLeftOut)]
        verdict = without(self.job, check, [*gone, stroke])
        if verdict is None:
            raise FactRefused(
                Objection("too_few_strokes", f"fewer than two strokes of {pack} would be left; check it again")
            )
        return replace(fact, verdict=verdict, method=METHOD)

    def against(self, fact: Fact, at: datetime) -> Objection | None:
        """Return what stands against writing `fact`."""
        if isinstance(fact, StrokeLeftOut):
            check = next((one for one in self.job.checks if one.id == fact.check), None)
            if check is None:
                return Objection("no_such_stroke", "there is no such check in this job")
            if why := _against_leaving_out(check, fact):
                return why
        if isinstance(fact, ChangeUndone) and (why := _against_undoing(self.job, fact)):
            return why
        why = against(self.sheet, self.job.facts, self.now.packs, fact, at, self.now.standing.remarks)
        if not why and isinstance(fact, PartsChanged):
            try:
                fitted_now(self.sheet, [*happened_in(self.job), fact])
            except PlanError as error:
                return Objection("no_way_there", str(error))
        return why

    def _timed(self, fact: Fact, at: datetime) -> Fact:
        """Return a step that is done with what the record knows of how long it lasted."""
        if not isinstance(fact, StepDone) or not 0 <= fact.step < len(self.sheet.steps):
            return fact
        known_ns = elapsed_ns(self.now.standing.steps[fact.step], at)
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

    def add(self, facts: Sequence[Fact], *, at: datetime) -> list[FactWritten]:
        """Write facts in order, each with its message; the stock follows. Raises Refused at the first that is refused.

        A step that was begun here gets the time it lasted, beside one that was typed. What the stock cannot do bars no
        fact: what a person did is done. It is told in the notes.
        """
        self.look()
        return [self._add(fact, at) for fact in facts]

    def _add(self, fact: Fact, at: datetime) -> FactWritten:
        fact = self._timed(self._with_wrench(fact, at), at)
        why = self.against(fact, at)
        if why:
            raise FactRefused(why)
        job, before = self.job, self.now.fitted
        after = self._standing(job.with_fact(FactEntry(_NEXT, at, fact)))

        def told(head: tuple[int, str]) -> list[Outgoing]:
            return [*self._anew(fact, after, at, head), self._word(after, at, head)] if self._publishes else []

        number = self._store.add_fact(job.id, fact, at=at, messages=told)
        judged = unjudged_words(before, fact)
        notes = [judged] if judged else []
        if isinstance(fact, SignedOff) and self.look().standing.signed is None:
            notes.append("Something else was written meanwhile, so this sign-off does not count; look again.")
        elif not isinstance(fact, SignedOff):
            self.job = job.with_fact(FactEntry(number, at, fact))
            self.now = self._standing(self.job)
        notes += self._follow(fact, at)
        data = {"job": job.id, **fact_json(before, FactEntry(number, at, fact))}
        return FactWritten(fact, number, fact_words(before, fact), data, tuple(notes))

    def _with_wrench(self, fact: Fact, at: datetime) -> Fact:
        """Say with a torque what stands against the wrench that is used here."""
        if not self._wrench or not isinstance(fact, StepDone) or fact.torque_unm is None:
            return fact
        against = instrument_words(self._store.gauge_facts(), self._wrench, at.astimezone().date())
        return replace(fact, wrench=against)

    def _follow(self, fact: Fact, at: datetime) -> list[str]:
        """Let the stock follow a fact; return what there is to say of that."""
        if self._stock is None:
            return []
        try:
            if isinstance(fact, PartsChanged):
                return self._stock.reserve(self.sheet, [fact], by=fact.by, at=at)
            if isinstance(fact, ChangeUndone):
                made = next(one.fact for one in self.job.facts if one.number == fact.entry)
                assert isinstance(made, PartsChanged)  # or it had been refused
                back = tuple(replace(one, before=one.after, after=one.before) for one in made.changes)
                return self._stock.reserve(self.sheet, [replace(made, changes=back)], by=fact.by, at=at)
            if isinstance(fact, SignedOff) and self.now.standing.signed is not None and not is_demonstration(fact):
                return [f"Consumed: {one.text}" for one in self._stock.consume(by=fact.by, at=at)]
        except (StockError, sqlite3.Error) as error:
            return [f"The stock was not told: {error}"]
        return []
