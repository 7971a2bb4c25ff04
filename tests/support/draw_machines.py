"""Draws each state machine from its table as an SVG file: `python -m tests.support.draw_machines`.

A column is a state, a row an input: an arrow goes from the state it comes in to where it leads, a ring is where it
changes nothing, and where there is neither it cannot come.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from enum import Enum
from html import escape
from pathlib import Path
from typing import Any

from capture.air import safety
from capture.strokes import machine

PICTURES = Path(__file__).resolve().parents[2] / "fixtures" / "pictures"
#: The tables: the name of the picture, what it shows, the table.
MACHINES: tuple[tuple[str, str, Mapping[Any, Enum]], ...] = (
    ("machine-strokes.svg", "The stroke finder: where each sign in the readings leads", machine.TABLE),
    ("machine-air.svg", "The air valve: where each request and each fault leads (open in APPLIED only)", safety.TABLE),
)
WORDS, COLUMN, ROW, TOP, LINE = 390, 130, 12, 64, "#335"


def draw(title: str, table: Mapping[tuple[Enum, Enum], Enum]) -> str:
    """Return the SVG of one machine."""
    states = list(type(next(iter(table))[0]))
    inputs: list[Hashable] = list(dict.fromkeys(asked for _, asked in table))
    at = {state: WORDS + COLUMN * index + COLUMN // 2 for index, state in enumerate(states)}
    parts: list[str] = []
    y = TOP
    for asked in inputs:
        cells = [(state, table[state, asked]) for state in states if (state, asked) in table]  # type: ignore[index]
        arrows = [(state, to) for state, to in cells if to is not state]
        middle = y + ROW * max(1, len(arrows)) // 2
        parts.append(f'<text x="16" y="{middle + 4}">{escape(f"{asked.name}: {asked.value}")}</text>')  # type: ignore[attr-defined]
        parts += [
            f'<circle cx="{at[state]}" cy="{middle}" r="4" fill="white" stroke="{LINE}"/>'
            for state, to in cells
            if to is state
        ]
        for index, (state, to) in enumerate(arrows):
            height = y + ROW * index + ROW // 2
            end = at[to] + (-3 if at[to] > at[state] else 3)
            parts.append(
                f'<circle cx="{at[state]}" cy="{height}" r="3" fill="{LINE}"/><line x1="{at[state]}" x2="{end}" '
                f'y1="{height}" y2="{height}" stroke="{LINE}" stroke-width="1.5" marker-end="url(#tip)"/>'
            )
        y += ROW * max(1, len(arrows)) + 10
    lines = [
        f'<text x="{at[state]}" y="{TOP - 14}" text-anchor="middle" font-weight="bold">{escape(state.name)}</text>'
        f'<line x1="{at[state]}" x2="{at[state]}" y1="{TOP - 6}" y2="{y}" stroke="#bbb"/>'
        for state in states
    ]
    width = WORDS + COLUMN * len(states)
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {y + 12}" font-family="sans-serif" '
            'font-size="13">',
            '<defs><marker id="tip" markerWidth="8" markerHeight="8" refX="6" refY="4" orient="auto">'
            f'<path d="M0,0 L8,4 L0,8 z" fill="{LINE}"/></marker></defs>',
            f'<rect width="{width}" height="{y + 12}" fill="white"/>',
            f'<text x="16" y="24" font-size="15">{escape(title)}</text>',
            *lines,
            *parts,
            "</svg>\n",
        ]
    )


if __name__ == "__main__":
    for name, title, table in MACHINES:
        (PICTURES / name).write_text(draw(title, table), encoding="utf-8")
