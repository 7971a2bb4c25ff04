"""How a bench, a board or a collector is: points that are looked at one by one, each well or not, in words and figures.
Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Final, Literal

from capture.plumbing.machine import DiskRoom

HealthOf = Literal["bench", "board", "collector"]

#: Below either, a disk is told to be nearly full: a day of strokes and their recordings has less than a tenth of it.
LEAST_FREE_BYTES: Final = 1_000_000_000
LEAST_FREE_SHARE: Final = 0.05
#: A wall clock that a time service keeps is not behind what was written by it by more; seconds.
MOST_BEHIND_S: Final = 2.0


@dataclass(frozen=True, slots=True)
class HealthPoint:
    """One thing that was looked at."""

    point: str
    says: str
    """In words, for people."""
    well: bool | None = None
    """None where it is told and nothing stands against it either way."""
    figures: Mapping[str, int | float] = field(default_factory=dict)
    """By name, which ends in the unit: seconds (times since 1970 too), bytes, or what is counted."""
    labels: Mapping[str, str] = field(default_factory=dict)
    """What tells points of one name apart, and what is known in words."""


@dataclass(frozen=True, slots=True)
class Health:
    """Everything that was looked at."""

    of: HealthOf
    name: str
    at: datetime
    points: Sequence[HealthPoint]

    @property
    def well(self) -> bool:
        """Whether nothing needs a person."""
        return all(one.well is not False for one in self.points)


def health_json(health: Health) -> dict[str, Any]:
    """Return it as pipes are given it."""
    return {
        "type": "health",
        "of": health.of,
        "name": health.name,
        "at": health.at.isoformat(timespec="milliseconds"),
        "well": health.well,
        "points": [
            {"point": one.point, **one.labels, "well": one.well, "says": one.says, **one.figures}
            for one in health.points
        ],
    }


def health_lines(health: Health) -> list[str]:
    """Return it as people read it: what is not well first."""
    words = {False: "NOT WELL", True: "well", None: "told"}
    ordered = sorted(health.points, key=lambda one: one.well is not False)
    shown = [(" ".join([one.point, *_told_apart(one)]), words[one.well], one.says) for one in ordered]
    wide = max((len(name) for name, _, _ in shown), default=0)
    head = f"{health.of} {health.name}: {'well' if health.well else 'needs a person'}"
    return [head, *(f"  {name:{wide}}  {word:8}  {says}" for name, word, says in shown)]


def _told_apart(point: HealthPoint) -> list[str]:
    return [text for name, text in point.labels.items() if name in ("link", "shop", "bench", "session") and text]


def disk_point(room: DiskRoom) -> HealthPoint:
    """Say whether there is room where everything is kept."""
    share = room.free_bytes / room.size_bytes if room.size_bytes else 0.0
    full = room.free_bytes < LEAST_FREE_BYTES or share < LEAST_FREE_SHARE
    says = f"{room.free_bytes / 1e9:.1f} GB of {room.size_bytes / 1e9:.1f} GB free at {room.path}"
    return HealthPoint(
        "disk",
        f"{says}; make room, or prune recordings (strokelog record prune)" if full else says,
        not full,
        {"free_bytes": room.free_bytes, "size_bytes": room.size_bytes},
    )


def clock_point(now: datetime, newest: datetime | None, synchronised: bool | None) -> HealthPoint:
    """Say whether the wall clock can be right: it is not before what was kept by it."""
    figures: dict[str, int | float] = {}
    if synchronised is not None:
        figures["synchronised"] = int(synchronised)
    behind_s = max(0.0, (newest - now).total_seconds()) if newest is not None else 0.0
    figures["behind_seconds"] = behind_s
    if behind_s > MOST_BEHIND_S:
        says = f"the clock is {behind_s:.0f} s behind the newest entry; set it before anything more is measured"
        return HealthPoint("clock", says, False, figures)
    kept = {
        True: "a time service keeps it",
        False: "no time service keeps it",
        None: "nothing is known of who keeps it",
    }
    return HealthPoint("clock", f"not behind what was kept by it; {kept[synchronised]}", True, figures)
