"""Yield and re-check rate of one day, from verdicts as they come. Pure; knows no topics and no screens.

A pack counts once a job, whatever is measured on it how often. Its first check is the one with `attempt` 1; benches
that do not tell the attempt are judged by the lowest check number seen. A pack first heard of at a later attempt was
not good at its first check, or nobody would have checked it again.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Final

#: Packs kept a day. A shop of a thousand benches measures fewer; beyond it the rates are of those seen so far.
MOST_PACKS: Final = 200_000

_Pack = tuple[str, str, str]
"""Bench, job and pack: what is checked, and checked again."""


@dataclass(frozen=True, slots=True)
class Today:
    """What has been checked today: over `packs` packs, `good_first` were good at first check."""

    packs: int = 0
    good_first: int = 0
    rechecked: int = 0
    full: bool = False
    """Whether more packs came than are kept."""

    @property
    def yield_share(self) -> float | None:
        """The share of packs good at their first check, None before the first."""
        return self.good_first / self.packs if self.packs else None

    @property
    def recheck_share(self) -> float | None:
        """The share of packs that were checked more than once, None before the first."""
        return self.rechecked / self.packs if self.packs else None


@dataclass(slots=True)
class _Seen:
    first_check: int
    first_good: bool
    last_check: int
    again: bool


class Yields:
    """Feed it every verdict, in any order and as often as they come."""

    def __init__(self) -> None:
        self._day = date.min
        self._packs: dict[_Pack, _Seen] = {}
        self._today = Today()

    def turn(self, day: date) -> None:
        """Begin a new day where `day` is one."""
        if day != self._day:
            self._day, self._packs, self._today = day, {}, Today()

    def feed(self, key: _Pack, check: int, attempt: int | None, good: bool) -> None:
        """Take a verdict that was given on the current day."""
        before = self._packs.get(key)
        if before is None:
            if len(self._packs) >= MOST_PACKS:
                self._count(0, 0, 0, full=True)
                return
            later = attempt is not None and attempt > 1
            self._packs[key] = _Seen(check, good and not later, check, later)
            self._count(1, good and not later, later)
            return
        was_good, was_again = before.first_good, before.again
        if check < before.first_check or (check == before.first_check and attempt == 1):
            before.first_check, before.first_good = check, good and (attempt is None or attempt == 1)
        before.last_check = max(before.last_check, check)
        before.again = before.again or before.last_check != before.first_check
        self._count(0, before.first_good - was_good, before.again - was_again)

    def _count(self, packs: int, good_first: int, rechecked: int, *, full: bool = False) -> None:
        now = self._today
        self._today = Today(now.packs + packs, now.good_first + good_first, now.rechecked + rechecked, now.full or full)

    @property
    def today(self) -> Today:
        """The counts of the current day."""
        return self._today
