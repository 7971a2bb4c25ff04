"""At 80 by 24 words are whole: what has no room goes whole, and a long name that was cut says so."""

from __future__ import annotations

import io
import re
from contextlib import redirect_stdout
from dataclasses import replace
from pathlib import Path
from uuid import uuid4

import pytest
from typer.testing import CliRunner

from capture.cli.main import app
from capture.cli.print_jobs import show_job
from capture.dashboard.bench_screen import render
from capture.dashboard.page_form import page_form
from capture.dashboard.showing import Showing
from capture.dashboard.steps_screen import StepShown, StepsShown, steps_screen
from capture.dashboard.unit_page import Page
from capture.dashboard.view import BenchView, PackView
from capture.output.words import CAUTIONS
from capture.plumbing.terminal.canvas import Ink, shorten
from capture.record import Store
from tests.bench.test_live import SHEET
from tests.support.samples import finish_check, open_job, start_check, verdict

KEYS = "   ".join(
    (
        "a arm the air",
        "Enter reverse again",
        "c parts",
        "s steps",
        "u sign-off",
        "l leave out",
        "n next unit",
        "q end",
        "? keys",
    )
)


@pytest.mark.parametrize("width", [60, 72, 80, 100, 132])
def test_the_foot_line_names_only_whole_keys(width: int) -> None:
    view = BenchView("bay-2", packs=[PackView("low", "waiting")], keys=KEYS)
    foot = render(view, width, 24).text.rstrip("\n").split("\n")[-1].strip()
    *first, end, told = KEYS.split("   ")
    *shown, last_but_one, last = foot.split("   ")
    # The most needed come first; how to end and where every key is told are never cut.
    assert shown == first[: len(shown)] and (last_but_one, last) == (end, told)


@pytest.mark.parametrize("ascii_only", [False, True])
def test_a_long_name_is_cut_with_a_mark(ascii_only: bool) -> None:
    name = "second countershaft clutch of the forwarder's power-shift box"
    view = BenchView(name, unit_serial=name, technician=name, packs=[PackView(name, "measuring")], pack=0)
    mark = "~" if ascii_only else "…"
    head, *rest = render(replace(view, strokes_wanted=5), 80, 24, ascii_only=ascii_only).text.split("\n")
    assert head.count(mark) == 3
    assert any(re.search(rf"second count.*{mark}", line) for line in rest)


def test_a_text_that_has_room_is_left_as_it_is() -> None:
    assert shorten("low", 3, Ink(False)) == "low"
    assert shorten("lower", 3, Ink(False)) == "lo…" and shorten("lower", 0, Ink(False)) == ""


def test_jobs_at_80_columns_breaks_no_word(tmp_path: Path) -> None:
    with Store.open(tmp_path / "record.sqlite") as store:
        job = open_job(store, uuid=uuid4(), unit_serial="FW3-0117", sheet_toml=SHEET.read_text())
        for pack in ("low", "high"):
            finish_check(store, start_check(store, job, pack=pack), verdict=verdict(verdict="inconclusive"))
    told = CliRunner().invoke(app, ["jobs", "--data-dir", str(tmp_path)], env={"COLUMNS": "80"}).output
    words = set(re.split(r"[\s│┃,]+", told))
    assert {"inconclusive", "FW3-0117", "signed", "low", "high"} <= words
    assert max(map(len, told.splitlines())) <= 80 and "strokelog show JOB" in told


def test_show_on_a_terminal_of_80_columns_breaks_lines_between_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Store.open(tmp_path / "record.sqlite") as store:
        opened = open_job(store, uuid=uuid4(), unit_serial="FW3-0117", sheet_toml=SHEET.read_text())
        finish_check(store, start_check(store, opened, pack="low"), verdict=verdict(verdict="inconclusive"))
        job = store.job(opened)

    monkeypatch.setenv("COLUMNS", "80")
    told = {}
    for terminal in (False, True):
        out = io.StringIO()
        out.isatty = lambda terminal=terminal: terminal  # type: ignore[method-assign]
        with redirect_stdout(out):
            show_job(job, tmp_path, False)
        told[terminal] = re.sub(r"\x1b\[[0-9;]*m", "", out.getvalue()).splitlines()
    piped, broken = told[False], told[True]
    # A path that is longer than a line is the terminal's to break.
    assert all(len(line) <= 80 or max(map(len, line.split())) > 80 for line in broken) and len(broken) > len(piped)
    assert " ".join(" ".join(broken).split()) == " ".join(" ".join(piped).split())


@pytest.mark.parametrize("width", [60, 80])
def test_what_a_step_asks_is_whole_where_its_line_is_too_short(width: int) -> None:
    name, asks = (
        "pump and torque converter housing bolts, second pass",
        "105 N m ± 4 %, 12 bolts, crosswise from the middle",
    )
    shown = StepsShown((StepShown(name, asks, "", "open", "not done"),), 0, 0)
    text = steps_screen(BenchView("bay-2"), Page(), shown, width, 24).text
    assert f"{name}: {asks} not done NEXT" in " ".join(text.split())


def test_an_upright_page_has_larger_letters_and_loses_no_word_of_a_caution() -> None:
    told = page_form(Showing(BenchView("bay-2"), "cautions"))
    assert max(map(len, told["rows"])) > 60 >= max(map(len, told["upright_rows"]))
    for rows in (told["rows"], told["upright_rows"]):
        said = " ".join(" ".join(rows).replace("▪", "").split())
        assert all(" ".join(caution.split()) in said for caution in ("move suddenly and with force.", *CAUTIONS))
