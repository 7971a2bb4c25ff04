"""The screen that brings the next unit onto the bench: an unfinished one by a key, or any by its serial. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from capture.dashboard.unit_page import Page, bullet, unit_page
from capture.dashboard.view import BenchView
from capture.plumbing.terminal.canvas import Frame, Ink


class Unfinished(Protocol):
    """A unit that nobody signed off."""

    @property
    def job(self) -> int: ...
    @property
    def serial(self) -> str: ...
    @property
    def sheet(self) -> str: ...
    @property
    def packs(self) -> str: ...
    @property
    def opened_at(self) -> datetime: ...


@dataclass(frozen=True, slots=True)
class UnitsShown:
    """What there is to show of them: a text each."""

    texts: tuple[str, ...]


def units_shown(units: Sequence[Unfinished]) -> UnitsShown:
    """Return what is shown of the unfinished units."""
    return UnitsShown(
        tuple(f"unit {u.serial}, job {u.job}: {u.packs}; {u.sheet}; {u.opened_at.astimezone():%Y-%m-%d}" for u in units)
    )


def units_screen(
    view: BenchView, page: Page, shown: UnitsShown, width: int, height: int, *, ascii_only: bool = False
) -> Frame:
    """Return the screen."""
    ink = Ink(ascii_only)
    blocks = [bullet(f"  {n}  ", text, width, ink) for n, text in enumerate(shown.texts, 1)]
    if not blocks:
        blocks = [bullet("   ", "No other unit of this bench is unfinished.", width, ink)]
    goes_on = f"1-{len(shown.texts)} goes on with that one   " if shown.texts else ""
    keys = f"Enter types a serial   {goes_on}Escape back"
    return unit_page(view, page, "UNITS", f"{len(shown.texts)} unfinished", blocks, keys, width, height, ink)
