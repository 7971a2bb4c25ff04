"""How the board says things: ages, travels, shares, what a bench is doing; and the shapes of needs and states."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from capture.board.bench_row import BenchRow
from capture.board.floor import Floor
from capture.board.needs import Kind, Need
from capture.board.yields import Today
from capture.output.words import LEAKS, LOOKS
from drivers.units import format_length


@dataclass(frozen=True, slots=True)
class BoardLook:
    """A shape of two cells, as drawn and in ASCII, and a rich style."""

    shape: str
    ascii_shape: str
    style: str


def _verdict(word: Any) -> BoardLook:
    look = LOOKS[word]
    return BoardLook(look.shape, look.ascii_shape, look.style)


#: A verdict keeps the shape it has on the bench, and so does a leak. Nothing is told by colour alone.
NEED_LOOKS: Final[dict[Kind, BoardLook]] = {
    "out of air": BoardLook("▲▲", "/\\", "bold red"),
    "no readings": BoardLook("××", "xx", "bold red"),
    "stuck": BoardLook("▐▌", "||", "bold red"),
    "inconclusive": _verdict("inconclusive"),
    "tight": _verdict("tight"),
    "loose": _verdict("loose"),
    "leaks": BoardLook(LEAKS.shape, LEAKS.ascii_shape, LEAKS.style),
    "asks": BoardLook("??", "??", "bold yellow"),
    "ready to sign": BoardLook("□□", "[]", "bold green"),
    "offline": BoardLook("○○", "oo", "bold"),
    "gauge out": BoardLook("◈◈", "G!", "bold yellow"),
    "record broken": BoardLook("≠≠", "!=", "bold red"),
    "clock off": BoardLook("◷◷", "@@", "yellow"),
    "not heard": BoardLook("◌◌", "()", "yellow"),
}

STATE_LOOKS: Final[dict[str, BoardLook]] = {
    "measuring": BoardLook("··", "..", "bold"),
    "online": BoardLook("--", "--", ""),
    "offline": BoardLook("○○", "oo", "dim"),
    "unknown": BoardLook("  ", "  ", "dim"),
}

_DOING: Final = {"measuring": "measuring", "online": "ready", "offline": "offline", "unknown": "not heard"}


def age(since: datetime | None, now: datetime) -> str:
    """Return how long ago something was, in one figure: '4 s', '12 min', '3 h', '2 d'; '-' where it is not known."""
    if since is None:
        return "-"
    seconds = max(0, int((now - since) / timedelta(seconds=1)))
    for limit, size, unit in ((60, 1, "s"), (3600, 60, "min"), (86_400, 3600, "h")):
        if seconds < limit:
            return f"{seconds // size} {unit}"
    return f"{min(seconds // 86_400, 999)} d"


def doing(row: BenchRow) -> str:
    """Return the verdict where there is one, else what the bench is doing."""
    if row.state == "offline":
        return "offline"
    return row.verdict or _DOING[row.state]


def look_of(row: BenchRow) -> BoardLook:
    """Return the shape of `doing(row)`."""
    return _verdict(row.verdict) if row.verdict and row.state != "offline" else STATE_LOOKS[row.state]


def travel(row: BenchRow) -> str:
    """Return the last travel with its unit, or a dash."""
    return "-" if row.last_travel_nm is None else format_length(row.last_travel_nm, row.display_unit)


def share(part: float | None) -> str:
    """Return a share as a whole percentage that claims neither all nor nothing wrongly; a dash for none."""
    if part is None:
        return "-"
    if 0 < part < 1:
        return f"{min(99, max(1, round(100 * part)))}%"
    return f"{part:.0%}"


def rates(today: Today, seen_since: datetime) -> tuple[str, str, str]:
    """Return yield, re-check rate, and what they are over."""
    packs = "pack" if today.packs == 1 else "packs"
    return (
        f"yield {share(today.yield_share)}",
        f"re-check {share(today.recheck_share)}",
        f"of {today.packs} {packs} since {seen_since:%H:%M}",
    )


def broker_words(floor: Floor) -> str:
    """Return what is wrong with the board's own link, without since when; empty while it is up."""
    broker = floor.broker
    if broker.link == "up":
        return ""
    if broker.link == "connecting" and not broker.reason:
        return "No broker yet."
    return f"BROKER LOST. All below is old. {broker.reason[:1].upper()}{broker.reason[1:]}."


def mean_words(row: BenchRow) -> str:
    """Return the verdict's mean with its expanded uncertainty, without the unit; empty without a verdict."""
    if row.mean_nm is None or row.uncertainty_nm is None:
        return ""
    mean, spread = (format_length(one, row.display_unit).rsplit(" ", 1)[0] for one in (row.mean_nm, row.uncertainty_nm))
    return f"{mean} ± {spread}"


def need_words(need: Need, now: datetime) -> str:
    """Return a need as a sentence, with how long it has stood where that is known."""
    return f"{need.words} ({age(need.since, now)})" if need.since else need.words


def who(row: BenchRow) -> str:
    """Return who works at a bench, and whether readings are typed there and no indicator is heard."""
    return f"typed by {row.technician or 'nobody named'}" if row.typed else row.technician


def beside(row: BenchRow) -> str:
    """Return what to know of a bench that needs nobody now: how far its unit is, and what its gauge waits for."""
    return "; ".join(words for words in (row.progress, row.gauge) if words)


def plain_row(row: BenchRow, now: datetime) -> str:
    """Return a bench as one line for a log or a terminal that cannot be drawn on."""
    parts = [f"{row.bench}: {doing(row)}"]
    parts += [f"{name} {value}" for name, value in (("unit", row.unit_serial), ("pack", row.pack)) if value]
    if row.last_travel_nm is not None:
        parts.append(f"travel {travel(row)}")
    if row.progress:
        parts.append(row.progress)
    if row.typed:
        parts.append(who(row))
    elif row.technician:
        parts.append(f"tech {row.technician}")
    if row.gauge:
        parts.append(row.gauge)
    parts += [f"NEEDS A PERSON: {need.kind}: {need_words(need, now)}" for need in row.needs]
    return "; ".join(parts)


def _milliseconds(at: datetime | None) -> int | None:
    return None if at is None else round(at.timestamp() * 1000)


def row_json(row: BenchRow) -> dict[str, Any]:
    """Return a bench as the web page and pipes are given it: times in ms since 1970, lengths nm and as people read."""
    look = look_of(row)
    return {
        "key": row.key,
        "bench": row.bench,
        "state": row.state,
        "unit": row.unit_serial,
        "pack": row.pack,
        "progress": row.progress,
        "gauge": row.gauge,
        "technician": who(row),
        "verdict": row.verdict,
        "doing": doing(row),
        "shape": look.shape,
        "mean": mean_words(row),
        "mean_nm": row.mean_nm,
        "expanded_uncertainty_nm": row.uncertainty_nm,
        "travel_nm": row.last_travel_nm,
        "travel": travel(row),
        "stroke": row.last_stroke,
        "stroke_at": _milliseconds(row.last_stroke_at),
        "needs": [
            {
                "kind": need.kind,
                "words": need.words,
                "shape": NEED_LOOKS[need.kind].shape,
                "since": _milliseconds(need.since),
            }
            for need in row.needs
        ],
    }
