"""The append-only ledger, which carries along what is in the tables already; and which gauge measured a check."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import sqlalchemy as sa
from alembic import op

from capture.record.ledger import BEFORE_THE_FIRST, columns_of, link

revision = "0003"
down_revision = "0002"

_JSON = ("indicator", "flags", "budget", "advice")
_YES_OR_NO = ("seat", "accepted")
#: Kept outside the body: the entry's own time, and what later entries say.
_OUTSIDE = ("opened_at", "closed_at", "started_at", "ended_at", "at", "state")
#: Entries sent to the database at a time.
_BATCH = 500


def upgrade() -> None:
    """Make the ledger, fill it from the tables, and let nothing in it or of the strokes and verdicts be changed."""
    op.add_column("checks", sa.Column("gauge", sa.JSON))
    ledger = op.create_table(
        "ledger",
        sa.Column("number", sa.BigInteger().with_variant(sa.Integer, "sqlite"), primary_key=True, autoincrement=False),
        sa.Column("job", sa.BigInteger, sa.ForeignKey("jobs.id")),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("at", sa.Text, nullable=False),
        sa.Column("body", sa.Text, nullable=False),
        sa.Column("previous", sa.Text, nullable=False),
        sa.Column("sha256", sa.Text, nullable=False),
    )
    op.create_index("ledger_job_kind", "ledger", ["job", "kind"])
    _carry(op.get_bind(), ledger)
    for table in ("ledger", "strokes", "verdicts"):
        for verb in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} BEGIN "
                f"SELECT RAISE(ABORT, '{table} is append-only: a correction is a new entry'); END"
            )
    op.execute(
        "CREATE TRIGGER ledger_in_order BEFORE INSERT ON ledger WHEN "
        "NEW.number <> (SELECT coalesce(max(number), 0) + 1 FROM ledger) OR NEW.previous <> "
        f"coalesce((SELECT sha256 FROM ledger ORDER BY number DESC LIMIT 1), '{BEFORE_THE_FIRST[1]}') BEGIN "
        "SELECT RAISE(ABORT, 'ledger: an entry follows the newest one and names its hash'); END"
    )


def _carry(connection: sa.Connection, ledger: sa.Table) -> None:
    """Give every row that is there an entry marked `carried`, after one that says how many and when."""
    counts = {
        table: connection.execute(sa.text(f"SELECT count(*) FROM {table}")).scalar_one()
        for table in ("jobs", "checks", "strokes", "verdicts")
    }
    if not any(counts.values()):
        return
    now = datetime.now(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")
    last, batch = BEFORE_THE_FIRST, []
    for kind, body, at in [("carried", {"from": down_revision, **counts}, now), *_entries(connection)]:
        entry = link(last, kind, body, at)
        last = (entry.number, entry.sha256)
        batch.append(columns_of(entry))
        if len(batch) == _BATCH:
            connection.execute(sa.insert(ledger), batch)
            batch = []
    if batch:
        connection.execute(sa.insert(ledger), batch)


def _rows(connection: sa.Connection, table: str, column: str, value: int) -> list[dict[str, Any]]:
    query = sa.text(f'SELECT * FROM {table} WHERE "{column}" = :value ORDER BY id')
    return [dict(row._mapping) for row in connection.execute(query, {"value": value})]


def _body(row: dict[str, Any], job: int) -> dict[str, Any]:
    body: dict[str, Any] = {"job": job, "carried": True}
    for name, value in row.items():
        if name in _JSON:
            body[name] = json.loads(value)
        elif name in _YES_OR_NO:
            body[name] = bool(value)
        elif name not in _OUTSIDE and not (name == "gauge" and value is None):
            body[name] = value
    return body


def _entries(connection: sa.Connection) -> Iterator[tuple[str, dict[str, Any], str]]:
    """Yield kind, body and time of every row's entry, job by job in the order it happened.

    The tables hold no time of a stroke: it is carried with its check's start.
    """
    ids = connection.execute(sa.text("SELECT id FROM jobs ORDER BY id")).scalars().all()
    for job in ids:
        (opened,) = _rows(connection, "jobs", "id", job)
        yield "job_opened", _body(opened, job), opened["opened_at"]
        for check in _rows(connection, "checks", "job", job):
            yield "check_started", _body(check, job), check["started_at"]
            for stroke in _rows(connection, "strokes", "check", check["id"]):
                yield "stroke", _body(stroke, job), check["started_at"]
            for verdict in _rows(connection, "verdicts", "check", check["id"]):
                yield "verdict", _body(verdict, job), verdict["at"]
            if check["state"] == "abandoned":
                ended_at = check["ended_at"] or check["started_at"]
                yield "check_abandoned", {"job": job, "check": check["id"], "carried": True}, ended_at
        if opened["closed_at"] is not None:
            yield "job_closed", {"job": job, "carried": True}, opened["closed_at"]
