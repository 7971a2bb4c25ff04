"""The technician's screen: what it says at every size, that outside text stays inert, and how it leaves a terminal."""

from __future__ import annotations

import asyncio
import io
import os
import pty
import re
import select
import signal
import termios
import time
from dataclasses import replace
from datetime import date
from itertools import pairwise
from pathlib import Path

import pytest
from rich.cells import cell_len
from rich.console import Console

from capture.clearance.check import StrokeKept
from capture.clearance.verdict import Remark, RemarkCode
from capture.dashboard.bench_screen import render
from capture.dashboard.bench_words import reading_figures
from capture.dashboard.budget_screen import budget_screen
from capture.dashboard.caution_screen import caution_screen
from capture.dashboard.head_and_foot import link_rows
from capture.dashboard.page_form import page_form
from capture.dashboard.showing import Showing
from capture.dashboard.view import PackView, Question
from capture.output.printed_tables import budget_table, report_strokes
from capture.output.words import CAUTION_LINE, CAUTIONS, FLAG_WORDS, LEAKS, LOOKS, plain_line
from capture.plumbing.plaintext import clean
from capture.plumbing.terminal.bigtext import big_word
from capture.plumbing.terminal.canvas import Ink, plain
from capture.plumbing.terminal.keys import KeyParser, Keys
from capture.plumbing.terminal.screen import Screen
from capture.unit.gauge_identity import Gauge
from drivers.reading import LengthUnit
from drivers.units import places_of
from tests.support.preview import STATES, sample_verdict, sample_view
from tests.support.terminal import Terminal, until

SIZES = [(60, 20), (80, 24), (200, 60)]
VERDICTS = ["good", "tight", "loose", "inconclusive"]
FLAGS = [
    "glitch", "no_return", "base_moved", "out_of_reach", "creep", "leak", "short_hold", "sparse", "rezeroed",
    "pressure", "gap",
]  # fmt: skip
PREVIEW = "tests.support.preview"
#: A select-graphic-rendition sequence that sets a colour (ECMA-48 8.3.117; 39 and 49 take colour back).
COLOUR = re.compile(r"\x1b\[(?:\d+;)*(?:3[0-8]|4[0-8]|9[0-7]|10[0-7])(?:;\d+)*m")


def printed(renderable: object, width: int, **settings: object) -> str:
    out = io.StringIO()
    console = Console(file=out, width=width, force_terminal=True, legacy_windows=False, **settings)  # type: ignore[arg-type]
    console.print(renderable, soft_wrap=False)
    return out.getvalue()


def words(text: str) -> str:
    """Return the text with line breaks, column rules and runs of blanks as single blanks."""
    return re.sub(r"[\s│|]+", " ", text)


@pytest.mark.parametrize("ascii_only", [False, True])
@pytest.mark.parametrize("state", STATES)
@pytest.mark.parametrize(("width", "height"), [*SIZES, (61, 21), (99, 31), (133, 40), (20, 5), (1, 1)])
def test_the_screen_fits_its_window_exactly(state: str, width: int, height: int, ascii_only: bool) -> None:
    lines = render(sample_view(state), width, height, ascii_only=ascii_only).text.split("\n")
    assert len(lines) == height
    assert {cell_len(line) for line in lines} == {width}
    assert not ascii_only or "".join(lines).isascii()


@pytest.mark.parametrize("state", STATES)
def test_rich_prints_the_same_lines_that_the_frame_holds(state: str) -> None:
    frame = render(sample_view(state), 80, 24)
    lines = re.sub(r"\x1b\[[\d;]*m", "", printed(frame, 80)).rstrip("\n").split("\n")
    assert lines == frame.text.split("\n")


@pytest.mark.parametrize("verdict", VERDICTS)
@pytest.mark.parametrize(("width", "height"), SIZES)
def test_every_verdict_shows_what_was_measured_and_what_to_do(verdict: str, width: int, height: int) -> None:
    view = sample_view(verdict)
    text = render(view, width, height).text
    assert view.verdict is not None
    assert LOOKS[view.verdict.verdict].shape in text
    mean = f"{view.verdict.mean_nm / 1e6:.3f}"
    said = words(text)
    for fact in ("north-2", "FW-30442", "badge 17", "reverse", f"{mean} ± 0.021 mm", "0.800 to 1.400 mm"):
        assert fact in said
    assert view.message in said
    assert "broker up, 0 waiting" in said and "indicator up" in said
    assert view.keys in text
    for advice in view.advice[:1]:
        assert advice[:30] in said
    if width >= 80:
        assert "140 ± 10 kPa" in text
        assert "a reading rejected" in said and verdict in said
    if width >= 200:
        assert "not counted fell away while held" in said
        assert re.search(r" 1 +\d\.\d{3} mm +seat", text)
        assert "spread of the strokes" in said and view.verdict.next_step in said


def test_the_reading_is_large_enough_to_be_read_from_across_the_bench() -> None:
    for (width, height), rows in zip(SIZES, (3, 4, 8), strict=True):
        view = sample_view("good")
        lines = render(view, width, height).text.split("\n")
        blocks = [line for line in lines[3:13] if re.search(r"[█▀▄]{2,}|█ ", line)]
        assert len(blocks) >= rows


def test_the_large_figures_change_with_the_reading_and_keep_their_place() -> None:
    pictures = set()
    for digit in range(10):
        view = sample_view("waiting")
        view.reading_nm = digit * 1_111_000
        pictures.add(render(view, 80, 24).text)
    assert len(pictures) == 10


@pytest.mark.parametrize(("width", "height"), [*SIZES, (40, 10)])
@pytest.mark.parametrize("ascii_only", [False, True])
def test_verdicts_differ_without_any_colour(width: int, height: int, ascii_only: bool) -> None:
    shown = {}
    for word in VERDICTS:
        # The same figures under each word, so that only the verdict itself can tell them apart.
        view = sample_view("good")
        verdict = sample_verdict("good")
        look = LOOKS[word]  # type: ignore[index]
        view.verdict = view.packs[2].verdict = type(verdict)(
            **{f: getattr(verdict, f) for f in verdict.__slots__} | {"verdict": word}
        )
        text = render(view, width, height, ascii_only=ascii_only).text
        assert (look.ascii_shape if ascii_only else look.shape) in text
        shown[word] = text
    assert len(set(shown.values())) == len(VERDICTS)
    shapes = {(look.shape, look.ascii_shape) for look in LOOKS.values()}
    assert len({a for a, _ in shapes}) == len({b for _, b in shapes}) == len(VERDICTS)


@pytest.mark.parametrize("state", STATES)
def test_no_color_output_sets_no_colour(state: str) -> None:
    coloured = printed(render(sample_view(state), 80, 24), 80, color_system="truecolor", no_color=False)
    assert COLOUR.search(coloured)
    assert not COLOUR.search(printed(render(sample_view(state), 80, 24), 80, color_system="truecolor", no_color=True))


def test_hostile_text_stays_inert() -> None:
    evil = "[bold red]x[/] \x1b]0;owned\x07\x1b[2J\x9b31m\u202e\r\n\x00end"
    view = sample_view("good")
    view.bench = view.unit_serial = view.technician = view.job = view.sheet_name = evil
    view.message = view.warning = view.caution = view.keys = view.air = view.indicator_text = evil
    view.advice = [evil, evil]
    view.packs = [PackView(evil, "done", sample_verdict("tight")), PackView(evil, "measuring")]
    view.pack = 1
    for width, height in [*SIZES, (30, 8)]:
        frame = render(view, width, height)
        lines = frame.text.split("\n")
        assert len(lines) == height and {cell_len(line) for line in lines} == {width}
        assert not re.search(r"[\x00-\x09\x0b-\x1f\x7f-\x9f\u202e]", frame.text)
        assert "[bold red]x[/]" in frame.text
        bare = re.sub(r"\x1b\[[\d;]*m", "", printed(frame, width, color_system=None))
        assert "\x1b" not in bare and "[bold red]x[/]" in bare
    assert plain_line(evil, "mm", evil) == f"{clean(evil)}: warning: {clean(evil)}"
    assert clean(evil) == "[bold red]x[/] ]0;owned[2J31m  end"


def test_wide_characters_keep_the_columns() -> None:
    view = sample_view("good")
    view.packs[2].name = "後退クラッチ組立品番号七七七"
    view.technician = "e\u0301va \U0001f527\ufe0f"
    for width, height in SIZES:
        assert {cell_len(line) for line in render(view, width, height).text.split("\n")} == {width}


def test_every_contract_flag_has_words_of_its_own() -> None:
    assert sorted(FLAG_WORDS) == sorted(FLAGS)
    assert len(set(FLAG_WORDS.values())) == len(FLAGS)
    for flag in FLAGS:
        view = sample_view("good")
        stroke = view.strokes[-1].stroke
        flagged = type(stroke)(**{f: getattr(stroke, f) for f in stroke.__slots__} | {"flags": (flag,)})
        view.strokes = [StrokeKept(flagged, seat=False)]
        column = [line.split("│")[0] for line in render(view, 80, 24).text.split("\n")]
        assert FLAG_WORDS[flag] in words(" ".join(column))
        assert FLAG_WORDS[flag] in plain_line(view.strokes[0], "mm")


def test_a_lost_indicator_shows_no_old_reading_and_says_what_to_do() -> None:
    view = sample_view("lost")
    for width, height in SIZES:
        assert "not counted" in render(view, width, height).text
        text = words(render(view, width, height).text)
        assert "indicator down" in text and "broker down, 3 waiting" in text
        assert "plug the indicator in" in text.lower()
        assert "WARNING" in text
    shown = render(view, 80, 24).text
    view.reading_nm = 9_999_000
    assert render(view, 80, 24).text == shown


def test_the_caution_line_shows_at_every_size() -> None:
    view = sample_view("caution")
    for width, height in [*SIZES, (50, 8)]:
        assert "CAUTION" in render(view, width, height).text
        assert "Hands clear" in render(view, width, height).text


def test_a_verdict_that_may_still_change_says_so() -> None:
    for width, height in [*SIZES, (50, 8)]:
        assert "so far" in render(sample_view("caution"), width, height).text
        assert "so far" not in render(sample_view("good"), width, height).text


def block_words(text: str) -> list[str]:
    """Return the lines on which a verdict stands in block letters beside other block figures, or in a band."""
    return [line for line in text.split("\n") if re.search(r"T I G H T|L O O S E|G O O D", line)]


@pytest.mark.parametrize("ascii_only", [False, True])
@pytest.mark.parametrize("verdict", VERDICTS)
@pytest.mark.parametrize(("width", "height"), SIZES)
def test_block_letters_are_for_a_verdict_that_stands(verdict: str, width: int, height: int, ascii_only: bool) -> None:
    view = sample_view(verdict)
    view.packs[2].state = "measuring"
    text = render(view, width, height, ascii_only=ascii_only).text
    ink = Ink(ascii_only)
    large = [
        rows
        for lines in range(1, 31)
        for wide in range(24, 201, 4)
        if (rows := big_word(verdict, LOOKS[verdict].dots, wide, lines, ink))  # type: ignore[index]
    ]
    assert large
    for rows in large:
        assert not any(rows[0].strip() in line for line in text.split("\n") if len(rows[0].strip()) > 6)
    assert not block_words(text) and verdict.upper() not in text
    assert f"{verdict} so far" in text
    view.packs[2].state = "done"
    stands = render(view, width, height, ascii_only=ascii_only).text
    spaced = " ".join(verdict.upper())
    assert spaced in stands or any(rows[0].rstrip() in stands for rows in large)


@pytest.mark.parametrize("ascii_only", [False, True])
@pytest.mark.parametrize("verdict", VERDICTS)
@pytest.mark.parametrize(("width", "height"), [(80, 24), (200, 60)])
@pytest.mark.parametrize("code", ["leak", "leak_once"])
def test_that_the_seal_leaks_stands_there_as_large_as_the_verdict(
    verdict: str, width: int, height: int, ascii_only: bool, code: RemarkCode
) -> None:
    view = sample_view(verdict)
    assert view.verdict is not None
    view.verdict = replace(view.verdict, remarks=(Remark(code, "The seal leaks: the travel falls."),))
    frame = render(view, width, height, ascii_only=ascii_only)
    lines, ink, word = frame.text.split("\n"), Ink(ascii_only), "leaks" if code == "leak" else "leaks?"
    assert len(lines) == height and {cell_len(line) for line in lines} <= {width}

    def tall(name: str, dots: tuple[str, ...], label: str) -> int:
        """Return of how many rows the letters are in which a word stands, 1 for a band."""
        room = [(high, wide) for high in range(1, 31) for wide in range(24, 201, 4)]
        sizes = [rows for high, wide in room if (rows := big_word(name, dots, wide, high, ink))]
        found = [len(rows) for rows in sizes if all(any(row.rstrip() in line for line in lines) for row in rows)]
        return max(found, default=int(any(label in line for line in lines)))

    verdict_rows = tall(verdict, LOOKS[view.verdict.verdict].dots, " ".join(verdict.upper()))
    assert tall(word, LEAKS.dots, f"THE SEAL {word.upper()}") >= verdict_rows >= 1
    assert LEAKS.ascii_shape in frame.text if ascii_only else LEAKS.shape in frame.text
    assert f"the seal {word}" in words(frame.text).lower()
    assert "SEAL LEAKS" in render(view, 50, 8).text
    view.packs[2].state = "measuring"
    assert f"THE SEAL {word.upper()}" not in render(view, width, height, ascii_only=ascii_only).text


def test_the_packs_line_counts_only_packs_whose_newest_check_is_good() -> None:
    view = sample_view("loose")  # forward low good, forward high tight, reverse loose
    assert "1 of 5 good" in render(view, 80, 24).text
    view.packs[0].recheck = "its parts were changed"
    assert "0 of 5 good" in render(view, 80, 24).text
    view.packs[0].recheck, view.packs[0].state = "", "measuring"
    assert "0 of 5 good" in render(view, 80, 24).text


def test_strokes_of_the_check_before_do_not_count_where_the_pack_needs_a_re_check() -> None:
    view = sample_view("good")
    view.packs[view.pack].recheck, view.verdict = "its parts were changed", None
    text = render(view, 80, 24).text
    assert "re-check needed" in text and "counted in the check before" in text
    assert not re.search(r"\d of \d count", text.split("\n")[1])


@pytest.mark.parametrize(
    ("resolution_nm", "unit", "figures"),
    [
        (10_000, "mm", "1.10"),
        (5_000, "mm", "1.105"),
        (500, "mm", "1.1050"),
        (12_700, "in", "0.0435"),
        (25_400, "in", "0.044"),
        (10_000, "in", "0.0435"),  # no decimals of an inch show steps of 0.01 mm: the usual ones
        (0, "mm", "1.105"),
    ],
)
def test_the_reading_has_the_digits_of_the_instruments_own_display(
    resolution_nm: int, unit: LengthUnit, figures: str
) -> None:
    view = replace(sample_view("good"), reading_nm=1_105_000, display_unit=unit, indicator="up")
    view.reading_places = places_of(resolution_nm, unit)
    assert reading_figures(view) == figures
    assert reading_figures(replace(view, indicator="down")).count("-") == len(figures) - 1


@pytest.mark.parametrize("width", [80, 100, 200])
def test_bench_unit_technician_job_and_sheet_all_have_a_place_in_the_head_line(width: int) -> None:
    view = replace(
        sample_view("good"), technician="Aino", job="118", sheet_name="Forwarder power-shift box FW-3 (demo 2)"
    )
    head = render(view, width, 24).text.split("\n")[0]
    for name in ("bench", "unit", "tech Aino", "job 118", "sheet Forwarder"):
        assert f" {name}" in head
    assert ("…" in head) == (width == 80) and len(head) <= width


LONG = (
    "More strokes cannot settle it: the indicator itself is uncertain by 11.9 um and the upper limit asks for 6.1 um. "
    "Use a finer indicator, or move the pack off the limit."
)


@pytest.mark.parametrize(("width", "height"), [*SIZES, (60, 15), (80, 16), (100, 24)])
@pytest.mark.parametrize("asked", [None, Question("r", "This ends the check. Press r again if that is meant.")])
def test_what_to_do_is_there_to_its_end(width: int, height: int, asked: Question | None) -> None:
    view = sample_view("loose")
    view.message = LONG
    view.warning = Gauge("DI-0413", date(2026, 9, 30)).reminder(date(2026, 11, 25))
    view.question = asked
    view.indicator_text = "/tmp/a/rather/long/path/to/a/port/that/wraps/over/two/lines/of/it, line"
    text = words(render(view, width, height).text)
    assert LONG in text
    assert "DI-0413: calibration overdue since 2026-09-30: readings not assured." in text
    assert asked is None or asked.text in text
    assert "reverse" in text and "FW-30442" in text


def test_both_changes_and_the_large_word_fit_80_by_24_whole() -> None:
    view = sample_view("loose")
    view.warning = Gauge("DI-0413", date(2026, 9, 30)).reminder(date(2026, 11, 25))
    text = words(render(view, 80, 24).text)
    for line in view.advice:
        assert line in text
    assert sum("DI-0413" in line for line in render(view, 80, 24).text.split("\n")) == 1
    assert " ".join("LOOSE") not in text


def test_advice_that_has_no_room_is_left_out_whole_and_counted() -> None:
    view = sample_view("loose")
    view.message = LONG
    view.warning = "Broker: the certificate of mqtts://broker.shop.example ran out. Renew it; measuring goes on."
    text = words(render(view, 60, 20).text)
    for line in view.advice:
        assert line in text or line[:20] not in text
    assert LONG in text


def test_a_message_longer_than_any_screen_ends_in_a_mark() -> None:
    view = sample_view("good")
    view.message = "Look at it again. " * 200
    lines = render(view, 80, 24).text.split("\n")
    said = [line for line in lines if "Look at it again" in line]
    assert said[-1].rstrip().endswith("..")


def test_a_small_window_names_the_pack_and_the_unit_and_shows_the_travel() -> None:
    for width, height in ((60, 15), (60, 12), (40, 10)):
        lines = render(sample_view("loose"), width, height).text.split("\n")
        text = " ".join(lines)
        assert "reverse" in text and "FW-30442" in text and "travel 1.483" in text and "◄► LOOSE" in text


def test_a_bar_beyond_the_scale_says_so() -> None:
    view = sample_view("loose")
    verdict = view.verdict
    assert verdict is not None
    far = {f: getattr(verdict, f) for f in verdict.__slots__} | {"mean_nm": 9_000_000}
    view.verdict = type(verdict)(**far)
    text = render(view, 80, 24).text
    assert re.search(r"►\s*$", text, re.MULTILINE)
    assert "9.000 ± 0.021 mm" in text


def test_the_trace_reaches_back_ten_seconds_and_keeps_a_single_odd_reading() -> None:
    view = sample_view("waiting")
    flat = render(view, 80, 24).text
    view.trace[len(view.trace) // 2] = (view.trace[len(view.trace) // 2][0], 1_300_000)
    assert render(view, 80, 24).text != flat
    old = sample_view("waiting")
    old.trace.appendleft((1, 1_300_000))
    assert render(old, 80, 24).text == flat


def test_a_probability_never_claims_certainty() -> None:
    assert "probability of conformance >99.9%" in words(render(sample_view("good"), 200, 60).text.replace("│", "|"))
    assert "<0.1%" in printed(budget_table(sample_verdict("tight"), "mm"), 120)


def test_inches_are_shown_as_inches() -> None:
    view = sample_view("good")
    view.display_unit = "in"
    text = words(render(view, 80, 24).text)
    assert "0.0315 to 0.0551 in" in text and "0.0435 ± 0.0008 in" in text


def test_wherever_words_make_a_person_reach_into_the_unit_one_line_of_80_says_to_be_careful() -> None:
    assert len(CAUTION_LINE) < 80
    for matter in ("Air off", "maker's literature", "local codes", "licensed practice"):
        assert matter in CAUTION_LINE
    for width, height in SIZES:
        if height >= 24:
            assert CAUTION_LINE in words(render(sample_view("loose"), width, height).text)
    page = (Path(__file__).parents[2] / "capture/board/pages/board.html").read_text()
    assert CAUTION_LINE in page


def test_the_first_screen_holds_every_caution() -> None:
    for width, height in SIZES:
        text = words(caution_screen(width, height).text)
        for caution in CAUTIONS:
            assert caution in text
        assert "Press any key" in text
    spoken = " ".join(CAUTIONS).lower()
    for matter in ("eye protection", "hands", "regulated and relieved", "gauge", "service literature", "local codes",
                   "licensed practitioner", "not a safety device", "relief valve", "hard-wired release"):  # fmt: skip
        assert matter in spoken


def test_the_budget_explains_the_verdict() -> None:
    text = words(printed(budget_table(sample_verdict("inconclusive"), "mm"), 120, no_color=True))
    for fact in ("spread of the strokes", "maker's limit", "∞", "59%", "2.13", "0.021 mm", "81.0%", "JCGM 106",
                 "3 more", "Apply 3 more strokes", "0.800 to 1.400 mm", "14.6"):  # fmt: skip
        assert fact in text


@pytest.mark.parametrize("ascii_only", [False, True])
@pytest.mark.parametrize(("width", "height"), [*SIZES, (60, 15), (20, 5), (1, 1)])
def test_the_budget_on_the_bench_fits_its_window_and_keeps_the_next_step_whole(
    width: int, height: int, ascii_only: bool
) -> None:
    view = sample_view("inconclusive")
    verdict = sample_verdict("inconclusive")
    whole = LONG.replace("um", "micrometres")
    verdict = type(verdict)(**{f: getattr(verdict, f) for f in verdict.__slots__} | {"next_step": whole})
    view.warning = "No readings for 4 s. Do not apply air by this display."
    frame = budget_screen(view, verdict, width, height, ascii_only=ascii_only)
    lines = frame.text.split("\n")
    assert len(lines) == height and {cell_len(line) for line in lines} == {width}
    assert not ascii_only or frame.text.isascii()
    if height >= 15:
        said = words(frame.text)
        assert whole in said and view.warning in said and "any key: back" in said
        for fact in ("81.0%", "0.800 to 1.400 mm", "inconclusive", "3 more"):
            assert fact in said
    if height >= 20:
        assert "59%" in words(frame.text) and "spread of the strokes" in words(frame.text)
    if height >= 24:
        assert "maker's limit" in words(frame.text) or width < 80
        assert "JCGM 106" in words(frame.text) or width < 80


def test_a_verdict_that_knows_no_limit_of_error_says_so_wherever_it_stands() -> None:
    """JCGM 100, 4.3.1: what is known of the instrument belongs into the budget; what is not known must be seen."""
    known = sample_verdict("good")
    bare = replace(known, budget=tuple(line for line in known.budget if line.source != "maximum error"))
    view = replace(sample_view("good"), verdict=bare)
    frames = render(view, 80, 24), render(view, 40, 24), budget_screen(view, bare, 80, 24)
    table = printed(budget_table(bare, "mm"), 120, no_color=True)
    for shown in (*(frame.text for frame in frames), table, plain_line(bare, "mm"), str(page_form(Showing(view)))):
        assert "No max_error is stated" in words(shown)
    for shown in (render(sample_view("good"), 80, 24).text, plain_line(known, "mm")):
        assert "max_error" not in shown


def test_what_is_cut_in_the_side_column_says_so() -> None:
    view = sample_view("good")
    view.packs, view.strokes = view.packs[:3], []
    text = render(view, 80, 40).text
    assert "in range with" in text and ">99.9%" in text and "probability of co" not in text
    column = [line.split("│")[0] for line in text.split("\n")]
    for name in ("spread of the strokes", "maximum error"):
        (line,) = (line for line in column if line.strip().startswith(name[:12]))
        assert name in line or ".." in line


def test_a_stroke_of_single_values_has_no_rise() -> None:
    kept = sample_view("good").strokes[1]
    shown = printed(
        report_strokes([replace(kept, stroke=replace(kept.stroke, rise_ns=0))], "mm", "kPa"), 120, no_color=True
    )
    assert "0.00 s" not in shown and " - " in shown


def test_the_report_lists_every_stroke_with_its_remarks() -> None:
    strokes = sample_view("good").strokes
    text = words(printed(report_strokes(strokes, "mm", "kPa"), 120, no_color=True))
    assert "seat" in text and "not counted" in text and "fell away while held, air outside window" in text


def test_plain_lines_say_strokes_verdicts_and_warnings() -> None:
    view = sample_view("good")
    assert plain_line(view.strokes[2], "mm", "reverse") == (
        "reverse: stroke 3: 0.944 mm, not counted (fell away while held, air outside window)"
    )
    assert plain_line(view.strokes[0], "mm", measure="peak") == "stroke 1: 1.151 mm, seat"
    assert view.verdict is not None
    assert plain_line(view.verdict, "mm").startswith(
        "GOOD: 1.104 ± 0.021 mm (95%, 5 strokes), range 0.800 to 1.400 mm."
    )
    assert plain_line("supply low", "mm") == "warning: supply low"


def test_a_render_takes_well_under_thirty_milliseconds() -> None:
    view = sample_view("tight")
    view.trace.clear()
    view.trace.extend((i * 2_500_000, 1_000 * (i % 1_200)) for i in range(4_000))
    console = Console(file=io.StringIO(), force_terminal=True, width=200, height=60, legacy_windows=False)
    best = float("inf")
    for _ in range(10):
        start = time.perf_counter()
        with console.capture():
            console.print(render(view, 200, 60), end="")
        best = min(best, time.perf_counter() - start)
    assert best < 0.030


def test_keys_are_read_from_bytes_however_they_are_cut() -> None:
    data = "aé\x1b[A\x1bOB\x1b[5~\x1b[99;1~\r\x7f\x01".encode()
    whole = KeyParser().feed(data)
    assert whole == ["a", "é", "up", "down", "page-up", "enter", "backspace"]
    assert KeyParser().feed(b"\x1b[Z") == ["up"]  # Tab with Shift, as terminals send it (CBT of ECMA-48)
    parser = KeyParser()
    assert [key for byte in data for key in parser.feed(bytes([byte]))] == whole
    assert parser.feed(b"\x1b") == [] and parser.unfinished
    assert parser.flush() == ["escape"] and not parser.unfinished
    assert parser.feed(b"\x1bx") == ["escape", "x"]


def test_how_it_is_linked_goes_on_under_itself_where_a_line_is_too_short() -> None:
    view = sample_view("good")
    view.indicator, view.indicator_text = "down", "cannot open ../ttyIND: no such device; check the cable"
    first, second = plain(link_rows(view, 60, 3, Ink(False))).splitlines()
    assert first.startswith(" ●") and second.startswith("   ") and second[3] != " "
    view.indicator, view.indicator_text = "up", "/dev/ttyUSB0, line"
    assert len(link_rows(view, 60, 3, Ink(False))) == 1


async def test_keys_change_the_terminal_only_while_entered() -> None:
    master, slave = pty.openpty()
    try:
        before = termios.tcgetattr(slave)
        os.write(master, b" q\r")  # typed for what was on the screen before: it heeds no caution of this one
        assert select.select([slave], [], [], 5)[0]
        with pytest.raises(RuntimeError, match="on purpose"), Keys(slave) as keys:
            assert not termios.tcgetattr(slave)[3] & (termios.ICANON | termios.ECHO)
            os.write(master, b"0042\r\x1b")
            got = [await asyncio.wait_for(anext(keys), 5) for _ in range(6)]
            assert got == ["0", "0", "4", "2", "enter", "escape"]
            raise RuntimeError("on purpose")
        assert termios.tcgetattr(slave) == before
    finally:
        os.close(master)
        os.close(slave)


async def test_keys_end_at_once_where_there_is_no_terminal() -> None:
    read, write = os.pipe()
    try:
        with Keys(read) as keys:
            assert [key async for key in keys] == []
    finally:
        os.close(read)
        os.close(write)


async def test_a_stream_that_is_no_terminal_gets_plain_lines_only() -> None:
    out = io.StringIO()
    with Screen(lambda w, h, a: render(sample_view("good"), w, h), stream=out) as screen:
        running = asyncio.create_task(screen.run())
        await asyncio.sleep(0)
        screen.changed()
        screen.line("stroke 1\x1b[2J: ± 1")
        running.cancel()
    assert not screen.live
    assert out.getvalue() == "stroke 1[2J: +/- 1\n"


@pytest.mark.parametrize("term", ["dumb", ""])
def test_a_dumb_terminal_is_not_drawn_on(term: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", term)
    master, slave = pty.openpty()
    with os.fdopen(slave, "w", encoding="utf-8") as stream, os.fdopen(master, "rb"):
        assert not Screen(lambda w, h, a: "", stream=stream).live
        monkeypatch.setenv("TERM", "xterm")
        assert Screen(lambda w, h, a: "", stream=stream).live


async def test_the_screen_draws_at_most_ten_times_a_second_and_only_on_change(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm")
    master, slave = pty.openpty()
    asked: list[float] = []
    loop = asyncio.get_running_loop()

    def draw(width: int, height: int, ascii_only: bool) -> str:
        asked.append(loop.time())
        return f"frame {len(asked)}"

    loop.add_reader(master, lambda: os.read(master, 65536))
    with os.fdopen(slave, "w", encoding="utf-8") as stream, Screen(draw, stream=stream) as screen:
        running = asyncio.create_task(screen.run())
        end = loop.time() + 0.55
        while loop.time() < end:
            screen.changed()
            await asyncio.sleep(0.001)
        assert 3 <= len(asked) <= 6
        assert all(b - a >= 0.099 for a, b in pairwise(asked))
        # One more is owed for the last change, which came after the last frame; then nothing is drawn any more.
        count = len(asked)
        end = loop.time() + 0.45
        while loop.time() < end:
            await asyncio.sleep(0.005)
            assert len(asked) <= count + 1
        assert len(asked) == count + 1
        running.cancel()
    loop.remove_reader(master)
    os.close(master)


def assert_left_in_order(terminal: Terminal) -> None:
    assert terminal.format("#{alternate_on} #{cursor_flag}") == "0 1"
    settings = terminal.settings()
    assert "icanon" in settings and "echo" in settings and "isig" in settings
    assert "^Z" in settings
    # What was on the screen before is back, and the shell works.
    assert PREVIEW in terminal.text().replace("\n", "")
    terminal.keys("echo still-$((40+2))", "Enter")
    terminal.wait_for("still-42")


@pytest.mark.parametrize(("width", "height"), [(80, 24), (200, 60)])
def test_a_real_terminal_shows_the_whole_screen(width: int, height: int) -> None:
    with Terminal(width, height) as terminal:
        terminal.run(PREVIEW, "--state", "tight", "--live", "30")
        text = terminal.wait_for("NEXT")
        assert terminal.format("#{alternate_on} #{cursor_flag}") == "1 0"
        settings = terminal.settings()
        assert "-icanon" in settings and "-echo" in settings and "^Z" not in settings
        lines = text.rstrip("\n").split("\n")
        assert len(lines) == height
        assert "north-2" in lines[0] and "q leave" in lines[-1]
        for fact in ("►◄", "tight", "0.702 ± 0.021 mm", "140 ± 10 kPa", "CHANGE", "indicator up"):
            assert fact in text
        assert COLOUR.search(terminal.text(styled=True))
        terminal.keys("q")
        terminal.wait_for_shell()
        assert_left_in_order(terminal)


def test_the_screen_follows_the_window_and_leaves_when_time_is_up() -> None:
    with Terminal(80, 24) as terminal:
        terminal.run(PREVIEW, "--state", "good", "--live", "5")
        terminal.wait_for("NEXT")
        terminal.resize(120, 40)
        until(lambda: "q leave" in "".join(terminal.text().split("\n")[39:40]), terminal.text)
        assert "preferred 1.100 mm" in terminal.text()
        terminal.resize(50, 10)
        until(lambda: "■■ GOOD" in terminal.text() and "│" not in terminal.text(), terminal.text)
        terminal.wait_for_shell()
        assert terminal.format("#{alternate_on} #{cursor_flag}") == "0 1"


def test_no_color_holds_on_a_real_terminal() -> None:
    with Terminal(80, 24, NO_COLOR="1") as terminal:
        terminal.run(PREVIEW, "--state", "inconclusive", "--live", "30")
        terminal.wait_for("NEXT")
        assert not COLOUR.search(terminal.text(styled=True))
        assert "≈≈" in terminal.text()
        terminal.keys("q")
        terminal.wait_for_shell()


def test_a_terminal_without_utf_8_gets_ascii() -> None:
    with Terminal(80, 24, PYTHONIOENCODING="ascii") as terminal:
        terminal.run(PREVIEW, "--state", "loose", "--live", "30")
        text = terminal.wait_for("NEXT")
        assert text.isascii() and "<>" in text and "1.483 +/- 0.021 mm" in text
        terminal.keys("q")
        terminal.wait_for_shell()


@pytest.mark.parametrize("end", ["interrupt", "terminate", "hangup", "crash"])
def test_the_terminal_is_left_in_order_however_it_ends(end: str) -> None:
    with Terminal(80, 24) as terminal:
        if end == "crash":
            terminal.run(PREVIEW, "--live", "30", "--crash")
            terminal.wait_for("crashed on purpose")
        else:
            terminal.run(PREVIEW, "--live", "30")
            terminal.wait_for("NEXT")
            if end == "interrupt":
                terminal.keys("C-c")
            else:
                (process,) = terminal.children()
                os.kill(process, signal.SIGTERM if end == "terminate" else signal.SIGHUP)
        terminal.wait_for_shell()
        if end == "crash":
            # The traceback scrolls the command away; the rest must hold all the same.
            assert "RuntimeError" in terminal.text()
            terminal.keys("clear; echo", " ", PREVIEW, "Enter")
            until(lambda: "RuntimeError" not in terminal.text(), terminal.text)
        assert_left_in_order(terminal)


def test_the_screen_has_words_for_every_notice_of_the_finder() -> None:
    from capture.dashboard.bench_words import _NOTICES
    from capture.strokes.machine import Notice

    assert set(_NOTICES) == {notice.value for notice in Notice}
