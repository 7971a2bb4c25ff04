"""The unit on the bench: what its record says, which changes are on offer with what the shelf has, what is added to it.

Synchronous: the daemon calls it on the record's thread, the commands directly. It decides nothing: `signing` says
what stands against a fact, `offers` what may be changed, `unit_stock` speaks for the stock.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from capture import __version__
from capture.clearance.advice import Advice
from capture.clearance.check import StrokeKept
from capture.clearance.verdict import Verdict
from capture.job.signing import Signing
from capture.job.stock_for_unit import UnitStock
from capture.mqtt.messages import StrokeMessage, UnitMessage, VerdictMessage, outgoing
from capture.mqtt.outgoing import Outgoing
from capture.output.json_forms import advice_json, fact_json
from capture.record import Job, Store
from capture.sheet.sheet import Pack, Sheet
from capture.stock import StockError
from capture.unit.changes import Outcome, PlanError
from capture.unit.facts import Fact, PartsChanged, SignedOff
from capture.unit.offers import Choice, Offers, offers
from capture.unit.standing import UnitStanding
from capture.unit.words import fact_words

__all__ = ["UnitOnRecord", "Written"]


@dataclass(frozen=True, slots=True)
class Written:
    """A fact that is in the record now: in words, as a JSON object, and what else the people should hear."""

    fact: Fact
    number: int
    text: str
    data: dict[str, Any]
    notes: tuple[str, ...] = ()


class UnitOnRecord:
    """One job's unit. Raises RecordError, SheetError and PlanError; `add` Refused as well."""

    def __init__(self, store: Store, job_id: int, *, stock: Path | None = None, publishes: bool = False) -> None:
        """`stock` is the stock's file where the shop keeps one; `publishes` sends word of the unit with each fact."""
        self._store = store
        self._signing = Signing(store, job_id)
        self._publishes = publishes
        job = self.job
        self._stock = UnitStock(stock, job.uuid, job.unit_serial) if stock is not None else None

    @property
    def now(self) -> UnitStanding:
        """How the unit stood when it was last looked at."""
        return self._signing.now

    @property
    def job(self) -> Job:
        """The job as it was last read."""
        return self._signing.job

    @property
    def sheet(self) -> Sheet:
        """The sheet as the job began with it."""
        return self._signing.sheet

    def against(self, fact: Fact, at: datetime) -> str:
        """Return in words what stands against writing `fact`; empty if nothing does."""
        return self._signing.against(fact, at)

    def to_confirm(self, fact: Fact, at: datetime) -> str:
        """Return in words what a person must be asked before `fact` is written; empty for most."""
        return self._signing.to_confirm(fact, at)

    def look(self) -> UnitStanding:
        """Read the record anew: others may have written to this job."""
        return self._signing.look()

    def keep_stroke(self, check_id: int, pack: str, kept: StrokeKept, *, at: datetime) -> None:
        """Keep a stroke of a running check, with its message."""
        message = StrokeMessage.of(
            kept.stroke,
            at=at,
            bench=self.job.bench,
            job=self.job.uuid,
            pack=pack,
            check=check_id,
            seat=kept.seat,
            unit=self.job.unit_serial,
        )
        # Without a broker nothing would ever empty the outbox, so then nothing goes in.
        messages = [outgoing(message)] if self._publishes else []
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
    ) -> Outcome | None:
        """End a running check with its verdict and messages; return how the change of parts before it came out.

        Nothing where no change was predicted.
        """
        before = len(self.look().outcomes)
        after = self._signing.after_verdict(check_id, verdict)
        outcome = after.outcomes[-1] if len(after.outcomes) > before else None
        message = VerdictMessage.of(
            verdict,
            at=at,
            bench=self.job.bench,
            job=self.job.uuid,
            pack=pack.name,
            check=check_id,
            advice=[one.text for one in advice],
            recording_sha256=recording_sha256,
            attempt=1 + sum(check.pack == pack.name and check.verdict is not None for check in self.job.checks),
            outcome=outcome.text if outcome is not None else "",
            unit=self.job.unit_serial,
        )
        self._store.finish_check(
            check_id,
            verdict,
            advice=[advice_json(pack, one) for one in advice],
            recording_sha256=recording_sha256,
            recording_bytes=recording_bytes,
            software_version=__version__,
            at=at,
            messages=[outgoing(message), *self.word(after, at)] if self._publishes else [],
        )
        self.look()
        return outcome

    def word(self, now: UnitStanding, at: datetime) -> list[Outgoing]:
        """Return the message that tells how the unit stands, if anybody is told."""
        if not self._publishes:
            return []
        job = self.job
        return [outgoing(UnitMessage.of(now, at=at, bench=job.bench, job=job.uuid, unit_serial=job.unit_serial))]

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

    def add(self, facts: Sequence[Fact], *, at: datetime) -> list[Written]:
        """Write facts in order, each with its message; the stock follows. Raises Refused at the first that is refused.

        What the stock cannot do bars no fact: what a person did is done. It is told in the notes.
        """
        written = []
        for fact in facts:
            before = self.now.fitted
            number, kept = self._signing.add(fact, at=at, messages=lambda now: self.word(now, at))
            data = {"job": self.job.id, "entry": number, **fact_json(kept, at)}
            notes = self._follow(kept, at)
            if isinstance(kept, SignedOff) and self.now.standing.signed is None:
                notes.append("Something else was written meanwhile, so this sign-off does not count; look again.")
            written.append(Written(kept, number, fact_words(before, kept), data, tuple(notes)))
        return written

    def _follow(self, fact: Fact, at: datetime) -> list[str]:
        if self._stock is None:
            return []
        try:
            if isinstance(fact, PartsChanged):
                return self._stock.reserve(self.sheet, [fact], by=fact.by, at=at)
            if isinstance(fact, SignedOff) and self.now.standing.signed is not None:
                return [f"Consumed: {one.text}" for one in self._stock.consume(by=fact.by, at=at)]
        except (StockError, sqlite3.Error) as error:
            return [f"The stock was not told: {error}"]
        return []
