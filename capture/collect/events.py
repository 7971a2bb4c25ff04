"""What a collector tells whoever watches it: links that come and go, and how much was kept. Plain data."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from capture.mqtt.link_state import LinkState

__all__ = ["Counts", "Event", "Link"]


@dataclass(frozen=True, slots=True)
class Link:
    """A broker or the database, and the reason in words when it is not up. `where` never holds a password."""

    what: Literal["broker", "database"]
    where: str
    state: LinkState
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Counts:
    """Messages committed: new ones of each kind, ones that were there already, and ones that are no messages."""

    strokes: int = 0
    verdicts: int = 0
    statuses: int = 0
    units: int = 0
    repeated: int = 0
    refused: int = 0

    def __add__(self, other: Counts) -> Counts:
        return Counts(
            self.strokes + other.strokes,
            self.verdicts + other.verdicts,
            self.statuses + other.statuses,
            self.units + other.units,
            self.repeated + other.repeated,
            self.refused + other.refused,
        )


Event = Link | Counts
