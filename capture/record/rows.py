"""Table rows to strokes, verdicts, facts and jobs, and back, exactly."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import asdict, fields
from datetime import UTC, datetime
from typing import Any, Final

from sqlalchemy import Connection, Select, Table, insert, select

from capture.clearance.advice import Advice, Change
from capture.clearance.check import StrokeKept
from capture.clearance.kept_form import columns_of_verdict, verdict_of
from capture.plumbing.columns import of_row
from capture.record import ledger, schema
from capture.record.entries import FactEntry, Job, KeptCheck, VerdictEntry
from capture.sheet.sheet import Pack, Selective
from capture.strokes.stroke import Stroke
from capture.unit.facts import FACT_KINDS, Fact, StrokeLeftOut, ToAcknowledge

#: Where a row of each kind of entry goes, and its column for the entry's time, if there is one.
ROWS: Final[dict[str, tuple[Table, str | None]]] = {
    "job_opened": (schema.jobs, "opened_at"),
    "check_started": (schema.checks, "started_at"),
    "stroke": (schema.strokes, None),
    "verdict": (schema.verdicts, "at"),
}


def to_text(at: datetime) -> str:
    """Return `at` as RFC 3339 in UTC with microseconds. Raises ValueError if it has no time zone."""
    if at.tzinfo is None:
        raise ValueError(f"the time {at} has no time zone; expected an aware datetime")
    return at.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")


def keep(connection: Connection, kind: str, job: int | None, at: datetime, **columns: Any) -> int:
    """Insert a row and append its entry, whose body is the row; return the row's id. A job's own row is its job."""
    table, timed = ROWS[kind]
    time = to_text(at)
    row: dict[str, Any] = {**columns, **({} if timed is None else {timed: time})}
    if kind == "check_started":
        row |= {"job": job, "state": "measuring"}
    key = connection.execute(insert(table).values(row)).inserted_primary_key
    assert key is not None  # every table here numbers its rows
    row_id = int(key[0])
    ledger.append(connection, kind, {**columns, "id": row_id, "job": row_id if job is None else job}, time)
    return row_id


def columns_of_advice(pack: Pack, advice: Advice) -> dict[str, Any]:
    """Return what is kept of an advice for `pack`: counts of shims, thicknesses of selective parts as the sheet has
    them. Permanent: the ledger's hashes are of these very names, in every record there is.
    """
    changes = []
    for change in advice.changes:
        before: int | str = change.before
        after: int | str = change.after
        adjuster = pack.adjusters[change.adjuster]
        if isinstance(adjuster, Selective):
            before, after = adjuster.text(change.before), adjuster.text(change.after)
        changes.append({"adjuster": change.adjuster, "kind": change.kind, "from": before, "to": after})
    return {**asdict(advice), "changes": changes}


def body_of(fact: Fact) -> dict[str, Any]:
    """Return what the entry of a fact holds of it."""
    body = asdict(fact)
    if isinstance(fact, StrokeLeftOut) and fact.verdict is not None:
        body["verdict"] = columns_of_verdict(fact.verdict)
    return body


def fact_of(kind: str, body: dict[str, Any]) -> Fact:
    """Return the fact in the body of a ledger entry of `kind`."""
    told = {field.name: body[field.name] for field in fields(FACT_KINDS[kind]) if field.name in body}
    if kind == "parts_changed":
        told["changes"] = tuple(Change(**change) for change in told["changes"])
    if told.get("verdict") is not None:
        told["verdict"] = verdict_of(told["verdict"])
    if told.get("acknowledged") is not None:
        told["acknowledged"] = tuple(ToAcknowledge(**one) for one in told["acknowledged"])
    if "readings_nm" in told:
        told["readings_nm"] = tuple(told["readings_nm"])
    return FACT_KINDS[kind](**told)


class _Numbers:
    """What the ledger says of some jobs: their facts, the entries of their checks' starts and verdicts, and which of
    their recordings were removed."""

    def __init__(self, connection: Connection, chosen_jobs: Select[int]) -> None:
        entries = schema.ledger.c
        self.facts: dict[int, list[FactEntry]] = defaultdict(list)
        self.started: dict[int, int] = {}
        self.judged: dict[int, int] = {}
        self.pruned: dict[int, datetime] = {}
        wanted = ("check_started", "verdict", "pruned", *FACT_KINDS)
        for row in connection.execute(
            select(entries.number, entries.job, entries.kind, entries.at, entries.body)
            .where(entries.job.in_(chosen_jobs), entries.kind.in_(wanted))
            .order_by(entries.number)
        ):
            body = ledger.parse(row.body)
            if row.kind == "check_started":
                self.started[body["id"]] = row.number
            elif row.kind == "verdict":
                self.judged[body["check"]] = row.number
            elif row.kind == "pruned":
                self.pruned[body["check"]] = datetime.fromisoformat(row.at)
            else:
                self.facts[row.job].append(
                    FactEntry(row.number, datetime.fromisoformat(row.at), fact_of(row.kind, body))
                )


def load_jobs(connection: Connection, which: Select[int]) -> list[Job]:
    """Return the jobs whose ids `which` selects, newest first, each complete."""
    jobs, checks, strokes, verdicts = schema.jobs, schema.checks, schema.strokes, schema.verdicts
    # The choice stays a subquery: a list of ids could outgrow the number of parameters SQLite takes.
    chosen_jobs = select(which.subquery().c.id)
    chosen_checks = select(checks.c.id).where(checks.c.job.in_(chosen_jobs))

    numbers = _Numbers(connection, chosen_jobs)
    strokes_of: dict[int, list[StrokeKept]] = defaultdict(list)
    for row in connection.execute(
        select(strokes).where(strokes.c.check.in_(chosen_checks)).order_by(strokes.c.check, strokes.c.n)
    ):
        strokes_of[row.check].append(StrokeKept(of_row(Stroke, row), row.seat))
    judged = {
        row.check: of_row(VerdictEntry, row, number=numbers.judged.get(row.check, 0), verdict=verdict_of(row._asdict()))
        for row in connection.execute(select(verdicts).where(verdicts.c.check.in_(chosen_checks)))
    }
    checks_of: dict[int, list[KeptCheck]] = defaultdict(list)
    for row in connection.execute(select(checks).where(checks.c.job.in_(chosen_jobs)).order_by(checks.c.id)):
        check = of_row(
            KeptCheck,
            row,
            started_number=numbers.started.get(row.id, 0),
            strokes=tuple(strokes_of[row.id]),
            verdict=judged.get(row.id),
            pruned_at=numbers.pruned.get(row.id),
            left_out=(),
        )
        for entry in numbers.facts[row.job]:
            if isinstance(entry.fact, StrokeLeftOut) and entry.fact.check == row.id:
                check = check.without(entry)
        checks_of[row.job].append(check)
    rows = connection.execute(select(jobs).where(jobs.c.id.in_(chosen_jobs)).order_by(jobs.c.id.desc()))
    return [of_row(Job, row, checks=tuple(checks_of[row.id]), facts=tuple(numbers.facts[row.id])) for row in rows]
