"""The screen on which a technician checks the gauge against a master. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from capture.dashboard.head_and_foot import header, keys_row, link_rows, said, urgent_rows
from capture.dashboard.unit_page import Page, form_keys, form_rows
from capture.dashboard.view import BenchView
from capture.output.words import number
from capture.plumbing.terminal.bigtext import big_number
from capture.plumbing.terminal.canvas import Frame, Ink, Row


@dataclass(frozen=True, slots=True)
class GaugeShown:
    """What there is to show of a check of the gauge."""

    serial: str
    standing: str
    """How it stood before, in a line."""
    step: str
    """The next thing to do."""
    result: str
    """What came of it, in a line; empty while it goes."""
    upper: str
    """The mornings before, two lines of braille."""
    lower: str
    refused: bool
    may_widen: bool = False
    """Whether all masters may be taken instead, up and down over the range."""


def gauge_screen(
    view: BenchView, page: Page, shown: GaugeShown, width: int, height: int, *, ascii_only: bool = False
) -> Frame:
    """Return the screen."""
    ink = Ink(ascii_only)
    width, height = max(1, width), max(1, height)
    rows: list[Row] = [header(view, width, ink), [(f" GAUGE {ink.text(shown.serial)}", "bold")], []]
    rows += said("WAS", shown.standing, width, 3, "", ink)
    rows.append([])
    figure = "-" if view.offset_nm is None else number(view.offset_nm, view.display_unit)
    large = big_number(figure, figure, width - 4, 5, ink) if height >= 24 else None
    rows += [[(f"  {line}", "bold")] for line in large or (figure,)]
    rows.append([])
    rows += said("NEXT", shown.step, width, 4, "bold", ink)
    if shown.result:
        rows.append([])
        rows += said("REFUSED" if shown.refused else "RESULT", shown.result, width, 5, "bold", ink)
    if shown.upper and not ascii_only:
        rows += [[], [(" the last mornings  ", "dim"), (shown.upper, "")], [(" " * 20, ""), (shown.lower, "")]]
    foot = form_rows(page.form, width, ink) if page.form is not None else []
    foot += [*urgent_rows(view, width, height >= 30, ink), *said("SAID", view.said, width, 2, "bold", ink)]
    foot += link_rows(view, width, 2, ink)
    keys = "Enter sign" if shown.result else "Escape leave"
    keys = f"l over the range   {keys}" if shown.may_widen else keys
    keys = form_keys(page.form) if page.form is not None else keys
    foot.append(keys_row(view, keys, width, ink))
    rows = rows[: max(0, height - len(foot))]
    filler: list[Row] = [[] for _ in range(height - len(foot) - len(rows))]
    return Frame([*rows, *filler, *foot][-height:], width, height)
