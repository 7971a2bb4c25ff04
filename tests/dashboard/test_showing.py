"""What a bench shows crosses to whoever looks as plain data, and is drawn there as it would have been drawn here."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from capture.dashboard.form import Field, Form
from capture.dashboard.parts_screen import parts_shown
from capture.dashboard.showing import Showing, decoded, draw, encoded
from capture.dashboard.signoff_screen import signoff_shown
from capture.dashboard.steps_screen import steps_shown
from capture.dashboard.unit_page import Page
from capture.dashboard.view import Question
from capture.unit.facts import Override
from tests.dashboard.test_unit_screens import HOSTILE, NOW, SHEET, choice_of, now_after, view_of
from tests.support.preview import STATES, sample_view

SIZES = [(80, 24), (120, 40), (200, 60), (40, 12)]


def every_showing() -> list[Showing]:
    views = [sample_view(state) for state in STATES]
    question = Question("q", "Press q again if that is meant.")
    views += [replace(views[0], said=HOSTILE, question=question, silence="cannot be read", pressure_pa=141_000)]
    shown: list[Showing] = []
    for view in views:
        shown += [Showing(view), Showing(view, "cautions"), Showing(view, "budget"), Showing(view, "strokes", Page(1))]
    now = now_after(Override("low", None, "Berit", HOSTILE))
    form = Form("Was this done?", [Field("by", "by", "Ana"), Field("why", "why", hint=HOSTILE)], said=("Only then.",))
    for page in (Page(), Page(2, note=HOSTILE), Page(0, form, "")):
        view = view_of(now)
        shown += [
            Showing(view, "parts", page, parts=parts_shown(now.fitted, choice_of(now, "2 left"))),
            Showing(view, "steps", page, steps=steps_shown(SHEET, now.standing, NOW)),
            Showing(view, "sign-off", page, signoff=signoff_shown(now.standing)),
        ]
    return shown


@pytest.mark.parametrize("ascii_only", [False, True])
def test_every_screen_is_drawn_alike_on_both_sides(ascii_only: bool) -> None:
    for shown in every_showing():
        again = decoded(encoded(shown))
        for width, height in SIZES:
            assert draw(again, width, height, ascii_only).text == draw(shown, width, height, ascii_only).text


def test_what_crosses_is_one_line_of_standard_json() -> None:
    def refused(constant: str) -> None:
        raise AssertionError(f"{constant} is no JSON (RFC 8259, section 6)")

    for shown in every_showing():
        text = encoded(shown)
        assert b"\n" not in text
        assert json.loads(text, parse_constant=refused)["view"]["bench"]


def test_no_more_of_the_trace_crosses_than_a_screen_can_show() -> None:
    view = sample_view("good")
    view.trace.clear()
    view.trace.extend((n * 50_000_000, n) for n in range(4000))
    (*_, newest) = view.trace
    kept = decoded(encoded(Showing(view))).view.trace
    assert kept[-1] == newest and len(kept) == 400  # 20 s at 20 readings a second
    assert len(view.trace) == 4000  # the bench's own is as it was


def test_anything_else_is_refused() -> None:
    for text in (b"", b"[]", b'{"view": 3}', b'{"view": {"bench": "b"}, "screen": "door"}', b"\xff"):
        with pytest.raises(ValueError):
            decoded(text)
