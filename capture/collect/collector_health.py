"""How a collector is, by its database alone: whether one lives and has its brokers, how late messages come, whether the
months that rows belong to are there, and what needs a person."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime, timedelta
from pathlib import Path
from statistics import median
from typing import Final

from sqlalchemy import Connection, Engine, func, literal, select, text, tuple_
from sqlalchemy.exc import SQLAlchemyError

from capture.collect.database import CollectError, DatabaseAway, engine_of, why
from capture.collect.lease import LOOK_S, STILL_S, Lease
from capture.collect.partitions import MonthsDue, month_of, months_to_see_to, part_of
from capture.collect.schema import broken, by_id, heads, leases, refused
from capture.collect.settings import DatabaseSettings
from capture.output.health_points import Health, HealthPoint, clock_point, disk_point
from capture.plumbing.machine import clock_synchronised, disk_room

_NEWEST: Final = 100
#: What was kept longer ago says nothing of how late messages come now.
_LATELY: Final = timedelta(minutes=10)
_LONGEST_LAG_S: Final = 60.0
#: For so long a record that was found broken is somebody's work; the row itself stays.
_BROKEN_LATELY: Final = timedelta(days=1)
#: A month that begins so soon, or has begun, must be there.
_SOON: Final = timedelta(days=14)


def collector_health(settings: DatabaseSettings, now: datetime, pause: Callable[[float], None] = time.sleep) -> Health:
    """Return how the collector of a database is. `pause` passes the time between two looks, in seconds."""
    name = settings.url
    points: list[HealthPoint] = []
    try:
        engine = engine_of(settings)
        try:
            with _looking(engine) as connection:
                points += [_lag(connection, now), *_seen_to(connection, now), *_benches(connection, now)]
                points.append(_rows(connection))
            points.append(_months(months_to_see_to(engine, now, settings.keep_months), now))
            points += _collecting(engine, pause)
        finally:
            engine.dispose()
    except (DatabaseAway, CollectError) as error:
        points.append(HealthPoint("database", f"cannot be read: {error}", False))
    else:
        points.append(HealthPoint("database", "it answers", True))
    file = settings.address.database
    if settings.address.get_backend_name() == "sqlite" and file:
        points.append(disk_point(disk_room(Path(file).parent)))
    return Health("collector", name, now, points)


@contextmanager
def _looking(engine: Engine) -> Iterator[Connection]:
    try:
        with engine.connect() as connection:
            yield connection
    except SQLAlchemyError as error:
        raise DatabaseAway(why(error)) from error


def _collecting(engine: Engine, pause: Callable[[float], None]) -> Iterator[HealthPoint]:
    """Say whether everybody who holds a lease showed that he lives, within the time after which it may be taken, and
    whether each has his broker."""
    first, looks = _held(engine), round(STILL_S / LOOK_S)
    silent = dict(first)
    while silent and looks:
        pause(LOOK_S)
        now, looks = _held(engine), looks - 1
        silent = {session: one for session, one in silent.items() if now.get(session) == one}
    if not first:
        says = "no collector is at work on this database, or none has reached its broker yet; see its log"
        yield HealthPoint("collecting", says, False, {"up": 0})
    elif silent:
        who = ", ".join(sorted({one.holder for one in silent.values()}))
        yield HealthPoint("collecting", f"{who} has been silent for {STILL_S:.0f} s; restart it", False, {"up": 0})
    else:
        who = ", ".join(sorted({one.holder for one in first.values()}))
        yield HealthPoint("collecting", f"{who} lives", True, {"up": 1})
    for session, one in _held(engine).items():
        if session not in silent:
            up = not one.broker_lost
            says, labels = "up" if up else f"down: {one.broker_lost}", {"link": "broker", "session": session}
            yield HealthPoint("link", says, up, {"up": int(up)}, labels)


def _held(engine: Engine) -> dict[str, Lease]:
    with _looking(engine) as connection:
        rows = connection.execute(select(leases).where(leases.c.holder != "")).mappings().all()
    return {row["session"]: Lease(**row) for row in rows}


def _lag(connection: Connection, now: datetime) -> HealthPoint:
    lags: list[float] = []
    for kind in ("stroke", "verdict", "status"):
        table = by_id[kind]
        query = select(table.c.at, table.c.received_at).order_by(table.c.at.desc()).limit(_NEWEST)
        rows = connection.execute(query).all()
        lags += [(row.received_at - row.at).total_seconds() for row in rows if now - row.received_at <= _LATELY]
    if not lags:
        return HealthPoint("queue", f"nothing was kept in the last {_LATELY.seconds // 60} min")
    lag_s = max(0.0, median(lags))
    late = lag_s > _LONGEST_LAG_S
    says = f"messages are kept {lag_s:.1f} s after they were made" + ("; look at broker and database" if late else "")
    return HealthPoint("queue", says, not late, {"lag_seconds": lag_s})


def _seen_to(connection: Connection, now: datetime) -> Iterator[HealthPoint]:
    records = connection.execute(select(func.count()).select_from(broken)).scalar_one()
    newest = connection.execute(select(broken).order_by(broken.c.number.desc()).limit(1)).mappings().first()
    if newest is None:
        yield HealthPoint("broken", "no bench's record was found broken", True, {"records": 0})
    else:
        lately = now - newest["received_at"] <= _BROKEN_LATELY
        says = f"{records} times, the newest {newest['received_at']:%Y-%m-%d %H:%M} UTC at bench {newest['bench']}"
        yield HealthPoint("broken", f"{says}: {newest['why']}", not lately, {"records": records})
    messages = connection.execute(select(func.count()).select_from(refused)).scalar_one()
    yield HealthPoint("refused", f"{messages} messages were none of a bench's", None, {"messages": messages})


def _benches(connection: Connection, now: datetime) -> Iterator[HealthPoint]:
    """Walk the index from bench to bench: nothing reads every head there ever was."""
    at, known = ("", ""), 0
    latest: datetime | None = None
    while (row := _next_bench(connection, at)) is not None:
        at, known = row, known + 1
        of_it = select(heads).where(heads.c.shop == at[0], heads.c.bench == at[1])
        newest = connection.execute(of_it.order_by(heads.c.number.desc()).limit(1)).mappings().one()
        received = newest["received_at"]
        latest = received if latest is None else max(latest, received)
        figures = {"number": newest["number"], "timestamp_seconds": received.timestamp()}
        labels = {"shop": at[0], "bench": at[1], "sha256": newest["sha256"]}
        yield HealthPoint(
            "newest_head", f"entry {newest['number']}, received {received:%Y-%m-%d %H:%M} UTC", None, figures, labels
        )
    yield HealthPoint("benches", f"{known} sent heads of their records", None, {"known": known})
    yield clock_point(now, latest, clock_synchronised())


def _next_bench(connection: Connection, after: tuple[str, str]) -> tuple[str, str] | None:
    place = tuple_(heads.c.shop, heads.c.bench)
    beyond = place > tuple_(literal(after[0]), literal(after[1]))
    query = select(heads.c.shop, heads.c.bench).where(beyond).order_by(heads.c.shop, heads.c.bench).limit(1)
    row = connection.execute(query).first()
    return None if row is None else (row.shop, row.bench)


def _months(due: Sequence[MonthsDue], now: datetime) -> HealthPoint:
    """Say which months are not there: the rows of one that has begun, or soon will, would lie in the rest meanwhile."""
    parts = [part_of(one.table, month) for one in due for month in (*one.make, *one.drop)]
    if not parts:
        return HealthPoint("months", "all are there that rows belong to", True, {"due": 0})
    missing = any(month_of(now) <= month <= month_of(now + _SOON) for one in due for month in one.make)
    says = f"{len(parts)} parts of tables are to be made or dropped, such as {parts[0]}"
    if not missing:  # within hours a collector sees to it, or the owner's next migration
        return HealthPoint("months", says, None, {"due": len(parts)})
    says += "; run `strokelog collect migrate` as the tables' owner"
    return HealthPoint("months", says, False, {"due": len(parts)})


#: By the database's own reckoning, which reads no rows: where a part was never looked at, by what was written into it.
_RECKONED: Final = text(
    "SELECT sum(greatest(c.reltuples, s.n_live_tup, 0)) FROM pg_partition_tree(CAST(:table AS regclass)) p "
    "JOIN pg_class c ON c.oid = p.relid LEFT JOIN pg_stat_user_tables s ON s.relid = p.relid WHERE p.isleaf"
)


def _rows(connection: Connection) -> HealthPoint:
    """Say how much is kept: about, where counting would read it all."""
    figures: dict[str, int | float] = {}
    for kind, table in by_id.items():
        if connection.dialect.name == "postgresql":
            rows = connection.execute(_RECKONED, {"table": table.name}).scalar() or 0
        else:
            rows = connection.execute(select(func.count()).select_from(table)).scalar_one()
        figures[f"{kind}_rows"] = int(rows)
    about = "about " if connection.dialect.name == "postgresql" else ""
    says = about + ", ".join(f"{rows} of {kind.removesuffix('_rows')}" for kind, rows in figures.items())
    return HealthPoint("kept", says, None, figures)
