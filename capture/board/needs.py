"""What on a bench needs a person, in the order of how soon. Pure: words and times, no colours.

Each need has a kind, which has a rank and a shape elsewhere, a sentence for people, and since when where that is known.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final, Literal

Kind = Literal[
    "out of air",
    "no readings",
    "stuck",
    "tight",
    "loose",
    "inconclusive",
    "leaks",
    "gauge out",
    "asks",
    "ready to sign",
    "offline",
    "record broken",
    "clock off",
    "not heard",
]

#: Every kind of need, the most urgent first: air that failed, then a bench that cannot go on (it asks while no reading
#: comes), then a decision that waits, then what can wait for the end of the job.
KINDS: Final[tuple[Kind, ...]] = (
    "out of air",
    "no readings",
    "asks",
    "stuck",
    "inconclusive",
    "tight",
    "loose",
    "leaks",
    "gauge out",
    "ready to sign",
    "offline",
    "record broken",
    "clock off",
    "not heard",
)

#: A check in which no stroke was made for so long has stopped: strokes come every few seconds (common practice).
STUCK_AFTER: Final = timedelta(minutes=5)
#: A bench's clock may differ so much from the board's before it is spoken of.
CLOCK_OFF: Final = timedelta(minutes=2)

#: A bench tries a broker that it lost again after at most half a minute (`publish`), and a try may take some seconds.
RECONNECT: Final = timedelta(seconds=45)

_RANKS: Final = {kind: number for number, kind in enumerate(KINDS)}


@dataclass(frozen=True, slots=True)
class Need:
    """One thing that a person must see to."""

    kind: Kind
    words: str
    since: datetime | None = None


def rank(needs: tuple[Need, ...]) -> int:
    """Return how soon a bench needs a person: 0 at once, `len(KINDS)` not at all."""
    return _RANKS[needs[0].kind] if needs else len(KINDS)
