"""Prints a unit's steps and its way to the sign-off, for people and as JSON objects. Decides nothing."""

from __future__ import annotations

from datetime import datetime

from rich.table import Table
from rich.text import Text

from capture.plumbing.outward import harmless_console, say
from capture.sheet.sheet import Sheet
from capture.unit.signoff_standing import Standing
from capture.unit.words import STATE_WORDS, let_pass_words, next_words, step_state


def show_standing(sheet: Sheet, standing: Standing, now: datetime) -> None:
    """Print the packs, the steps and what is open."""
    console = harmless_console()
    for pack in standing.packs:
        why = f", {pack.words}" if pack.words and pack.words != pack.state else ""
        say(f"pack {pack.pack}: {STATE_WORDS[pack.state]}{why}{let_pass_words(standing, pack.pack)}")
    if standing.steps:
        table = Table()
        for name in ("step", "what", "asks for", "state", "by", "at"):
            table.add_column(name)
        for one in standing.steps:
            step = sheet.steps[one.index]
            mark = "> " if one.index == standing.next_step else ""
            at = one.at.astimezone().strftime("%Y-%m-%d %H:%M") if one.at else ""
            cells = (f"{mark}{one.index + 1}", step.title, step.details(), step_state(step, one, now), one.by, at)
            table.add_row(*(Text(cell) for cell in cells))
        console.print(table)
    for caution in standing.cautions:
        say(f"look at: {caution}")
    for remark in standing.remarks:
        say(f"to acknowledge when signing: {remark.text}")
    for number, objection in standing.refused:
        say(f"entry {number} does not count: {objection.text}")
    for item in standing.open:
        say(f"open: {item.text}; {item.do}")
    say(next_words(sheet, standing))
