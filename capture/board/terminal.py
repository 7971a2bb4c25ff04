"""The board as a terminal shows it: a pure picture of the floor at a size. What needs a person comes first and is said
in words, with a shape; colour only helps."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Final

from rich.cells import cell_len

from capture.board.arrange import ORDERS, arrange
from capture.board.bench_row import BenchRow
from capture.board.floor import Floor
from capture.board.words import (
    NEED_LOOKS,
    age,
    beside,
    broker_words,
    doing,
    look_of,
    mean_words,
    need_words,
    rates,
    share,
    travel,
    who,
)
from capture.output.words import CAUTION_LINE
from capture.plumbing.terminal.bigtext import big_number
from capture.plumbing.terminal.canvas import Frame, Ink, Row, fit, row_width, wrap

_WIDE: Final = 120
_TALL: Final = 40
_BIG_ROWS: Final = 5
_NEEDS_CELLS: Final = 30

#: Columns and their cells at 80, and on a wall.
_NARROW = {"BENCH": 12, "UNIT": 9, "PACK": 11, "TRAVEL": 9, "VERDICT": 15, "TECH": 7, "STROKE": 6}
_ROOMY = {"BENCH": 20, "UNIT": 16, "PACK": 20, "TRAVEL": 10, "VERDICT": 15, "MEAN ± U": 17, "TECH": 16, "STROKE": 7}


@dataclass(slots=True)
class ChosenView:
    """What the person at the board has chosen to see."""

    order: str = "need"
    needing: bool = False
    text: str = ""
    typing: bool = False
    """Whether keys go into `text`."""
    page: int = 0
    pages: int = 1
    """How many pages the last picture had; `page` was brought into them."""

    def next_order(self) -> None:
        """Sort by the next thing."""
        names = list(ORDERS)
        self.order = names[(names.index(self.order) + 1) % len(names)]
        self.page = 0


def render(
    floor: Floor, choice: ChosenView, now: datetime, width: int, height: int, *, ascii_only: bool = False
) -> Frame:
    """Return the board as a rich renderable of exactly `width` by `height` cells; brings `choice.page` into range."""
    width, height = max(1, width), max(1, height)
    ink = Ink(ascii_only)
    rows = floor.rows(now)
    shown = arrange(rows, choice.order, needing=choice.needing, text=choice.text)
    needing = sum(bool(row.needs) for row in rows)
    gauges = sum(bool(row.gauge) for row in rows)
    head = _head(floor, len(rows), needing, gauges, now, width, height, ink)
    head += _broker(floor, now, width, ink)
    warnings = _warnings(floor, width, 2 if height >= _TALL else 1, ink)
    body = max(1, height - len(head) - len(warnings) - 2)
    roomy = width >= _WIDE
    columns = _columns(width, roomy)
    blocks = [_block(row, columns, width, roomy, floor.broker.link != "up", now, ink) for row in shown]
    if height >= _TALL or sum(map(len, blocks)) < body:  # a bench that needs somebody comes first
        warnings.append(fit([(f" {ink.text(CAUTION_LINE)}", "yellow")], width))
        body = max(1, body - 1)
    if height >= _TALL and sum(len(block) + 1 for block in blocks) <= body:
        blocks = [[*block, []] for block in blocks]
    pages = _pages(blocks, body)
    choice.pages, choice.page = len(pages), max(0, min(choice.page, len(pages) - 1))
    table: list[Row] = [line for block in pages[choice.page] for line in block]
    if not shown:
        table = [[], [(f" {_nothing(len(rows), choice)}", "bold")]]
    table += [[] for _ in range(body - len(table))]
    title: Row = [
        ("   ", "underline"),
        *((f"{ink.text(name):<{cells}} "[: cells + 1], "underline") for name, cells in columns),
    ]
    if roomy:
        title.append(("NEEDS A PERSON", "underline"))
    lines = [*head, fit(title, width, "underline"), *table[:body], *warnings, _keys(choice, len(shown), width, ink)]
    return Frame(lines, width, height)


def _head(
    floor: Floor, benches: int, needing: int, gauges: int, now: datetime, width: int, height: int, ink: Ink
) -> list[Row]:
    rate, recheck, over = rates(floor.today(now), floor.seen_since(now))
    need = "nobody is needed" if not needing else f"{needing} need{'s' if needing == 1 else ''} a person"
    need += f", {gauges} gauge{'s' if gauges > 1 else ''} to see to" if gauges else ""
    count = f"{benches} bench" if benches == 1 else f"{benches} benches"
    clock = f"{now:%H:%M:%S}"
    if width < _WIDE:
        first = _ends(f" {count}, {need}", f"{clock} ", width)
        second = _ends(f" today: {rate}, {recheck}, {over}", "", width)
        return [[(first, "bold reverse")], [(second, "")]]
    bar: Row = [(_ends(f" {count}, {need}   today: {rate}, {recheck}, {over}", f"{clock} ", width), "bold reverse")]
    if height < _TALL:
        return [bar]
    today = floor.today(now)
    figures = [
        (str(needing), "need a person", "bold yellow" if needing else "bold cyan"),
        (str(benches), "benches", "bold"),
        (share(today.yield_share).rstrip("%"), "% yield", "bold"),
        (share(today.recheck_share).rstrip("%"), "% re-check", "bold"),
    ]
    return [bar, [], *_big(figures, width, ink), []]


def _big(figures: list[tuple[str, str, str]], width: int, ink: Ink) -> list[Row]:
    """Return numbers to be read from across the shop, each with its word beside it."""
    part = width // len(figures)
    rows: list[Row] = [[] for _ in range(_BIG_ROWS)]
    for index, (number, label, style) in enumerate(figures):
        big = big_number(number, "8888", part - len(label) - 4, _BIG_ROWS, ink) or (number,)
        for y in range(_BIG_ROWS):
            text = big[y] if y < len(big) else ""
            rows[y] += [("  ", ""), (text, style)]
            if y == min(len(big), _BIG_ROWS) - 1:
                rows[y].append((f" {label}", "bold"))
            rows[y] = fit(rows[y], part * (index + 1))
    return rows


def _ends(left: str, right: str, width: int) -> str:
    room = width - len(right)
    return f"{left[:room]:<{max(0, room)}}{right}"[:width]


def _broker(floor: Floor, now: datetime, width: int, ink: Ink) -> list[Row]:
    words = broker_words(floor)
    if not words:
        return []
    words += f" ({age(floor.broker.since, now)})"
    return [[(f" {line}".ljust(width), "bold red reverse")] for line in wrap(ink.text(words), width - 2, 3)]


def _warnings(floor: Floor, width: int, most: int, ink: Ink) -> list[Row]:
    rows: list[Row] = []
    for warning in floor.warnings():
        for index, line in enumerate(wrap(ink.text(warning.text), width - 11, most)):
            rows.append([(" WARNING  " if index == 0 else " " * 10, "bold"), (line, "yellow")])
    return rows


def _nothing(benches: int, choice: ChosenView) -> str:
    if not benches:
        return "No bench has been heard yet."
    if choice.text:
        return f"No bench, unit, pack or technician has '{choice.text}' in its name. Escape shows all."
    return "No bench needs a person. n shows all."


def _columns(width: int, roomy: bool) -> list[tuple[str, int]]:
    """Return the columns that fit: with room for a bench's needs beside them, all of a narrow board's at least."""
    beside = _NEEDS_CELLS if roomy else 0
    room = width + 1 - 3 - beside
    if roomy:
        columns = list(_ROOMY.items())
        if sum(cells + 1 for _, cells in columns) > room:
            spare = room - sum(cells + 1 for cells in _NARROW.values())
            columns = []
            for name, cells in _NARROW.items():
                more = min(max(0, spare), _ROOMY[name] - cells)
                spare -= more
                columns.append((name, cells + more))
    else:
        columns = list(_NARROW.items())
    # Too narrow a window loses the last columns first, but never what the bench is doing.
    for name in ("TECH", "UNIT", "TRAVEL", "STROKE", "PACK"):
        if sum(cells + 1 for _, cells in columns) <= room:
            break
        columns = [column for column in columns if column[0] != name]
    return columns


def _block(
    row: BenchRow, columns: list[tuple[str, int]], width: int, roomy: bool, old: bool, now: datetime, ink: Ink
) -> list[Row]:
    """Return one bench: its line, and what it needs behind it or on the next."""
    look = look_of(row)
    plain = "dim" if old or row.state in ("offline", "unknown") else ""
    cells: dict[str, tuple[str, str]] = {
        "BENCH": (ink.text(row.bench), plain or "bold"),
        "UNIT": (ink.text(row.unit_serial), plain),
        "PACK": (ink.text(row.pack), plain),
        "TRAVEL": (travel(row), plain or "bold"),
        "VERDICT": (f"{ink.pick(look.shape, look.ascii_shape)} {doing(row)}", plain or look.style),
        "MEAN ± U": (ink.text(mean_words(row)), plain),
        "TECH": (ink.text(who(row)), plain),
        "STROKE": (age(row.last_stroke_at, now), plain),
    }
    need = row.needs[0] if row.needs else None
    need_look = NEED_LOOKS[need.kind] if need else None
    mark = ink.pick(need_look.shape, need_look.ascii_shape) if need_look else "  "
    style = ("dim" if old else need_look.style) if need_look else ""
    line: Row = [(f"{mark} ", style)]
    for name, size in columns:
        text, text_style = cells[name]
        line += [*_cell(text, text_style, size, ink), (" ", "")]
    if need is None:
        return [[*line, (ink.text(beside(row)), "dim")]] if roomy else [line]
    more = f" +{len(row.needs) - 1} more" if len(row.needs) > 1 else ""
    head: Row = [(need.kind.upper(), style), (f"{more}  ", "")]
    first: Row = [*line, *head] if roomy else [("   ", ""), *head]
    indent = row_width(line) if roomy else 3
    said = _hanging(ink.text(need_words(need, now)), width - row_width(first), width - indent)
    lines: list[Row] = [[*first, (said[0], plain)], *([(" " * indent, ""), (text, plain)] for text in said[1:])]
    return lines if roomy else [line, *lines]


def _hanging(text: str, first: int, rest: int) -> list[str]:
    """Break `text` into a line of `first` cells and, where it needs one, another of `rest`; never into none."""
    lines = wrap(text, max(8, first), 99)
    if len(lines) < 2:
        return lines or [""]
    return [lines[0], *wrap(" ".join(lines[1:]), max(8, rest), 1)]


def _cell(text: str, style: str, size: int, ink: Ink) -> Row:
    """Return `text` in exactly `size` cells; two dots tell that it was cut."""
    if size <= 0:
        return []
    if cell_len(text) <= size or size < 4:
        return fit([(text, style)], size)
    return [*fit([(text, style)], size - 2), ("..", style)]


def _pages(blocks: list[list[Row]], height: int) -> list[list[list[Row]]]:
    """Share the benches out over pages without breaking one."""
    pages: list[list[list[Row]]] = [[]]
    used = 0
    for block in blocks:
        if used + len(block) > height and pages[-1]:
            pages.append([])
            used = 0
        pages[-1].append(block)
        used += len(block)
    return pages


def _keys(choice: ChosenView, shown: int, width: int, ink: Ink) -> Row:
    if choice.typing:
        line = f" find: {ink.text(choice.text)}_   Enter keeps it   Escape shows all   ({shown} shown)"
    else:
        parts = [f"s sort: {choice.order}", "n show all" if choice.needing else "n only who needs"]
        parts.append(f"/ find: {ink.text(choice.text)}" if choice.text else "/ find")
        if choice.pages > 1:
            parts.append(f"PgUp PgDn {choice.page + 1} of {choice.pages}")
        line = next(
            (line for gap in ("   ", "  ") if cell_len(line := " " + gap.join([*parts, "q end"])) <= width),
            " q end  s sort  n need  / find  PgUp PgDn",
        )
    return fit([(line, "reverse")], width, "reverse")
