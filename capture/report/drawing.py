"""The report's pictures as SVG: a stroke's readings with its levels, the range with the interval, the shapes. Pure.

Everything is told by line, dash, shape or word as well, so that it survives a black and white printer. Lengths come in
nm and times in ns; coordinates are millimetres on paper. Elements are built as a tree, so no text can become markup.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal
from xml.etree.ElementTree import Element

from capture.clearance.verdict import Verdict, VerdictWord
from capture.output.words import number
from capture.report.svg import (
    BAND,
    INK,
    LEVEL,
    QUIET,
    Point,
    add,
    area,
    blank,
    line,
    markup_of,
    path,
    say_at,
)
from capture.report.traces import Trace
from capture.strokes.stroke import Stroke

__all__ = ["Scale", "Use", "legend", "mark_svg", "range_svg", "shape_svg", "stroke_svg"]

Use = Literal["counts", "seat", "not counted"]

#: Apart for the common colour vision deficiencies, and dark enough for white paper; nothing depends on them.
COLOURS: dict[VerdictWord, str] = {
    "good": "#006d77",
    "tight": "#8e1c7a",
    "loose": "#a34700",
    "inconclusive": "#3f3f46",
}
_PEAK_DASH, _HELD_DASH, _REST_DASH = "1.6 0.7", "0.6 0.6", "0.15 0.7"
_FRAMES: dict[Use, str] = {"counts": "none", "seat": "1.2 0.8", "not counted": "0.3 0.7"}
#: So many readings in one picture are dots; of more, every column keeps its lowest and highest.
_MOST_DOTS = 80
_TICKS_NS = tuple(n * 10**p for p in range(7, 12) for n in (1, 2, 5))


# -- shapes ------------------------------------------------------------------------------------------------------


def shape_svg(word: VerdictWord | None, size: float = 4.0) -> str:
    """Return a verdict's shape: pressed together, pulled apart, solid, or wavering; an empty ring for none."""
    svg = blank(2 * size, size, word or "no verdict")
    ink, s = COLOURS[word] if word else QUIET, size
    if word == "good":
        add(svg, "rect", x=0.1 * s, y=0.1 * s, width=1.8 * s, height=0.8 * s, fill=ink)
    elif word in ("tight", "loose"):
        tip, base = (0.95, 0.1) if word == "tight" else (0.1, 0.95)
        area(svg, [(base * s, 0.05 * s), (base * s, 0.95 * s), (tip * s, 0.5 * s)], ink)
        area(svg, [((2 - base) * s, 0.05 * s), ((2 - base) * s, 0.95 * s), ((2 - tip) * s, 0.5 * s)], ink)
    elif word == "inconclusive":
        for y in (0.3, 0.7):
            wave = [((0.1 + 0.3 * n) * s, (y + (0.15 if n % 2 else -0.15)) * s) for n in range(7)]
            path(svg, wave, ink, 0.16 * s)
    else:
        add(svg, "circle", cx=s, cy=0.5 * s, r=0.35 * s, fill="none", stroke=ink, stroke_width=0.1 * s)
    return markup_of(svg)


def _mark(parent: Element, use: Use, at: Point, r: float = 0.9) -> None:
    x, y = at
    if use == "not counted":
        line(parent, (x - r, y - r), (x + r, y + r), width=0.4)
        line(parent, (x - r, y + r), (x + r, y - r), width=0.4)
        return
    fill = INK if use == "counts" else "none"
    add(parent, "circle", cx=x, cy=y, r=r, fill=fill, stroke=INK, stroke_width=0.3)


def mark_svg(use: Use) -> str:
    """Return the mark that says what a stroke is used for: a disc counts, a ring seats, a cross is not counted."""
    svg = blank(2.6, 2.6, use)
    _mark(svg, use, (1.3, 1.3))
    return markup_of(svg)


# -- a stroke ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Scale:
    """What the pictures of one check share, so that their heights compare. Lengths nm."""

    low_nm: int
    high_nm: int
    top_nm: int
    """The highest travel among its strokes."""
    measure: str
    unit: str


def stroke_svg(stroke: Stroke, use: Use, trace: Trace, scale: Scale, width: float = 30.5, height: float = 21.0) -> str:
    """Return one stroke's readings as travel from rest against the range, with its rest, held and peak levels.

    Readings far off the scale become triangles at its edge.
    """
    picture = _Picture(stroke, scale, width, height)
    svg = blank(width, height, f"stroke {stroke.n}, {use}")
    picture.ground(svg)
    picture.levels(svg)
    picture.readings(svg, trace, use)
    left, right, top, bottom = picture.box
    add(
        svg, "rect", x=left, y=top, width=right - left, height=bottom - top, fill="none", stroke=INK,
        stroke_width=0.25, stroke_dasharray=_FRAMES[use],
    )  # fmt: skip
    return markup_of(svg)


class _Picture:
    """Where things are in the picture of one stroke."""

    def __init__(self, stroke: Stroke, scale: Scale, width: float, height: float) -> None:
        self.stroke, self.scale = stroke, scale
        self.box = 7.0, width - 0.2, 0.2, height - 2.6
        lasted = max(1, stroke.end_ns - stroke.start_ns)
        margin = min(max(lasted // 6, 200_000_000), 800_000_000)
        self.begin_ns, self.end_ns = max(0, stroke.start_ns - margin), stroke.end_ns + margin
        self.highest = max(1, scale.high_nm, scale.top_nm) * 1.14
        self.lowest = min(-0.1 * self.highest, 1.2 * min(0, stroke.return_error_nm))

    def x(self, t_ns: float) -> float:
        left, right, _, _ = self.box
        return left + (t_ns - self.begin_ns) / (self.end_ns - self.begin_ns) * (right - left)

    def y(self, travel_nm: float) -> float:
        _, _, top, bottom = self.box
        within = min(max(travel_nm, self.lowest), self.highest)
        return top + (self.highest - within) / (self.highest - self.lowest) * (bottom - top)

    def ground(self, svg: Element) -> None:
        """The range as a grey band between its limits, and the scales at the edges."""
        left, right, _, bottom = self.box
        low, high = self.y(self.scale.low_nm), self.y(self.scale.high_nm)
        if self.scale.high_nm > self.scale.low_nm:
            add(svg, "rect", x=left, y=high, width=right - left, height=low - high, fill=BAND)
        told = [(high, self.scale.high_nm), (low, self.scale.low_nm), (self.y(0), 0)]
        said = -9.0
        for at, length_nm in told:
            if length_nm:
                line(svg, (left, at), (right, at), QUIET, 0.12)
            place = max(at + 0.7, said + 2.0)  # a narrow range may not print its limits into each other
            say_at(svg, number(length_nm, self.scale.unit) if length_nm else "0", (left - 0.6, place), anchor="end")
            said = place
        span = self.end_ns - self.begin_ns
        step = next((tick for tick in _TICKS_NS if span <= 6 * tick), _TICKS_NS[-1])
        for n in range(1, span // step + 1):
            at = self.x(self.begin_ns + n * step)
            line(svg, (at, bottom), (at, bottom + 0.6), INK, 0.15)
        say_at(svg, f"ticks {step / 1e9:g} s", (right, bottom + 2.4), anchor="end", ink=QUIET)

    def levels(self, svg: Element) -> None:
        left, right, _, _ = self.box
        rest = self.y(0)
        line(svg, (left, rest), (right, rest), INK, 0.3, _REST_DASH)
        first, last = self.x(self.stroke.start_ns), self.x(self.stroke.end_ns)
        for travel_nm, dash, name in (
            (self.stroke.peak_travel_nm, _PEAK_DASH, "peak"),
            (self.stroke.held_travel_nm, _HELD_DASH, "held"),
        ):
            at, judged = self.y(travel_nm), self.scale.measure == name
            line(svg, (first, at), (last, at), LEVEL, 0.45 if judged else 0.2, dash)

    def readings(self, svg: Element, trace: Trace, use: Use) -> None:
        """The readings themselves, joined unless the indicator was lost between them."""
        points = self._travels(trace)
        ink, dash = (INK, "none") if use != "not counted" else (QUIET, "0.9 0.5")
        dots = len(points) <= _MOST_DOTS
        for stretch in self._stretches(points, trace.gaps_ns):
            drawn = [(self.x(t_ns), self.y(travel)) for t_ns, travel in stretch]
            path(svg, drawn if dots else _thinned(drawn), ink, 0.2, dash)
            if dots:
                for x, y in drawn:
                    add(svg, "circle", cx=x, cy=y, r=0.26, fill=ink)
        marked: dict[float, float] = {}
        for t_ns, travel in points:
            if not self.lowest <= travel <= self.highest:
                x, y = self.x(t_ns), self.y(travel)
                if x - marked.get(y, -9) < 1.2:  # triangles on each other would be a bar
                    continue
                marked[y] = x
                away = 1.1 if travel > self.highest else -1.1
                area(svg, [(x, y), (x - 0.6, y + away), (x + 0.6, y + away)], INK)

    def _travels(self, trace: Trace) -> list[tuple[int, int]]:
        """The readings in the picture as travel from the stroke's rest, along it."""
        first = bisect_left(trace.readings, (self.begin_ns,))
        last = bisect_right(trace.readings, (self.end_ns, 1 << 62))
        shown = [(t_ns, value - self.stroke.released_nm) for t_ns, value in trace.readings[first:last]]
        # Nothing in the record says which way the indicator is mounted: most of a stroke lies on its own side.
        inside = [travel for t_ns, travel in shown if self.stroke.start_ns <= t_ns <= self.stroke.end_ns]
        direction = -1 if sum(inside) < 0 else 1
        return [(t_ns, direction * travel) for t_ns, travel in shown]

    @staticmethod
    def _stretches(points: list[tuple[int, int]], gaps_ns: Sequence[int]) -> list[list[tuple[int, int]]]:
        stretches: list[list[tuple[int, int]]] = []
        before: int | None = None
        for point in points:
            gap = before is not None and any(before <= at <= point[0] for at in gaps_ns)
            if before is None or gap:
                stretches.append([])
            stretches[-1].append(point)
            before = point[0]
        return stretches


def _thinned(points: Sequence[Point]) -> list[Point]:
    """Keep of every tenth of a millimetre the first, lowest, highest and last: no odd reading is lost."""
    kept: list[Point] = []
    column: list[Point] = []
    for point in [*points, (float("inf"), 0.0)]:
        if column and int(point[0] * 10 if point[0] < 1e6 else 1e7) != int(column[0][0] * 10):
            ends = {0, len(column) - 1}
            ends |= {pick(range(len(column)), key=lambda n: column[n][1]) for pick in (min, max)}
            kept += [column[n] for n in sorted(ends)]
            column = []
        column.append(point)
    return kept


# -- the range ---------------------------------------------------------------------------------------------------


def range_svg(
    low_nm: int, high_nm: int, preferred_nm: int | None, verdict: Verdict | None, unit: str, width: float = 76.0
) -> str:
    """Return the range as a grey band with its limits and preferred travel, and under it the mean with its interval."""
    height, middle, left, right = 11.0, 5.6, 1.5, width - 1.5
    span = max(1, high_nm - low_nm)
    first, last = low_nm - 0.35 * span, high_nm + 0.35 * span
    if verdict is not None:
        reach = verdict.expanded_uncertainty_nm + 0.08 * span
        first = max(min(first, verdict.mean_nm - reach), low_nm - 1.5 * span)
        last = min(max(last, verdict.mean_nm + reach), high_nm + 1.5 * span)

    def x(length_nm: float) -> float:
        return left + (length_nm - first) / (last - first) * (right - left)

    svg = blank(width, height, "the range, and the mean with its uncertainty")
    add(svg, "rect", x=x(low_nm), y=2.6, width=x(high_nm) - x(low_nm), height=5.8, fill=BAND)
    line(svg, (left, middle), (right, middle), QUIET, 0.15)
    for limit in (low_nm, high_nm):
        line(svg, (x(limit), 2.3), (x(limit), 8.7), INK, 0.45)
        say_at(svg, number(limit, unit), (x(limit), 10.6), anchor="middle")
    if preferred_nm is not None and low_nm <= preferred_nm <= high_nm:
        line(svg, (x(preferred_nm), 2.6), (x(preferred_nm), 8.4), INK, 0.2, _HELD_DASH)
        apart = min(x(preferred_nm) - x(low_nm), x(high_nm) - x(preferred_nm))
        if apart > 11:
            say_at(svg, number(preferred_nm, unit), (x(preferred_nm), 10.6), anchor="middle", ink=QUIET)
    mean = min(max(x(verdict.mean_nm), left), right) if verdict is not None else (left + right) / 2
    if mean > left + 12:
        say_at(svg, "tight", (left, 1.9), ink=QUIET)
    if mean < right - 12:
        say_at(svg, "loose", (right, 1.9), anchor="end", ink=QUIET)
    if verdict is None:
        return markup_of(svg)
    ink = COLOURS[verdict.verdict]
    ends = [verdict.mean_nm - verdict.expanded_uncertainty_nm, verdict.mean_nm + verdict.expanded_uncertainty_nm]
    within = [min(max(x(end), left), right) for end in ends]
    line(svg, (within[0], middle), (within[1], middle), ink, 1.0)
    for end, at, away in zip(ends, within, (-1.2, 1.2), strict=True):
        if first <= end <= last:
            line(svg, (at, middle - 1.5), (at, middle + 1.5), ink, 0.4)
        else:  # an interval that leaves the scale says so instead of ending as if it stopped there
            area(svg, [(at + away, middle), (at, middle - 1.3), (at, middle + 1.3)], ink)
    area(svg, [(mean - 1.1, middle), (mean, middle - 1.7), (mean + 1.1, middle), (mean, middle + 1.7)], ink)
    say_at(svg, number(verdict.mean_nm, unit), (min(max(mean, left + 4), right - 4), 1.9), anchor="middle", bold=True)
    return markup_of(svg)


def legend() -> list[tuple[str, str]]:
    """Return what explains the pictures of strokes: a sample of each line and mark, and its words."""
    found: list[tuple[str, str]] = []

    def sample(words: str) -> Element:
        svg = blank(6.0, 2.6, words)
        samples.append((svg, words))
        return svg

    samples: list[tuple[Element, str]] = []
    svg = sample("readings")
    path(svg, [(0.3, 1.3), (3, 1.3), (5.7, 1.3)], INK, 0.2)
    for x in (0.4, 3.0, 5.6):
        add(svg, "circle", cx=x, cy=1.3, r=0.3, fill=INK)
    levels = (("rest", _REST_DASH, INK), ("peak", _PEAK_DASH, LEVEL), ("held", _HELD_DASH, LEVEL))
    for words, dash, ink in levels:
        line(sample(words), (0, 1.3), (6, 1.3), ink, 0.4, dash)
    add(sample("range; the level that is judged is the thick one"), "rect", x=0, y=0.2, width=6, height=2.2, fill=BAND)
    found += [(markup_of(svg), words) for svg, words in samples]
    uses: tuple[tuple[Use, str], ...] = (
        ("counts", "counts, solid frame"),
        ("seat", "seats the pack, dashed frame, not averaged"),
        ("not counted", "not counted, dotted frame"),
    )
    return found + [(mark_svg(use), words) for use, words in uses]
