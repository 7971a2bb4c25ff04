"""The order of the benches on a board and which of them are shown. Pure."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from datetime import UTC, datetime
from typing import Any, Final

from capture.board.bench_row import BenchRow
from capture.board.needs import rank

_FIGURES = re.compile(r"(\d+)")
_NEVER: Final = datetime.min.replace(tzinfo=UTC)
_VERDICTS: Final = {"loose": 0, "tight": 1, "inconclusive": 2, "good": 3}


def _by_name(row: BenchRow) -> tuple[Any, ...]:
    """Return a name in the order people count: bay 9 before bay 10."""
    parts = _FIGURES.split(row.bench.casefold())
    return tuple((1, int(part), "") if part.isdecimal() else (0, 0, part) for part in parts)


#: Ways to sort, by name: each gives the key of a bench; the bench's name settles what is equal.
ORDERS: Final[dict[str, Callable[[BenchRow], Any]]] = {
    "need": lambda row: rank(row.needs),
    "bench": lambda row: 0,
    "oldest stroke": lambda row: row.last_stroke_at or _NEVER,
    "verdict": lambda row: _VERDICTS.get(row.verdict or "", len(_VERDICTS)),
    "technician": lambda row: row.technician.casefold(),
}


def arrange(rows: Iterable[BenchRow], order: str = "need", *, needing: bool = False, text: str = "") -> list[BenchRow]:
    """Return the benches that match, sorted. `text` is looked for in bench, unit, pack and technician."""
    wanted = text.casefold()
    kept = [
        row
        for row in rows
        if (row.needs or not needing)
        and (
            not wanted
            or any(wanted in part.casefold() for part in (row.bench, row.unit_serial, row.pack, row.technician))
        )
    ]
    key = ORDERS[order]
    return sorted(kept, key=lambda row: (key(row), _by_name(row)))
