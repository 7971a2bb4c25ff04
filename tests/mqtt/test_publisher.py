"""Against a real broker with an independent subscriber: everything arrives, in order, whatever happens to it."""

from __future__ import annotations

import asyncio
import signal
import socket
import statistics
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from capture.mqtt.messages import BenchStatus
from capture.mqtt.publisher import BrokerState, Publisher
from capture.mqtt.settings import BrokerSettings
from capture.record import Store
from tests.support.broker import Mosquitto, Peer, free_port, until
from tests.support.samples import AT, JOB, open_job, start_check, stroke, stroke_message, verdict_message

ROOT = Path(__file__).parents[2]
MakePeer = Callable[[int], Peer]


class Bench:
    """A store on a thread of its own, as the daemon has it, and the states its publisher went through."""

    def __init__(self, path: Path) -> None:
        self.thread = ThreadPoolExecutor(1)
        self.store = self.thread.submit(Store.open, path).result()
        self.states: list[BrokerState] = []

    def run(self, function: Callable[..., Any], *arguments: Any) -> Awaitable[Any]:
        return asyncio.get_running_loop().run_in_executor(self.thread, function, *arguments)

    async def put(self, *numbers: int) -> None:
        messages = [stroke_message(n) for n in numbers]
        await self.run(lambda: self.store.put_outbox(messages, at=AT))

    @asynccontextmanager
    async def publishing(self, port: int, scheme: str = "mqtt", **settings: Any) -> AsyncIterator[Publisher]:
        # Kept no longer than acknowledged, unless a test says otherwise: then an empty outbox means all is taken.
        broker = BrokerSettings.model_validate(
            {"url": f"{scheme}://127.0.0.1:{port}", "keep_acknowledged_s": 0} | settings
        )
        async with Publisher(broker, self.store, self.run, status(), self.states.append) as publisher:
            yield publisher


def status(**changes: Any) -> BenchStatus:
    first = {"at": AT, "bench": "bench 4", "state": "online", "software_version": "0.1.0"}
    return BenchStatus.model_validate(first | changes)


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    bench = Bench(tmp_path / "record.sqlite")
    yield bench
    bench.store.close()
    bench.thread.shutdown()


def call(*command: object) -> None:
    subprocess.run([str(part) for part in command], check=True, capture_output=True)


def numbers(peer: Peer) -> list[int]:
    return [one.payload["n"] for one in peer.of("stroke")]


async def test_strokes_and_verdicts_arrive_and_leave_the_outbox(
    mosquitto: Mosquitto, peer: MakePeer, bench: Bench
) -> None:
    subscriber = peer(mosquitto.port)
    await bench.put(1, 2)
    async with bench.publishing(mosquitto.port) as publisher:
        await until(lambda: numbers(subscriber) == [1, 2])
        await bench.put(3)
        await bench.run(lambda: bench.store.put_outbox([verdict_message()], at=AT))
        publisher.notify()
        await until(lambda: subscriber.of("verdict"))
        await until(lambda: publisher.state == BrokerState("up", 0, ""))
        assert bench.store.outbox_size() == 0
    assert numbers(subscriber) == [1, 2, 3]
    assert subscriber.of("stroke")[0].topic == "strokelog/v1/bench 4/C1%2FC2 forward/stroke"
    assert [state.link for state in bench.states][-1] == "off"


async def test_a_board_that_comes_later_sees_the_status_and_the_verdicts(
    mosquitto: Mosquitto, peer: MakePeer, bench: Bench
) -> None:
    await bench.run(lambda: bench.store.put_outbox([stroke_message(1), verdict_message()], at=AT))
    async with bench.publishing(mosquitto.port) as publisher:
        publisher.set_status(status(state="measuring", job=JOB, pack="C1/C2 forward", indicator="up"))
        await until(lambda: publisher.state == BrokerState("up", 0, ""))
        late = peer(mosquitto.port)
        await until(lambda: late.of("verdict") and late.newest_status("messages_waiting") == 0)
        assert late.of("verdict")[0].retained and late.of("status")[0].retained
        assert late.newest_status("state") == "measuring"
        assert late.of("stroke") == []
        publisher.set_status(status(technician="Tech 12"))
        await until(lambda: late.newest_status("technician") == "Tech 12")
    await until(lambda: late.newest_status("state") == "offline")


CHILD = """
import asyncio, sys
from pathlib import Path
from tests.mqtt.test_publisher import Bench
async def main():
    async with Bench(Path(sys.argv[1])).publishing(int(sys.argv[2])):
        await asyncio.Event().wait()
asyncio.run(main())
"""


def start_bench(path: Path, port: int) -> subprocess.Popen[bytes]:
    return subprocess.Popen([sys.executable, "-c", CHILD, str(path), str(port)], cwd=ROOT)


async def test_a_killed_bench_is_shown_offline(mosquitto: Mosquitto, peer: MakePeer, tmp_path: Path) -> None:
    subscriber = peer(mosquitto.port)
    child = start_bench(tmp_path / "record.sqlite", mosquitto.port)
    try:
        await until(lambda: subscriber.of("status"))
    finally:
        child.send_signal(signal.SIGKILL)
        child.wait()
    await until(lambda: [one.payload["state"] for one in subscriber.of("status")] == ["online", "offline"])


async def test_a_broker_that_is_away_for_a_while_misses_nothing(
    mosquitto: Mosquitto, peer: MakePeer, bench: Bench
) -> None:
    subscriber = peer(mosquitto.port)
    check = start_check(bench.store, open_job(bench.store))
    async with bench.publishing(mosquitto.port) as publisher:

        async def measure(n: int) -> None:
            begun = time.monotonic()
            await bench.run(
                lambda: bench.store.add_stroke(check, stroke(n), seat=False, at=AT, messages=[stroke_message(n)])
            )
            publisher.notify()
            assert time.monotonic() - begun < 1  # whatever the broker does

        for n in range(1, 6):
            await measure(n)
        await until(lambda: len(numbers(subscriber)) == 5 and bench.store.outbox_size() == 0)
        mosquitto.stop()
        await until(lambda: publisher.state.link == "down")
        for n in range(6, 31):
            await measure(n)
        await until(lambda: publisher.state.waiting == 25)
        assert "no connection with the broker at mqtt://127.0.0.1" in publisher.state.reason
        mosquitto.start()
        await until(lambda: len(numbers(subscriber)) == 30)
        await until(lambda: publisher.state == BrokerState("up", 0, ""))
    assert numbers(subscriber) == list(range(1, 31))


async def test_a_broker_that_dies_while_taking_messages_gets_them_all(
    mosquitto: Mosquitto, peer: MakePeer, bench: Bench
) -> None:
    subscriber = peer(mosquitto.port)
    await bench.put(*range(1, 2001))
    async with bench.publishing(mosquitto.port) as publisher:
        for seen in (20, 300):
            await until(lambda seen=seen: len(numbers(subscriber)) > seen)
            mosquitto.stop()
            assert bench.store.outbox_size() > 0
            mosquitto.start()
        await until(lambda: publisher.state == BrokerState("up", 0, ""))
        await until(lambda: len(numbers(subscriber)) == 2000)
    assert numbers(subscriber) == list(range(1, 2001))


async def test_a_stroke_is_on_the_wire_at_once(mosquitto: Mosquitto, peer: MakePeer, bench: Bench) -> None:
    subscriber = peer(mosquitto.port)
    delays = []
    async with bench.publishing(mosquitto.port) as publisher:
        await until(lambda: publisher.state.link == "up")
        for n in range(1, 21):
            await bench.put(n)
            begun = time.monotonic()
            publisher.notify()
            await until(lambda n=n: len(numbers(subscriber)) == n)
            delays.append(subscriber.of("stroke")[-1].at - begun)
    # Through publisher, broker and subscriber; the publisher's own part is a fraction of it.
    assert statistics.median(delays) < 0.02


async def test_a_wrong_password_is_told_in_words(mosquitto: Mosquitto, bench: Bench, tmp_path: Path) -> None:
    mosquitto.stop()
    passwords = tmp_path / "passwords"
    passwords.write_text("bench4:right\n")
    passwords.chmod(0o600)
    call("mosquitto_passwd", "-U", passwords)
    mosquitto.lines = ["allow_anonymous false", f"password_file {passwords}"]
    mosquitto.start()
    secret = tmp_path / "secret"
    login: dict[str, Any] = {"username": "bench4", "password_file": secret}
    async with bench.publishing(mosquitto.port, **login) as publisher:
        await until(lambda: publisher.state.link == "down")
        assert "cannot read the file that password_file names" in publisher.state.reason
        secret.write_text("wrong\n")
        await until(lambda: "the broker refused this bench: Not authorized" in publisher.state.reason)
        check = start_check(bench.store, open_job(bench.store))
        await bench.run(
            lambda: bench.store.add_stroke(check, stroke(1), seat=False, at=AT, messages=[stroke_message(1)])
        )
        publisher.notify()
        await until(lambda: publisher.state.waiting == 1)
        secret.write_text("right\n")
        await until(lambda: publisher.state == BrokerState("up", 0, ""))


async def test_no_broker_at_all_is_told_in_words_and_ends_at_once(bench: Bench) -> None:
    await bench.put(1)
    async with bench.publishing(free_port()) as publisher:
        await until(lambda: publisher.state.link == "down")
        assert "Connection refused" in publisher.state.reason
        assert publisher.state.waiting == 1
        begun = time.monotonic()
    assert time.monotonic() - begun < 1
    assert bench.store.outbox_size() == 1


async def test_a_broker_that_hangs_holds_nobody_up(mosquitto: Mosquitto, peer: MakePeer, bench: Bench) -> None:
    subscriber = peer(mosquitto.port)
    try:
        async with bench.publishing(mosquitto.port) as publisher:
            await until(lambda: publisher.state.link == "up")
            mosquitto.send_signal(signal.SIGSTOP)
            await bench.put(1)
            publisher.notify()
            begun = time.monotonic()
        assert time.monotonic() - begun < 2
    finally:
        mosquitto.send_signal(signal.SIGCONT)
    assert bench.store.outbox_size() == 1  # not acknowledged, so kept for the next start
    await until(lambda: subscriber.newest_status("state") == "offline")


async def test_something_that_is_no_broker_holds_nobody_up(bench: Bench) -> None:
    with socket.create_server(("127.0.0.1", 0)) as silent:
        async with bench.publishing(silent.getsockname()[1]) as publisher:
            await until(lambda: publisher.state.link == "connecting")
            silent.settimeout(60)
            connection = await asyncio.to_thread(silent.accept)
            begun = time.monotonic()
        connection[0].close()
    assert time.monotonic() - begun < 2


async def test_an_outbox_that_fails_is_told_in_words(mosquitto: Mosquitto, bench: Bench) -> None:
    def execute(sql: str) -> None:
        with bench.store._engine.begin() as connection:
            connection.exec_driver_sql(sql)

    async with bench.publishing(mosquitto.port) as publisher:
        await until(lambda: publisher.state.link == "up")
        await bench.run(execute, "ALTER TABLE outbox RENAME TO gone")
        publisher.notify()
        await until(lambda: publisher.state.link == "down")
        assert "the outbox cannot be read" in publisher.state.reason
        await bench.run(execute, "ALTER TABLE gone RENAME TO outbox")
        await until(lambda: publisher.state.link == "up")


async def test_broker_settings_say_what_is_wrong(tmp_path: Path) -> None:
    assert BrokerSettings(url="mqtts://shop.example").address == ("shop.example", 8883)
    assert BrokerSettings(url="mqtt://[::1]:2000/").address == ("::1", 2000)
    wrong: list[tuple[dict[str, Any], str]] = [
        ({"url": "http://shop.example"}, "expected such as mqtt://"),
        ({"url": "mqtt://"}, "expected such as mqtt://"),
        ({"url": "mqtt://h:99999"}, "no broker address"),
        ({"url": "mqtt://user:pw@h"}, "username and password_file"),
        ({"url": "mqtt://h/strokes"}, "after host and port"),
        ({"url": "mqtt://h", "password": "x"}, "Extra inputs"),
        ({"url": "mqtt://h", "password_file": "x"}, "without username"),
        ({"url": "mqtts://h", "cert_file": "x"}, "belong together"),
        ({"url": "mqtt://h", "ca_file": "x"}, "need TLS"),
        ({"url": "mqtt://h", "keepalive": 0}, "greater than"),
    ]
    for settings, words in wrong:
        with pytest.raises(ValidationError, match=words):
            BrokerSettings.model_validate(settings)
