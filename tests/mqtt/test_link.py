"""The link by itself: which version of MQTT it speaks, and how it comes back, against real brokers and none."""

from __future__ import annotations

import asyncio
import socket
import time

import pytest
from aiomqtt import ProtocolVersion

from capture.mqtt import link as link_file
from capture.mqtt.link import BrokerLink, Connection, KeptSession, LinkDown, Will
from capture.mqtt.settings import BrokerSettings
from capture.simulation.broker import demo_broker
from tests.support.broker import Mosquitto, free_port, until


def link_to(port: int, **options: object) -> BrokerLink:
    return BrokerLink(BrokerSettings(url=f"mqtt://127.0.0.1:{port}"), "this bench", "bench", **options)  # type: ignore[arg-type]


async def hear_own_word(link: BrokerLink) -> str:
    async with link.connection() as connection:
        await connection.hear(["strokelog/#"])
        await connection.send("strokelog/word", "one", retain=False)
        return (await asyncio.wait_for(connection.arrival(), 5)).payload.decode()


async def test_a_broker_of_an_older_version_is_spoken_to_in_its_own(monkeypatch: pytest.MonkeyPatch) -> None:
    """The demo's broker knows MQTT 3.1.1 alone, and falls silent at an MQTT 5 CONNECT that has a last will."""
    monkeypatch.setattr(link_file, "_ANSWER_S", 0.3)
    async with demo_broker() as port:
        for will in (None, lambda: Will("strokelog/gone", "gone", qos=1)):
            assert await hear_own_word(link_to(port, will=will)) == "one"


async def test_who_hangs_up_at_the_newer_version_is_asked_in_the_older_one_at_once() -> None:
    asked: list[int] = []

    async def answer(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        packet = await reader.read(1000)
        asked.append(packet[8])  # MQTT 3.1.1 and 5.0, section 3.1.2.2: the protocol version
        if packet[8] == 4:
            writer.write(b"\x20\x02\x00\x05")  # CONNACK, not authorized
            await writer.drain()
        writer.close()

    async with await asyncio.start_server(answer, "127.0.0.1", 0) as server:
        with pytest.raises(LinkDown, match="the broker refused this bench: Not authorized"):
            async with link_to(server.sockets[0].getsockname()[1]).connection():
                pass
    assert asked == [5, 4]


async def test_a_session_that_is_kept_is_never_asked_for_in_the_older_version(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(link_file, "_ANSWER_S", 0.3)
    async with demo_broker() as port:
        with pytest.raises(LinkDown, match="it must speak MQTT 5"):
            async with link_to(port, session=KeptSession(10, 1000)).connection():
                pass


async def test_a_use_that_fails_is_said_and_tried_again(mosquitto: Mosquitto) -> None:
    said: list[tuple[str, str]] = []
    uses = 0

    async def use(connection: Connection) -> None:
        nonlocal uses
        uses += 1
        if uses == 1:
            raise ValueError("a fault of ours")

    keeping = link_to(mosquitto.port).keep(
        use, stop=asyncio.Event(), say=lambda *words: said.append(words), again="it is tried again"
    )
    await asyncio.wait_for(keeping, 60)
    assert uses == 2
    assert [state for state, _ in said] == ["connecting", "down"]
    assert "a fault of ours" in said[1][1] and said[1][1].endswith("; it is tried again")


async def test_told_to_stop_it_does_not_wait_out_its_pause() -> None:
    stop = asyncio.Event()
    said: list[str] = []

    async def use(_connection: Connection) -> None: ...

    keeping = asyncio.create_task(
        link_to(free_port()).keep(use, stop=stop, say=lambda state, _why: said.append(state), again="again")
    )
    await until(lambda: said == ["connecting", "down", "down", "down"])
    begun = time.monotonic()
    stop.set()
    await keeping
    assert time.monotonic() - begun < 0.3


async def test_nothing_stays_open_behind_a_link_that_is_cancelled(mosquitto: Mosquitto) -> None:
    up = asyncio.Event()

    async def use(_connection: Connection) -> None:
        up.set()
        await asyncio.Event().wait()

    before = asyncio.all_tasks()
    keeping = asyncio.create_task(
        link_to(mosquitto.port).keep(use, stop=asyncio.Event(), say=lambda *_: None, again="again")
    )
    await asyncio.wait_for(up.wait(), 5)
    keeping.cancel()
    with pytest.raises(asyncio.CancelledError):
        await keeping
    assert asyncio.all_tasks() == before


async def test_who_is_told_to_end_in_the_moment_of_an_answer_ends() -> None:
    """A board that was told to end as the broker let it hear went on for ever (`asyncio.wait_for` of Python 3.11)."""
    connection = Connection(link_to(1), {}, ProtocolVersion.V5, None)
    answer: asyncio.Future[str] = asyncio.get_running_loop().create_future()
    waiting = asyncio.create_task(connection.answered(answer))
    await asyncio.sleep(0)
    answer.set_result("")
    waiting.cancel()
    with pytest.raises(asyncio.CancelledError):
        await waiting


async def test_what_never_answers_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(link_file, "_ANSWER_S", 0.1)
    with (
        socket.create_server(("127.0.0.1", 0)) as silent,
        pytest.raises(LinkDown, match="check that it runs and the network"),
    ):
        async with link_to(silent.getsockname()[1]).connection():
            pass


async def test_a_broker_that_sends_more_than_it_may_does_not_fill_the_memory(mosquitto: Mosquitto) -> None:
    """MQTT 5.0, section 3.1.2.11.3, bounds what a broker may send; mosquitto 2.0 forgets it at the first PUBACK."""
    session = KeptSession(under_way=100, longest_packet=10_000)
    reader = BrokerLink(
        BrokerSettings(url=f"mqtt://127.0.0.1:{mosquitto.port}"), "this collector", "c", session=session
    )
    async with reader.connection() as connection:
        await connection.hear(["strokelog/#"])
    async with link_to(mosquitto.port).connection() as bench:
        for first in range(0, 3000, 20):
            posted = [bench.post(f"strokelog/{n}", "word " * 40, retain=False) for n in range(first, first + 20)]
            for answer in posted:
                await bench.answered(answer)
    topics: list[str] = []
    most = 0
    async with reader.connection() as connection:
        while len(topics) < 3000:
            taken = [await asyncio.wait_for(connection.arrival(), 5), *connection.at_hand(49)]
            topics += [one.topic for one in taken]
            connection.acknowledge(taken)
            await asyncio.sleep(0)
            most = max(most, connection.at_hand_count)
    assert topics == [f"strokelog/{n}" for n in range(3000)]
    assert most <= 101
