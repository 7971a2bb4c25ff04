"""How a collector is, by its database: who lives, how late messages come, and which records were found broken."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import sqlalchemy as sa

from capture.collect.collector_health import collector_health
from capture.collect.database import engine_of
from capture.collect.lease import STILL_S
from capture.collect.rows import Arrived
from capture.collect.schema import broken, heads
from capture.collect.settings import DatabaseSettings
from capture.collect.sink import Sink
from capture.output.health_points import Health, HealthPoint
from tests.support.samples import stroke_message

NOW = datetime(2026, 11, 28, 12, tzinfo=UTC)


def look(settings: DatabaseSettings, pause: object = None) -> Health:
    return collector_health(settings, NOW, pause or (lambda _: None))  # type: ignore[arg-type]


def point(health: Health, name: str, bench: str = "") -> HealthPoint:
    (found,) = [one for one in health.points if one.point == name and one.labels.get("bench", "") == bench]
    return found


def kept(sink: Sink, *, made_s_ago: float) -> None:
    message = stroke_message(n=1)
    made = json.loads(message.payload) | {"at": (NOW - timedelta(seconds=made_s_ago)).isoformat()}
    sink.keep([Arrived(message.topic, json.dumps(made).encode(), NOW)])


def test_a_collector_lives_while_its_lease_is_beaten(tmp_path: Path) -> None:
    settings = DatabaseSettings(url=f"sqlite:///{tmp_path / 'c.sqlite'}")
    sink = Sink(engine_of(settings))
    sink.open()
    assert "no collector" in point(look(settings), "collecting").says
    lease = sink.take(sink.lease("office"), "office-pc process 7")
    assert lease is not None
    alive = look(settings, lambda _: sink.beat(lease))
    assert alive.well and point(alive, "collecting").figures == {"up": 1}
    waited: list[float] = []
    dead = point(look(settings, waited.append), "collecting")
    assert dead.well is False and "office-pc process 7" in dead.says and sum(waited) == STILL_S
    sink.beat(lease, "connection refused")
    lost = look(settings, lambda _: sink.beat(lease))
    (link,) = [one for one in lost.points if one.point == "link"]
    assert not lost.well and point(lost, "collecting").well and link.well is False
    assert link.says == "down: connection refused" and link.labels == {"link": "broker", "session": "office"}
    sink.beat(lease, "")
    assert look(settings, lambda _: sink.beat(lease)).well
    sink.hand_over(lease)
    assert point(look(settings), "collecting").well is False
    sink.close()


@pytest.mark.parametrize(("made_s_ago", "well"), [(1.5, True), (300.0, False)])
def test_messages_kept_late_need_a_person(tmp_path: Path, made_s_ago: float, well: bool) -> None:
    settings = DatabaseSettings(url=f"sqlite:///{tmp_path / 'c.sqlite'}")
    sink = Sink(engine_of(settings))
    sink.open()
    assert point(look(settings), "queue").well is None
    kept(sink, made_s_ago=made_s_ago)
    queue = point(look(settings), "queue")
    assert queue.well is well and queue.figures == {"lag_seconds": made_s_ago}
    sink.close()


def test_each_bench_has_its_newest_head_and_a_broken_record_is_told_for_a_day(database: str) -> None:
    settings = DatabaseSettings(url=database)
    sink = Sink(engine_of(settings))
    sink.open()
    engine = engine_of(settings)
    with engine.begin() as connection:
        rows = [("north", "bay-1", 7), ("north", "bay-2", 3), ("south", "bay-9", 11), ("north", "bay-1", 12)]
        for shop, bench, number in rows:
            connection.execute(
                sa.insert(heads).values(
                    sha256=f"{number:064x}", shop=shop, bench=bench, number=number, record=1, at=NOW, received_at=NOW
                )
            )
    health = look(settings)
    assert {one.labels["bench"]: one.figures["number"] for one in health.points if one.point == "newest_head"} == {
        "bay-1": 12, "bay-2": 3, "bay-9": 11,
    }  # fmt: skip
    assert point(health, "benches").figures == {"known": 3} and point(health, "broken").well
    for hours, well in ((25, True), (2, False)):
        with engine.begin() as connection:
            at = NOW - timedelta(hours=hours)
            connection.execute(
                sa.insert(broken).values(
                    shop="north",
                    bench="bay-1",
                    received_at=at,
                    head_number=7,
                    head_sha256="0" * 64,
                    why="it is shorter",
                )
            )
        told = point(look(settings), "broken")
        assert told.well is well and "it is shorter" in told.says
    engine.dispose()
    sink.close()


def test_a_database_that_is_none_is_told(tmp_path: Path) -> None:
    (tmp_path / "c.sqlite").write_bytes(b"no database" * 100)
    health = look(DatabaseSettings(url=f"sqlite:///{tmp_path / 'c.sqlite'}"))
    assert point(health, "database").well is False and point(health, "disk").figures["size_bytes"] > 0
