"""The screen on which a change of parts is confirmed: what is fitted, what is advised, what the shelf has. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from capture.dashboard.unit_page import Page, bullet, unit_page
from capture.dashboard.view import BenchView
from capture.plumbing.terminal.canvas import Frame, Ink, Row
from capture.sheet.sheet import Sheet, Shim
from capture.unit.offers import Choice
from drivers.units import format_length


@dataclass(frozen=True, slots=True)
class PartsShown:
    """What there is to show of a unit's parts, in words."""

    fitted: str
    ways: tuple[tuple[str, str], ...]
    """Each way to change them, best first, and what the shelf has for it."""
    out_of_reach: tuple[str, ...]


def parts_shown(sheet: Sheet, choice: Choice) -> PartsShown:
    """Return what is shown of a sheet with its parts as fitted now, and of what may be changed."""
    ways = tuple(
        (f"{way.pack}: {way.text}" if way.pack else way.text, shelf)
        for way, shelf in zip(choice.found.ways, choice.shelf, strict=True)
    )
    return PartsShown(_fitted(sheet), ways, choice.found.out_of_reach)


def _fitted(sheet: Sheet) -> str:
    parts = []
    for pack in sheet.order():
        for adjuster in pack.adjusters:
            if isinstance(adjuster, Shim):
                number = f"{adjuster.fitted} of {format_length(adjuster.thickness, sheet.display_unit)}"
                parts.append(f"{pack.name}: {adjuster.name} {number} ({adjuster.min} to {adjuster.max})")
            else:
                parts.append(f"{pack.name}: {adjuster.name} {adjuster.text(adjuster.fitted)}")
    return "; ".join(parts) or "no part of the sheet can be changed"


def parts_screen(
    view: BenchView,
    page: Page,
    parts: PartsShown,
    width: int,
    height: int,
    *,
    ascii_only: bool = False,
) -> Frame:
    """Return the screen."""
    ink = Ink(ascii_only)
    blocks: list[list[Row]] = [bullet(" FITTED  ", parts.fitted, width, ink), [[]]]
    for number, (text, shelf) in enumerate(parts.ways, 1):
        block = bullet(f" {number}  ", text, width, ink)
        if shelf:
            block += bullet("    on the shelf: ", shelf, width, ink, mark_style="")
        blocks.append(block)
    for text in parts.out_of_reach:
        blocks.append(bullet(f" {ink.pick('×', 'x')}  ", text, width, ink))
    if not parts.ways and not parts.out_of_reach:
        recheck = [pack.name for pack in view.packs if pack.recheck]
        why = f"check {', '.join(recheck)} again first" if recheck else "every pack that was checked is good"
        blocks.append(bullet("    ", f"Nothing is advised: {why}.", width, ink))
    count = len(parts.ways)
    keys = [f"1-{min(9, count)} was done" if count > 1 else "1 was done" if count else "", "p another part", "z undo"]
    keys += ["Escape back", "t name", "s steps", "u sign-off"]
    title = "CHANGE PARTS  air off, pack at rest"
    line = "   ".join(key for key in keys if key)
    return unit_page(view, page, title, f"re-check needed: {_to_recheck(view)}", blocks, line, width, height, ink)


def _to_recheck(view: BenchView) -> str:
    return ", ".join(pack.name for pack in view.packs if pack.recheck) or "none"
