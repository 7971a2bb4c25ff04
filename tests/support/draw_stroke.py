"""Draws one stroke of a recording with its levels, its tail and its flags as an SVG file:

python -m tests.support.draw_stroke fixtures/recordings/line-50hz-in-leak.jsonl 4 fixtures/pictures/stroke-leak.svg
"""

from __future__ import annotations

import sys
from html import escape
from pathlib import Path

from capture.output.words import FLAG_WORDS
from capture.recordings.replay import Replay
from capture.strokes.stroke import Stroke
from drivers.units import format_length

WIDTH, HEIGHT, LEFT, RIGHT, TOP, BOTTOM = 900, 420, 80, 210, 40, 50


def readings(path: Path) -> list[tuple[int, int]]:
    """Every reading of a recording as (t_ns, displayed nm)."""
    replay = Replay(path, keep_readings=True)
    for _ in replay.strokes():
        pass
    return replay.readings


def draw(path: Path, stroke: Stroke) -> str:
    """Return the SVG."""
    margin_ns = 400_000_000
    shown = [
        (t_ns, value - stroke.released_nm)
        for t_ns, value in readings(path)
        if stroke.start_ns - margin_ns <= t_ns <= stroke.end_ns + 2 * margin_ns
    ]
    direction = 1 if sum(travel for _, travel in shown) > 0 else -1
    points = [(t_ns, direction * travel) for t_ns, travel in shown]
    begin, end = points[0][0], points[-1][0]
    top = max(stroke.peak_travel_nm, *(travel for _, travel in points)) * 1.08
    bottom = min(0, *(travel for _, travel in points)) - top * 0.04

    def x(t_ns: float) -> float:
        return LEFT + (t_ns - begin) / (end - begin) * (WIDTH - LEFT - RIGHT)

    def y(travel_nm: float) -> float:
        return TOP + (top - travel_nm) / (top - bottom) * (HEIGHT - TOP - BOTTOM)

    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" font-family="sans-serif" '
        'font-size="13">',
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="white"/>',
        f'<text x="{LEFT}" y="24" font-size="15">{escape(path.stem)}, stroke {stroke.n}</text>',
    ]

    def level(travel_nm: float, words: str, colour: str, dash: str, shift: int = 0) -> None:
        height = y(travel_nm)
        parts.append(
            f'<line x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{height:.1f}" y2="{height:.1f}" stroke="{colour}" '
            f'stroke-dasharray="{dash}"/>'
            f'<text x="{WIDTH - RIGHT + 8}" y="{height + 4 + shift:.1f}" fill="{colour}">{escape(words)}</text>'
        )

    level(0, "rest level", "#555", "2 3")
    level(stroke.peak_travel_nm, f"peak {format_length(stroke.peak_travel_nm, 'mm')}", "#a03000", "none", -10)
    level(stroke.held_travel_nm, f"held {format_length(stroke.held_travel_nm, 'mm')}", "#004c99", "7 4", 10)
    for share in (0.1, 0.9):
        level(stroke.held_travel_nm * share, f"{share:.0%} of held", "#888", "1 4")
    for t_ns, words in ((stroke.start_ns, "start"), (stroke.end_ns, "end")):
        parts.append(
            f'<line x1="{x(t_ns):.1f}" x2="{x(t_ns):.1f}" y1="{TOP}" y2="{HEIGHT - BOTTOM}" stroke="#bbb"/>'
            f'<text x="{x(t_ns) + 4:.1f}" y="{HEIGHT - BOTTOM - 6}" fill="#777">{words}</text>'
        )
    line = " ".join(f"{x(t_ns):.1f},{y(travel):.1f}" for t_ns, travel in points)
    parts.append(f'<polyline points="{line}" fill="none" stroke="#222" stroke-width="1"/>')
    parts += [f'<circle cx="{x(t_ns):.1f}" cy="{y(travel):.1f}" r="2.2" fill="#222"/>' for t_ns, travel in points]
    words = [
        f"rise 10-90 %: {stroke.rise_ns / 1e6:.0f} ms",
        f"late in the hold: {format_length(stroke.creep_nm, 'mm')}",
        f"return error: {format_length(stroke.return_error_nm, 'mm')}",
        *(f"{flag}: {FLAG_WORDS[flag]}" for flag in stroke.flags),
        "counts" if stroke.accepted else "is not counted",
    ]
    for index, text in enumerate(words):
        parts.append(f'<text x="{WIDTH - RIGHT + 8}" y="{TOP + 110 + 18 * index}">{escape(text)}</text>')
    parts.append(
        f'<text x="{LEFT}" y="{HEIGHT - 18}" fill="#555">{(end - begin) / 1e9:.1f} s in all; a dot is a reading</text>'
    )
    return "\n".join([*parts, "</svg>", ""])


def main(path: Path, number: int, out: Path) -> None:
    """Draw stroke `number` of the recording at `path` into `out`."""
    strokes = [kept.stroke for kept in Replay(path).strokes()]
    stroke = next((one for one in strokes if one.n == number), None)
    if stroke is None:
        sys.exit(f"{path} has {len(strokes)} strokes, and none with the number {number}")
    out.parent.mkdir(parents=True, exist_ok=True)
    out.write_text(draw(path, stroke))


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), Path(sys.argv[3]))
