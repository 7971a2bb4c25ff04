"""Prints a unit's steps and its way to the sign-off, for people and as JSON objects. Decides nothing."""

from __future__ import annotations

from datetime import datetime

from rich.table import Table
from rich.text import Text

from capture.plumbing.outward import harmless_console
from capture.sheet.sheet import Sheet
from capture.unit.signoff_rules import Standing
from capture.unit.words import STATE_WORDS, let_pass_words, next_words, step_state


def show_standing(sheet: Sheet, standing: Standing, now: datetime) -> None:
    """Print the packs, the steps and what is open."""
    console = harmless_console()
    for pack in standing.packs:
        why = f", {pack.words}" if pack.words and pack.words != pack.state else ""
        console.print(
            Text(f"pack {pack.pack}: {STATE_WORDS[pack.state]}{why}{let_pass_words(standing, pack.pack)}"),
            soft_wrap=True,
        )
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
        console.print(Text(f"look at: {caution}"), soft_wrap=True)
    for remark in standing.remarks:
        console.print(Text(f"to acknowledge when signing: {remark.text}"), soft_wrap=True)
    for number, objection in standing.refused:
        console.print(Text(f"entry {number} does not count: {objection.text}"), soft_wrap=True)
    for item in standing.open:
        console.print(Text(f"open: {item.text}; {item.do}"), soft_wrap=True)
    console.print(Text(next_words(sheet, standing)), soft_wrap=True)
