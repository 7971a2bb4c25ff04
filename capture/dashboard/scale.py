"""The range as a wide scale: limits, preferred travel, and mean with expanded uncertainty as a bar."""

from __future__ import annotations

from capture.clearance.verdict import Verdict
from capture.dashboard.view import BenchView
from capture.output.words import LOOKS, number
from capture.plumbing.terminal.canvas import Ink, Row

_MARGIN = 0.5
_FARTHEST = 1.5


def _axis(view: BenchView, verdict: Verdict | None) -> tuple[float, float]:
    """Return the lengths at both ends: the range with room beside it, more if the bar needs it."""
    span = max(1, view.high_nm - view.low_nm)
    left, right = view.low_nm - _MARGIN * span, view.high_nm + _MARGIN * span
    if verdict is not None:
        left = min(left, verdict.mean_nm - verdict.expanded_uncertainty_nm - 0.1 * span)
        right = max(right, verdict.mean_nm + verdict.expanded_uncertainty_nm + 0.1 * span)
    return max(left, view.low_nm - _FARTHEST * span), min(right, view.high_nm + _FARTHEST * span)


def _place(line: list[str], text: str, at: int) -> bool:
    """Write `text` around column `at` unless it would touch what is there; return whether it fitted."""
    start = max(0, min(len(line) - len(text), at - len(text) // 2))
    around = line[max(0, start - 1) : start + len(text) + 1]
    if len(text) > len(line) or any(c != " " for c in around):
        return False
    line[start : start + len(text)] = text
    return True


def scale_rows(view: BenchView, width: int, rows: int, ink: Ink) -> list[Row]:
    """Return the scale in `rows` (at least 4) rows of `width` cells; empty where the view has no range."""
    if view.high_nm <= view.low_nm or rows < 4 or width < 20:
        return []
    verdict = view.verdict
    left, right = _axis(view, verdict)

    def column(length_nm: float) -> int:
        return round((length_nm - left) / (right - left) * (width - 1))

    low, high, preferred = column(view.low_nm), column(view.high_nm), column(view.preferred_nm)
    unit = view.display_unit
    labels = [" "] * width
    _place(labels, number(view.low_nm, unit), low)
    _place(labels, number(view.high_nm, unit), high)
    has_preferred = view.low_nm <= view.preferred_nm <= view.high_nm
    if has_preferred:
        _place(labels, number(view.preferred_nm, unit), preferred)
    _place(labels, "tight", 2)
    _place(labels, "loose", width - 3)

    band_height = max(1, (rows - 2) // 2)
    bar_height = max(1, rows - 2 - band_height)
    band = [ink.pick("─", "-")] * width
    band[low : high + 1] = [ink.pick("▒", "=")] * (high - low + 1)
    if has_preferred:
        band[preferred] = ink.pick("┃", ":")
    band[low] = band[high] = ink.pick("█", "|")
    band_row: Row = [
        ("".join(band[:low]), ""),
        ("".join(band[low : high + 1]), "green"),
        ("".join(band[high + 1 :]), ""),
    ]
    drawn: list[Row] = [[("".join(labels), "bold")]]
    drawn += [list(band_row) for _ in range(band_height)]
    if verdict is None:
        drawn.append([("no mean yet".center(width), "")])
        return drawn

    style = LOOKS[verdict.verdict].style
    first = column(verdict.mean_nm - verdict.expanded_uncertainty_nm)
    last = column(verdict.mean_nm + verdict.expanded_uncertainty_nm)
    bar = [" "] * width
    for x in range(max(0, first), min(width - 1, last) + 1):
        bar[x] = ink.pick("█", "#")
    # A bar that leaves the scale says so instead of ending as if it stopped there.
    if first < 0:
        bar[0] = ink.pick("◄", "<")
    if last > width - 1:
        bar[-1] = ink.pick("►", ">")
    drawn += [[("".join(bar), style)] for _ in range(bar_height)]

    mean = max(0, min(width - 1, column(verdict.mean_nm)))
    length = f"{number(verdict.mean_nm, unit)} ± {number(verdict.expanded_uncertainty_nm, unit)} {unit}"
    so_far = " so far" if 0 <= view.pack < len(view.packs) and view.packs[view.pack].state == "measuring" else ""
    basis = f"{verdict.coverage:.0%}, {verdict.strokes} strokes{so_far}"
    note = [" "] * width
    note[mean] = ink.pick("▲", "^")
    for text in (f"{length} ({basis})", f"{length}{so_far}", length):
        said = ink.text(text)
        if len(said) <= width - mean - 2:
            note[mean + 2 : mean + 2 + len(said)] = said
            break
        if len(said) <= mean - 1:
            note[mean - 1 - len(said) : mean - 1] = said
            break
    drawn.append([("".join(note), "bold")])
    return drawn
