"""What the ledger keeps of the shop's gauges. Entries of their own, of no job; there is no table of them."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import Connection, select

from capture.clearance.gauge.facts import GAUGE_KINDS, GaugeEntry, GaugeFact, body_of, gauge_fact_of, kind_of
from capture.record import ledger, schema


def keep_gauge_fact(connection: Connection, fact: GaugeFact, at: str) -> int:
    """Append a fact's entry; return its number."""
    return ledger.append(connection, kind_of(fact), body_of(fact), at)


def load_gauge_facts(connection: Connection, before: int | None = None) -> list[GaugeEntry]:
    """Return what the ledger says of gauges, in its order; only entries numbered below `before`, if given."""
    entries = schema.ledger.c
    query = select(entries.number, entries.sha256, entries.kind, entries.at, entries.body)
    query = query.where(entries.job.is_(None), entries.kind.in_(GAUGE_KINDS)).order_by(entries.number)
    if before is not None:
        query = query.where(entries.number < before)
    return [
        GaugeEntry(
            row.number, row.sha256, datetime.fromisoformat(row.at), gauge_fact_of(row.kind, ledger.parse(row.body))
        )
        for row in connection.execute(query)
    ]
