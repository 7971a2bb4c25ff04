"""The sample settings for a shop's broker, run by a real mosquitto over TLS: who can say and hear what.

mosquitto acknowledges what it denies (MQTT 3.1.1 has no other answer), so that nothing arrives is seen by a third.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import ssl
from collections.abc import AsyncIterator, Iterable, Iterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
import trustme

from capture.mqtt.messages import MESSAGES, BenchStatus, UnitMessage, outgoing
from capture.mqtt.publisher import BrokerState, Publisher
from capture.mqtt.settings import BrokerSettings
from capture.mqtt.topics import (
    KINDS,
    status_topic,
    stroke_topic,
    topic_filters,
    topic_level,
    unit_topic,
    verdict_topic,
)
from tests.mqtt.test_publisher import Bench, call
from tests.support.broker import Mosquitto, until
from tests.support.make_acl import mosquitto_acl
from tests.support.samples import AT, JOB, stroke_message, verdict_message

SYSTEMD = Path(__file__).resolve().parents[2] / "systemd"
SLASHED = "bay 7/8"
BENCHES = ("bay-1", "bay-10", "bay-1/low", "bay", "+", "#", topic_level(SLASHED))
READERS = ("board", "collector", "collector-2")
PASSWORD = "a password for all"


class ShopBroker:
    """mosquitto with the sample settings, only ports and paths changed."""

    def __init__(self, folder: Path, mosquitto: Mosquitto) -> None:
        self.mosquitto = mosquitto
        authority = trustme.CA()
        self.ca_file = folder / "shop.pem"
        authority.cert_pem.write_to_path(str(self.ca_file))
        issued = authority.issue_cert("127.0.0.1")
        issued.private_key_pem.write_to_path(str(folder / "broker.key"))
        issued.cert_chain_pems[0].write_to_path(str(folder / "broker.pem"))
        self.passwords = folder / "strokelog.passwords"
        self.passwords.write_text("".join(f"{name}:{PASSWORD}\n" for name in (*BENCHES, *READERS)))
        self.passwords.chmod(0o600)
        call("mosquitto_passwd", "-U", self.passwords)
        acl = (SYSTEMD / "mosquitto.acl").read_text()
        # A second collector gets what the file says every further program gets: a copy of the block.
        block = acl[acl.index("user collector") :]
        (folder / "strokelog.acl").write_text(acl + "\n" + block.replace("collector", "collector-2"))
        lines = (SYSTEMD / "mosquitto.conf").read_text().splitlines()
        assert lines.count("listener 8883") == 1
        for place in ("ca_certificates/", "certs/", ""):
            lines = [line.replace(f"/etc/mosquitto/{place}", f"{folder}/") for line in lines]
        mosquitto.stop()
        # The port is a free one, and the first that the test's broker has anyway.
        mosquitto.lines = [line for line in lines if line != "listener 8883"]
        mosquitto.start()

    def settings(self, user: str, **changes: Any) -> dict[str, Any]:
        context = ssl.create_default_context(cafile=self.ca_file)
        # The client id is of no account: the broker takes the user name.
        login = {"username": user, "password": PASSWORD, "tls_context": context, "timeout": 5, "identifier": "x"}
        return {"hostname": "127.0.0.1", "port": self.mosquitto.port, **login, **changes}


@pytest.fixture
def shop(mosquitto: Mosquitto, tmp_path: Path) -> ShopBroker:
    folder = tmp_path / "shop"
    folder.mkdir()
    return ShopBroker(folder, mosquitto)


class Person:
    """A connected client, and what arrived for it."""

    def __init__(self, client: aiomqtt.Client) -> None:
        self.client = client
        self.heard: list[tuple[str, str]] = []

    async def listen(self) -> None:
        async for message in self.client.messages:
            assert isinstance(message.payload, bytes)
            self.heard.append((str(message.topic), message.payload.decode()))

    async def say(self, topic: str, text: str, *, retain: bool = False) -> None:
        await self.client.publish(topic, text, qos=1, retain=retain)

    def texts(self) -> list[str]:
        return [text for _, text in self.heard]


@asynccontextmanager
async def person(shop: ShopBroker, user: str, *filters: str, **changes: Any) -> AsyncIterator[Person]:
    async with aiomqtt.Client(**shop.settings(user, **changes)) as client:
        one = Person(client)
        listening = asyncio.create_task(one.listen())
        for each in filters:
            await client.subscribe(each, qos=1)
        try:
            yield one
        finally:
            listening.cancel()
            with contextlib.suppress(asyncio.CancelledError, aiomqtt.MqttError):
                await listening
            if client._disconnected.done():
                client._disconnected.exception()  # it has been seen


async def try_to_say(shop: ShopBroker, user: str, topics: Iterable[str], text: str) -> None:
    """Publish, retained, what is denied: on a connection each, since the broker may end it."""
    for topic in topics:
        with contextlib.suppress(aiomqtt.MqttError):
            async with person(shop, user, timeout=2) as one:
                await one.say(topic, text, retain=True)


ALL = "strokelog/#"
OWN = (
    "strokelog/v1/bay-1/gauge",
    "strokelog/v1/bay-1/status",
    "strokelog/v1/bay-1/low/stroke",
    "strokelog/v1/bay-1/unit",
    "strokelog/v1/bay-1/low/verdict",
)
NOT_OWN = (
    *(topic.replace("bay-1", other) for topic in OWN for other in ("bay-10", "bay", "bay-1x", "bay-1%2Flow", "board")),
    "strokelog/v1/bay-1",
    "strokelog/v1/bay-1/low",
    "strokelog/v1/bay-1/low/high/stroke",
    "strokelog/v1/bay-1/low/status",
    "strokelog/v1/status",
    "strokelog/v2/bay-1/status",
    "strokelog/bay-1/status",
    "bay-1/status",
    "elsewhere",
)


def test_the_rules_are_made_from_the_topics() -> None:
    assert (SYSTEMD / "mosquitto.acl").read_text(
        encoding="utf-8"
    ) == mosquitto_acl()  # python -m tests.support.make_acl
    assert set(KINDS) == set(MESSAGES)  # a new message needs its topic, and has its rule then
    assert [topic.replace("bay-1", "+", 1).replace("/low/", "/+/") for topic in OWN] == list(topic_filters())


async def test_a_bench_writes_its_own_topics_and_no_others(shop: ShopBroker) -> None:
    async with person(shop, "collector", ALL, "#") as observer:
        await try_to_say(shop, "bay-1", NOT_OWN, "not mine")
        async with person(shop, "bay-1") as bench:
            for topic in OWN:
                await bench.say(topic, "mine")
        await until(lambda: len(set(observer.heard)) == len(OWN))
        assert set(observer.heard) == {(topic, "mine") for topic in OWN}


async def test_nobody_else_writes_what_is_a_bench_s(shop: ShopBroker) -> None:
    """Names that others begin with, that hold a level or a wildcard, and those who only read."""
    async with person(shop, "collector", ALL) as observer, person(shop, "bay-1") as bench:
        for user in ("bay", "bay-10", "bay-1/low", "+", "#"):
            await try_to_say(shop, user, OWN, f"from {user}")
        for user in ("board", "collector-2"):  # nor what a bench of that name could write
            await try_to_say(shop, user, (*OWN, *(topic.replace("bay-1", user) for topic in OWN)), f"from {user}")
        await bench.say(OWN[0], "mine")
        await until(lambda: "mine" in observer.texts())
        assert observer.heard == [(OWN[0], "mine")]


async def test_a_bench_reads_nothing(shop: ShopBroker) -> None:
    async with person(shop, "collector", ALL) as observer, person(shop, "bay-10") as other:
        await other.say("strokelog/v1/bay-10/status", "before", retain=True)
        async with person(shop, "bay-1", "#", ALL, "strokelog/v1/bay-1/#", "$share/x/strokelog/#", "$SYS/#") as bench:
            await other.say("strokelog/v1/bay-10/low/stroke", "now")
            await bench.say(OWN[0], "mine", retain=True)
            await until(lambda: len(observer.heard) == 3)
            # What the broker had for it would have come before the acknowledgement of this.
            await bench.say(OWN[1], "mine too")
            assert bench.heard == []


async def test_a_board_reads_everything_and_writes_nothing(shop: ShopBroker) -> None:
    topics = (*OWN, *(topic.replace("bay-1", "board") for topic in OWN), "board", "strokelog/v1/x")
    async with person(shop, "collector", ALL) as observer, person(shop, "bay-1") as bench:
        await bench.say(OWN[0], "retained", retain=True)
        async with person(shop, "board", ALL) as board:
            await bench.say(OWN[1], "live")
            await until(lambda: len(board.heard) == 2)
            assert board.texts() == ["retained", "live"]
        await try_to_say(shop, "board", topics, "from the board")
        await bench.say(OWN[1], "last")
        await until(lambda: len(observer.heard) == 3)
        assert observer.texts() == ["retained", "live", "last"]
    async with person(shop, "board", ALL) as board:
        await until(lambda: board.heard)
        assert board.heard == [(OWN[0], "retained")]  # nothing was changed either


async def test_a_collector_gets_what_came_while_it_and_the_broker_were_away(shop: ShopBroker) -> None:
    async with person(shop, "collector", ALL, clean_session=False):
        pass
    for when in ("before the restart", "after the restart"):
        async with person(shop, "bay-1") as bench:
            await bench.say(OWN[1], when)
        await try_to_say(shop, "bay-1", ["strokelog/v1/bay-10/low/stroke"], "not mine")
        shop.mosquitto.stop()
        shop.mosquitto.start()
    async with person(shop, "collector", clean_session=False) as collector:
        await until(lambda: len(collector.heard) == 2)
        assert collector.texts() == ["before the restart", "after the restart"]


async def test_collectors_share_the_load(shop: ShopBroker) -> None:
    shared = f"$share/collectors/{ALL}"
    async with (
        person(shop, "collector", shared, clean_session=False) as first,
        person(shop, "collector-2", shared, clean_session=False) as second,
        person(shop, "bay-1") as bench,
        person(shop, "bay-10") as other,
    ):
        for n in range(20):
            await bench.say(OWN[1], f"bay-1 {n}")
            await other.say(OWN[1].replace("bay-1", "bay-10"), f"bay-10 {n}")
        await until(lambda: len(first.heard) + len(second.heard) == 40)
        expected = [f"{name} {n}" for name in ("bay-1", "bay-10") for n in range(20)]
        assert sorted(first.texts() + second.texts()) == sorted(expected)
        assert first.heard and second.heard


async def test_a_bench_cannot_take_over_the_session_of_another(shop: ShopBroker) -> None:
    async with person(shop, "collector", ALL, clean_session=False):
        pass
    async with person(shop, "bay-10") as other:
        await other.say("strokelog/v1/bay-10/low/stroke", "for the collector")
    for clean in (False, True):
        async with person(shop, "bay-1", identifier="collector", clean_session=clean) as thief:
            await thief.say(OWN[0], "mine")
            assert thief.heard == []
    async with person(shop, "collector", clean_session=False) as collector:
        await until(lambda: len(collector.heard) == 3)
        assert collector.texts()[0] == "for the collector"


async def test_a_bench_cannot_leave_a_last_will_for_another(shop: ShopBroker) -> None:
    will = aiomqtt.Will("strokelog/v1/bay-10/status", "offline", qos=1, retain=True)
    async with person(shop, "collector", ALL) as observer, person(shop, "bay-10") as other:
        with contextlib.suppress(aiomqtt.MqttError):
            async with person(shop, "bay-1", will=will) as bench:
                bench.client._client._sock_close()  # vanishes without a word
        await other.say("strokelog/v1/bay-10/low/stroke", "mine")
        await until(lambda: observer.heard)
        assert observer.texts() == ["mine"]


async def test_nobody_is_let_in_without_a_name_or_with_a_wrong_password(shop: ShopBroker) -> None:
    for changes in ({"username": None, "password": None}, {"password": "a guess"}):
        with pytest.raises(aiomqtt.MqttError, match="Not authorized"):
            async with person(shop, "bay-1", **changes):
                pass


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    bench = Bench(tmp_path / "record.sqlite")
    yield bench
    bench.store.close()
    bench.thread.shutdown()


async def test_the_publisher_of_a_bench_with_any_name_is_understood(
    shop: ShopBroker, bench: Bench, tmp_path: Path
) -> None:
    secret = tmp_path / "secret"
    secret.write_text(PASSWORD)
    settings = BrokerSettings(
        url=f"mqtts://127.0.0.1:{shop.mosquitto.port}",
        username=topic_level(SLASHED),
        password_file=secret,
        ca_file=shop.ca_file,
    )
    unit = outgoing(
        UnitMessage(
            at=AT, bench=SLASHED, job=JOB, unit_serial="FW3-0117", packs=(), steps=0, steps_closed=0, against=()
        )
    )
    messages = [stroke_message(1, "C1/C2", SLASHED), unit, verdict_message("C1/C2", SLASHED)]
    await bench.run(lambda: bench.store.put_outbox(messages, at=AT))
    status = BenchStatus(at=AT, bench=SLASHED, state="online", software_version="0.1.0")
    async with person(shop, "board", ALL) as board:
        async with Publisher(settings, bench.store, bench.run, status) as publisher:
            await until(lambda: publisher.state == BrokerState("up", 0, ""))
            await until(lambda: len(board.heard) >= 4)
        await until(lambda: json.loads(board.heard[-1][1]).get("state") == "offline")
    topics = [topic for topic, _ in board.heard]
    of_pack = {stroke_topic(SLASHED, "C1/C2"), verdict_topic(SLASHED, "C1/C2")}
    assert set(topics) == {status_topic(SLASHED), unit_topic(SLASHED), *of_pack}


async def test_a_bench_with_a_wrong_user_name_says_so_and_keeps_all(
    shop: ShopBroker, bench: Bench, tmp_path: Path
) -> None:
    secret = tmp_path / "secret"
    secret.write_text(PASSWORD)
    settings = BrokerSettings(
        url=f"mqtts://127.0.0.1:{shop.mosquitto.port}", username="bay-10", password_file=secret, ca_file=shop.ca_file
    )
    await bench.run(lambda: bench.store.put_outbox([stroke_message(1, bench="bay-1")], at=AT))
    status = BenchStatus(at=AT, bench="bay-1", state="online", software_version="0.1.0")
    async with Publisher(settings, bench.store, bench.run, status) as publisher:
        await until(lambda: publisher.state.link == "down")
        assert "what the broker lets this bench do under its user name" in publisher.state.reason
    assert bench.store.outbox_size() == 1
