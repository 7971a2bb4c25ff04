"""A gauge's mornings as people look at them in a terminal: a strip of two lines, and a list with bars. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from capture.clearance.gauge.facts import GaugeEntry, GaugeEvent
from capture.clearance.gauge.standing import Morning

#: How many mornings a strip shows, and a list.
STRIP: Final = 30
#: Dots of a braille cell by (column, row from the top).
_DOTS: Final = ((0x01, 0x02, 0x04, 0x40), (0x08, 0x10, 0x20, 0x80))
_WIDE: Final = 41
_MARKS: Final = {
    "in control": " ", "too few": " ", "look again": "◇ look again", "level": "◆ level", "spread": "▲ spread",
}  # fmt: skip


def strip(mornings: Sequence[Morning]) -> tuple[str, str]:
    """Return the newest 30 mornings as two lines of braille: eight levels, the usual error in the middle."""
    shown = mornings[-STRIP:]
    if not shown:
        return "", ""
    middle, half = _scale(shown)
    cells = [[0] * ((len(shown) + 1) // 2) for _ in range(2)]
    for place, one in enumerate(shown):
        level = 3.5 - 3.5 * (one.charted.point.error_nm - middle) / half
        row = min(7, max(0, round(level)))
        cells[row // 4][place // 2] |= _DOTS[place % 2][row % 4]
    upper, lower = ("".join(chr(0x2800 + cell) for cell in line) for line in cells)
    return upper, lower


def _scale(mornings: Sequence[Morning]) -> tuple[float, float]:
    """Return what is in the middle of a chart, and how far it goes to either side, nm; a gauge that was out lies beyond
    its edge, so that the other mornings can be told apart."""
    limits = mornings[-1].charted.limits
    errors = [one.charted.point.error_nm for one in in_order(mornings)]
    middle = limits.mean_nm if limits is not None else sum(errors) / len(errors)
    reach = max(abs(error - middle) for error in errors)
    return middle, max(reach, limits.value_nm if limits is not None else 0.0, 1_000.0)


def in_order(mornings: Sequence[Morning]) -> Sequence[Morning]:
    """Return the mornings that showed no gauge that is out; all of them where there is no other."""
    return [one for one in mornings if not one.out] or mornings


def events_of(entries: Sequence[GaugeEntry], gauge: str) -> list[GaugeEntry]:
    """Return what happened to a gauge, in order."""
    return [one for one in entries if isinstance(one.fact, GaugeEvent) and one.fact.gauge == gauge]


def chart_lines(mornings: Sequence[Morning], entries: Sequence[GaugeEntry], gauge: str, last: int) -> list[str]:
    """Return the newest mornings as lines, an event between those it stands between."""
    shown = mornings[-last:]
    if not shown:
        return [f"Gauge {gauge}: not checked against a master yet."]
    middle, half = _scale(shown)
    lines = [
        f"Gauge {gauge}: its error at {shown[-1].fact.check.masters[0].value_nm / 1e6:.4g} mm, um; "
        f"the bar goes from {(middle - half) / 1000:+.1f} to {(middle + half) / 1000:+.1f}"
    ]
    events = [one for one in events_of(entries, gauge) if one.number > shown[0].entry.number]
    for one in shown:
        while events and events[0].number < one.entry.number:
            lines.append(_event_line(events.pop(0)))
        lines.append(_line(one, middle, half))
    lines += [_event_line(one) for one in events]
    if (limits := shown[-1].charted.limits) is not None:
        lines.append(
            f"Usual {limits.mean_nm / 1000:+.1f} ± {limits.value_nm / 1000:.1f}, average within "
            f"{limits.average_nm / 1000:.1f}; repeats scatter by {limits.spread.sd / 1000:.2f}; from {limits.mornings} "
            "mornings."
        )
    return lines


def _line(one: Morning, middle: float, half: float) -> str:
    point, fact = one.charted.point, one.fact
    bar = ["·"] * _WIDE
    limits = one.charted.limits
    if limits is not None:
        for edge in (limits.mean_nm - limits.value_nm, limits.mean_nm + limits.value_nm):
            bar[_column(edge, middle, half)] = "|"
    bar[_column(one.charted.average_nm, middle, half)] = "○"
    bar[_column(point.error_nm, middle, half)] = "●"
    what = what_of(one)
    when = one.entry.at.astimezone()
    text = f"{when:%Y-%m-%d %H:%M} {point.error_nm / 1000:+6.1f} {point.spread.sd / 1000:5.2f} {''.join(bar)} {fact.by}"
    return f"{text}  {what}".rstrip()


def what_of(morning: Morning) -> str:
    """Return what there is to say of a morning, empty where it is in order and in control."""
    fact, charted = morning.fact, morning.charted
    if fact.check.refusal is not None:
        return "far off twice: out, or another master"
    told = [_MARKS[charted.word].strip(), fact.check.result if fact.check.result != "in order" else ""]
    told += ["as left" if fact.as_left else "", "out of control" if charted.alarm else ""]
    return ", ".join(word for word in told if word)


def _column(nm: float, middle: float, half: float) -> int:
    return min(_WIDE - 1, max(0, round((_WIDE - 1) * (0.5 + (nm - middle) / half / 2))))


def _event_line(entry: GaugeEntry) -> str:
    assert isinstance(entry.fact, GaugeEvent)
    note = f": {entry.fact.note}" if entry.fact.note else ""
    return f"{entry.at.astimezone():%Y-%m-%d %H:%M} -- {entry.fact.event}{note} ({entry.fact.by})"
