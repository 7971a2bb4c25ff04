"""The side of the screen: the unit's packs with their verdicts, and this pack's strokes with their flags."""

from __future__ import annotations

from rich.cells import cell_len

from capture.clearance.check import StrokeKept
from capture.dashboard.view import BenchView, PackView
from capture.output.words import CAUTIONS, LOOKS, RECHECK, chance, counted, flag_words, number, travel_nm
from capture.plumbing.terminal.canvas import Ink, Row, fit, row_width, shorten, wrap


def _ends(left: Row, right: Row, width: int) -> Row:
    """Return `left` with `right` at the far end; where `left` must be cut for that, '..' says so."""
    room = width - row_width(right) - 1
    if room <= 2:
        return fit(left, width)
    if row_width(left) > room:
        left = [*fit(left, room - 2), ("..", "")]
    return [*fit(left, room), (" ", ""), *right]


def _pack_row(pack: PackView, current: bool, unit: str, width: int, ink: Ink) -> Row:
    name = ink.text(pack.name)
    pointer = ink.pick("▸", ">") if current else " "
    style = "bold" if current else ""
    verdict = pack.verdict
    if verdict is None or pack.state == "waiting":
        word = {"waiting": "waiting", "measuring": "measuring", "done": "done"}[pack.state]
        mark = (ink.pick("··", ".."), style)
        tails = [word]
    elif pack.recheck:
        mark = (ink.pick(RECHECK.shape, RECHECK.ascii_shape), RECHECK.style)
        tails = [f"re-check needed, was {verdict.verdict}", "re-check needed", "re-check"]
    else:
        look = LOOKS[verdict.verdict]
        mark = (ink.pick(look.shape, look.ascii_shape), look.style)
        word = verdict.verdict + (" so far" if pack.state == "measuring" else "")
        value = ink.text(f"{number(verdict.mean_nm, unit)} ± {number(verdict.expanded_uncertainty_nm, unit)}")
        tails = [f"{value} {word}", word, verdict.verdict]
    left: Row = [(pointer, style), mark, (f" {name}", style)]
    for tail in tails:
        if row_width(left) + 1 + cell_len(tail) <= width:
            return _ends(left, [(tail, mark[1] if verdict else "")], width)
    # How the pack stands is said whole; its name gives way, and is whole above the reading.
    tail = tails[-1]
    room = width - row_width(left[:-1]) - cell_len(tail) - 2
    left = [*left[:-1], (f" {shorten(name, max(1, room), ink)}", style)]
    return _ends(left, [(tail, mark[1] if verdict else "")], width)


def pack_rows(view: BenchView, width: int, most: int, ink: Ink) -> list[Row]:
    """Return a title and as many packs as fit `most` rows, kept around the one being measured."""
    if most < 2:
        return []
    good = sum(pack.state == "done" and pack.is_good for pack in view.packs)
    rows: list[Row] = [_ends([("PACKS", "bold")], [(f"{good} of {len(view.packs)} good", "")], width)]
    room = most - 1
    first = 0
    if len(view.packs) > room:
        first = max(0, min(view.pack - room // 2, len(view.packs) - room))
    for index, pack in enumerate(view.packs[first : first + room], first):
        rows.append(_pack_row(pack, index == view.pack, view.display_unit, width, ink))
    return rows


def _stroke_block(shown: StrokeKept, view: BenchView, width: int, ink: Ink) -> list[Row]:
    """Return one stroke: travel and use on a row, its flags beside it or on the rows below."""
    stroke, unit = shown.stroke, view.display_unit
    use = counted(shown)
    style = "" if use == "counts" else "italic" if use == "seat" else "yellow"
    travel = number(travel_nm(stroke, view.measure), unit)
    gap = " " if width < 25 else "  "
    row: Row = [(f"{stroke.n:>3}{gap}", ""), (travel, "bold")]
    row += [(f" {unit}{gap}", ""), (use, style)]
    if row_width(row) > width:  # the unit stands beside the reading as well
        row = [*row[:2], (" ", ""), (use, style)]
    words = ink.text(flag_words(stroke.flags))
    if not words:
        return [row]
    indent = row_width(row) + len("not counted") - len(use) + 2
    if width - indent >= 24:
        lines = wrap(words, width - indent, 3)
        blocks: list[Row] = [[*fit(row, indent), (lines[0], style)]]
        return blocks + [[(" " * indent, ""), (line, style)] for line in lines[1:]]
    return [row, *([(f"    {line}", style)] for line in wrap(words, width - 4, 3))]


def stroke_rows(view: BenchView, width: int, most: int, ink: Ink) -> list[Row]:
    """Return a title and the newest strokes that fit `most` rows, oldest first."""
    if most < 2:
        return []
    count = sum(shown.counts for shown in view.strokes)
    right = f"{count} of {view.strokes_wanted} count" if view.strokes_wanted else f"{count} count"
    title = _ends([("STROKES", "bold")], [(right, "")], width)
    blocks: list[list[Row]] = []
    room = most - 1
    for shown in reversed(view.strokes):
        block = _stroke_block(shown, view, width, ink)
        if len(block) > room:
            break
        blocks.append(block)
        room -= len(block)
    hidden = len(view.strokes) - len(blocks)
    if hidden:
        earlier = f"STROKES ({hidden} earlier)" if width >= 24 else f"STROKES +{hidden}"
        total = f"{count}/{view.strokes_wanted}" if view.strokes_wanted else str(count)
        title = _ends([(earlier, "bold")], [(total, "")], width)
    return [title, *(row for block in reversed(blocks) for row in block)]


def uncertainty_rows(view: BenchView, width: int, most: int, ink: Ink) -> list[Row]:
    """Return what the uncertainty is made of, largest share first; empty without a verdict or where it does not fit."""
    verdict = view.verdict
    if verdict is None or not verdict.budget or most < len(verdict.budget) + 3:
        return []
    unit = view.display_unit
    total = sum(line.standard_nm**2 for line in verdict.budget) or 1.0
    spread = f"U {number(verdict.expanded_uncertainty_nm, unit)} {unit}"
    if width >= 32:
        spread += f", k {verdict.coverage_factor:.2f}"
    rows: list[Row] = [_ends([("UNCERTAINTY", "bold")], [(spread, "")], width)]
    for line in sorted(verdict.budget, key=lambda line: -line.standard_nm):
        share = f"{line.standard_nm**2 / total:.0%}"
        rows.append(_ends([(f"  {ink.text(line.source)}", "")], [(share, "")], width))
    probability = chance(verdict.conformance_probability)
    name = "  probability of conformance"
    if cell_len(name) + 1 + cell_len(probability) > width:
        name = "  in range with"
    rows.append(_ends([(name, "")], [(probability, "bold")], width))
    return rows


def caution_rows(width: int, most: int, ink: Ink) -> list[Row]:
    """Return the standing cautions for a screen with room to spare, all of them or none."""
    rows: list[Row] = [[("CAUTION", "bold")]]
    for text in CAUTIONS:
        for index, line in enumerate(wrap(ink.text(text), width - 2, 4)):
            rows.append([(ink.pick("▪ ", "* ") if index == 0 else "  ", "bold"), (line, "")])
    return rows if len(rows) <= most else []
