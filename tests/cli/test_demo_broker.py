"""The demo's own broker does what the publisher and the boards need of a broker, quietly."""

from __future__ import annotations

import asyncio
import logging
import socket
from collections.abc import Callable
from pathlib import Path

import pytest

from capture.mqtt.publisher import BrokerState
from capture.simulation.broker import demo_broker
from tests.mqtt.test_publisher import Bench
from tests.support.broker import Peer, until
from tests.support.samples import AT, verdict_message


async def make(peer: Callable[[int], Peer], port: int) -> Peer:
    return await asyncio.to_thread(peer, port)  # the broker is on this loop


async def test_messages_and_retained_messages_arrive(
    tmp_path: Path, peer: Callable[[int], Peer], caplog: pytest.LogCaptureFixture
) -> None:
    bench = Bench(tmp_path / "record.sqlite")
    with caplog.at_level(logging.INFO):
        async with demo_broker() as port:
            early = await make(peer, port)
            async with bench.publishing(port, mqtt_version="3.1.1") as publisher:
                await bench.put(*range(1, 41))
                await bench.run(lambda: bench.store.put_outbox([verdict_message()], at=AT))
                publisher.notify()
                await until(lambda: len(early.of("stroke")) == 40 and early.of("verdict"))
                await until(lambda: publisher.state == BrokerState("up", 0, ""))
                late = await make(peer, port)
                await until(lambda: late.of("verdict") and late.of("status"))
            await until(lambda: late.newest_status("state") == "offline")
            early.stop()
            late.stop()
    assert [one.payload["n"] for one in early.of("stroke")] == list(range(1, 41))
    assert late.of("verdict")[0].retained and late.of("status")[0].retained
    assert [record.name for record in caplog.records if not record.name.startswith("capture.")] == []
    bench.store.close()
    bench.thread.shutdown()


async def test_the_last_will_of_a_lost_bench_arrives(tmp_path: Path, peer: Callable[[int], Peer]) -> None:
    bench = Bench(tmp_path / "record.sqlite")
    async with demo_broker() as port:
        subscriber = await make(peer, port)
        async with bench.publishing(port, mqtt_version="3.1.1") as publisher:
            await until(lambda: subscriber.newest_status("state") == "online")
            assert publisher._task is not None
            publisher._task.cancel()  # the socket closes without a word, as when the process dies
            await until(lambda: subscriber.newest_status("state") == "offline")
        subscriber.stop()
    bench.store.close()
    bench.thread.shutdown()


async def test_only_this_machine_can_reach_it_and_it_ends_cleanly() -> None:
    before = asyncio.all_tasks()
    async with demo_broker() as port, demo_broker() as other:
        assert port != other
        with pytest.raises(OSError), socket.create_server(("127.0.0.1", port)):
            pass
        with socket.create_server(("127.0.0.2", port)):
            pass  # free: it listens on one address only
    assert asyncio.all_tasks() == before
    with socket.create_server(("127.0.0.1", port)):
        pass
