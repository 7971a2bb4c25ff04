"""A board in front of people or a pipe: the floor, its subscription, and the screen with its keys, or lines instead."""

from __future__ import annotations

import asyncio
import contextlib
import json
import signal
import sys
from collections.abc import Awaitable, Callable
from datetime import datetime
from typing import Any, Final

from rich.console import RenderableType

from capture.board.bench_row import BenchRow
from capture.board.floor import Floor
from capture.board.subscriber import BoardSubscriber
from capture.board.terminal import ChosenView, render
from capture.board.words import broker_words, plain_row, row_json
from capture.mqtt.link_state import LinkState
from capture.mqtt.settings import BrokerSettings
from capture.plumbing.outward import say
from capture.plumbing.plaintext import clean
from capture.plumbing.terminal.keys import Keys
from capture.plumbing.terminal.screen import Screen

__all__ = ["local_now", "run_lines", "run_terminal", "watch"]

#: Runs over a floor, and is given what publishes topic and payload.
Alerting = Callable[[Floor, Callable[[str, bytes], None]], Awaitable[None]]

#: A board is looked at, not raced: so often it is drawn at most, whatever arrives.
DRAW_S: Final = 0.4
TICK_S: Final = 1.0


def local_now() -> datetime:
    """The time in this machine's zone, which is the one "today" is meant in."""
    return datetime.now().astimezone()


async def watch(
    settings: BrokerSettings,
    floor: Floor,
    changed: Callable[[], None],
    beside: Callable[[], Awaitable[None]],
    outgoing: asyncio.Queue[tuple[str, bytes]] | None = None,
) -> None:
    """Feed `floor`, calling `changed` after everything that came, until `beside` returns or a signal asks to end.

    What is put into `outgoing`, topic and payload, is published.
    """

    def take(topic: str, payload: bytes, retained: bool) -> None:
        floor.feed(topic, payload, retained, local_now())
        changed()

    def link(state: LinkState, reason: str) -> None:
        floor.link(state, reason, local_now())
        changed()

    loop = asyncio.get_running_loop()
    leave = asyncio.Event()
    numbers = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)
    for number in numbers:
        loop.add_signal_handler(number, leave.set)
    tasks = [
        asyncio.ensure_future(BoardSubscriber(settings, take, link, outgoing).run()),
        asyncio.ensure_future(beside()),
        asyncio.ensure_future(leave.wait()),
    ]
    try:
        done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        for task in done:
            task.result()
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        for number in numbers:
            loop.remove_signal_handler(number)


class _Board:
    """The live screen and what its keys do."""

    def __init__(self, floor: Floor) -> None:
        self.floor = floor
        self.choice = ChosenView()
        self.screen = Screen(self._draw, interval_s=DRAW_S)

    def _draw(self, width: int, height: int, ascii_only: bool) -> RenderableType:
        return render(self.floor, self.choice, local_now(), width, height, ascii_only=ascii_only)

    async def keys(self, keys: Keys) -> None:
        """Act on keys until one ends the board."""
        async for key in keys:
            if not self._key(key):
                return
            self.screen.paint()  # a person pressed it: show what it did at once
        await asyncio.Event().wait()  # the keyboard is gone; a wall needs none

    def _key(self, key: str) -> bool:
        choice = self.choice
        if choice.typing:
            self._typed(key)
        elif key == "q":
            return False
        elif key == "s":
            choice.next_order()
        elif key == "n":
            choice.needing, choice.page = not choice.needing, 0
        elif key == "/":
            choice.typing, choice.text, choice.page = True, "", 0
        elif key == "escape":
            choice.text, choice.needing, choice.page = "", False, 0
        elif key in ("page-down", "down", "right", " "):
            choice.page = min(choice.page + 1, choice.pages - 1)
        elif key in ("page-up", "up", "left", "backspace"):
            choice.page = max(0, choice.page - 1)
        elif key in ("home", "end"):
            choice.page = 0 if key == "home" else choice.pages - 1
        return True

    def _typed(self, key: str) -> None:
        choice = self.choice
        if key in ("enter", "escape"):
            choice.typing = False
            choice.text = choice.text if key == "enter" else ""
        elif key in ("backspace", "delete"):
            choice.text = choice.text[:-1]
        elif len(key) == 1 and len(choice.text) < 60:
            choice.text += key
        choice.page = 0

    async def tick(self) -> None:
        """Ages grow without a message."""
        while True:
            await asyncio.sleep(TICK_S)
            self.screen.changed()


async def run_terminal(settings: BrokerSettings) -> None:
    """Show the board on the terminal until `q`, or until a signal asks to end."""
    board = _Board(Floor(local_now()))
    with board.screen, Keys() as keys:
        painting = [asyncio.create_task(board.screen.run()), asyncio.create_task(board.tick())]
        try:
            await watch(settings, board.floor, board.screen.changed, lambda: board.keys(keys))
        finally:
            for task in painting:
                task.cancel()
            await asyncio.gather(*painting, return_exceptions=True)


class _Lines:
    """What changed, as one line each."""

    def __init__(self, floor: Floor, as_json: bool) -> None:
        self._floor, self._json = floor, as_json
        self._rows: dict[str, BenchRow] = {}
        self._broker: tuple[LinkState, str] | None = None
        self._warnings: dict[str, str] = {}

    def write(self) -> None:
        """Write a line for every bench, for the broker and for every warning that differs from what was written."""
        now = local_now()
        broker = self._floor.broker
        if (broker.link, broker.reason) != self._broker:
            self._broker = broker.link, broker.reason
            words = "broker up" if broker.link == "up" else broker_words(self._floor)
            self._line({"change": "broker", "link": broker.link, "reason": broker.reason}, words)
        rows = {row.key: row for row in self._floor.rows(now)}
        for key, row in rows.items():
            if row != self._rows.get(key):
                self._line({"change": "bench", **row_json(row)}, plain_row(row, now))
        for key in self._rows.keys() - rows.keys():
            gone = self._rows[key]
            self._line({"change": "gone", "key": key, "bench": gone.bench}, f"{gone.bench}: taken off the board")
        self._rows = rows
        for warning in self._floor.warnings():
            if self._warnings.get(warning.code) != warning.text:
                self._warnings[warning.code] = warning.text
                told = {"change": "warning", "code": warning.code, "text": warning.text}
                self._line(told, f"warning: {warning.text}")
        sys.stdout.flush()

    def _line(self, content: dict[str, Any], words: str) -> None:
        if self._json:
            at = local_now().isoformat(timespec="milliseconds")
            say(json.dumps({"at": at, **content}, ensure_ascii=False))
        else:
            say(f"{local_now():%H:%M:%S} {clean(words)}")


async def run_lines(
    settings: BrokerSettings,
    *,
    as_json: bool,
    beside: Callable[[Floor], Awaitable[None]] | None = None,
    alerts: Alerting | None = None,
) -> None:
    """Write a line for every change until a signal asks to end, with `beside` and `alerts` running on the same floor.

    Changes of one bench within half a second are one line: who reads lines wants the state, and each message is in
    the broker's own stream.
    """
    floor = Floor(local_now())
    lines = _Lines(floor, as_json)
    dirty = asyncio.Event()
    outgoing: asyncio.Queue[tuple[str, bytes]] = asyncio.Queue()

    async def writing() -> None:
        while True:
            lines.write()
            dirty.clear()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(TICK_S):
                    await dirty.wait()
            await asyncio.sleep(DRAW_S)

    async def both() -> None:
        async with asyncio.TaskGroup() as group:
            group.create_task(writing())
            if beside is not None:
                group.create_task(_awaited(beside(floor)))
            if alerts is not None:
                group.create_task(_awaited(alerts(floor, lambda topic, payload: outgoing.put_nowait((topic, payload)))))

    try:
        await watch(settings, floor, dirty.set, both, outgoing)
    except ExceptionGroup as group:  # the first says what ended the others
        raise group.exceptions[0] from None


async def _awaited(what: Awaitable[None]) -> None:
    await what
