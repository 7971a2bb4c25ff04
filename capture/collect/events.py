"""What a collector tells whoever watches it: links that come and go, and how much was kept. Plain data."""

from __future__ import annotations

from dataclasses import astuple, dataclass, replace
from typing import Literal

from capture.mqtt.link_state import LinkState


@dataclass(frozen=True, slots=True)
class LinkChange:
    """A broker or the database, and the reason in words when it is not up. `where` never holds a password.

    A broker on `standby` is another collector's of the same name, which this one waits for.
    """

    what: Literal["broker", "database"]
    where: str
    state: LinkState | Literal["standby"]
    reason: str = ""


@dataclass(frozen=True, slots=True)
class BrokenRecord:
    """A bench whose record is not what it was by the heads that its messages carried, and why that is known."""

    shop: str
    bench: str
    why: str


@dataclass(frozen=True, slots=True)
class Counts:
    """Messages committed: new ones of each kind, ones that were there already, and ones that are no messages."""

    strokes: int = 0
    verdicts: int = 0
    statuses: int = 0
    units: int = 0
    gauges: int = 0
    repeated: int = 0
    refused: int = 0

    def __add__(self, other: Counts) -> Counts:
        return Counts(*map(sum, zip(astuple(self), astuple(other), strict=True)))

    @classmethod
    def of(cls, kind: str, new: int, repeated: int) -> Counts:
        """Count messages of one kind, as the last level of their topic names it."""
        return replace(cls(repeated=repeated), **{{"status": "statuses"}.get(kind, f"{kind}s"): new})


@dataclass(frozen=True, slots=True)
class Upkeep:
    """What was done to keep the database by month: parts made and dropped, old rows deleted, and what a person must."""

    made: int = 0
    dropped: int = 0
    deleted: int = 0
    needs: str = ""


Event = LinkChange | BrokenRecord | Counts | Upkeep
