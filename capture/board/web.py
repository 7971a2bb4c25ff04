"""The board as a web page: three static files and one stream of server-sent events. Read only, and no login.

The page asks no other host for anything, and its content policy forbids it to. The stream's first event holds every
bench; the next ones hold what changed, at most twice a second, worked out once for all who look. A reader too slow to
keep up is let go; its browser comes back by itself and gets everything again (HTML Living Standard, 9.2).
"""

from __future__ import annotations

import asyncio
import json
import math
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from importlib.resources import files
from time import monotonic
from typing import Any, Final

from aiohttp import web

from capture.board.bench_row import BenchRow
from capture.board.floor import Floor
from capture.board.run import Alerting, local_now, run_lines
from capture.board.words import broker_words, row_json, share
from capture.mqtt.settings import BrokerSettings
from capture.plumbing.outward import warn
from capture.plumbing.web_pages import POLICY, guard, is_loopback, static

_EVERY_S: Final = 0.5
_HEARTBEAT_S: Final = 5.0
"""The page says that its data is old when it has heard nothing for three of these."""
_MOST_READERS: Final = 100
_BEHIND: Final = 20
"""Events that may wait for a reader: ten seconds of a busy shop."""

#: The second page carries its style and its letters in it, and nothing else may load.
_SECOND_POLICY: Final = (
    "default-src 'none'; style-src 'unsafe-inline'; font-src data:; img-src data:; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'self'"
)
_SECOND_HOLDS_S: Final = 60.0
_PAGES: Final = {
    "/": ("board.html", "text/html"),
    "/board.css": ("board.css", "text/css"),
    "/board.js": ("board.js", "text/javascript"),
    "/icon.svg": ("icon.svg", "image/svg+xml"),
}


@dataclass(frozen=True, slots=True)
class _Reader:
    """Who has an event stream open."""

    address: str
    transport: asyncio.Transport | None


class Pages:
    """The web application over one floor."""

    def __init__(
        self, floor: Floor, allowed_hosts: frozenset[str] | None, second: Callable[[], str] | None = None
    ) -> None:
        """`allowed_hosts` are the names a browser may call this server by, without the port; None allows any.

        On loopback they are checked, or a page of any other site could read the board by pointing its own name here.
        `second` makes the second page, which takes its time, as HTML; None for none.
        """
        self._floor = floor
        self._readers: dict[asyncio.Queue[bytes | None], _Reader] = {}
        self._rows: dict[str, BenchRow] = {}
        self._about: dict[str, Any] = {}
        self.application = web.Application(
            middlewares=[guard(allowed_hosts, "This board answers only to the address it listens on.")]
        )
        folder = files("capture.board") / "pages"
        self._second, self._second_made, self._second_at = second, "", -math.inf
        self._making = asyncio.Lock()
        for path, (name, kind) in _PAGES.items():
            content = (folder / name).read_bytes()
            if second is not None:
                content = content.replace(b' id="second" hidden', b' id="second"')
            self.application.router.add_get(path, static(content, kind))
        if second is not None:
            self.application.router.add_get("/shop", self._shop)
        self.application.router.add_get("/events", self._events)

    # -- what is sent ------------------------------------------------------------------------------------

    def _about_now(self, now: datetime) -> dict[str, Any]:
        today = self._floor.today(now)
        return {
            "link": self._floor.broker.link,
            "broker": broker_words(self._floor),
            "broker_since": round(self._floor.broker.since.timestamp() * 1000),
            "yield": share(today.yield_share),
            "recheck": share(today.recheck_share),
            "packs": today.packs,
            "since": f"{self._floor.seen_since(now):%H:%M}",
            "warnings": [warning.text for warning in self._floor.warnings()],
        }

    def _all(self) -> bytes:
        now = local_now()
        rows = [row_json(row) for row in self._floor.rows(now)]
        return _event("floor", {"now": _ms(now), "about": self._about_now(now), "rows": rows})

    def _changes(self) -> bytes | None:
        """Return what differs from the last time, None for nothing."""
        now = local_now()
        rows = {row.key: row for row in self._floor.rows(now)}
        changed = [row_json(row) for key, row in rows.items() if row != self._rows.get(key)]
        gone = [key for key in self._rows if key not in rows]
        about = self._about_now(now)
        nothing = not changed and not gone and about == self._about
        self._rows, self._about = rows, about
        if nothing:
            return None
        return _event("changes", {"now": _ms(now), "about": about, "rows": changed, "gone": gone})

    async def tell(self) -> None:
        """Send every reader what changed, and a sign of life, until cancelled."""
        quiet_s = 0.0
        while True:
            await asyncio.sleep(_EVERY_S)
            if not self._readers:
                continue
            event = self._changes()
            quiet_s = 0.0 if event else quiet_s + _EVERY_S
            if event is None:
                if quiet_s < _HEARTBEAT_S:
                    continue
                event, quiet_s = _event("alive", {"now": _ms(local_now())}), 0.0
            for queue in list(self._readers):
                if queue.qsize() >= _BEHIND:
                    self._let_go(queue)
                else:
                    queue.put_nowait(event)

    async def _shop(self, _request: web.Request) -> web.Response:
        """Answer with the second page, made anew once it is a minute old; made once, however many ask."""
        assert self._second is not None
        async with self._making:
            if monotonic() - self._second_at > _SECOND_HOLDS_S:
                self._second_made = await asyncio.to_thread(self._second)
                self._second_at = monotonic()
        policy = {"Content-Security-Policy": _SECOND_POLICY}
        return web.Response(text=self._second_made, content_type="text/html", headers=policy)

    async def _events(self, request: web.Request) -> web.StreamResponse:
        if len(self._readers) >= _MOST_READERS and not self._make_room():
            raise web.HTTPServiceUnavailable(text=f"{_MOST_READERS} pages are open on this board; close one.\n")
        response = web.StreamResponse(headers={**POLICY, "Content-Type": "text/event-stream; charset=utf-8"})
        await response.prepare(request)
        queue: asyncio.Queue[bytes | None] = asyncio.Queue()
        # Everything now, and every change from now on: nothing runs between the two lines.
        queue.put_nowait(self._all())
        self._readers[queue] = _Reader(request.remote or "", request.transport)
        try:
            while (event := await queue.get()) is not None:
                await response.write(event)
        except ConnectionError:
            pass  # the reader left
        finally:
            self._readers.pop(queue, None)
        return response

    def _let_go(self, queue: asyncio.Queue[bytes | None]) -> None:
        """End a reader's stream; it may not read, so its connection is not waited for."""
        reader = self._readers.pop(queue)
        queue.put_nowait(None)
        if reader.transport is not None:
            reader.transport.abort()

    def _make_room(self) -> bool:
        """Let go of the oldest stream of the address that has most, if one has more than one: whoever opens them all
        keeps nobody else from the board."""
        ((busiest, streams),) = Counter(reader.address for reader in self._readers.values()).most_common(1)
        if streams > 1:
            self._let_go(next(queue for queue, reader in self._readers.items() if reader.address == busiest))
        return streams > 1


def _ms(at: datetime) -> int:
    return round(at.timestamp() * 1000)


def _event(name: str, content: dict[str, Any]) -> bytes:
    # JSON has no raw line ends inside, so the data is one line of the stream.
    return f"event: {name}\ndata: {json.dumps(content, ensure_ascii=False)}\n\n".encode()


async def serve(
    settings: BrokerSettings,
    listen: tuple[str, int],
    *,
    as_json: bool,
    second: Callable[[], str] | None = None,
    alerts: Alerting | None = None,
) -> None:
    """Serve the board, with a second page if `second` makes one, until a signal asks to end; lines, alerts beside it.

    Raises ConnectionError if it cannot listen.
    """
    host, port = listen
    loopback = is_loopback(host)
    if not loopback:
        warn(
            f"caution: {host} is no loopback address: whoever reaches it sees the board, without a login and over "
            "plain http. Put a proxy with TLS and a login before it, or keep it to a network you trust."
        )

    async def pages(floor: Floor) -> None:
        allowed = frozenset({host.lower(), "localhost", "127.0.0.1", "::1"}) if loopback else None
        served = Pages(floor, allowed, second)
        runner = web.AppRunner(served.application, access_log=None, shutdown_timeout=1.0)
        await runner.setup()
        try:
            site = web.TCPSite(runner, host, port)
            try:
                await site.start()
            except OSError as error:
                raise ConnectionError(
                    f"cannot listen on {host} port {port}: {error.strerror}; another program may have it; "
                    "give another --listen"
                ) from error
            bound = runner.addresses[0][1]
            shown = f"[{host}]" if ":" in host else host
            warn(f"The board is at http://{shown}:{bound}/ (Ctrl-C ends it)")
            await served.tell()
        finally:
            await runner.cleanup()

    await run_lines(settings, as_json=as_json, beside=pages, alerts=alerts)
