"""The screen of the sheet's steps: which are done and by whom, which is next, how long a soak must still last. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from rich.cells import cell_len

from capture.dashboard.unit_page import Page, bullet, unit_page
from capture.dashboard.view import BenchView
from capture.output.words import Look
from capture.plumbing.terminal.canvas import Frame, Ink, Row, fit, row_width, wrap
from capture.sheet.sheet import Sheet
from capture.unit.signoff_standing import Standing, StepStanding
from capture.unit.words import step_state


@dataclass(frozen=True, slots=True)
class StepShown:
    """What there is to show of one step, in words."""

    title: str
    asks: str
    instruction: str
    state: Literal["open", "begun", "done", "not good", "overridden"]
    stands: str
    """How it stands, who signed it and when."""


@dataclass(frozen=True, slots=True)
class StepsShown:
    """What there is to show of a unit's steps."""

    steps: tuple[StepShown, ...]
    next_step: int | None
    closed: int
    """How many of them bar nothing any more."""


def steps_shown(sheet: Sheet, standing: Standing, now: datetime) -> StepsShown:
    """Return what is shown of the sheet's steps at `now`."""
    steps = tuple(_step(sheet, one, now) for one in standing.steps)
    return StepsShown(steps, standing.next_step, sum(one.closed for one in standing.steps))


def _step(sheet: Sheet, one: StepStanding, now: datetime) -> StepShown:
    step = sheet.steps[one.index]
    signed = f" {one.by} {one.at.astimezone():%Y-%m-%d %H:%M}" if one.at is not None else ""
    return StepShown(step.title, step.details(), step.instruction, one.state, f"{step_state(step, one, now)}{signed}")


#: How a step stands as a shape; the word always stands beside it.
STEP_LOOKS: dict[str, Look] = {
    "open": Look("··", "..", "", ()),
    "begun": Look("▒▒", "::", "bold yellow", ()),
    "done": Look("■■", "##", "bold cyan", ()),
    "not good": Look("►◄", "><", "bold red", ()),
    "overridden": Look("□■", "[#", "bold magenta", ()),
}


def _block(index: int, step: StepShown, chosen: bool, is_next: bool, width: int, ink: Ink) -> list[Row]:
    look = STEP_LOOKS[step.state]
    pointer = ink.pick("▸", ">") if chosen else " "
    state = ink.text(step.stands) + ("  NEXT" if is_next else "")
    head: Row = [
        (pointer, "bold"),
        (f"{index + 1:>2} ", "bold"),
        (ink.pick(look.shape, look.ascii_shape), look.style),
        (" ", ""),
    ]
    style = "bold" if chosen or is_next else ""
    left: Row = [*head, (ink.text(step.title), style), *([(f": {ink.text(step.asks)}", "")] if step.asks else [])]
    room = width - cell_len(state) - 1
    if row_width(left) <= room:
        rows: list[Row] = [[*fit(left, room), (state, look.style)]]
    else:
        indent = " " * row_width(head)
        first, *more = wrap("".join(text for text, _ in left[len(head) :]), max(8, width - len(indent)), 12)
        rows = [left] if not more else [[*head, (first, style)], *([(indent + line, style)] for line in more)]
        rows += bullet("      ", state, width, ink, style=look.style)
    if chosen and step.instruction:
        rows += bullet("      ", step.instruction, width, ink)
    return rows


def steps_screen(
    view: BenchView, page: Page, shown: StepsShown, width: int, height: int, *, ascii_only: bool = False
) -> Frame:
    """Return the screen."""
    ink = Ink(ascii_only)
    blocks = [_block(i, step, i == page.chosen, i == shown.next_step, width, ink) for i, step in enumerate(shown.steps)]
    if not blocks:
        blocks = [bullet("   ", "The build sheet has no steps.", width, ink)]
    keys = f"Enter do   Escape back   o override   u sign-off   t name   1-{min(9, max(1, len(blocks)))} or arrows"
    aside = f"{shown.closed} of {len(shown.steps)} done"
    return unit_page(view, page, "STEPS", aside, blocks, keys, width, height, ink)
