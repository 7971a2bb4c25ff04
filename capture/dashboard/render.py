"""The technician's screen as a pure function of a view and a size: which part goes where."""

from __future__ import annotations

from rich.cells import cell_len

from capture.dashboard.bigtext import big_number, big_word
from capture.dashboard.canvas import Frame, Ink, Row, beside, fit, row_width, wrap
from capture.dashboard.lists import caution_rows, pack_rows, stroke_rows, uncertainty_rows
from capture.dashboard.margins import air_text, header, keys_row, link_text, said, urgent_rows
from capture.dashboard.scale import scale_rows
from capture.dashboard.trace import trace_rows
from capture.dashboard.words import LOOKS, STALE, number
from capture.view import BenchView
from drivers.units import format_length

__all__ = ["LEAST_HEIGHT", "LEAST_WIDTH", "render"]

LEAST_WIDTH = 60
LEAST_HEIGHT = 20

_MOVING = {"rest": "at rest", "applied": "applied", "returning": "returning", "unknown": "rest not known yet"}


def render(view: BenchView, width: int, height: int, *, ascii_only: bool = False) -> Frame:
    """Return the screen as a rich renderable of exactly `width` by `height` cells.

    From 60 by 20 up it is the full screen; below, a short form: verdict, reading, next step.
    """
    ink = Ink(ascii_only)
    if width < LEAST_WIDTH or height < LEAST_HEIGHT:
        return Frame(_short_form(view, max(1, width), ink), max(1, width), max(1, height))
    foot = _foot(view, width, height, ink)
    body_height = height - 1 - len(foot)
    side = max(21, min(64, round(width * 0.31)))
    main = width - side - 3
    packs = pack_rows(view, side, max(3, min(len(view.packs) + 1, body_height * 2 // 5)), ink)
    left = [*packs, [], *stroke_rows(view, side, body_height - len(packs) - 1, ink)]
    budget = uncertainty_rows(view, side, body_height - len(left) - 1, ink)
    left += [[], *budget] if budget else []
    cautions = caution_rows(side, body_height - len(left) - 1, ink)
    left += [[], *cautions] if cautions else []
    right = _main(view, main, body_height, ink)
    divider: Row = [(ink.pick(" │ ", " | "), "")]
    rows = [header(view, width, ink), *beside(left, right, side, main, divider, body_height), *foot]
    return Frame(rows, width, height)


def _short_form(view: BenchView, width: int, ink: Ink) -> list[Row]:
    """Return the lines that matter most, for a window too small to draw in."""
    rows: list[Row] = []
    if view.caution:
        rows.append([(ink.text(f"CAUTION {view.caution}"), "bold")])
    if view.warning:
        rows.append([(ink.text(f"WARNING {view.warning}"), "bold")])
    if view.verdict is not None:
        look = LOOKS[view.verdict.verdict]
        shape = ink.pick(look.shape, look.ascii_shape)
        rows.append([(f"{shape} {view.verdict.verdict.upper()}{_so_far(view)}", look.style)])
        rows.append([(_mean_text(view, ink), "bold")])
    rows.append([(f"reading {_reading(view)} {view.display_unit}", "")])
    rows += [[(line, "")] for line in wrap(ink.text(view.next_step), width, 3)]
    rows += [[(line, "")] for line in wrap(ink.text(link_text(view, ink)), width, 3)]
    rows.append([(ink.text(view.keys), "")])
    return rows


def _measuring(view: BenchView) -> bool:
    return 0 <= view.pack < len(view.packs) and view.packs[view.pack].state == "measuring"


def _so_far(view: BenchView) -> str:
    return " so far" if _measuring(view) else ""


def _mean_text(view: BenchView, ink: Ink) -> str:
    verdict = view.verdict
    if verdict is None:
        return "no mean yet"
    mean, unit = number(verdict.mean_nm, view.display_unit), view.display_unit
    return ink.text(f"{mean} ± {number(verdict.expanded_uncertainty_nm, unit)} {unit} ({verdict.coverage:.0%})")


def _reading(view: BenchView) -> str:
    """Return the reading's figures; dashes where the link is not up, since an old reading misleads."""
    if view.reading_nm is None or view.indicator != "up":
        return "-.----" if view.display_unit == "in" else "-.---"
    return number(view.reading_nm, view.display_unit)


def _foot(view: BenchView, width: int, height: int, ink: Ink) -> list[Row]:
    """Return the bottom rows, bounded: cautions, what to do, what to change, links and keys."""
    roomy = height >= 30
    rows: list[Row] = [[(ink.pick("─", "-") * width, "")]]
    rows += urgent_rows(view, width, roomy, ink)
    rows += said("SAID", view.said, width, 2, "bold", ink)
    if view.fixture != "off":
        # Why there is no air, and what to do, must be read to its end.
        most = 2 if view.air_state in ("armed", "applied") else 4
        rows += said("AIR", air_text(view), width, most, "bold" if view.air_state == "applied" else "", ink)
    spare = max(2, height // 4 - len(rows) - 1)
    message = view.next_step
    next_rows = said("NEXT", message, width, 3 if roomy else 2, "bold", ink)
    then = view.verdict.next_step if view.verdict is not None and not view.silence else ""
    if then and not message.startswith(then):
        next_rows += said("THEN" if message else "NEXT", then, width, 2 if roomy else 1, "", ink)
    if view.as_predicted:
        advice = said("RESULT", view.outcome, width, 2, "", ink)
    else:
        # What to look for must be read to its end.
        rows += said("RESULT", view.outcome, width, 6, "bold red", ink)
        advice = []
    several = len(view.advice) > 1
    for index, line in enumerate(view.advice, 1):
        most = 1 if several and not roomy else 2
        advice += said(f"CHANGE {index}" if several else "CHANGE", line, width, most, "", ink)
    # The first step and the best change both stay, whatever has to go.
    kept_advice = advice[: max(1, spare - len(next_rows))]
    rows += next_rows[: max(1, spare - len(kept_advice))] + kept_advice
    link_style = "bold red" if view.indicator == "down" or view.silence else ""
    links = link_text(view, ink)
    rows += [[(f" {line}", link_style)] for line in wrap(links, width - 1, 2)]
    rows.append(keys_row(view.keys, width, ink))
    return rows


def _main(view: BenchView, width: int, height: int, ink: Ink) -> list[Row]:
    """Return the large column: pack, reading, verdict, scale, and the trace in what is left."""
    roomy = height >= 30 and width >= 100
    rows = _pack_facts(view, width, ink)
    gap: list[Row] = [[]] if roomy else []
    left = height - len(rows)
    figures = 5 if ink.ascii_only else 4
    if left < 14:
        figures -= 1
    word_rows, scale_height = (3 if left >= 13 else 1), (5 if left >= 15 else 4)
    if roomy:
        spare = left - 16
        figures = min(10, 5 + spare // 6)
        word_rows = min(8, 5 + spare // 10)
        scale_height = min(9, 5 + spare // 8)
    reading = _reading_rows(view, width, figures, ink)
    verdict = _verdict_rows(view, width, word_rows, ink)
    scale = scale_rows(view, width, scale_height, ink)
    rows += [*gap, *reading, *gap, *verdict, *gap, *scale, *gap]
    return [*rows, *trace_rows(view, width, height - len(rows), ink)]


def _pack_facts(view: BenchView, width: int, ink: Ink) -> list[Row]:
    """Return which pack it is, how far along, and what the sheet asks of it."""
    if not 0 <= view.pack < len(view.packs):
        return [[("no pack chosen", "bold")]]
    name = ink.text(view.packs[view.pack].name)
    done = sum(shown.stroke.accepted and not shown.seat for shown in view.strokes)
    seated = sum(shown.seat for shown in view.strokes)
    progress = f"stroke {done} of {view.strokes_wanted}" if view.strokes_wanted else f"{done} strokes"
    if view.seat_wanted:
        progress += f", seat {seated} of {view.seat_wanted}"
    first: Row = [
        *fit([(name, "bold underline")], min(cell_len(name), width - len(progress) - 2)),
        ("  ", ""),
    ]
    first.append((progress, ""))
    unit = view.display_unit
    facts = []
    if view.high_nm > view.low_nm:
        facts.append(f"range {number(view.low_nm, unit)} to {format_length(view.high_nm, unit)}")
    if view.air:
        facts.append(f"air {ink.text(view.air)}")
    if view.preferred_nm:
        facts.append(f"preferred {format_length(view.preferred_nm, unit)}")
    facts.append(f"measured {'at the peak' if view.measure == 'peak' else 'while held'}")
    second = facts[0]
    for fact in facts[1:]:
        if cell_len(second) + 3 + cell_len(fact) <= width:
            second += f"   {fact}"
    return [first, [(second, "")]]


def _reading_rows(view: BenchView, width: int, rows: int, ink: Ink) -> list[Row]:
    """Return the live reading in large figures, unit and motion beside it; the travel too where it fits."""
    unit = view.display_unit
    text = _reading(view)
    travel = "-.---" if view.offset_nm is None or view.indicator != "up" else number(view.offset_nm, unit)
    moving = _MOVING[view.moving] if view.indicator == "up" else f"indicator {view.indicator}"
    if view.silence:
        moving = "no readings"
    notes: list[str] = [f"{unit}  reading", moving, f"travel {travel}"]
    widest = max(len(note) for note in notes) + 2
    template = "-0.0000" if unit == "in" else "-0.000"
    if len(text) > len(template):
        template = text
    blocks = [(text, template, [f"{unit}  reading", moving])]
    if width >= 100:
        blocks.append((travel, template, [f"{unit}  travel", "from rest"]))
    else:
        blocks = [(text, template, notes)]
    share = width // len(blocks)
    drawn: list[Row] = [[] for _ in range(rows)]
    for index, (figures, widest_figures, words) in enumerate(blocks):
        big = big_number(figures, widest_figures, share - widest, rows, ink)
        if big is None:
            # Too narrow to keep room for a sign: better large figures than a steady size.
            big = big_number(figures, figures, share - widest, rows, ink)
        if big is None:
            big = (f"{figures:>{len(widest_figures)}}",)
        for y in range(rows):
            word = words[y] if y < len(words) else ""
            large = big[y] if y < len(big) else " " * len(big[0])
            drawn[y] += [(large, "bold"), (f"  {word}", "bold" if y == 0 else "")]
            drawn[y] = fit(drawn[y], share * (index + 1))
    return drawn


def _verdict_rows(view: BenchView, width: int, rows: int, ink: Ink) -> list[Row]:
    """Return the verdict as shape and word, large where it fits, and the mean in large figures beside it."""
    verdict = view.verdict
    if verdict is None:
        text = "no verdict yet" if _measuring(view) else "no verdict"
        if 0 <= view.pack < len(view.packs) and view.packs[view.pack].stale:
            text = f"{ink.pick(STALE.shape, STALE.ascii_shape)} stale: check it again"
        blank: list[Row] = [[] for _ in range(rows)]
        blank[rows // 2] = [(text, "bold")]
        return blank
    look = LOOKS[verdict.verdict]
    shape = ink.pick(look.shape, look.ascii_shape)
    so_far = _so_far(view)
    large = big_word(verdict.verdict, look.dots, width, rows, ink)
    if large is None:
        spaced = " ".join(verdict.verdict.upper())
        label = f" {shape}  {spaced}{so_far}  {shape} "
        if len(label) > width:
            label = f" {shape} {verdict.verdict.upper()}{so_far} "
        band = label.center(width)
        return [[(band if y == rows // 2 else " " * width, f"{look.style} reverse")] for y in range(rows)]
    drawn: list[Row] = [[(large[y] if y < len(large) else "", look.style)] for y in range(rows)]
    used = max(row_width(row) for row in drawn)
    beside_word = [f"{shape} {verdict.verdict}{so_far}", _mean_text(view, ink)]
    mean = number(verdict.mean_nm, view.display_unit)
    spread = number(verdict.expanded_uncertainty_nm, view.display_unit)
    room = width - used - 3
    for figures in (f"{mean} ± {spread}", mean):
        big = big_number(figures, figures, room - 3, rows, ink)
        if big is not None and len(big) >= min(rows, 3):
            for y in range(rows):
                part = big[y] if y < len(big) else ""
                unit = f" {view.display_unit}" if y == 0 else ""
                drawn[y] = [*fit(drawn[y], used + 3), (part, "bold"), (unit, "bold")]
            return _with_caption(drawn, used, beside_word[0], width, look.style)
    if room >= max(len(part) for part in beside_word):
        for y, part in enumerate(beside_word):
            drawn[y] = [*fit(drawn[y], used + 3), (part, "bold")]
        return drawn
    return drawn


def _with_caption(drawn: list[Row], used: int, caption: str, width: int, style: str) -> list[Row]:
    """Return the rows with the verdict in plain letters at the far end, where that stays free."""
    free = width - max(row_width(row) for row in drawn)
    if free >= len(caption) + 2:
        drawn[-1] = [*fit(drawn[-1], width - len(caption)), (caption, style)]
    return drawn
