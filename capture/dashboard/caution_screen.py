"""What people must hear before air is applied, and the first screen of a session that says it."""

from __future__ import annotations

from collections.abc import Sequence

from capture.output.words import CAUTIONS
from capture.plumbing.terminal.canvas import Frame, Ink, Row, wrap


def caution_screen(width: int, height: int, *, ascii_only: bool = False) -> Frame:
    """Return the cautions as a full screen; the caller shows it until a key is pressed."""
    title = "  Air-applied packs move suddenly and with force."
    return message_screen(
        "CAUTION", CAUTIONS, width, height, beside=title, foot="Press any key when this is so.", ascii_only=ascii_only
    )


def message_screen(
    title: str,
    texts: Sequence[str],
    width: int,
    height: int,
    *,
    beside: str = "",
    foot: str = "",
    ascii_only: bool = False,
) -> Frame:
    """Return a full screen of a few sentences that nobody may miss."""
    ink = Ink(ascii_only)
    column = max(1, min(width - 4, 100))
    head: Row = [(title, "bold yellow reverse"), (beside, "bold")]
    # Too low a window loses the blank rows first, never a caution.
    blocks = [wrap(ink.text(text), max(1, column - 2), height) for text in texts]
    airy = sum(len(lines) + 1 for lines in blocks) + 4 <= height
    rows: list[Row] = [head] + ([[]] if airy else [])
    for lines in blocks:
        for index, line in enumerate(lines):
            mark = ink.pick("▪ ", "* ") if index == 0 else "  "
            rows.append([(mark, "bold yellow"), (line, "")])
        if airy:
            rows.append([])
    if foot:
        rows.append([(foot, "bold")])
    top = max(0, (height - len(rows)) // 2)
    left = max(0, (width - column) // 2)
    margin: list[Row] = [[] for _ in range(top)]
    return Frame([*margin, *([(" " * left, ""), *row] for row in rows)], width, height)
