"""The pictures of a shop's report: what is known of each of several things on one scale, and a gauge's mornings. Pure.

Everything is told by place, shape or word as well as by colour. Coordinates are millimetres on paper.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Self
from xml.etree.ElementTree import Element

from capture.collect.statistics.figures import Interval
from capture.report.svg import BAND, INK, LEVEL, QUIET, add, area, blank, line, markup_of, path, say_at

WIDTH = 185.0
_LABELS, _NOTES, _ROW = 62.0, 36.0, 6.4
#: As many characters of a label as fit beside its row; a longer one stands above it, over the whole width.
_BESIDE, _ABOVE = 50, 3.4


@dataclass(frozen=True, slots=True)
class Bar:
    """One row: what it is of, its estimate with its interval, and what stands beside it; nothing where too little is
    known for a number. `band` is where it may be."""

    label: str
    value: float | None
    low: float = 0.0
    high: float = 0.0
    note: str = ""
    band: tuple[float, float] | None = None

    @classmethod
    def of(cls, label: str, known: Interval | None, note: str, too_little: str = "") -> Self:
        """Return the row of an estimate with its note, or with another where too little is known."""
        if known is None:
            return cls(label, None, note=too_little)
        return cls(label, known.value, known.low, known.high, note)


@dataclass(frozen=True, slots=True)
class ChartScale:
    """What a picture's scale goes from and to, with the marks on it and their words."""

    low: float
    high: float
    marks: tuple[tuple[float, str], ...]

    @classmethod
    def from_zero(cls, most: float, words: Callable[[float], str]) -> Self:
        """Return a scale from nothing to a little beyond `most`, marked there, in the middle and at nothing."""
        return cls(0.0, most * 1.1, tuple((most * n / 2, words(most * n / 2)) for n in range(3)))

    @classmethod
    def either_side(cls, most: float, words: Callable[[float], str], middle: str) -> Self:
        """Return a scale to a little beyond `most` on either side of nothing, which is called `middle`."""
        return cls(-most * 1.1, most * 1.1, ((-most, words(-most)), (0.0, middle), (most, words(most))))


def bars_svg(bars: Sequence[Bar], scale: ChartScale, name: str) -> str:
    """Return the rows as a picture: a dot for what is estimated, a line for what it may be."""
    above = _ABOVE if any(len(bar.label) > _BESIDE for bar in bars) else 0.0
    row = _ROW + above
    height = row * len(bars) + 6.0
    svg = blank(WIDTH, height, name)
    left, right = _LABELS, WIDTH - _NOTES

    def x(value: float) -> float:
        share = (value - scale.low) / (scale.high - scale.low)
        return left + (right - left) * min(1.0, max(0.0, share))

    foot = height - 4.5
    for at, text in scale.marks:
        line(svg, (x(at), 0.5), (x(at), foot), QUIET, 0.15, "0.6 0.6")
        say_at(svg, text, (x(at), height - 1.2), anchor="middle", ink=QUIET)
    for n, bar in enumerate(bars):
        y = row * n + above + _ROW / 2 + 0.5
        say_at(svg, bar.label, (0, y + 0.8 - above), 2.3)
        say_at(svg, bar.note, (right + 2.0, y + 0.8), 2.1)
        if bar.band is not None:
            start, end = x(bar.band[0]), x(bar.band[1])
            add(svg, "rect", x=start, y=y - 2.0, width=max(end - start, 0.1), height=4.0, fill=BAND)
        if bar.value is None:
            say_at(svg, "too few for a number", ((left + right) / 2, y + 0.8), 2.1, "middle", QUIET)
            continue
        line(svg, (x(bar.low), y), (x(bar.high), y), LEVEL, 0.7)
        for end_at in (bar.low, bar.high):
            if scale.low <= end_at <= scale.high:
                line(svg, (x(end_at), y - 1.1), (x(end_at), y + 1.1), LEVEL, 0.35)
        _dot(svg, x(bar.value), y, scale.low <= bar.value <= scale.high)
    return markup_of(svg)


def _dot(svg: Element, x: float, y: float, inside: bool) -> None:
    if inside:
        add(svg, "circle", cx=x, cy=y, r=1.1, fill=INK)
    else:  # beyond the scale: a point that shows where to
        area(svg, [(x - 1.0, y - 1.2), (x + 1.0, y), (x - 1.0, y + 1.2)], INK)


def mornings_svg(
    days: Sequence[float], errors_nm: Sequence[int], limit_nm: int, trend: tuple[float, float] | None, name: str
) -> str:
    """Return a gauge's errors morning by morning, between its limits where they are known. `trend` is the error at the
    newest morning and its slope a day, nm, where one is shown."""
    height = 32.0
    svg = blank(WIDTH, height, name)
    say_at(svg, name, (0, 2.6), 2.3, bold=True)
    left, right, top, foot = 22.0, WIDTH - 3.0, 4.5, height - 5.0
    reach = max([abs(error) for error in errors_nm] + ([limit_nm] if limit_nm else []) + [1]) * 1.1
    first, last = days[0], max(days[-1], days[0] + 1)

    def at(day: float, error: float) -> tuple[float, float]:
        across = left + (right - left) * (day - first) / (last - first)
        return across, (top + foot) / 2 - (foot - top) / 2 * max(-1.0, min(1.0, error / reach))

    for value, text in ((0, "0"), *(((limit_nm, "limit"), (-limit_nm, "limit")) if limit_nm else ())):
        y = at(first, value)[1]
        line(
            svg, (left, y), (right, y), INK if value else QUIET, 0.3 if value else 0.15, "none" if value else "0.6 0.6"
        )
        say_at(svg, f"{value / 1000:+.0f} µm {text}" if value else "0", (left - 1.5, y + 0.7), 2.0, "end")
    if trend is not None:
        now, slope = trend
        path(svg, [at(first, now - slope * (days[-1] - first)), at(days[-1], now)], LEVEL, 0.5)
    for day, error in zip(days, errors_nm, strict=True):
        x, y = at(day, error)
        add(svg, "circle", cx=x, cy=y, r=0.7, fill=INK)
    say_at(svg, f"{len(days)} mornings, {last - first:.0f} days", (right, height - 1.0), 2.0, "end", QUIET)
    return markup_of(svg)
