"""The page at a bench: a process of its own that shows every browser what the bench shows, each a face like any other.

A browser that shows needs no login. One that acts is on this machine, or says the token of the bench's file; no page
lets the air come, whatever it says: faces of this kind may not arm.
"""

from __future__ import annotations

import asyncio
import json
import os
import secrets
import signal
import stat
from collections.abc import Callable
from contextlib import suppress
from hmac import compare_digest
from importlib.resources import files
from pathlib import Path
from socket import socket
from typing import Any, Final

from aiohttp import web

from capture.dashboard.page_form import page_form
from capture.plumbing.web_pages import POLICY, guard, is_loopback, static
from capture.session.faces.messages import LONGEST_FROM_BENCH, Asks, FaceStanding, Hello, Keyed, from_bench
from capture.session.faces.seen import seen

_PAGES: Final = {
    "/": ("bench.html", "text/html"),
    "/bench.css": ("bench.css", "text/css"),
    "/bench.js": ("bench.js", "text/javascript"),
    "/icon.svg": ("icon.svg", "image/svg+xml"),
}
_MOST_KEYS: Final = 700
_WRONG_TOKEN_S: Final = 1.0
#: What a proxy adds when it hands on a request: whoever asks is then not on this machine, wherever the proxy is.
_HANDED_ON: Final = ("Forwarded", "X-Forwarded-For", "X-Real-IP", "Via")


def token_in(path: Path) -> str:
    """Return the token in a file that only this user can read, made with its first use. Raises OSError."""
    try:
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW, 0o600)
    except FileExistsError:
        if stat.S_IMODE(path.stat().st_mode) & 0o077:
            raise PermissionError(
                1, "others can read it; make its mode 0600, or remove it for a new one", str(path)
            ) from None
        return path.read_text().strip()
    with os.fdopen(descriptor, "w") as file:
        file.write(f"{(token := secrets.token_urlsafe(24))}\n")
    return token


class BenchPage:
    """The web application. `reach` connects to the bench's process as a new face."""

    def __init__(self, reach: Callable[[], socket | None], token: str, hosts: frozenset[str] | None) -> None:
        self._reach, self._token = reach, token
        self._faces: dict[str, asyncio.StreamWriter] = {}
        self.application = web.Application(
            middlewares=[guard(hosts, "This page answers only to the address it listens on.")], client_max_size=32_768
        )
        folder = files("capture.session.faces") / "pages"
        for path, (name, kind) in _PAGES.items():
            self.application.router.add_get(path, static((folder / name).read_bytes(), kind))
        self.application.router.add_get("/events", self._events)
        self.application.router.add_post("/press", self._press)

    async def _events(self, request: web.Request) -> web.StreamResponse:
        link = self._reach()
        if link is None:
            raise web.HTTPServiceUnavailable(text="Nothing measures at this bench now.\n")
        reader, writer = await asyncio.open_unix_connection(sock=link, limit=LONGEST_FROM_BENCH)
        face = secrets.token_urlsafe(12)
        try:
            hello = Hello(who=f"a page at {request.remote or 'somewhere'}", wants_keys=False, may_arm=False)
            writer.write(hello.model_dump_json().encode() + b"\n")
            response = web.StreamResponse(headers={**POLICY, "Content-Type": "text/event-stream; charset=utf-8"})
            await response.prepare(request)
            self._faces[face] = writer
            await response.write(_event("face", {"face": face, "token": not self._is_here(request)}))
            while line := await reader.readline():
                said = from_bench().validate_json(line)
                if said.ended is not None:
                    break
                if said.showing is not None and said.place is not None:
                    shown = page_form(seen(said.showing, said.place, 0))
                    await response.write(_event("bench", {**shown, "place": _place(said.place)}))
            await response.write(_event("ended", {}))
        except (OSError, ValueError):
            pass  # the browser left, or was too slow and the bench let it go: it comes back by itself
        finally:
            self._faces.pop(face, None)
            writer.transport.abort()
        return response

    @staticmethod
    def _is_here(request: web.Request) -> bool:
        """Say whether whoever asks is on this machine."""
        return is_loopback(request.remote or "") and not any(name in request.headers for name in _HANDED_ON)

    async def _press(self, request: web.Request) -> web.Response:
        origin = request.headers.get("Origin", "")
        if request.content_type != "application/json" or origin.split("://")[-1] not in ("", request.host):
            raise web.HTTPForbidden(text="Only this bench's own page presses keys.\n")
        if not self._is_here(request):
            said = request.headers.get("Authorization", "").removeprefix("Bearer ")
            if not compare_digest(said.encode(), self._token.encode()):
                await asyncio.sleep(_WRONG_TOKEN_S)
                raise web.HTTPUnauthorized(text="This needs the bench's token.\n")
        try:
            asked: Any = await request.json()
            writer = self._faces[str(asked["face"])]
            keys = [Keyed(type="key", text=str(key)) for key in list(asked.get("keys", []))[:_MOST_KEYS]]
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            raise web.HTTPBadRequest(text="That is nothing this page says.\n") from error
        messages: list[Keyed | Asks] = [Asks()] if asked.get("asks") else [*keys]
        writer.write(b"".join(one.model_dump_json().encode() + b"\n" for one in messages))
        return web.Response(status=204)


def _place(place: FaceStanding) -> dict[str, Any]:
    return {"has_keys": place.has_keys, "holder": place.holder, "asks": place.asks}


def _event(name: str, content: dict[str, Any]) -> bytes:
    # JSON has no raw line ends inside, so the data is one line of the stream.
    return f"event: {name}\ndata: {json.dumps(content, ensure_ascii=False)}\n\n".encode()


def serve_page(listener: socket, reach: Callable[[], socket | None], token: str, alive: socket) -> int:
    """Serve the page on a listening socket for as long as the other end of `alive` is open."""

    async def serve() -> None:
        loop, over = asyncio.get_running_loop(), asyncio.Event()
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            loop.add_signal_handler(number, over.set)
        loop.add_reader(alive, over.set)
        host = str(listener.getsockname()[0])
        own = frozenset({host.lower(), "localhost", "127.0.0.1", "::1"}) if is_loopback(host) else None
        page = BenchPage(reach, token, own)
        runner = web.AppRunner(page.application, access_log=None, shutdown_timeout=1.0)
        await runner.setup()
        with suppress(asyncio.CancelledError):
            try:
                await web.SockSite(runner, listener).start()
                await over.wait()
            finally:
                await runner.cleanup()

    asyncio.run(serve())
    return 0
