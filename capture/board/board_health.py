"""How a board that serves its page is: whether it answers, what it says of its broker, and how many benches need a
person."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import datetime
from http.client import HTTPConnection, HTTPException
from typing import Any, Final

from capture.output.health_points import Health, HealthPoint, clock_point
from capture.plumbing.machine import clock_synchronised

_ANSWER_S: Final = 5.0
_LONGEST: Final = 16 << 20
_LINES: Final = 10


def board_health(address: tuple[str, int], now: datetime) -> Health:
    """Return how the board at host and port is."""
    host, port = address
    points = [*_live(host, port), clock_point(now, None, clock_synchronised())]
    return Health("board", f"{host}:{port}", now, points)


def _live(host: str, port: int) -> Iterator[HealthPoint]:
    try:
        told = _first_event(host, port)
        about, rows = told["about"], told["rows"]
        link, words, warnings = str(about["link"]), str(about["broker"]), [str(one) for one in about["warnings"]]
        in_need = sum(bool(row["needs"]) for row in rows)
    except (OSError, HTTPException, ValueError, KeyError, TypeError) as error:
        words = f"no board answers at {host}:{port}: {error or type(error).__name__}"
        yield HealthPoint("process", words, False, {"up": 0})
        return
    yield HealthPoint("process", "it answers", True, {"up": 1})
    yield HealthPoint("link", words or link, link == "up", {"up": int(link == "up")}, {"link": "broker"})
    says = "; ".join([f"{len(rows)} known, {in_need} need a person", *warnings])
    yield HealthPoint("benches", says, None, {"known": len(rows), "in_need": in_need})


def _first_event(host: str, port: int) -> dict[str, Any]:
    """Return what the board's stream begins with: every bench. Raises what is wrong with it."""
    connection = HTTPConnection(host, port, timeout=_ANSWER_S)
    try:
        connection.request("GET", "/events")
        answer = connection.getresponse()
        if answer.status != 200:
            raise ConnectionError(f"it answers {answer.status} {answer.reason}")
        for _ in range(_LINES):
            line = answer.readline(_LONGEST)
            if line.startswith(b"data: "):
                told: dict[str, Any] = json.loads(line.removeprefix(b"data: "))
                return told
        raise ValueError("what it says is no board's")
    finally:
        connection.close()
