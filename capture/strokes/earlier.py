"""What a running stroke is compared with: the strokes before it, and where it stood on its own way. Plain data.

Strokes of a pack go one way and about as far every time. What goes the other way and stands there, or begins and ends
where a step had left the reading, tells that the indicator was moved. Lengths are integer nanometres.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(slots=True)
class EarlierStrokes:
    """What the strokes before the running one were like."""

    count: int = 0
    direction: int = 0
    travel_nm: int = 0
    """How far the last one went, 0 where nothing is to be compared with it."""
    rest_nm: int = 0
    """Where it began, as displayed."""
    sound_direction: int = 0
    """Which way the last one went that counts, 0 before there is one."""
    sound_travel_nm: int = 0
    first_way_nm: int = 0
    """How far and which way the first departure went, where the indicator was moved before it was told as a stroke."""
    stayed: int = 0
    """How often the reading went no further than a stroke must, and stayed there."""
    ended_away: bool = False
    """Whether the last one ended elsewhere than at rest."""
    least_nm: int = 0
    """A pack goes about as far every time: what is less than this is something else."""
    brief_furthest_nm: int = 0
    """How far, as displayed, the furthest of those went that were too short to be measured, 0 before there are two."""
    brief_nm: int = 0
    """How far the last reading went, as displayed, that may have been a stroke too short to see."""
    sound_count: int = 0
    """How many that count went that way one after another."""
    least_fall: int = 0
    """The fewest readings that a fall of theirs showed."""
    stuck_from_nm: int | None = None
    """The rest level before the last one, if that left the piston part way."""

    def was_brief(self, way_nm: int) -> None:
        """The last one was too short to be measured; a reading shows it that far from rest."""
        if self.count >= 2:
            self.brief_furthest_nm = max(self.brief_furthest_nm, way_nm, key=abs)

    @property
    def first_way(self) -> int:
        """How far and which way strokes seem to go while none was sound; 0 where one was, or nothing is known."""
        if self.sound_count:
            return 0
        return self.direction * self.travel_nm if self.count else self.first_way_nm


@dataclass(frozen=True, slots=True)
class Plateau:
    """Where the travel stood still for a while, as displayed, and the index of the reading that left it."""

    level_nm: int
    end: int
