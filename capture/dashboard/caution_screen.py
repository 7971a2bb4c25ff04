"""What people must hear before air is applied, and the first screen of a session that says it."""

from __future__ import annotations

from capture.output.words import CAUTIONS
from capture.plumbing.terminal.canvas import Frame, Ink, Row, wrap

__all__ = ["caution_screen"]


def caution_screen(width: int, height: int, *, ascii_only: bool = False) -> Frame:
    """Return the cautions as a full screen; the caller shows it until a key is pressed."""
    ink = Ink(ascii_only)
    column = max(1, min(width - 4, 100))
    title: Row = [
        ("CAUTION", "bold yellow reverse"),
        ("  Air-applied packs move suddenly and with force.", "bold"),
    ]
    # Too low a window loses the blank rows first, never a caution.
    texts = [wrap(ink.text(text), max(1, column - 2), height) for text in CAUTIONS]
    airy = sum(len(lines) + 1 for lines in texts) + 4 <= height
    rows: list[Row] = [title] + ([[]] if airy else [])
    for lines in texts:
        for index, line in enumerate(lines):
            mark = ink.pick("▪ ", "* ") if index == 0 else "  "
            rows.append([(mark, "bold yellow"), (line, "")])
        if airy:
            rows.append([])
    rows.append([("Press any key when this is so.", "bold")])
    top = max(0, (height - len(rows)) // 2)
    left = max(0, (width - column) // 2)
    margin: list[Row] = [[] for _ in range(top)]
    return Frame([*margin, *([(" " * left, ""), *row] for row in rows)], width, height)
