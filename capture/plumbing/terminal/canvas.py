"""Rows of styled cells: fitting, wrapping, the frame that rich prints. No layout; `clean` is in `plaintext.py`."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from rich.cells import cell_len, chop_cells, set_cell_size
from rich.console import Console, ConsoleOptions, RenderResult
from rich.measure import Measurement
from rich.segment import Segment

from capture.plumbing.plaintext import clean

__all__ = ["Frame", "Ink", "Row", "beside", "clean", "fit", "plain", "row_width", "wrap"]

#: One line of the screen: stretches of text, each with a rich style.
Row = list[tuple[str, str]]


@dataclass(frozen=True, slots=True)
class Ink:
    """What this terminal can draw: block characters, or ASCII alone."""

    ascii_only: bool = False

    def text(self, text: str) -> str:
        """Return `text` cleaned, in the characters at hand."""
        return clean(text, self.ascii_only)

    def pick(self, drawn: str, spelled: str) -> str:
        """Return the drawn form, or the ASCII one."""
        return spelled if self.ascii_only else drawn


def row_width(row: Row) -> int:
    """Return the cells that `row` fills."""
    return sum(cell_len(text) for text, _ in row)


def fit(row: Row, width: int, style: str = "") -> Row:
    """Return `row` cut or padded (in `style`) to exactly `width` cells."""
    fitted: Row = []
    left = width
    for text, text_style in row:
        size = cell_len(text)
        if size > left:
            fitted.append((set_cell_size(text, left), text_style))
            return fitted
        fitted.append((text, text_style))
        left -= size
    if left > 0:
        fitted.append((" " * left, style))
    return fitted


def shorten(text: str, width: int, ink: Ink) -> str:
    """Return `text` in at most `width` cells; one that was cut ends in a mark that says so."""
    if cell_len(text) <= width:
        return text
    mark = ink.pick("…", "~")
    return set_cell_size(text, max(0, width - 1)).rstrip() + mark if width > 0 else ""


def beside(
    left: list[Row], right: list[Row], left_width: int, right_width: int, between: Row, height: int
) -> list[Row]:
    """Return two columns as one, `height` rows of exactly both widths and what goes between."""
    rows = []
    for index in range(height):
        one = fit(left[index] if index < len(left) else [], left_width)
        two = fit(right[index] if index < len(right) else [], right_width)
        rows.append([*one, *between, *two])
    return rows


def wrap(text: str, width: int, most: int) -> list[str]:
    """Break cleaned `text` at blanks into at most `most` lines of `width` cells; '..' ends a text cut short."""
    lines: list[str] = []
    line = ""
    for word in text.split():
        chunks = chop_cells(word, width) if cell_len(word) > width else [word]
        for chunk in chunks:
            joined = f"{line} {chunk}" if line else chunk
            if cell_len(joined) <= width:
                line = joined
            else:
                lines.append(line)
                line = chunk
    if line:
        lines.append(line)
    if len(lines) > most:
        lines = lines[:most]
        if lines:
            lines[-1] = set_cell_size(lines[-1], min(cell_len(lines[-1]), width - 2)) + ".."
    return lines


def plain(rows: Iterable[Row]) -> str:
    """Return the rows as bare text."""
    return "\n".join("".join(text for text, _ in row) for row in rows)


class Frame:
    """A screen as a rich renderable: exactly `height` rows of `width` cells, its text never read as markup."""

    __slots__ = ("height", "rows", "width")

    def __init__(self, rows: list[Row], width: int, height: int) -> None:
        self.width = width
        self.height = height
        self.rows = [fit(row, width) for row in rows[:height]]
        self.rows += [fit([], width) for _ in range(height - len(self.rows))]

    @property
    def text(self) -> str:
        """The screen without styles."""
        return plain(self.rows)

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        for row in self.rows:
            for text, style in row:
                yield Segment(text, console.get_style(style) if style else None)
            yield Segment.line()

    def __rich_measure__(self, console: Console, options: ConsoleOptions) -> Measurement:
        return Measurement(self.width, self.width)
