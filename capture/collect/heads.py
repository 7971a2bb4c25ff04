"""The heads of benches' records that messages carried: kept in the transaction that keeps the messages, noticing a
record that is no longer what it was, and read to prove a record against.

A record that was found broken is told once: what its bench tells from then on is of another record, the next by number,
and is held against that alone."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Row, Table, func, insert, select
from sqlalchemy.exc import SQLAlchemyError

from capture.collect.database import DatabaseAway, engine_of, why
from capture.collect.events import BrokenRecord
from capture.collect.schema import broken, heads
from capture.collect.settings import DatabaseSettings
from capture.mqtt.heads import HeadTold, broken_words

Insert = Callable[[Connection, Table, str, Sequence[dict[str, Any]]], int]


def keep_heads(connection: Connection, rows: Sequence[Mapping[str, Any]], insert_new: Insert) -> list[BrokenRecord]:
    """Keep the heads of `rows` (of verdicts and units, in the order in which they came) that are not there yet; return
    the benches whose record they show to be another now, which are kept as well."""
    benches: dict[tuple[str, str], list[Mapping[str, Any]]] = {}
    for row in rows:
        if row["head_number"] is not None and row["head_sha256"]:
            benches.setdefault((row["shop"], row["bench"]), []).append(row)
    found = []
    for (shop, bench), told in benches.items():
        here = heads.c.shop == shop, heads.c.bench == bench
        breaks = select(func.count()).where(broken.c.shop == shop, broken.c.bench == bench)
        record = connection.execute(breaks).scalar_one() + 1
        there = select(heads).where(*here, heads.c.number.in_([row["head_number"] for row in told]))
        kept = {row.sha256: row for row in connection.execute(there)}
        known = {row.number: row.sha256 for row in kept.values() if row.record == record}
        of_now = select(heads).where(*here, heads.c.record == record).order_by(heads.c.number.desc()).limit(1)
        last = connection.execute(of_now).first()
        newest: HeadTold | None = None if last is None else HeadTold(last.number, last.sha256, last.at)
        new = []
        for told_row in told:
            head = HeadTold(told_row["head_number"], told_row["head_sha256"], told_row["at"])
            if head.sha256 in kept or known.get(head.number) == head.sha256:
                continue  # a message that came again, also one of a record that was another
            if words := broken_words(known, newest, head):
                found.append(BrokenRecord(shop, bench, words))
                values = {"shop": shop, "bench": bench, "received_at": told_row["received_at"], "why": words}
                values |= {"head_number": head.number, "head_sha256": head.sha256}
                connection.execute(insert(broken).values(values))
                record, known, newest = record + 1, {}, None
            known[head.number] = head.sha256
            if newest is None or head.number > newest.number:
                newest = head
            new.append({name: told_row[name] for name in ("shop", "bench", "at", "received_at")})
            new[-1] |= {"number": head.number, "sha256": head.sha256, "record": record}
        if new:
            insert_new(connection, heads, "sha256", new)
    return found


def collected_heads(settings: DatabaseSettings, benches: Sequence[str]) -> list[tuple[int, str]]:
    """Return number and hash of every head that was collected of these benches, in any shop, oldest first. Raises
    CollectError and DatabaseAway."""
    return [(row.number, row.sha256) for row in _collected(settings, benches)]


def collected_too_early(
    settings: DatabaseSettings, benches: Sequence[str], apart: timedelta
) -> list[tuple[int, datetime, datetime]]:
    """Return of every head that was collected before it says that it was written, by more than clocks may be apart, its
    number, the time it says, and when it came. Then one of the two clocks was wrong; the other way round nothing can be
    said, since a message may wait for a broker. Raises CollectError and DatabaseAway."""
    told = ((row.number, row.at, row.received_at) for row in _collected(settings, benches))
    return [one for one in told if one[1] - one[2] > apart]


def _collected(settings: DatabaseSettings, benches: Sequence[str]) -> Sequence[Row[Any]]:
    file = settings.address.database if settings.address.get_backend_name() == "sqlite" else None
    if file is not None and not Path(file).is_file():
        raise DatabaseAway(f"there is no file {file}")  # connecting would make one
    engine = engine_of(settings)
    try:
        with engine.connect() as connection:
            return connection.execute(select(heads).where(heads.c.bench.in_(benches)).order_by(heads.c.number)).all()
    except SQLAlchemyError as error:
        raise DatabaseAway(why(error)) from error
    finally:
        engine.dispose()
