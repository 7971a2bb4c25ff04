"""The page at a bench: a process of its own that shows every browser what the bench shows, each a face like any other.
Photos come in here too: their bytes lie in the data folder until the bench has taken them, one at a time.

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
from dataclasses import dataclass
from hmac import compare_digest
from importlib.resources import files
from pathlib import Path
from socket import socket
from typing import Any, Final

from aiohttp import web
from pydantic import ValidationError

from capture.dashboard.page_form import page_form
from capture.dashboard.signals import SIGNALS, signal_between, spoken
from capture.dashboard.view import BenchView
from capture.job.photo_files import COMING, LARGEST_PHOTO
from capture.plumbing.plaintext import clean
from capture.plumbing.web_pages import POLICY, guard, is_loopback, static
from capture.session.faces.messages import (
    LONGEST_FROM_BENCH,
    Asks,
    FaceStanding,
    Hello,
    Keyed,
    PhotoSent,
    from_bench,
)
from capture.session.faces.seen import seen

_PAGES: Final = {
    "/": ("bench.html", "text/html"),
    "/bench.css": ("bench.css", "text/css"),
    "/bench.js": ("bench.js", "text/javascript"),
    "/icon.svg": ("icon.svg", "image/svg+xml"),
}
_MOST_KEYS: Final = 700
_WRONG_TOKEN_S: Final = 1.0
#: A photo over a poor wireless link is in by then; and so many at once are as much memory as they may take.
_PHOTO_S: Final = 60.0
_MOST_PHOTOS: Final = 2
#: The bench takes a photo at once, unless its disk is slow.
_TAKEN_S: Final = 15.0
_LOOK_S: Final = 0.05
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


@dataclass(slots=True)
class _BrowserFace:
    """A browser that looks."""

    writer: asyncio.StreamWriter
    has_keys: bool = False


class BenchPage:
    """The web application. `reach` connects to the bench's process as a new face; photos lie in `folder` while they
    come."""

    def __init__(
        self, reach: Callable[[], socket | None], token: str, folder: Path, hosts: frozenset[str] | None
    ) -> None:
        self._reach, self._token, self._coming = reach, token, folder / COMING
        self._faces: dict[str, _BrowserFace] = {}
        self._photos = asyncio.Semaphore(_MOST_PHOTOS)
        self._one_photo = asyncio.Lock()
        self.application = web.Application(
            middlewares=[guard(hosts, "This page answers only to the address it listens on.")], client_max_size=32_768
        )
        pages = files("capture.session.faces") / "pages"
        for path, (name, kind) in _PAGES.items():
            self.application.router.add_get(path, static((pages / name).read_bytes(), kind))
        self.application.router.add_get("/events", self._events)
        self.application.router.add_post("/press", self._press)
        self.application.router.add_post("/photo", self._photo)

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
            seat = self._faces[face] = _BrowserFace(writer)
            await response.write(_event("face", {"face": face, "token": not self._is_here(request)}))
            before: BenchView | None = None
            while line := await reader.readline():
                said = from_bench().validate_json(line)
                if said.ended is not None:
                    break
                if said.showing is not None and said.place is not None:
                    seat.has_keys = said.place.has_keys
                    if seat.has_keys and before is not None and (told := _signal(before, said.showing.view)):
                        await response.write(_event("signal", told))
                    before = said.showing.view
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

    async def _may_act(self, request: web.Request, *kinds: str) -> None:
        """Refuse what is not said by this bench's own page, on this machine or with the token. What is none of `kinds`
        a form of any other site could send."""
        origin = request.headers.get("Origin", "")
        if request.content_type not in kinds or origin.split("://")[-1] not in ("", request.host):
            raise web.HTTPForbidden(text="Only this bench's own page acts here.\n")
        if not self._is_here(request):
            said = request.headers.get("Authorization", "").removeprefix("Bearer ")
            if not compare_digest(said.encode(), self._token.encode()):
                await asyncio.sleep(_WRONG_TOKEN_S)
                raise web.HTTPUnauthorized(text="This needs the bench's token.\n")

    async def _photo(self, request: web.Request) -> web.Response:
        await self._may_act(request, "image/jpeg", "image/png")
        try:
            seat = self._faces[request.query["face"]]
            sent = PhotoSent(
                name=request.query.get("name", "")[-200:],
                by=request.query["by"].strip(),
                pack=request.query.get("pack") or None,
            )
        except (KeyError, ValidationError) as error:
            raise web.HTTPBadRequest(text="A photo is sent by this page, with a name.\n") from error
        if not seat.has_keys:
            raise web.HTTPConflict(text="Whoever has the keys sends photos: ask for them first.\n")
        if self._photos.locked():
            raise web.HTTPServiceUnavailable(text="Other photos are coming in: send this one again.\n")
        async with self._photos:
            data = await self._bytes(request)
            async with self._one_photo:
                await asyncio.to_thread(self._put, data)
                seat.writer.write(sent.model_dump_json().encode() + b"\n")
                taken = await self._taken()
                await asyncio.to_thread(self._coming.unlink, missing_ok=True)
        if not taken:
            raise web.HTTPServiceUnavailable(text="The bench did not take the photo: send it again.\n")
        return web.Response(status=204)

    async def _taken(self) -> bool:
        """Say whether the bench takes what lies there: it takes it away."""
        for _ in range(round(_TAKEN_S / _LOOK_S)):
            if not await asyncio.to_thread(self._coming.exists):
                return True
            await asyncio.sleep(_LOOK_S)
        return False

    @staticmethod
    async def _bytes(request: web.Request) -> bytes:
        """Return the bytes of a photo that comes, which are not too many, nor too slow."""
        data = bytearray()
        try:
            async with asyncio.timeout(_PHOTO_S):
                async for part in request.content.iter_any():
                    data += part
                    if len(data) > LARGEST_PHOTO:
                        most = LARGEST_PHOTO // 1_000_000
                        raise web.HTTPRequestEntityTooLarge(
                            LARGEST_PHOTO, len(data), text=f"A photo has at most {most} MB: take a smaller one.\n"
                        )
        except TimeoutError as error:
            raise web.HTTPRequestTimeout(text="The photo came too slowly: send it again.\n") from error
        return bytes(data)

    def _put(self, data: bytes) -> None:
        flags = os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_NOFOLLOW
        with os.fdopen(os.open(self._coming, flags, 0o600), "wb") as file:
            file.write(data)

    async def _press(self, request: web.Request) -> web.Response:
        await self._may_act(request, "application/json")
        try:
            asked: Any = await request.json()
            writer = self._faces[str(asked["face"])].writer
            keys = [Keyed(type="key", text=str(key)) for key in list(asked.get("keys", []))[:_MOST_KEYS]]
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            raise web.HTTPBadRequest(text="That is nothing this page says.\n") from error
        messages: list[Keyed | Asks] = [Asks()] if asked.get("asks") else [*keys]
        writer.write(b"".join(one.model_dump_json().encode() + b"\n" for one in messages))
        return web.Response(status=204)


def _place(place: FaceStanding) -> dict[str, Any]:
    return {"has_keys": place.has_keys, "holder": place.holder, "asks": place.asks}


def _signal(before: BenchView, now: BenchView) -> dict[str, Any] | None:
    """What whoever has the keys must notice, wherever their eyes are: how it is called, what it came to, its tones."""
    signal = signal_between(before, now)
    if signal is None:
        return None
    return {"name": signal, "says": clean(spoken(signal, now)), "tones": SIGNALS[signal].tones}


def _event(name: str, content: dict[str, Any]) -> bytes:
    # JSON has no raw line ends inside, so the data is one line of the stream.
    return f"event: {name}\ndata: {json.dumps(content, ensure_ascii=False)}\n\n".encode()


def serve_page(listener: socket, reach: Callable[[], socket | None], token: str, folder: Path, alive: socket) -> int:
    """Serve the page on a listening socket for as long as the other end of `alive` is open."""

    async def serve() -> None:
        loop, over = asyncio.get_running_loop(), asyncio.Event()
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            loop.add_signal_handler(number, over.set)
        loop.add_reader(alive, over.set)
        host = str(listener.getsockname()[0])
        own = frozenset({host.lower(), "localhost", "127.0.0.1", "::1"}) if is_loopback(host) else None
        page = BenchPage(reach, token, folder, own)
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
