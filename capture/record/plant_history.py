"""What happened at a bench, as a plant is told it: queries of the ledger, each within a transaction of the store."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Any, Final

from sqlalchemy import Connection, Row, Select, func, select

from capture.mqtt.plant.happened import Group, Happened
from capture.record import ledger, schema
from capture.record.rows import fact_of
from capture.record.schema import checks, jobs
from capture.unit.facts import is_demonstration

_LEDGER: Final = schema.ledger.c
_OF_JOB: Final = (
    jobs.c.uuid, jobs.c.unit_serial, jobs.c.sheet_name, jobs.c.sheet_revision, jobs.c.technician,
)  # fmt: skip
_GROUPS: Final[dict[str, Group]] = {
    "stroke": "stroke",
    "verdict": "verdict",
    "stroke_left_out": "verdict",
    "signed_off": "unit",
}


def since(connection: Connection, number: int, limit: int) -> tuple[list[Happened], int]:
    """Return up to `limit` of what happened after the entry `number`, and up to which entry that is all."""
    until, _ = ledger.head(connection)
    found = connection.execute(_entries(_GROUPS).where(_LEDGER.number > number).order_by(_LEDGER.number).limit(limit))
    happened = [_happened(row) for row in found]
    if len(happened) == limit:
        until = happened[-1].number
    return [one for one in happened if one.values], until


def last(connection: Connection) -> tuple[list[Happened], int]:
    """Return the newest of each group, and the number of the newest entry."""
    found = []
    for group in dict.fromkeys(_GROUPS.values()):
        kinds = [kind for kind, its in _GROUPS.items() if its == group]
        with connection.execute(_entries(kinds).order_by(_LEDGER.number.desc()).execution_options(yield_per=8)) as rows:
            newest = next((one for one in map(_happened, rows) if one.values), None)
        found += [newest] if newest is not None else []
    return found, ledger.head(connection)[0]


def count(connection: Connection, number: int) -> tuple[int, datetime | None]:
    """Return how many things happened after the entry `number`, and when the first of them did."""
    query = select(func.count(), func.min(_LEDGER.at)).where(_LEDGER.number > number, _LEDGER.kind.in_(_GROUPS))
    how_many, oldest = connection.execute(query).one()
    return how_many, None if oldest is None else datetime.fromisoformat(oldest)


def _entries(kinds: Iterable[str]) -> Select[Any]:
    check = func.json_extract(_LEDGER.body, "$.check")
    return (
        select(_LEDGER.number, _LEDGER.kind, _LEDGER.at, _LEDGER.body, *_OF_JOB, checks.c.pack)
        .join_from(schema.ledger, jobs, jobs.c.id == _LEDGER.job)
        .outerjoin(checks, checks.c.id == check)
        .where(_LEDGER.kind.in_(list(kinds)))
    )


def _happened(row: Row[Any]) -> Happened:
    """Return an entry as a plant is told it; without values where it tells none, as a stroke left out of a check that
    goes on."""
    body = ledger.parse(row.body)
    values: dict[str, Any] = {
        "entry": row.number,
        "job": row.uuid,
        "unit_serial": row.unit_serial,
        "sheet_name": row.sheet_name,
        "sheet_revision": row.sheet_revision,
        "technician": row.technician,
        "pack": row.pack,
    }
    told = body
    if row.kind == "signed_off":
        told = {"signed_off_by": body["by"], "demonstration": is_demonstration(fact_of(row.kind, body))}
    elif row.kind == "stroke_left_out":
        told = body["verdict"] and {**body["verdict"], "check": body["check"]}
    return Happened(row.number, datetime.fromisoformat(row.at), _GROUPS[row.kind], {**values, **told} if told else {})
