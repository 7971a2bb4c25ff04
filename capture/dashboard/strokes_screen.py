"""The screen on which a stroke is left out: every stroke of the check, with what it is used for. Pure."""

from __future__ import annotations

from capture.dashboard.unit_page import Page, bullet, unit_page
from capture.dashboard.view import BenchView
from capture.output.words import counted, flag_words, travel_nm
from capture.plumbing.terminal.canvas import Frame, Ink, Row
from drivers.units import format_length


def strokes_screen(view: BenchView, page: Page, width: int, height: int, *, ascii_only: bool = False) -> Frame:
    """Return the screen."""
    ink = Ink(ascii_only)
    blocks: list[list[Row]] = []
    for i, kept in enumerate(view.strokes):
        mark = ink.pick("▸", ">") if i == page.chosen else " "
        travel = format_length(travel_nm(kept.stroke, view.measure), view.display_unit)
        use = kept.left_out or counted(kept)
        flags = flag_words(kept.stroke.flags)
        text = f"{travel}  {use}{f' ({flags})' if flags else ''}"
        blocks.append(bullet(f"{mark}{kept.stroke.n:>3}  ", text, width, ink))
    pack = view.packs[view.pack].name if 0 <= view.pack < len(view.packs) else ""
    keys = "Enter leaves the chosen one out   arrows choose   Escape back"
    aside = f"{sum(kept.counts for kept in view.strokes)} of {view.strokes_wanted} counted"
    return unit_page(view, page, f"STROKES of {pack}", aside, blocks, keys, width, height, ink)
