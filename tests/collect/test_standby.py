"""A collector that stands by: who may keep what, when it takes over, and that nothing is lost or there twice."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from capture.collect import DatabaseSettings
from capture.collect.database import engine_of
from capture.collect.lease import STILL_S, Lease, LeaseLost, Watch
from capture.collect.rows import Arrived
from capture.collect.sink import Sink
from tests.load.collector_storm import DURABLE, compare, storm_on_a_pair
from tests.support.broker import Mosquitto
from tests.support.fleet import CollectorProcess, Shop, count_strokes, wait_until
from tests.support.postgres import Postgres
from tests.support.samples import stroke_message

ROOT = Path(__file__).resolve().parents[2]
NOW = datetime(2025, 11, 25, 9, 7, 31, 250_000, tzinfo=UTC)


def sink_on(database: str) -> Sink:
    return Sink(engine_of(DatabaseSettings(url=database)))


def batch(n: int) -> list[Arrived]:
    message = stroke_message(n=n)
    return [Arrived(message.topic, message.payload.encode(), NOW)]


def taken(sink: Sink, holder: str, session: str = "office") -> Lease:
    lease = sink.take(sink.lease(session), holder)
    assert lease is not None
    return lease


# The lease


def test_only_who_holds_the_lease_keeps_anything(database: str) -> None:
    first, second = sink_on(database), sink_on(database)
    old = taken(first, "first")
    assert first.keep(batch(1), old).strokes == 1
    new = taken(second, "second")
    with pytest.raises(LeaseLost):
        first.keep(batch(2), old)
    with pytest.raises(LeaseLost):
        first.beat(old)
    assert count_strokes(database) == 1, "a batch that was under way when it lost the lease is not kept"
    assert second.keep(batch(2), new).strokes == 1
    first.close()
    second.close()


def test_of_two_who_take_what_they_saw_one_gets_it(database: str) -> None:
    sink = sink_on(database)
    taken(sink, "first")
    seen = sink.lease("office")
    assert sink.take(seen, "second") is not None and sink.take(seen, "third") is None
    sink.close()


def test_what_shows_life_between_the_look_and_the_grasp_is_not_taken(database: str) -> None:
    sink = sink_on(database)
    lease = taken(sink, "first")
    seen = sink.lease("office")
    sink.keep(batch(1), lease)
    assert sink.take(seen, "second") is None
    sink.beat(lease)
    sink.close()


def test_a_lease_that_was_handed_over_is_free_and_each_session_has_its_own(database: str) -> None:
    sink = sink_on(database)
    lease, other = taken(sink, "first"), taken(sink, "first", session="field")
    sink.hand_over(lease)
    assert sink.lease("office").holder == "" and sink.lease("field").holder == "first"
    with pytest.raises(LeaseLost):
        sink.keep(batch(1), lease)
    sink.beat(other)
    sink.close()


def test_a_lease_is_taken_when_its_beat_has_stood_still_for_six_seconds() -> None:
    watch = Watch()
    beats = [watch.may_take(Lease("office", "first", 1, second), float(second)) for second in range(20)]
    still = [watch.may_take(Lease("office", "first", 1, 19), 19.0 + second) for second in range(1, 8)]
    assert not any(beats)
    assert still == [False] * 5 + [True] * 2, "6 s after the last beat was seen"
    assert STILL_S == 6


def test_what_nobody_could_see_is_no_stillness() -> None:
    watch, lease = Watch(), Lease("office", "first", 1, 7)
    for second in (0.0, 1.0, 2.0, 60.0, 61.0, 63.0, 65.0):
        assert not watch.may_take(lease, second), "the database was away for a minute, for the one at work as well"
    assert watch.may_take(lease, 66.0)
    assert Watch().may_take(Lease("office"), 0.0), "nobody holds it"


# Processes, a broker and a database

Start = Callable[..., CollectorProcess]


@pytest.fixture
def start() -> Iterator[Start]:
    """Starts collectors, and ends those that still run."""
    running: list[CollectorProcess] = []

    def begin(*words: object, **options: object) -> CollectorProcess:
        running.append(CollectorProcess(*words, **options))  # type: ignore[arg-type]
        return running[-1]

    yield begin
    for one in running:
        if one.process.poll() is None:
            one.kill()


@pytest.fixture
def durable(mosquitto: Mosquitto) -> Mosquitto:
    """A broker that saves every second, which is sooner than benches forget what it acknowledged."""
    mosquitto.stop()
    mosquitto.lines += DURABLE
    mosquitto.start()
    return mosquitto


def test_whichever_is_at_work_is_killed_and_each_message_is_kept_once(durable: Mosquitto, database: str) -> None:
    """`python -m tests.load.collector_storm --target pair` kills as often as one likes."""
    outcome, gaps_s = storm_on_a_pair(1, durable, database, seed=11)
    assert outcome.well, outcome
    assert max(gaps_s) < STILL_S + 6, gaps_s


def test_one_that_hangs_is_taken_over_from_and_then_stands_by(
    durable: Mosquitto, postgres: Postgres, start: Start
) -> None:
    hung = start(durable.port, postgres.url)
    hung.wait_up()
    spare = start(durable.port, postgres.url, "--standby")
    wait_until(lambda: spare.link("broker")["state"] == "standby")
    assert "takes over when that has been silent for 6 s" in spare.link("broker")["reason"]
    shop = Shop(durable.port, benches=5)
    try:
        with shop.applying(200):
            wait_until(lambda: count_strokes(postgres.url) > 100)
            os.kill(hung.process.pid, signal.SIGSTOP)
            spare.wait_up()
            os.kill(hung.process.pid, signal.SIGCONT)
            wait_until(lambda: hung.link("broker")["state"] == "standby")
            before = count_strokes(postgres.url)
            wait_until(lambda: count_strokes(postgres.url) > before + 100)
        shop.wait_acknowledged()
        wait_until(lambda: count_strokes(postgres.url) == len(shop.sent))
        assert compare(shop.sent, postgres.url).well
        assert spare.link("broker")["state"] == "up", "the one that hung does not take it back"
        spare.stop()
        hung.wait_up()  # at once: it was handed over
    finally:
        shop.close()


def test_one_that_is_started_takes_over_at_once_and_the_other_does_not_fight(
    durable: Mosquitto, tmp_path: Path, start: Start
) -> None:
    database = f"sqlite:///{tmp_path}/collect.sqlite"
    first = start(durable.port, database)
    first.wait_up()
    second = start(durable.port, database)
    wait_until(lambda: first.link("broker")["state"] == "standby")
    second.wait_up()
    first.stop()
    assert second.link("broker")["state"] == "up"


def test_who_collects_says_in_its_lease_that_the_broker_is_gone_and_that_it_is_back(
    mosquitto: Mosquitto, tmp_path: Path, start: Start
) -> None:
    """What `strokelog health collector` reads, on whatever computer it is asked."""
    file = tmp_path / "collect.sqlite"
    start(mosquitto.port, f"sqlite:///{file}").wait_up()

    def lost() -> str | None:
        with closing(sqlite3.connect(f"file:{file}?mode=ro", uri=True)) as kept:
            return next((why for (why,) in kept.execute("SELECT broker_lost FROM collected_leases")), None)

    wait_until(lambda: lost() == "")
    mosquitto.stop()
    wait_until(lambda: "Connection refused" in (lost() or ""))
    mosquitto.start()
    wait_until(lambda: lost() == "")


def test_to_leave_and_to_stand_by_are_two_things() -> None:
    command = [sys.executable, "-m", "capture.cli", "collect", "--broker", "mqtt://h", "--leave", "--standby"]
    done = subprocess.run(command, capture_output=True, text=True, cwd=ROOT)
    assert done.returncode == 2 and "give one of them" in done.stderr
