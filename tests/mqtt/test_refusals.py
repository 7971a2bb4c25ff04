"""A message that the broker refuses is named, set aside, kept and sent again; the others never wait for it.

Against real brokers: mosquitto refuses by its access list (mosquitto.conf(5)), in MQTT 5 with a reason (MQTT 5.0,
section 3.4.2.1) and in MQTT 3.1.1 with none; without a limit on what it queues it ends the connection as well.
"""

from __future__ import annotations

import contextlib
import signal
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from capture.cli.main import app
from capture.mqtt.messages import UnitMessage, outgoing
from capture.mqtt.outgoing import Outgoing
from capture.mqtt.publisher import BrokerState
from capture.mqtt.refusals import UNTOLD, Refusals
from capture.mqtt.topics import topic_level, unit_topic
from capture.record import Store
from tests.mqtt.test_publisher import Bench, numbers
from tests.support.broker import Mosquitto, Peer, until
from tests.support.samples import AT, JOB, stroke_message, verdict_message

BENCH = "bench 4"
MakePeer = Callable[[int], Peer]
UP = BrokerState("up", 0, "")
ALLOWED = ("status", "+/stroke", "+/verdict")


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    bench = Bench(tmp_path / "record.sqlite")
    yield bench
    bench.store.close()
    bench.thread.shutdown()


class Rules:
    """What a broker lets anybody publish; everybody may read all."""

    def __init__(self, mosquitto: Mosquitto, folder: Path, *, queue: int = 0) -> None:
        self.mosquitto = mosquitto
        self.file = folder / "rules.acl"
        self.write(*ALLOWED)
        mosquitto.stop()
        mosquitto.lines += [f"acl_file {self.file}", f"max_queued_messages {queue}"]
        mosquitto.start()

    def write(self, *kinds: str) -> None:
        lines = [f"topic write strokelog/v1/{BENCH}/{kind}" for kind in kinds]
        self.file.write_text("\n".join(["topic read #", *lines, ""]))

    def mend(self) -> None:
        self.write(*ALLOWED, "unit")
        self.mosquitto.send_signal(signal.SIGHUP)  # mosquitto(8): reads its rules anew


def unit(n: int = 1) -> Outgoing:
    known: dict[str, Any] = {"job": JOB, "packs": (), "steps": n, "steps_closed": 0, "against": ()}
    return outgoing(UnitMessage(at=AT, bench=BENCH, unit_serial=f"FW3-{n}", **known))


async def put(bench: Bench, *messages: Outgoing) -> None:
    await bench.run(lambda: bench.store.put_outbox(messages, at=AT))


@pytest.mark.parametrize(
    ("queue", "settings", "why"),
    [
        (0, {}, "Not authorized"),
        (1000, {}, "Not authorized"),
    ],
    ids=["reason-and-end", "reason"],
)
async def test_a_refused_message_is_named_and_the_others_go_on(
    mosquitto: Mosquitto,
    peer: MakePeer,
    bench: Bench,
    tmp_path: Path,
    queue: int,
    settings: dict[str, Any],
    why: str,
) -> None:
    rules = Rules(mosquitto, tmp_path, queue=queue)
    subscriber = peer(mosquitto.port)
    await put(bench, *(stroke_message(n) for n in range(1, 12)), unit(1), *(stroke_message(n) for n in range(12, 41)))
    await put(bench, verdict_message())
    async with bench.publishing(mosquitto.port, **settings) as publisher:
        await until(lambda: publisher.state.link == "up" and "1 message is set aside" in publisher.state.reason)
        assert f"the broker refuses {unit_topic(BENCH)}: {why}; " in publisher.state.reason
        await until(lambda: numbers(subscriber) == list(range(1, 41)) and len(subscriber.of("verdict")) == 1)
        await until(lambda: bench.store.outbox_size() == 0)
        assert subscriber.of("unit") == []
        rules.mend()
        assert await bench.run(bench.store.send_again) == 1
        await until(lambda: subscriber.of("unit"))
        await until(lambda: publisher.state == UP)


async def test_a_broker_that_gives_no_reason_holds_nothing_up_and_loses_no_stroke(
    mosquitto: Mosquitto, peer: MakePeer, bench: Bench, tmp_path: Path
) -> None:
    """MQTT 3.1.1 has no reasons: the broker acknowledges what it drops and may end the connection a little later, so
    that a neighbour can be blamed. What is blamed is kept, and all of it arrives once the rules are right."""
    rules = Rules(mosquitto, tmp_path)
    subscriber = peer(mosquitto.port)
    await put(bench, *(stroke_message(n) for n in range(1, 12)), unit(1), *(stroke_message(n) for n in range(12, 41)))
    await put(bench, verdict_message())
    async with bench.publishing(mosquitto.port, mqtt_version="3.1.1") as publisher:
        await until(lambda: "set aside" in publisher.state.reason)
        assert UNTOLD in publisher.state.reason
        await until(lambda: bench.store.outbox_size() == 0)
        rules.mend()
        for _ in range(10):  # the broker reads its rules anew when it comes to it
            await bench.run(bench.store.send_again)
            with contextlib.suppress(AssertionError):
                await until(lambda: set(numbers(subscriber)) == set(range(1, 41)), 3)
                break
        assert set(numbers(subscriber)) == set(range(1, 41))
        assert len(subscriber.of("verdict")) >= 1


async def test_of_many_on_one_topic_only_the_first_holds_anybody_up(
    mosquitto: Mosquitto, peer: MakePeer, bench: Bench, tmp_path: Path
) -> None:
    """As a shop's day behind rules that lacked a line: strokes, and the unit's word between them."""
    Rules(mosquitto, tmp_path)
    subscriber = peer(mosquitto.port)
    for n in range(1, 25):
        await put(bench, stroke_message(n), unit(n))
    async with bench.publishing(mosquitto.port) as publisher:
        await until(lambda: "24 messages are set aside" in publisher.state.reason)
    assert numbers(subscriber) == list(range(1, 25))
    assert bench.store.aside() is not None and bench.store.outbox_size() == 0


async def test_a_bench_that_may_publish_nothing_sets_nothing_aside(
    mosquitto: Mosquitto, bench: Bench, tmp_path: Path
) -> None:
    """As with a wrong user name: then it is not the message that is wrong."""
    rules = Rules(mosquitto, tmp_path)
    rules.write()
    mosquitto.send_signal(signal.SIGHUP)
    await put(bench, stroke_message(1), unit())
    for settings in ({}, {"mqtt_version": "3.1.1"}):
        async with bench.publishing(mosquitto.port, **settings) as publisher:
            downs = len(bench.states)
            await until(lambda downs=downs: sum(one.link == "down" for one in bench.states[downs:]) > 3)
            assert settings or "Not authorized" in publisher.state.reason
            assert "what the broker lets this bench do under its user name" in publisher.state.reason
        assert bench.store.outbox_size() == 2 and bench.store.aside() is None


async def test_a_broker_that_is_killed_again_and_again_refuses_nothing(
    mosquitto: Mosquitto, peer: MakePeer, bench: Bench
) -> None:
    subscriber = peer(mosquitto.port)
    await bench.put(*range(1, 1001))
    async with bench.publishing(mosquitto.port, mqtt_version="3.1.1", keep_acknowledged_s=2) as publisher:
        for seen in (20, 100, 200, 300):
            await until(lambda seen=seen: len(numbers(subscriber)) > seen)
            mosquitto.stop()
            mosquitto.start()
        await until(lambda: len(numbers(subscriber)) == 1000)
        assert publisher.state.reason == ""
    assert bench.store.aside() is None
    assert numbers(subscriber) == list(range(1, 1001))


def test_what_is_sent_again_does_not_replace_what_is_newer(tmp_path: Path) -> None:
    """A retained word on the unit that comes late must not stand on the board in place of a newer one."""
    with closing(Store.open(tmp_path / "record.sqlite")) as store:
        store.put_outbox([unit(1), unit(2), stroke_message(1)], at=AT)
        store.set_aside({1: "Not authorized"})
        assert [row.row for row in store.outbox_after(0, 9)] == [2, 3]
        store.drop_outbox([2])  # the broker took the newer one
        assert store.send_again() == 1
        assert [(row.row, row.message.retain) for row in store.outbox_after(0, 9)] == [(3, False), (4, False)]
        store.put_outbox([unit(3), unit(4)], at=AT)
        store.set_aside({5: "no", 6: "no"})
        store.send_again()  # of several the newest is the topic's, if none newer waits
        assert [row.message.retain for row in store.outbox_after(4, 9)] == [False, True]


def test_an_older_one_that_was_taken_leaves_the_refused_one_the_newest(tmp_path: Path) -> None:
    with closing(Store.open(tmp_path / "record.sqlite")) as store:
        store.put_outbox([unit(1), unit(2)], at=AT)
        store.set_aside({2: "no"})
        store.drop_outbox([1])
        store.send_again()
        assert [row.message.retain for row in store.outbox_after(0, 9)] == [True]


def test_the_command_sends_again_what_outlived_a_restart(tmp_path: Path) -> None:
    with closing(Store.open(tmp_path / "record.sqlite")) as store:
        store.put_outbox([unit(1), stroke_message(1)], at=AT)
        store.set_aside({1: "Not authorized"})
    command = ["record", "send-again", "--data-dir", str(tmp_path)]
    done = CliRunner().invoke(app, command)
    assert done.exit_code == 0, done.output
    assert "1 message will be sent again" in done.output
    assert f"strokelog/v1/{topic_level(BENCH)}/unit: Not authorized" in done.output.replace("\n", " ")
    with closing(Store.open(tmp_path / "record.sqlite")) as store:
        assert [row.message.topic for row in store.outbox_after(0, 9)][-1] == unit_topic(BENCH)
    assert "No message is set aside." in CliRunner().invoke(app, command).output


def test_a_suspect_is_cleared_by_what_arrives_behind_it() -> None:
    refusals = Refusals()
    refusals.suspect([4, 5])
    assert refusals.is_suspect(4, "a") and refusals.is_suspect(5, "a") and not refusals.is_suspect(6, "a")
    refusals.taken(4, "a")
    assert not refusals.is_suspect(4, "a")
    for _ in range(3):
        assert refusals.due() == {}
        refusals.refused(5, "a")
    assert refusals.due() == {5: UNTOLD}
    refusals.set_aside([5])
    refusals.refused(9, "a", "Not authorized")
    assert refusals.due() == {9: "Not authorized"}  # the same topic again
    refusals.set_aside([9])
    refusals.taken(10, "a")  # its rules were put right
    refusals.refused(11, "a", "Not authorized")
    assert refusals.due() == {}
