"""Heads of a bench's record that messages carry, and what tells that it is no longer the record they are of. Pure.

Theory. A head is the number and hash of a record's newest entry. Its hash holds all entries before it, so two heads of
one number and different hashes are of two records, whichever of them is right. Numbers only grow, so a head of a lower
number than one that was heard before, in a message that was written after that one's, is of a record that lost its end.
A broker hands out what it retains in any order: a lower number in an older message tells nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Final

_MOST_HEADS: Final = 500


@dataclass(frozen=True, slots=True)
class HeadTold:
    """The newest entry of a record, and the time of the message that told of it."""

    number: int
    sha256: str
    at: datetime


def broken_words(known: Mapping[int, str], newest: HeadTold | None, head: HeadTold) -> str:
    """Return what is wrong with a record whose `known` heads (hash by number) and `newest` were heard before `head`;
    nothing where they can be of one record."""
    there = known.get(head.number)
    if there is not None:
        if there == head.sha256:
            return ""
        return f"entry {head.number} was {there[:12]} and is {head.sha256[:12]} now: the record was changed or replaced"
    if newest is not None and head.number < newest.number and head.at > newest.at:
        return f"entry {newest.number} was there and the newest is {head.number} now: the record lost its end"
    return ""


class HeadsHeard:
    """The heads that were heard of one bench, the newest few hundred of them."""

    def __init__(self) -> None:
        self._known: dict[int, str] = {}
        self._newest: HeadTold | None = None
        self.broken = ""
        """What was first found wrong, in words; it stays."""

    def take(self, head: HeadTold) -> None:
        """Take a head."""
        self.broken = self.broken or broken_words(self._known, self._newest, head)
        self._known[head.number] = head.sha256
        if len(self._known) > _MOST_HEADS:
            del self._known[next(iter(self._known))]
        if self._newest is None or head.number > self._newest.number:
            self._newest = head
