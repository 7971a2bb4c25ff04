"""The screen of the unit's notes: what somebody said there is to know of it, of a pack or of a stroke. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from capture.dashboard.unit_page import Page, bullet, unit_page
from capture.dashboard.view import BenchView
from capture.plumbing.terminal.canvas import Frame, Ink


@dataclass(frozen=True, slots=True)
class NotesShown:
    """The notes in words, oldest first."""

    texts: tuple[str, ...]


def notes_shown(texts: Sequence[str]) -> NotesShown:
    """Return what is shown of them."""
    return NotesShown(tuple(texts))


def notes_screen(
    view: BenchView, page: Page, shown: NotesShown, width: int, height: int, *, ascii_only: bool = False
) -> Frame:
    """Return the screen."""
    ink = Ink(ascii_only)
    blocks = [bullet("  ", text, width, ink) for text in shown.texts] or [bullet("  ", "No notes yet.", width, ink)]
    keys = "Enter another note   Escape back"
    return unit_page(view, page, "NOTES", f"{len(shown.texts)} of this unit", blocks, keys, width, height, ink)
