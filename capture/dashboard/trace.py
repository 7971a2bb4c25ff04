"""The stroke trace: the last seconds of travel from rest, drawn in dots against the range."""

from __future__ import annotations

from capture.dashboard.view import BenchView
from capture.output.words import number
from capture.plumbing.terminal.canvas import Ink, Row

_SECOND_NS = 1_000_000_000
#: Dot bits of a braille cell (ISO/IEC 10646 block 2800), by column and row.
_DOTS = ((0x01, 0x02, 0x04, 0x40), (0x08, 0x10, 0x20, 0x80))
_WIDE = 90


def trace_rows(view: BenchView, width: int, rows: int, ink: Ink) -> list[Row]:
    """Return `rows` rows of `width` cells: the last 10 s (20 s where there is room), newest at the right."""
    label_width = len(number(max(view.high_nm, 1), view.display_unit)) + 1
    plot = width - label_width
    if rows < 1 or plot < 10 or view.silence:  # a trace that stands still would pass for a pack at rest
        return []
    across, down = (1, 1) if ink.ascii_only else (2, 4)
    columns, levels = plot * across, rows * down
    window_ns = (20 if plot >= _WIDE else 10) * _SECOND_NS
    newest = view.trace[-1][0] if view.trace else 0
    recent = []
    for point in reversed(view.trace):
        if newest - point[0] >= window_ns:
            break
        recent.append(point)
    recent.reverse()
    bottom = min([0, *(offset for _, offset in recent)])
    top = max([1, round(view.high_nm * 1.1), *(offset for _, offset in recent)])

    def level(length_nm: int) -> int:
        return round((length_nm - bottom) / (top - bottom) * (levels - 1))

    # Every column keeps the lowest and highest level in it, stretched to meet the column before: one odd
    # reading stays visible however many readings share a column.
    spans: dict[int, tuple[int, int]] = {}
    before: int | None = None
    for t_ns, offset in recent:
        x = columns - 1 - (newest - t_ns) * columns // window_ns
        y = level(offset)
        lowest, highest = spans.get(x, (y, y))
        if before is not None:
            lowest, highest = min(lowest, before), max(highest, before)
        spans[x] = (min(lowest, y), max(highest, y))
        before = y

    cells = [[0] * plot for _ in range(rows)]
    for x, (lowest, highest) in spans.items():
        for y in range(lowest, highest + 1):
            row, part = divmod(levels - 1 - y, down)
            cells[row][x // across] |= 1 if ink.ascii_only else _DOTS[x % across][part]

    marks: dict[int, str] = {}
    for length_nm in (view.high_nm, view.low_nm):
        if length_nm > 0:
            marks.setdefault((levels - 1 - level(length_nm)) // down, number(length_nm, view.display_unit))
    marks.setdefault((levels - 1 - level(0)) // down, "rest")
    guide = ink.pick("·", ".")
    drawn: list[Row] = []
    for index, line in enumerate(cells):
        empty = guide if index in marks else " "
        if ink.ascii_only:
            text = "".join("*" if cell else empty for cell in line)
        else:
            text = "".join(chr(0x2800 + cell) if cell else empty for cell in line)
        drawn.append([(text, "bold"), (f" {marks.get(index, '')}", "")])
    if rows >= 8:
        drawn[-1] = _time_axis(plot, window_ns // _SECOND_NS, drawn[-1])
    return drawn


def _time_axis(plot: int, seconds: int, row: Row) -> Row:
    """Return the bottom row with its span in words where the trace leaves the left end free."""
    text = row[0][0]
    note = f"last {seconds} s"
    head = text[: len(note) + 2]
    if plot > 40 and not any(0x2800 <= ord(c) <= 0x28FF or c == "*" for c in head):
        return [(note + text[len(note) :], row[0][1]), *row[1:]]
    return row
