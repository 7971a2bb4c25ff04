"""Needs that are told to whoever does not look at the board: which, when, and each at most once."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from aiohttp import web

from capture.board.alert_sender import AlertSender
from capture.board.alerts import Alert, AlertWatch
from capture.board.floor import Broker, Floor
from capture.board.needs import Need
from capture.board.subscriber import BoardSubscriber
from capture.config import Alerts
from capture.mqtt.settings import BrokerSettings
from capture.mqtt.topics import alert_topic
from tests.board.test_floor import NOW, feed, floor_of, only, resting
from tests.support.broker import Mosquitto, until

UP = Broker("up", "", NOW - timedelta(hours=1))
ROW = only(floor_of(resting("bay-2")))
OFFLINE = replace(ROW, needs=(Need("offline", "vanished"), Need("tight", "low waits")))


def after(minutes: float) -> datetime:
    return NOW + timedelta(minutes=minutes)


def watch() -> AlertWatch:
    return AlertWatch(("offline",), timedelta(minutes=1))


def test_a_need_is_told_once_after_it_has_stood_and_again_only_once_it_was_long_away() -> None:
    told = watch()
    assert told.look([OFFLINE], UP, NOW) == []
    (alert,) = told.look([OFFLINE], UP, after(1))
    assert (alert.bench, alert.kind, alert.words) == (ROW.bench, "offline", "vanished"), (
        "and not the pack that is tight"
    )
    assert told.look([OFFLINE], UP, after(60)) == []
    for minute in (61, 63, 65):  # away for less than five minutes: the same need
        assert told.look([ROW], UP, after(minute)) == []
    assert told.look([OFFLINE], UP, after(66)) == []
    for minute in (67, 72):
        assert told.look([ROW], UP, after(minute)) == []
    assert told.look([OFFLINE], UP, after(73)) == [], "it has to stand again"
    assert len(told.look([OFFLINE], UP, after(75))) == 1


def test_what_passes_within_the_minute_is_told_to_nobody() -> None:
    told = watch()
    for minute in range(0, 10, 2):
        assert told.look([OFFLINE], UP, after(minute)) == []
        assert told.look([ROW], UP, after(minute + 0.5)) == []


def test_a_board_without_a_broker_tells_that_alone_and_no_bench_twice_for_it() -> None:
    told = watch()
    told.look([OFFLINE], UP, NOW)
    assert len(told.look([OFFLINE], UP, after(1))) == 1
    lost = Broker("down", "connection refused", after(2))
    assert told.look([OFFLINE], lost, after(2)) == []
    (alert,) = told.look([OFFLINE], lost, after(4))
    assert (alert.bench, alert.kind, alert.words) == ("", "broker lost", "connection refused")
    back = Broker("up", "", after(60))
    assert told.look([ROW], back, after(60.1)) == [], "the benches need time to come back"
    assert told.look([OFFLINE], back, after(62)) == [], "it stood all the while"


def test_what_was_told_before_a_restart_is_not_told_again() -> None:
    first, second = watch(), watch()
    first.look([OFFLINE], UP, NOW)
    first.look([OFFLINE], UP, after(1))
    second.remember(first.told(), after(2))
    assert [second.look([OFFLINE], UP, after(minute)) for minute in (2, 4, 30)] == [[], [], []]


def test_a_kind_that_there_is_not_is_named_with_those_there_are() -> None:
    with pytest.raises(ValueError, match=r"'sad' is no kind of need; expected of: out of air, no readings"):
        AlertWatch(("sad",), timedelta(0))


class Hook:
    """Somebody's web hook, which answers what it is told to."""

    def __init__(self, *answers: int) -> None:
        self.answers, self.got, self.tokens = list(answers), list[dict[str, str]](), list[str]()
        self.url = ""

    async def take(self, request: web.Request) -> web.Response:
        self.got.append(await request.json())
        self.tokens.append(request.headers.get("Authorization", ""))
        return web.Response(status=self.answers.pop(0) if self.answers else 204)


@asynccontextmanager
async def listening(hook: Hook) -> AsyncIterator[Hook]:
    application = web.Application()
    application.router.add_post("/benches", hook.take)
    runner = web.AppRunner(application)
    await runner.setup()
    await web.TCPSite(runner, "127.0.0.1", 0).start()
    hook.url = f"http://127.0.0.1:{runner.addresses[0][1]}/benches"
    try:
        yield hook
    finally:
        await runner.cleanup()


class Day:
    """A floor with a bench that vanished, and a clock that a test moves."""

    def __init__(self) -> None:
        self.floor, self.now = Floor(NOW - timedelta(hours=1)), NOW
        self.floor.link("up", "", NOW - timedelta(minutes=59))
        feed(self.floor, resting("bay-2", state="offline", vanished=True))

    def clock(self) -> datetime:
        self.now += timedelta(seconds=30)
        return self.now


async def test_a_hook_is_told_each_need_once_whatever_it_answers_first_and_over_a_restart(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("capture.board.alert_sender._FIRST_PAUSE_S", 0.01)
    (tmp_path / "token").write_text("let-me-in\n")
    day, file = Day(), tmp_path / "state" / "alerts.json"
    async with listening(Hook(503, 429)) as hook:
        settings = Alerts(webhook=hook.url, token_file=tmp_path / "token")
        for _ in range(2):
            looked = day.now
            sender = AlertSender(settings, day.floor, file, lambda _topic, _payload: None, day.clock, 0.001)
            running = asyncio.create_task(sender.run())
            await until(lambda: len(hook.got) >= 3 and day.now > looked + timedelta(minutes=30))  # noqa: B023
            running.cancel()
            await asyncio.gather(running, return_exceptions=True)
    assert [one["kind"] for one in hook.got] == ["offline"] * 3 and len({one["id"] for one in hook.got}) == 1
    assert hook.got[0]["bench"] == "bay-2" and set(hook.tokens) == {"Bearer let-me-in"}
    assert json.loads(file.read_text()) == [["bay-2", "offline"]]


async def test_the_broker_is_told_at_a_topic_beside_the_benches_own(tmp_path: Path) -> None:
    broker = Mosquitto(tmp_path)
    broker.start()
    try:
        alert = Alert("1", "bay-2", "offline", "vanished", "FW3-0118", NOW)
        heard: list[tuple[str, bytes]] = []
        outgoing: asyncio.Queue[tuple[str, bytes]] = asyncio.Queue()
        outgoing.put_nowait((alert_topic(alert.bench), json.dumps(alert.form()).encode()))
        settings = BrokerSettings(url=f"mqtt://127.0.0.1:{broker.port}")
        command = f"stdbuf -oL mosquitto_sub -p {broker.port} -t strokelog-alerts/v1/# -C 1 -v -d"
        listener = await asyncio.create_subprocess_exec(*command.split(), stdout=asyncio.subprocess.PIPE)
        assert listener.stdout is not None
        while not (line := await listener.stdout.readline()).startswith(b"Subscribed"):
            assert line
        board = BoardSubscriber(settings, lambda topic, payload, _old: heard.append((topic, payload)), _quiet, outgoing)
        running = asyncio.create_task(board.run())
        rest = await asyncio.wait_for(listener.stdout.read(), 10)
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)
    finally:
        broker.stop()
    assert b'strokelog-alerts/v1/bay-2 {"type": "alert", "id": "1"' in rest and heard == []


def _quiet(_link: object, _why: str) -> None:
    pass
