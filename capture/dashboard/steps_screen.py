"""The screen of the sheet's steps: which are done and by whom, which is next, how long a soak must still last. Pure."""

from __future__ import annotations

from datetime import datetime

from rich.cells import cell_len

from capture.dashboard.unit_page import Page, bullet, unit_page
from capture.dashboard.view import BenchView
from capture.output.words import Look
from capture.plumbing.terminal.canvas import Frame, Ink, Row, fit
from capture.sheet.sheet import Sheet
from capture.unit.signoff_rules import Standing, StepStanding
from capture.unit.words import step_state

__all__ = ["STEP_LOOKS", "steps_screen"]

#: How a step stands as a shape; the word always stands beside it.
STEP_LOOKS: dict[str, Look] = {
    "open": Look("··", "..", "", ()),
    "begun": Look("▒▒", "::", "bold yellow", ()),
    "done": Look("■■", "##", "bold cyan", ()),
    "overridden": Look("□■", "[#", "bold magenta", ()),
}


def _block(
    sheet: Sheet, one: StepStanding, chosen: bool, is_next: bool, now: datetime, width: int, ink: Ink
) -> list[Row]:
    step, look = sheet.steps[one.index], STEP_LOOKS[one.state]
    pointer = ink.pick("▸", ">") if chosen else " "
    asks = step.details()
    signed = f" {one.by} {one.at.astimezone():%Y-%m-%d %H:%M}" if one.at is not None else ""
    state = ink.text(f"{step_state(step, one, now)}{signed}") + ("  NEXT" if is_next else "")
    left: Row = [
        (pointer, "bold"),
        (f"{one.index + 1:>2} ", "bold"),
        (ink.pick(look.shape, look.ascii_shape), look.style),
    ]
    left.append((f" {ink.text(step.title)}", "bold" if chosen or is_next else ""))
    if asks:
        left.append((f": {ink.text(asks)}", ""))
    room = width - cell_len(state) - 1
    if sum(cell_len(text) for text, _ in left) <= room:
        rows: list[Row] = [[*fit(left, room), (state, look.style)]]
    else:
        rows = [left, *bullet("      ", state, width, ink, style=look.style)]
    if chosen and step.instruction:
        rows += bullet("      ", step.instruction, width, ink)
    return rows


def steps_screen(
    view: BenchView,
    page: Page,
    sheet: Sheet,
    standing: Standing,
    now: datetime,
    width: int,
    height: int,
    *,
    ascii_only: bool = False,
) -> Frame:
    """Return the screen at `now`."""
    ink = Ink(ascii_only)
    blocks = [
        _block(sheet, one, one.index == page.chosen, one.index == standing.next_step, now, width, ink)
        for one in standing.steps
    ]
    if not blocks:
        blocks = [bullet("   ", "The build sheet has no steps.", width, ink)]
    closed = sum(one.closed for one in standing.steps)
    keys = f"Enter do   Escape back   o override   u sign-off   t name   1-{min(9, max(1, len(blocks)))} or arrows"
    return unit_page(view, page, "STEPS", f"{closed} of {len(standing.steps)} done", blocks, keys, width, height, ink)
