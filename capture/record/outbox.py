"""The messages that wait for the broker, and those it refused: the queries, each within a transaction of the store."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

from sqlalchemy import Connection, Table, delete, func, insert, select, update

from capture.mqtt.outgoing import OutboxRow, Outgoing, SetAside
from capture.record.rows import to_text
from capture.record.schema import outbox, set_aside

_BODY = ("message", "topic", "payload", "retain", "created_at")


def put(connection: Connection, messages: Sequence[Outgoing], at: datetime) -> None:
    """Queue `messages`."""
    if messages:
        connection.execute(
            insert(outbox),
            [
                {
                    "message": message.id,
                    "topic": message.topic,
                    "payload": message.payload,
                    "retain": message.retain,
                    "created_at": to_text(at),
                }
                for message in messages
            ],
        )


def after(connection: Connection, last_id: int, limit: int, table: Table = outbox) -> list[OutboxRow]:
    """Return up to `limit` messages of the table whose row id is above `last_id`, oldest first."""
    rows = table.c
    query = select(rows.id, rows.message, rows.topic, rows.payload, rows.retain).where(rows.id > last_id)
    found = connection.execute(query.order_by(rows.id).limit(limit))
    return [OutboxRow(row, Outgoing(*message)) for row, *message in found]


def drop(connection: Connection, ids: Sequence[int]) -> None:
    """Forget messages that the broker has taken; an older one that it refused is no longer its topic's newest."""
    newer = select(outbox.c.id).where(
        outbox.c.id.in_(ids), outbox.c.topic == set_aside.c.topic, outbox.c.id > set_aside.c.id
    )
    connection.execute(update(set_aside).where(newer.exists()).values(retain=False))
    connection.execute(delete(outbox).where(outbox.c.id.in_(ids)))


def size(connection: Connection) -> int:
    """Return how many messages wait."""
    return connection.execute(select(func.count()).select_from(outbox)).scalar_one()


def waiting_since(connection: Connection, newest: int) -> datetime | None:
    """Return when the oldest of the `newest` messages was queued, None where none is there."""
    latest = select(outbox.c.id, outbox.c.created_at).order_by(outbox.c.id.desc()).limit(newest).subquery()
    text = connection.execute(select(latest.c.created_at).order_by(latest.c.id).limit(1)).scalar()
    return None if text is None else datetime.fromisoformat(text)


def put_aside(connection: Connection, refused: Mapping[int, str]) -> None:
    """Take rows out of the outbox, each with why the broker refuses it."""
    rows = connection.execute(select(outbox).where(outbox.c.id.in_(refused))).mappings().all()
    if rows:
        connection.execute(insert(set_aside), [{**row, "why": refused[row["id"]]} for row in rows])
        connection.execute(delete(outbox).where(outbox.c.id.in_(refused)))


def aside(connection: Connection) -> SetAside | None:
    """Return what is set aside, None if nothing is."""
    count = connection.execute(select(func.count()).select_from(set_aside)).scalar_one()
    if not count:
        return None
    newest = select(set_aside.c.topic, set_aside.c.why).order_by(set_aside.c.id.desc()).limit(1)
    return SetAside(count, *connection.execute(newest).one())


def bring_back(connection: Connection) -> int:
    """Queue what was set aside behind all that waits, oldest first; return how many messages that were."""
    waiting = select(outbox.c.topic, func.max(outbox.c.id)).group_by(outbox.c.topic)
    newest: dict[str, int] = {topic: row for topic, row in connection.execute(waiting)}  # noqa: C416 - rows of two
    rows = connection.execute(select(set_aside).order_by(set_aside.c.id)).mappings().all()
    newest |= {row["topic"]: row["id"] for row in rows if row["id"] > newest.get(row["topic"], 0)}
    if rows:
        # Only the newest of a topic may be its retained one, and what waits may be newer.
        again = [
            {name: row[name] for name in _BODY} | {"retain": row["retain"] and newest[row["topic"]] == row["id"]}
            for row in rows
        ]
        connection.execute(insert(outbox), again)
        connection.execute(delete(set_aside))
    return len(rows)
