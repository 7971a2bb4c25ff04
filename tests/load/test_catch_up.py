"""A broker that was away is caught up in batches, behind its work (`python -m tests.load.catch_up` measures)."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest

from capture.mqtt.outgoing import Outgoing
from capture.mqtt.publisher import BrokerState
from tests.load.catch_up import at, catch_up
from tests.mqtt.test_publisher import Bench, numbers, status
from tests.support.broker import Mosquitto, Peer, until
from tests.support.samples import AT, stroke_message, verdict_message


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    bench = Bench(tmp_path / "record.sqlite")
    yield bench
    bench.store.close()
    bench.thread.shutdown()


async def test_a_backlog_is_caught_up_while_the_bench_measures(tmp_path: Path) -> None:
    found = await catch_up(tmp_path, messages=800, idle_s=0.5)
    assert found.lost == 0 and found.in_order
    assert len(found.busy.keep_ms) >= 5  # it went on measuring
    # The bounds are a technician's, not this machine's: neither the screen nor a stroke may be seen to wait.
    assert at(0.9, found.busy.keep_ms) < 200
    assert at(0.9, found.busy.lag_ms) < 50


class Counting:
    """An outbox that counts how often it is asked."""

    def __init__(self, bench: Bench) -> None:
        self._store = bench.store
        self.reads: list[int] = []
        self.drops: list[int] = []

    def outbox_after(self, last_id: int, limit: int) -> Sequence[object]:
        rows = self._store.outbox_after(last_id, limit)
        self.reads.append(len(rows))
        return rows

    def drop_outbox(self, ids: Sequence[int]) -> None:
        self.drops.append(len(ids))
        self._store.drop_outbox(ids)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._store, name)


async def test_the_outbox_is_read_and_dropped_in_batches(mosquitto: Mosquitto, bench: Bench) -> None:
    await bench.put(*range(1, 641))
    counting = Counting(bench)
    bench.store = counting  # type: ignore[assignment]
    async with bench.publishing(mosquitto.port) as publisher:
        await until(lambda: publisher.state.link == "up" and counting.outbox_size() == 0, 20)
    bench.store = counting._store
    assert sum(counting.reads) == sum(counting.drops) == 640
    assert sum(1 for read in counting.reads if read) == sum(1 for drop in counting.drops if drop) == 10


async def test_the_status_is_true_while_a_backlog_is_sent_and_the_order_is_kept(
    mosquitto: Mosquitto, peer: Callable[[int], Peer], bench: Bench
) -> None:
    early = peer(mosquitto.port)
    messages: list[Outgoing] = []
    for n in range(1, 401):
        messages.append(stroke_message(n))
        if n % 8 == 0:
            messages.append(verdict_message())
    await bench.run(lambda: bench.store.put_outbox(messages, at=AT))
    async with bench.publishing(mosquitto.port) as publisher:
        await until(lambda: len(numbers(early)) > 50)
        publisher.set_status(status(technician="Tech 12"))
        await until(lambda: early.newest_status("technician") == "Tech 12")
        assert len(numbers(early)) < 400  # the status does not wait for the backlog
        newest = verdict_message()
        await bench.run(lambda: bench.store.put_outbox([newest], at=AT))
        publisher.notify()
        await until(lambda: publisher.state.waiting == 0 and early.of("verdict")[-1].payload["id"] == newest.id, 30)
        late = peer(mosquitto.port)
        await until(lambda: late.of("verdict"))
        assert late.of("verdict")[0].payload["id"] == newest.id  # retained: the newest, not one of the backlog
        await until(lambda: late.newest_status("messages_waiting") == 0)
    ids = [one.payload["id"] for one in early.received if not one.topic.endswith("/status")]
    assert ids == [out.id for out in [*messages, newest]]


async def test_what_a_dying_broker_had_acknowledged_is_sent_again(
    mosquitto: Mosquitto, peer: Callable[[int], Peer], bench: Bench
) -> None:
    """Common practice of brokers: they acknowledge at once and save later. This one saves only every half hour."""
    verdict = verdict_message()
    async with bench.publishing(mosquitto.port, keep_acknowledged_s=60) as publisher:
        await bench.run(lambda: bench.store.put_outbox([stroke_message(1), verdict], at=AT))
        publisher.notify()
        await until(lambda: publisher.state == BrokerState("up", 0, "") and len(publisher._kept) == 2)
        assert bench.store.outbox_size() == 2
        mosquitto.crash()
        await until(lambda: publisher.state.link != "up")
        assert publisher.state.waiting == 0  # nobody need worry about what was taken once
        mosquitto.start()
        await until(lambda: publisher.state == BrokerState("up", 0, "") and len(publisher._kept) == 2)
        late = peer(mosquitto.port)
        await until(lambda: late.of("verdict"))
        assert late.of("verdict")[0].payload["id"] == verdict.id
    assert bench.store.outbox_size() == 2


async def test_a_message_is_dropped_once_the_broker_had_time_to_save_it(mosquitto: Mosquitto, bench: Bench) -> None:
    async with bench.publishing(mosquitto.port, keep_acknowledged_s=1) as publisher:
        await bench.put(1)
        publisher.notify()
        await until(lambda: len(publisher._kept) == 1)
        assert bench.store.outbox_size() == 1
        await until(lambda: publisher._kept == {})
        assert bench.store.outbox_size() == 0
