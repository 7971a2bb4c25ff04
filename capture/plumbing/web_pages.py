"""What every page served here keeps: where it listens, who may call it by which name, and that it asks nobody else."""

from __future__ import annotations

import ipaddress
from typing import Any, Final

from aiohttp import web

POLICY: Final = {
    "Content-Security-Policy": (
        "default-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'self'; object-src 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}


def listen_address(text: str) -> tuple[str, int]:
    """Return host and port of 'host:port' or '[::1]:port'; raises ValueError."""
    host, colon, port = text.rpartition(":")
    host = host.removeprefix("[").removesuffix("]")
    if not colon or not host or not port.isascii() or not port.isdigit() or not 0 <= int(port) <= 65_535:
        raise ValueError(f"{text!r}: expected address:port, such as 127.0.0.1:8700 or [::1]:8700")
    return host, int(port)


def is_loopback(host: str) -> bool:
    """Say whether an address is this machine's own, which no other reaches."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def guard(hosts: frozenset[str] | None, refusal: str) -> Any:
    """Return what stands before every answer: `hosts` are the names a browser may call this server by, without the
    port; None allows any.

    On loopback they are checked, or a page of any other site could read this one by pointing its own name here.
    """

    @web.middleware
    async def guarded(request: web.Request, handler: Any) -> web.StreamResponse:
        host = request.host.rsplit(":", 1)[0] if not request.host.endswith("]") else request.host
        if hosts is not None and host.strip("[]").lower() not in hosts:
            raise web.HTTPForbidden(text=f"{refusal}\n")
        try:
            response: web.StreamResponse = await handler(request)
        except web.HTTPException as error:
            error.headers.update(POLICY)
            raise
        if not response.prepared:
            for name, told in POLICY.items():
                response.headers.setdefault(name, told)  # a page that carries its own style says so
        return response

    return guarded


def static(content: bytes, kind: str) -> Any:
    """Return a handler that answers with `content`."""

    async def answer(request: web.Request) -> web.Response:
        return web.Response(body=content, content_type=kind, charset="utf-8")

    return answer
