"""The technician's screen as a pure function of a view and a size: which part goes where."""

from __future__ import annotations

from rich.cells import cell_len

from capture.dashboard.bench_words import (
    mean_text,
    measuring,
    moves,
    progress_text,
    reading_figures,
    reading_places,
    travel_figures,
)
from capture.dashboard.head_and_foot import air_text, header, keys_row, link_rows, link_text, said, urgent_rows
from capture.dashboard.scale import scale_rows
from capture.dashboard.side_column import caution_rows, pack_rows, stroke_rows, uncertainty_rows
from capture.dashboard.trace import trace_rows
from capture.dashboard.verdict_rows import leak_rows, verdict_rows
from capture.dashboard.view import BenchView
from capture.output.words import CAUTION_LINE, LEAKS, LOOKS, flag_words, leak_word, number, unstated_words
from capture.plumbing.terminal.bigtext import big_number
from capture.plumbing.terminal.canvas import Frame, Ink, Row, beside, fit, row_width, shorten, wrap
from drivers.units import format_length

LEAST_WIDTH = 60
LEAST_HEIGHT = 20
#: A verdict that stands takes so many rows wherever they are there.
_WORD_ROWS = 5


def render(view: BenchView, width: int, height: int, *, ascii_only: bool = False) -> Frame:
    """Return the screen as a rich renderable of exactly `width` by `height` cells.

    From 60 by 20 up it is the full screen; below, a short form: verdict, reading, next step.
    """
    ink = Ink(ascii_only)
    if width < LEAST_WIDTH or height < LEAST_HEIGHT:
        return Frame(_short_form(view, max(1, width), max(1, height), ink), max(1, width), max(1, height))
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


def _short_form(view: BenchView, width: int, height: int, ink: Ink) -> list[Row]:
    """Return the lines that matter most, for a window too small to draw in; the keys stand at its end."""
    facts: list[Row] = []
    if view.verdict is not None:
        look = LOOKS[view.verdict.verdict]
        shape, word = ink.pick(look.shape, look.ascii_shape), view.verdict.verdict
        said_so, style = (f"{word} so far", "bold") if measuring(view) else (word.upper(), look.style)
        facts.append([(f"{shape} {said_so}", style), (f" {mean_text(view, ink)}", "bold")])
        if row_width(facts[0]) > width:
            facts = [facts[0][:1], [(mean_text(view, ink), "bold")]]
        if view.verdict.seal:
            shape, leaks = ink.pick(LEAKS.shape, LEAKS.ascii_shape), f"the seal {leak_word(view.verdict)}"
            told = f"{leaks} so far" if measuring(view) else leaks.upper()
            facts.insert(1, [(f"{shape} {told}", LEAKS.style)])
    facts.append([(line, "") for line in wrap(_reading_text(view), width, 1)])
    rows: list[Row] = [[(line, "bold")] for text in _names(view) for line in wrap(ink.text(text), width, 1)]
    rows = rows if height >= 8 else rows[:1] if height >= 6 else []
    urgent = [("CAUTION", view.caution), ("SURE?", view.question.text if view.question else "")]
    for label, text in (*urgent, ("WARNING", view.warning), ("", view.said)):
        room = max(1, height - len(rows) - len(facts) - 2)
        rows += [[(line, "bold")] for line in wrap(ink.text(f"{label} {text}" if text else ""), width, room)]
    rows += facts
    last = view.strokes[-1] if view.strokes else None
    if last is not None and measuring(view) and not last.seat and not last.stroke.accepted:
        text = f"stroke {last.stroke.n} does not count: {flag_words(last.stroke.flags)}"
        rows += [[(line, "yellow")] for line in wrap(ink.text(text), width, max(1, height - len(rows) - 2))]
    for text in (
        view.next_step,
        view.left_out,
        view.doubt,
        *([] if view.as_predicted else [view.outcome]),
        *([] if measuring(view) else [unstated_words(view.verdict)]),
        *view.advice,
    ):
        rows += [[(line, "")] for line in wrap(ink.text(text), width, max(1, height - len(rows) - 1))]
    keys = wrap(ink.text(view.keys), width, 1)
    room = height - len(rows) - len(keys)
    links = wrap(ink.text(link_text(view, ink)), width, max(0, min(3, room)))
    return [*[*rows, *([(line, "")] for line in links)][: max(0, height - len(keys))], *([(line, "")] for line in keys)]


def _names(view: BenchView) -> list[str]:
    """Return whose result this is: pack and progress, unit and bench."""
    pack = view.packs[view.pack].name if 0 <= view.pack < len(view.packs) else "no pack chosen"
    unit = f", unit {view.unit_serial}" if view.unit_serial else ""
    return [f"{pack}{unit}, bench {view.bench}", *([progress_text(view)] if view.strokes_wanted else [])]


def _reading_text(view: BenchView) -> str:
    unit = view.display_unit
    return f"reading {reading_figures(view)} {unit}, travel {travel_figures(view)}, {moves(view)}"


def _foot(view: BenchView, width: int, height: int, ink: Ink) -> list[Row]:
    """Return the bottom rows: cautions, what to do, what to change, links and keys.

    What a person must do is there to its end: the picture above gives up rows for it. What has no room is left out
    whole, or ends in '..' where not even the picture's rows are enough.
    """
    roomy = height >= 30
    most = max(5, height - 1 - 10)
    head: list[Row] = [[(ink.pick("─", "-") * width, "")], *urgent_rows(view, width, roomy, ink)]
    if view.entry is not None and measuring(view):
        head += said("READING", f"{view.entry}_ {view.display_unit}", width, 1, "bold reverse", ink)
    head += said("SAID", view.said, width, 4, "bold", ink)
    if view.fixture != "off":
        # Why there is no air, and what to do, must be read to its end.
        lines = 2 if view.air_state in ("armed", "applied") else 4
        head += said("AIR", air_text(view), width, lines, "bold" if view.air_state == "applied" else "", ink)
    tail: list[Row] = link_rows(view, width, 3, ink)
    tail.append(keys_row(view, view.keys, width, ink))
    spare = most - len(head) - len(tail)
    message = view.next_step
    # The next step may take all but the reading itself.
    rows = said("NEXT", message, width, max(2, spare + 5), "bold", ink)
    several = len(view.advice) > 1
    # In the order of need; the first change and a change that went wrong are worth the picture's rows.
    wanted: list[list[Row]] = []
    if not view.as_predicted:
        wanted.append(said("RESULT", view.outcome, width, 6, "bold red", ink))
    if view.verdict is not None and view.verdict.remarks:
        found = " ".join(remark.text for remark in view.verdict.remarks)
        wanted.append(said("LEAK", found, width, 4, "bold red", ink))
    if not measuring(view):
        wanted.append(said("MIND", unstated_words(view.verdict), width, 2, "bold", ink))
    if view.left_out:
        wanted.append(said("LEFT OUT", view.left_out, width, 4, "bold", ink))
    if view.doubt:
        wanted.append(said("LOOK AT", view.doubt, width, 4, "bold", ink))
    for count, line in enumerate(view.advice, 1):
        label = f"CHANGE {count} of {len(view.advice)}" if several else "CHANGE"
        wanted.append(said(label, line, width, 4, "", ink))
    if view.advice:
        wanted.append([[(f" {line}", "yellow")] for line in wrap(ink.text(CAUTION_LINE), max(1, width - 1), 2)])
    if view.then and not view.silence:
        wanted.insert(0, said("THEN" if message else "NEXT", view.then, width, 3, "", ink))
    if view.as_predicted:
        wanted.append(said("RESULT", view.outcome, width, 3, "", ink))
    for more in wanted:
        if len(rows) + len(more) <= spare:
            rows += more
    return [*head, *rows, *tail]


def _main(view: BenchView, width: int, height: int, ink: Ink) -> list[Row]:
    """Return the large column: pack, reading, verdict, scale, and the trace in what is left."""
    roomy = height >= 30 and width >= 100
    rows = _pack_facts(view, width, ink)
    gap: list[Row] = [[]] if roomy else []
    left = height - len(rows)
    figures = 5 if ink.ascii_only else 4
    if left < 14:
        figures -= 1
    # A verdict that stands keeps its large letters while there are rows for them; the trace gives up its own first.
    word_rows, scale_height = (3 if left >= 10 else 1), (5 if left >= 15 else 4)
    if roomy:
        spare = left - 16
        figures = min(10, 5 + spare // 6)
        word_rows = min(8, 5 + spare // 10)
        scale_height = min(9, 5 + spare // 8)
    elif view.verdict is not None and not measuring(view):
        # It is read from two metres; what is worth less then, the reading of a pack at rest and the scale, gives way.
        # A seal that leaks stands under it, as large; the mean stands below where it has no room beside.
        each = (left - 2) // 2 if view.verdict.seal else left - 2
        word_rows = min(_WORD_ROWS, max(word_rows, each))
        taken = 2 * word_rows + 1 if view.verdict.seal else word_rows + 1
        figures = min(figures, max(1, left - taken - 4))
        scale_height = min(scale_height, max(0, left - taken - figures))
        scale_height = scale_height if scale_height >= 4 else 0
    reading = _reading_rows(view, width, figures, ink)
    verdict = verdict_rows(view, width, word_rows, ink)
    # What the seal does stands as large as the verdict where there are rows for both.
    leak = leak_rows(view, width, word_rows, ink)
    if leak and left < len(reading) + 2 * word_rows + scale_height + 4 * len(gap):
        # It stands as large as the verdict; the scale gives up its rows, and the trace does so before.
        scale_height = 0
    scale = scale_rows(view, width, scale_height, ink) if scale_height else []
    rows += [*gap, *reading, *gap, *verdict, *gap, *leak, *scale, *gap]
    return [*rows, *trace_rows(view, width, height - len(rows), ink)]


def _pack_facts(view: BenchView, width: int, ink: Ink) -> list[Row]:
    """Return which pack it is, how far along, and what the sheet asks of it."""
    if not 0 <= view.pack < len(view.packs):
        return [[("no pack chosen", "bold")]]
    name = ink.text(view.packs[view.pack].name)
    progress = progress_text(view)
    first: Row = [
        (shorten(name, max(1, width - len(progress) - 2), ink), "bold underline"),
        ("  ", ""),
    ]
    first.append((progress, ""))
    unit = view.display_unit
    facts = []
    if view.high_nm > view.low_nm:
        facts.append(f"range {number(view.low_nm, unit)} to {format_length(view.high_nm, unit)}")
    if view.moved_by == "hand":
        facts.append("moved by hand, no air")
    elif view.air:
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
    text = reading_figures(view)
    travel, moving = travel_figures(view), moves(view)
    notes: list[str] = [f"{unit}  reading", moving, f"travel {travel}"]
    widest = max(len(note) for note in notes) + 2
    template = f"{-1:.{reading_places(view)}f}"
    if len(text) > len(template):
        template = text
    blocks = [(text, template, [f"{unit}  reading", moving])]
    if width >= 100:
        blocks.append((travel, "-0.0000" if unit == "in" else "-0.000", [f"{unit}  travel", "from rest"]))
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
