"""The sheet of paper that the parts, steps and sign-off screens are written on: head, list, entry, foot. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rich.cells import cell_len

from capture.dashboard.form import Form
from capture.dashboard.head_and_foot import air_text, header, keys_row, link_rows, said, urgent_rows
from capture.dashboard.view import BenchView
from capture.output.words import CAUTION_LINE
from capture.plumbing.terminal.canvas import Frame, Ink, Row, fit, wrap


@dataclass(slots=True)
class Page:
    """What stands on the screen beside the unit itself: what is chosen, typed, and was last said."""

    chosen: int = 0
    form: Form | None = None
    note: str = ""


def bullet(mark: str, text: str, width: int, ink: Ink, *, mark_style: str = "bold", style: str = "") -> list[Row]:
    """Return `text` wrapped beside a mark, as many rows as it takes."""
    room = max(8, width - cell_len(mark))
    lines = wrap(ink.text(text), room, 12) or [""]
    return [[(mark if i == 0 else " " * cell_len(mark), mark_style), (line, style)] for i, line in enumerate(lines)]


def form_keys(form: Form) -> str:
    """Return what the keys do while a form is open."""
    return f"Enter {form.does or 'goes on'}   Escape back" + ("   Tab next line" if len(form.fields) > 1 else "")


def form_rows(form: Form, width: int, ink: Ink) -> list[Row]:
    """Return a form as it stands at the foot of a screen."""
    rows: list[Row] = [[(ink.pick("─", "-") * width, "")]]
    rows += bullet(" ", form.title, width, ink, style="bold")
    for line in form.said:
        rows += bullet("   ", line, width, ink)
    label_width = max((cell_len(field.label) for field in form.fields), default=0)
    for i, field in enumerate(form.fields):
        here = i == form.at
        mark = ink.pick("▸", ">") if here else " "
        label = f" {mark} {ink.text(field.label):<{label_width}}  "
        room = max(4, width - cell_len(label) - 1)
        value = ink.text(field.value)
        while cell_len(value) > room:
            # The end is where one types.
            value = value[1:]
        row: Row = [(label, "bold" if here else ""), (value, "bold")]
        if here:
            row.append((ink.pick("▏", "_"), "bold"))
        said = field.next_value or ("" if field.value else field.hint)
        hint = wrap(ink.text(f"({said})"), max(8, room - cell_len(value)), 4) if said else []
        if hint:
            row.append((hint[0], "dim"))
        rows.append(row)
        rows += [[(" " * cell_len(label), ""), (line, "dim")] for line in hint[1:]]
    if form.problem:
        rows += bullet(f" {ink.pick('×', 'x')} ", form.problem, width, ink, mark_style="bold red", style="bold red")
    return rows


def _window(blocks: Sequence[list[Row]], chosen: int, room: int) -> list[Row]:
    """Return as many whole blocks as fit, the chosen one among them, and say how many there are beside."""
    if sum(map(len, blocks)) <= room:
        return [row for block in blocks for row in block]
    first = last = max(0, min(chosen, len(blocks) - 1))
    used = len(blocks[first]) + 2
    while True:
        if first > 0 and used + len(blocks[first - 1]) <= room:
            first -= 1
            used += len(blocks[first])
        elif last + 1 < len(blocks) and used + len(blocks[last + 1]) <= room:
            last += 1
            used += len(blocks[last])
        else:
            break
    rows: list[Row] = [[(f"   ({first} more above)", "")]] if first else []
    rows += [row for block in blocks[first : last + 1] for row in block]
    left = len(blocks) - 1 - last
    return [*rows[: max(1, room - 1)], [(f"   ({left} more below)", "")]] if left else rows


def unit_page(
    view: BenchView,
    page: Page,
    title: str,
    aside: str,
    blocks: Sequence[list[Row]],
    keys: str,
    width: int,
    height: int,
    ink: Ink,
) -> Frame:
    """Return the screen: `blocks` are what can be chosen from, each some rows; `aside` stands beside the title."""
    width, height = max(1, width), max(1, height)
    roomy = height >= 30
    head: list[Row] = [header(view, width, ink)]
    beside = ink.text(aside)
    room = max(0, width - cell_len(beside) - 2)
    head.append([*fit([(f" {ink.text(title)}", "bold")], room), (beside, "")])
    if roomy:
        head.append([])
    foot: list[Row] = []
    if page.form is not None:
        foot += form_rows(page.form, width, ink)
    foot.append([(ink.pick("─", "-") * width, "")])
    foot += [[(f" {line}", "yellow")] for line in wrap(ink.text(CAUTION_LINE), max(1, width - 1), 2)]
    foot += urgent_rows(view, width, roomy, ink)
    if view.fixture != "off":
        foot += said("AIR", air_text(view), width, 2, "", ink)
    foot += said("SAID", page.note, width, 6 if roomy else 5, "bold", ink)
    if roomy:
        foot += link_rows(view, width, 2, ink)
    if page.form is not None:
        keys = form_keys(page.form)
    foot.append(keys_row(view, keys, width, ink))
    body = _window(blocks, page.chosen, max(0, height - len(head) - len(foot)))
    filler: list[Row] = [[] for _ in range(height - len(head) - len(foot) - len(body))]
    return Frame(
        [*head, *body, *filler, *foot][-height:] if len(head) + len(foot) > height else [*head, *body, *filler, *foot],
        width,
        height,
    )
