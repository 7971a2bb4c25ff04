"""A gauge's mornings as a page for the supervisor: level and spread as SVG, and a table of who checked. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from html import escape
from itertools import groupby
from typing import Final

from capture.clearance.gauge.chart import most_scatter
from capture.clearance.gauge.facts import GaugeEntry, GaugeEvent
from capture.clearance.gauge.standing import Morning
from capture.output.gauge_chart import events_of, in_order, what_of

_WIDTH, _HEIGHT, _LEFT, _RIGHT, _TOP, _BOTTOM = 900, 280, 60, 20, 40, 40
_LETTER: Final = 7.5
"""How wide a letter of a label is drawn, about."""
_STYLE: Final = (
    "body{font:16px sans-serif;margin:2rem;max-width:60rem}svg{width:100%;height:auto}"
    "table{border-collapse:collapse;width:100%;font-size:14px}th,td{text-align:left;padding:.15rem .6rem .15rem 0;"
    "border-bottom:1px solid #ccc;vertical-align:top;overflow-wrap:anywhere}.n{text-align:right;white-space:nowrap}"
    "th:first-child,td:first-child{white-space:nowrap}tr,svg,h2{break-inside:avoid}h2{break-after:avoid}"
    "@page{margin:15mm}@media print{body{margin:0;max-width:none;font-size:11pt}table{font-size:9pt}}"
)


def chart_page(mornings: Sequence[Morning], entries: Sequence[GaugeEntry], gauge: str) -> str:
    """Return one HTML page, readable without anything else."""
    title = f"Gauge {escape(gauge)}"
    if mornings:
        at = f"{mornings[-1].fact.check.masters[0].value_nm / 1e6:.4g} mm"
        events = events_of(entries, gauge)
        body = (
            f"<h2>Error at {at}, um: points, their moving average, limits</h2>{_level(mornings, events)}"
            f"<h2>Spread of the repeats, um: points, and the most that is usual</h2>{_spread(mornings, events)}"
            f"<h2>Mornings, the newest first</h2>{_table(mornings, events)}"
        )
    else:
        body = "<p>Not checked against a master yet.</p>"
    return (
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>{title}</title>\n<style>{_STYLE}</style>'
        f"</head><body><h1>{title}</h1>\n{body}</body></html>\n"
    )


def _level(mornings: Sequence[Morning], events: Sequence[GaugeEntry]) -> str:
    values = [one.charted.point.error_nm for one in mornings]
    limits = [one.charted.limits for one in mornings]
    edges = [[None if one is None else one.mean_nm + side * one.value_nm for one in limits] for side in (-1, 1)]
    known = [
        *(one.charted.point.error_nm for one in in_order(mornings)),
        *(edge for line in edges for edge in line if edge is not None),
    ]
    chart = _Chart(mornings, min(known), max(known), signed=True)
    averages: list[float | None] = [one.charted.average_nm for one in mornings]
    lines = [chart.line(averages, "#777"), *(chart.line(edge, "#555", ' stroke-dasharray="5 3"') for edge in edges)]
    return chart.drawn("Error", [*lines, *chart.points(values, "level")], events)


def _spread(mornings: Sequence[Morning], events: Sequence[GaugeEntry]) -> str:
    values = [one.charted.point.spread.sd for one in mornings]
    most = [
        None if one.charted.limits is None else most_scatter(one.charted.point, one.charted.limits) for one in mornings
    ]
    top = max(*values, *(edge for edge in most if edge is not None), 1_000.0)
    chart = _Chart(mornings, 0.0, top, signed=False)
    line = chart.line(most, "#555", ' stroke-dasharray="5 3"')
    return chart.drawn("Spread", [line, *chart.points(values, "spread")], events)


class _Chart:
    """Draws over the mornings, evenly from left to right, between the lowest and the highest value, nm."""

    def __init__(self, mornings: Sequence[Morning], lowest: float, highest: float, *, signed: bool) -> None:
        self._range = max(highest - lowest, 1_000.0)
        self._mornings, self._lowest = mornings, lowest - (self._range - highest + lowest) / 2
        self._told = "{:+.1f}" if signed else "{:.1f}"
        self._dot = max(2.0, min(4.0, 300 / len(mornings)))

    def _x(self, place: float) -> float:
        return _LEFT + (_WIDTH - _LEFT - _RIGHT) * (place + 0.5) / len(self._mornings)

    def _y(self, nm: float) -> float:
        return _HEIGHT - _BOTTOM - (_HEIGHT - _TOP - _BOTTOM) * (nm - self._lowest) / self._range

    def _phases(self) -> Iterator[list[int]]:
        def phase(place: int) -> int:
            return self._mornings[place].charted.point.phase

        return (list(places) for _, places in groupby(range(len(self._mornings)), key=phase))

    def line(self, values: Sequence[float | None], colour: str, more: str = "") -> str:
        """Draw a line through values, broken where a phase ends and where there is none."""
        path = []
        for phase in self._phases():
            there = [(place, value) for place in phase if (value := values[place]) is not None]
            path.append("M" + " L".join(f"{self._x(place):.1f},{self._y(nm):.1f}" for place, nm in there))
        drawn = " ".join(one for one in path if one != "M")
        return f'<path d="{drawn}" fill="none" stroke="{colour}"{more}/>'

    def points(self, values: Sequence[float], which: str) -> Iterator[str]:
        """Draw a point for each morning, large and black where it is an alarm of this chart; one beyond the chart at
        its edge, with its value."""
        for place, (one, value) in enumerate(zip(self._mornings, values, strict=True)):
            shown = min(max(value, self._lowest), self._lowest + self._range)
            outside = one.charted.word == which or shown != value
            told = f"{one.entry.at.astimezone():%Y-%m-%d %H:%M}, {one.fact.by}: {self._told.format(value / 1000)} um"
            yield (
                f'<circle cx="{self._x(place):.1f}" cy="{self._y(shown):.1f}" r="{6 if outside else self._dot:.1f}" '
                f'fill="{"black" if outside else "white"}" stroke="black"><title>{escape(told)}</title></circle>'
            )
            if shown != value:
                x, y = self._x(place) - 10, self._y(shown) + (20 if value > shown else -10)
                told = self._told.format(value / 1000)
                yield f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="end">{told}</text>'

    def drawn(self, name: str, lines: Sequence[str], events: Sequence[GaugeEntry]) -> str:
        """Return the chart with its scale, its days, and what happened to the gauge."""
        return (
            f'<svg viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" aria-label="{name}" font-size="14">'
            f"{''.join([*self._scale(), *self._days(), *self._happened(events), *lines])}</svg>"
        )

    def _scale(self) -> Iterator[str]:
        for part in (0.0, 0.5, 1.0):
            nm = self._lowest + part * self._range
            y = self._y(nm)
            yield f'<line x1="{_LEFT}" x2="{_WIDTH - _RIGHT}" y1="{y:.1f}" y2="{y:.1f}" stroke="#ccc"/>'
            yield f'<text x="{_LEFT - 8}" y="{y + 5:.1f}" text-anchor="end">{self._told.format(nm / 1000)}</text>'

    def _days(self) -> Iterator[str]:
        count = len(self._mornings)
        for place in sorted({0, count // 4, count // 2, 3 * count // 4, count - 1} if count > 8 else {0, count - 1}):
            anchor = "middle" if 0 < place < count - 1 or count == 1 else "end" if place else "start"
            day = f"{self._mornings[place].entry.at.astimezone():%Y-%m-%d}"
            yield f'<text x="{self._x(place):.1f}" y="{_HEIGHT - 12}" text-anchor="{anchor}">{day}</text>'

    def _happened(self, events: Sequence[GaugeEntry]) -> Iterator[str]:
        """Draw each event between the mornings it is between, its name above where there is room."""
        free = 0.0
        for event in events:
            assert isinstance(event.fact, GaugeEvent)
            before = sum(one.entry.number < event.number for one in self._mornings)
            x, word = self._x(before - 0.5), event.fact.event
            yield f'<line x1="{x:.1f}" x2="{x:.1f}" y1="{_TOP - 8}" y2="{_HEIGHT - _BOTTOM}" stroke="#555"/>'
            wide = _LETTER * len(word)
            left = min(x, _WIDTH - wide)
            if left >= free:
                free = left + wide + _LETTER
                yield f'<text x="{left:.1f}" y="{_TOP - 14}">{escape(word)}</text>'


def _table(mornings: Sequence[Morning], events: Sequence[GaugeEntry]) -> str:
    rows: list[tuple[int, str]] = []
    for one in mornings:
        point, limits = one.charted.point, one.charted.limits
        usual = "" if limits is None else f"{limits.mean_nm / 1000:+.1f} ± {limits.value_nm / 1000:.1f}"
        figures = "".join(
            f'<td class="n">{text}</td>'
            for text in (f"{point.error_nm / 1000:+.1f}", usual, f"{point.spread.sd / 1000:.2f}")
        )
        told = f"<td>{escape(what_of(one))}</td><td>{escape(one.fact.by)}</td>"
        rows.append((one.entry.number, f"<tr><td>{_when(one.entry)}</td>{figures}{told}</tr>"))
    for event in events:
        assert isinstance(event.fact, GaugeEvent)
        word = f"<b>{escape(event.fact.event)}</b>{escape(f': {event.fact.note}' if event.fact.note else '')}"
        by = escape(event.fact.by)
        rows.append((event.number, f'<tr><td>{_when(event)}</td><td colspan="4">{word}</td><td>{by}</td></tr>'))
    head = '<th>When</th><th class="n">Error</th><th class="n">Usual</th><th class="n">Spread</th><th></th><th>Who</th>'
    body = "".join(row for _, row in sorted(rows, reverse=True))
    return f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"


def _when(entry: GaugeEntry) -> str:
    return f"{entry.at.astimezone():%Y-%m-%d %H:%M}"
