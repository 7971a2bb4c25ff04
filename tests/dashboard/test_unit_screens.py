"""The parts, steps and sign-off screens as pure pictures, and the lines typed on them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.bench.dial import Dial
from capture.bench.fill_view import fill_view
from capture.bench.state import BenchState
from capture.clearance.advice import Change
from capture.dashboard.bench_screen import render
from capture.dashboard.form import Field, Form
from capture.dashboard.parts_screen import parts_screen, parts_shown
from capture.dashboard.signoff_screen import release_screen, signoff_shown
from capture.dashboard.steps_screen import STEP_LOOKS, StepsShown, steps_screen, steps_shown
from capture.dashboard.unit_page import Page
from capture.dashboard.view import BenchView, PackView
from capture.output.words import CAUTION_LINE
from capture.plumbing.terminal.canvas import Frame
from capture.sheet.sheet import parse_sheet
from capture.unit.facts import Fact, Judged, Override, PartsChanged, SignedOff, StepBegun, StepDone
from capture.unit.offers import Choice, offers
from capture.unit.standing import UnitStanding, unit_now
from capture.unit.torques import typed_torques
from tests.bench.test_live import setup_for
from tests.support.preview import sample_verdict, sample_view

SHEET = parse_sheet(
    """
[sheet]
name = "Harvester swing drive"
revision = "B"
source = "Invented; take real limits from the manufacturer's service literature"
[[packs]]
name = "swing"
range = ["0.80 mm", "1.40 mm"]
preferred = "1.10 mm"
[[packs.adjusters]]
kind = "shim"
name = "end shim"
thickness = "0.20 mm"
fitted = 1
max = 4
more = "closes"
[[packs.adjusters]]
kind = "selective"
name = "stop ring"
choices = ["3.80 mm", "4.20 mm", "4.60 mm"]
fitted = "4.20 mm"
thicker = "closes"
[[packs]]
name = "brake"
range = ["0.80 mm", "1.40 mm"]
depends_on = ["swing"]
[[steps]]
kind = "soak"
name = "friction plates"
minimum = "30 min"
text = "Soak every friction plate in clean oil before stacking."
[[steps]]
kind = "torque"
name = "cover bolts"
bolts = 8
tolerance = "5 %"
passes = ["20 N m", "46 N m"]
[[steps]]
kind = "confirm"
name = "plugs fitted"
""",
    "swing.toml",
)
NOW = datetime(2026, 3, 10, 9, 30, tzinfo=UTC)
SIZES = [(60, 20), (80, 24), (200, 60), (20, 6), (1, 1)]
HOSTILE = "\x1b[2J[bold]x\u202e"


@dataclass(frozen=True)
class Entry:
    number: int
    at: datetime
    fact: Fact


def now_after(*facts: Fact, loose: bool = True) -> UnitStanding:
    """The unit after a check of swing and one of brake, then the facts, a minute from one another."""
    swing = sample_verdict("loose" if loose else "good")
    ended = [Judged("swing", 1, 2, swing), Judged("brake", 3, 4, sample_verdict("good"))]
    entries = [Entry(10 + n, NOW - timedelta(minutes=len(facts) - n), fact) for n, fact in enumerate(facts)]
    return unit_now(SHEET, entries, ended)


def view_of(now: UnitStanding, **changes: object) -> BenchView:
    view = BenchView(bench="north-2", unit_serial="HX-2207", technician="Ana", job="7")
    view.packs = [
        PackView(pack.name, "done", now.verdicts.get(pack.name), now.recheck.get(pack.name, ""))
        for pack in SHEET.order()
    ]
    view.pack = 0
    for name, value in changes.items():
        setattr(view, name, value)
    return view


def choice_of(now: UnitStanding, *shelf: str) -> Choice:
    found = offers(now, "swing")
    return Choice(found, (*shelf, *[""] * (len(found.ways) - len(shelf))))


def every_screen(width: int, height: int, ascii_only: bool = False, page: Page | None = None) -> list[Frame]:
    now = now_after(StepBegun(0, "Ana"), StepDone(3, "Bo"))
    view, page = view_of(now, warning="No readings for 4 s.", caution="Hands clear."), page or Page()
    drawn = {"ascii_only": ascii_only}
    return [
        parts_screen(
            view, page, parts_shown(now.fitted, choice_of(now, "end shim 0.20 mm: 2 left")), width, height, **drawn
        ),
        steps_screen(view, page, steps_shown(SHEET, now.standing, NOW), width, height, **drawn),
        release_screen(view, page, signoff_shown(now.standing), width, height, **drawn),
    ]


def words(frame: Frame) -> str:
    return " ".join(frame.text.split())


@pytest.mark.parametrize(("width", "height"), SIZES)
@pytest.mark.parametrize("ascii_only", [False, True])
def test_every_screen_fits_its_window_exactly(width: int, height: int, ascii_only: bool) -> None:
    form = Form("Was this done?", [Field("by", "by"), Field("reason", "reason", "x" * 250)], said=("Only what was.",))
    form.problem = "by is missing."
    for page in (Page(), Page(2, form, "Done by Ana. " * 20)):
        for frame in every_screen(width, height, ascii_only, page):
            lines = frame.text.split("\n")
            assert len(lines) == height
            assert not ascii_only or frame.text.isascii()
            if (width, height) in SIZES[:3]:
                assert "Hands clear." in frame.text and "No readings for 4 s." in frame.text
                assert page.form is None or "by is missing." in frame.text


@pytest.mark.parametrize(("width", "height"), SIZES[:3])
def test_the_parts_screen_shows_what_is_fitted_advised_and_on_the_shelf(width: int, height: int) -> None:
    now = now_after()
    choice = choice_of(now, "end shim 0.20 mm: none in stock: allot or order")
    said = words(parts_screen(view_of(now), Page(), parts_shown(now.fitted, choice), width, height))
    assert "swing: end shim 1 of 0.200 mm (0 to 4)" in said and "stop ring 4.20 mm" in said
    assert f"1 swing: {choice.found.ways[0].text}" in said
    assert "none in stock: allot or order" in said
    assert f"1-{len(choice.found.ways)} was done" in said
    assert CAUTION_LINE in said
    changed = now_after(replace(choice.found.ways[0].changes[0], by="Ana"))
    said = words(parts_screen(view_of(changed), Page(), parts_shown(changed.fitted, choice_of(changed)), width, height))
    assert "Nothing is advised: check swing, brake again first." in said and "re-check needed: swing, brake" in said


@pytest.mark.parametrize(("width", "height"), SIZES[:3])
def test_the_steps_screen_says_what_is_done_by_whom_and_how_long_a_soak_must_still_last(
    width: int, height: int
) -> None:
    now = now_after(StepBegun(0, "Ana"), StepDone(3, "Bo"), Override(None, 1, "Cy", "bolts replaced"))
    said = words(steps_screen(view_of(now), Page(0), steps_shown(SHEET, now.standing, NOW), width, height))
    assert "begun, 27 min left Ana 2026-03-10" in said
    assert "Soak every friction plate in clean oil before stacking." in said
    assert "done Bo" in said and "overridden: bolts replaced Cy" in said
    assert "cover bolts, pass 2 of 2: 46 N m ± 5 %, 8 bolts" in said and said.count("NEXT") == 1
    assert "2 of 4 done" in said
    assert CAUTION_LINE in said


def test_how_a_step_stands_shows_without_colour_in_shape_and_word() -> None:
    assert len({look.shape for look in STEP_LOOKS.values()}) == len(STEP_LOOKS)
    assert len({look.ascii_shape for look in STEP_LOOKS.values()}) == len(STEP_LOOKS)


@pytest.mark.parametrize(("width", "height"), SIZES[:3])
def test_the_sign_off_screen_says_what_stands_against_it_and_who_let_pass(width: int, height: int) -> None:
    now = now_after(Override("swing", None, "Foreman Di", "spare box, limits waived"))
    said = words(release_screen(view_of(now), Page(), signoff_shown(now.standing), width, height))
    assert "swing: loose; may pass, says Foreman Di: spare box, limits waived" in said
    assert "4 items open" in said and "step 1 (friction plates) is not done" in said
    assert CAUTION_LINE in said
    closed = [StepDone(0, "Ana", lasted_ns=31 * 60 * 10**9), StepDone(1, "Ana", torque_unm=20_000_000)]
    closed += [StepDone(2, "Ana", torque_unm=46_000_000), StepDone(3, "Ana")]
    ready = now_after(*closed, loose=False)
    assert "Enter signs off" in words(
        release_screen(view_of(ready), Page(), signoff_shown(ready.standing), width, height)
    )
    signed = now_after(*closed, SignedOff("Ana"), loose=False)
    assert "Signed off by Ana, 2026-03-10" in words(
        release_screen(view_of(signed), Page(), signoff_shown(signed.standing), width, height)
    )


@pytest.mark.parametrize(("width", "height"), SIZES[:3])
def test_a_stale_pack_shows_as_stale_in_shape_and_word_and_no_old_verdict_stands_large(width: int, height: int) -> None:
    made = offers(now_after(), "swing").ways[0].changes[0]
    now = now_after(replace(made, by="Ana"))
    view = view_of(now, low_nm=800_000, high_nm=1_400_000)
    text = render(view, width, height).text
    assert "□□ swing" in text and "□□ re-check needed" in text and "LOOSE" not in text
    assert "[] swing" in render(view, width, height, ascii_only=True).text


@pytest.mark.parametrize(("width", "height"), SIZES[1:3])
def test_a_change_that_did_not_come_out_says_what_to_look_for_to_its_end(width: int, height: int) -> None:
    made = PartsChanged("swing", offers(now_after(), "swing").ways[0].changes[0].changes, 1_083_000, 20_000, "Ana")
    again = Judged("swing", 20, 21, sample_verdict("loose"))
    now = unit_now(SHEET, [Entry(10, NOW, made)], [Judged("swing", 1, 2, sample_verdict("loose")), again])
    (outcome,) = now.outcomes
    assert not outcome.as_predicted
    view = view_of(now, outcome=outcome.text, as_predicted=False, verdict=sample_verdict("loose"), advice=["Change."])
    assert outcome.text in words(render(view, width, height))


def test_hostile_names_and_reasons_stay_inert() -> None:
    now = now_after(StepDone(3, HOSTILE), Override("swing", None, HOSTILE, HOSTILE))
    view = view_of(now, technician=HOSTILE, unit_serial=HOSTILE)
    form = Form(HOSTILE, [Field("by", HOSTILE, HOSTILE, HOSTILE)], said=(HOSTILE,), does=HOSTILE)
    form.problem = HOSTILE
    page = Page(0, form, HOSTILE)
    for frame in (
        parts_screen(view, page, parts_shown(now.fitted, Choice(offers(now), (HOSTILE,) * 5)), 80, 24),
        steps_screen(view, page, steps_shown(SHEET, now.standing, NOW), 80, 24),
        release_screen(view, page, signoff_shown(now.standing), 80, 24),
    ):
        assert "\x1b" not in frame.text and "\u202e" not in frame.text


def test_a_long_list_is_shown_around_what_is_chosen() -> None:
    many = parse_sheet(
        '[sheet]\nname = "x"\nrevision = "1"\nsource = "x"\n[[packs]]\nname = "p"\nrange = ["1 mm", "2 mm"]\n'
        + "".join(f'[[steps]]\nkind = "confirm"\nname = "plug {n}"\n' for n in range(1, 41)),
        "many.toml",
    )
    now = unit_now(many, [], [])
    text = steps_screen(BenchView("b"), Page(29), steps_shown(many, now.standing, NOW), 80, 24).text
    assert "▸30 ·· plug 30" in text and "more above" in text and "more below" in text


# -- typing ----------------------------------------------------------------------------------------------------


def typed(form: Form, *keys: str) -> list[str]:
    return [form.take(key) for key in keys]


def test_enter_goes_to_what_is_missing_and_then_does_it() -> None:
    form = Form("Override", [Field("by", "by"), Field("reason", "reason"), Field("note", "note", optional=True)])
    assert typed(form, "D", "i", "enter") == ["typing"] * 3
    assert form.at == 1 and form.problem == ""  # to go on to the next line is no mistake; to pass it over is one
    assert typed(form, "enter") == ["typing"] and form.at == 1 and form.problem == "reason is missing."
    assert typed(form, "o", "o", "backspace", "k", "enter")[-1] == "done"
    assert form.values == {"by": "Di", "reason": "ok", "note": ""}
    assert form.take("escape") == "left"


def test_a_scanned_badge_fills_its_line_wherever_one_types_and_other_text_goes_where_one_types() -> None:
    form = Form("Step", [Field("torque", "torque"), Field("by", "by")])
    form.put("by", "Ana")
    form.append("20 N m")
    assert form.values == {"torque": "20 N m", "by": "Ana"} and form.take("enter") == "done"


@given(st.lists(st.sampled_from(["a", " ", "é", "enter", "backspace", "up", "down", "tab", "left", "delete", "stx"])))
def test_no_key_spoils_a_form_and_only_complete_ones_are_done(keys: list[str]) -> None:
    form = Form("Who?", [Field("by", "by"), Field("reason", "reason")])
    for key in keys:
        if form.take(key) == "done":
            assert all(form.values.values())
        assert all(len(field.value) <= 300 and field.value.isprintable() for field in form.fields)


def test_a_form_without_lines_is_done_by_enter() -> None:
    assert typed(Form("Sure?"), "x", "enter") == ["typing", "done"]


@pytest.mark.parametrize(("width", "height"), [(60, 20), (80, 24), (200, 60)])
def test_what_a_form_asks_for_is_there_to_its_end(width: int, height: int) -> None:
    now = now_after()
    hint = "with its unit, as read at the wrench (46 N m); 8 bolts: one for all, or one for each (46 N m; 46 N m; ...)"
    form = Form("Step 2: cover bolts", [Field("torque", "torque reached", hint=hint), Field("by", "by", "Ana")])
    frame = steps_screen(view_of(now), Page(1, form), steps_shown(SHEET, now.standing, NOW), width, height)
    assert f"({hint})" in words(frame) and "Ana" in words(frame)
    form.put("torque", "35 in lb")
    frame = steps_screen(view_of(now), Page(1, form), steps_shown(SHEET, now.standing, NOW), width, height)
    assert "35 in lb" in words(frame) and "with its unit" not in words(frame)


def test_torques_are_numbers_in_the_sheets_unit_with_blanks_between() -> None:
    # NIST SP 811 app. B: 1 lbf = 4.448 221 615 260 5 N, 1 in = 0.0254 m, both exact: 1 lbf in = 0.112 984 829 N m.
    assert typed_torques("52 51.5  53", "in lb") == [5_875_211, 5_818_719, 5_988_196]
    assert (
        typed_torques("46;47, 48", "N m")
        == typed_torques("46 N m; 47 N m; 48 N m")
        == [46_000_000, 47_000_000, 48_000_000]
    )
    assert typed_torques("46 47 N m", "Nm") == [46_000_000, 47_000_000]
    # Where the sheet names no value, the unit at the end of the line holds for all of it.
    assert typed_torques("52 51 53 in lb") == typed_torques("52 51 53", "in lb")
    with pytest.raises(ValueError, match="units for some bolts and not for others"):
        typed_torques("52 51 53 in lb", "N m")
    with pytest.raises(ValueError, match=r"expected such as '46 N m' or '41 in lb'$"):
        typed_torques("52")


@pytest.mark.parametrize("between", ["enter", " ", "+"])
def test_eight_bolts_are_eight_numbers_with_enter_or_a_blank_between_and_one_holds_for_all(between: str) -> None:
    # A numeric keypad has no blank: its plus stands for one.
    form = Form("Cover bolts", [Field("torque", "torque", many=3), Field("by", "by", "Ana")])
    assert typed(form, "4", "6", between, "4", "7", "enter") == ["typing"] * 6
    assert form.values["torque"].replace(";", "").split() == ["46", "47"] and form.fields[0].next_value == "3 of 3"
    assert typed(form, "4", "5", "enter")[-1] == "done" and typed_torques(form.values["torque"], "N m") == [
        46_000_000, 47_000_000, 45_000_000,
    ]  # fmt: skip
    one = Form("Cover bolts", [Field("torque", "torque", many=8), Field("by", "by", "Ana")])
    typed(one, "4", "6", "enter")
    shown = words(steps_screen(sample_view("good"), Page(form=one), StepsShown((), None, 0), 80, 24))
    assert "46; ▏(2 of 8; Enter: one for all 8)" in shown
    assert typed(one, "enter") == ["done"] and one.values["torque"] == "46"


def test_a_pack_that_became_good_by_itself_is_to_be_looked_at_on_the_bench_and_at_the_sign_off(tmp_path: Path) -> None:
    ended = [Judged("swing", 1, 2, sample_verdict("loose")), Judged("swing", 3, 4, sample_verdict("good"))]
    now = unit_now(SHEET, [], ended)
    why = (
        "swing was loose (1.483 mm) and is good now (1.104 mm), and the record holds no change of its parts in between."
    )
    assert now.unexplained["swing"].startswith(why) and now.standing.cautions == (now.unexplained["swing"],)
    setup = replace(setup_for(tmp_path), sheet=SHEET)
    state = BenchState(setup, "HX-2207", "Ana", SHEET.order(), Dial("port"), None, job_id=7, unit=now, pack=0)
    view = fill_view(state)
    for width, height in [(60, 15), (60, 20), (80, 24), (200, 60)]:
        assert why in " ".join(render(view, width, height).text.replace("│", " ").split())
    for width, height in [(80, 24), (200, 60)]:
        assert why in words(release_screen(view, Page(), signoff_shown(now.standing), width, height))
    entry = Entry(3, NOW, PartsChanged("swing", (Change(0, "shim", 1, 2),), None, None, "Ana"))
    done = unit_now(SHEET, [entry], [ended[0], Judged("swing", 4, 5, sample_verdict("good"))])
    state.unit = done
    assert done.unexplained == {} and fill_view(state).doubt == ""
