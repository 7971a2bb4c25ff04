"""The key that tells the keys: which act now and what each does, on one screen, while the bench measures on."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from capture.dashboard.head_and_foot import key_words
from capture.dashboard.keys_screen import keys_screen, told_keys
from capture.dashboard.page_form import page_form
from capture.dashboard.showing import Showing, draw
from capture.plumbing.terminal.scanner import Key, LostScan, Scan
from capture.session.bench_keys import Controls
from tests.job.test_next_unit import ENTER, ESCAPE, bench_at, typed
from tests.job.test_unit_on_record import at_work, made
from tests.support.preview import sample_view

#: As many keys as ever act at once, with a fixture, a gauge, a study and a verdict so far.
ALL = (
    "a air off   r start over   o air was off   s steps   u sign-off   l leave out   q end   ? keys   n next unit   "
    "1-5 pack   w note   g gauge   y study, 12 left   e budget   b sound and speech"
)


def screen(controls: Controls) -> str:
    shown: str = draw(controls.showing(), 80, 24, False).text  # type: ignore[attr-defined]
    return shown


@pytest.mark.parametrize("ascii_only", [False, True])
def test_every_key_that_acts_stands_with_what_it_does_on_a_screen_of_80_by_24(ascii_only: bool) -> None:
    view = replace(sample_view("tight"), keys=ALL, job="123", technician="Ana", sheet_name="Harvester box HB-7 (rev 4)")
    lines = keys_screen(view, 80, 24, ascii_only=ascii_only).text.splitlines()
    assert len(lines) == 24
    for words in key_words(ALL):
        key, _, label = words.partition(" ")
        if key != "?":
            (row,) = [line for line in lines if re.match(rf" {re.escape(key)} ", line)]
            assert len(row.split()) > 2 and label not in row.split(maxsplit=1)[1:]
    assert "job 123" in lines[1] and "technician Ana" in lines[1]
    assert "Harvester box HB-7 (rev 4)" in lines[2]
    assert any(line.startswith(" NOW ") and "travel" in line for line in lines) and "any key: back" in lines[-1]


async def test_a_question_mark_tells_the_keys_and_any_key_leads_back_while_the_bench_measures(tmp_path: Path) -> None:
    async with at_work(tmp_path) as (controls, bench):
        keys = {words.split(" ")[0] for words in key_words(controls.showing().view.keys)}
        await controls.take(Key("?"))
        made(bench, 2)
        assert controls.showing().screen == "keys" and not bench.finished.is_set()
        assert {key for key, _ in told_keys(controls.showing().view.keys)} == keys - {"?"} | {"l"}
        assert "2 of 5 count" in screen(controls)
        assert [button["label"] for button in page_form(controls.showing())["buttons"]] == ["Back"]
        await controls.take(Key("r"))  # any key leads back, and does nothing else
        assert controls.showing().screen == "bench" and not bench.finished.is_set()
        assert len(bench.state.strokes) == 2 and controls.question is None
        for nothing in "%xe":  # there is no verdict yet
            await controls.take(Key(nothing))
            assert f"{nothing} does nothing now: ? tells the keys that do." in screen(controls)
        await controls.take(Key("?"))
        await controls.take(Scan("tech:Ida"))  # a scan acts as ever, and what it says is seen
        assert controls.showing().screen == "bench" and "Ida works from now on." in screen(controls)


def test_the_wide_uncertainty_of_two_strokes_is_explained_while_there_are_two() -> None:
    view = sample_view("good")
    assert view.verdict is not None
    view.packs[view.pack].state = "measuring"
    for strokes, said in ((2, True), (3, False)):
        shown = draw(Showing(replace(view, verdict=replace(view.verdict, strokes=strokes)), "keys"), 80, 24, False)
        assert ("Two strokes hardly tell how far strokes scatter" in shown.text) == said  # type: ignore[attr-defined]


async def test_a_name_that_is_pasted_is_a_name_and_half_a_scan_is_none(tmp_path: Path) -> None:
    async with bench_at(tmp_path) as (bench, controls):
        await bench.start_check(0)
        await bench.end_check()
        await typed(controls.take, "w", "shim had a burr", "tab", "tab")
        form = controls.showing().page.form
        assert form is not None
        by = form.fields[form.at]
        assert by.key == "by"
        by.value = ""
        for lost in ("tech:An", "TECH/An", "part:low/back", "key:7f3a", "step"):
            await controls.take(LostScan(lost))
            assert by.value == "" and "Scan again" in screen(controls)
        await controls.take(LostScan("Aino Parte"))
        assert by.value == "Aino Parte"
        await controls.take(Key(ESCAPE))
        await typed(controls.take, ESCAPE, "n", ENTER)
        form = controls.showing().page.form
        assert form is not None and form.fields[form.at].key == "unit"
        was = form.fields[form.at].value
        await controls.take(LostScan("FW3-01"))  # half a serial would be another unit
        assert form.fields[form.at].value == was
