"""`strokelog sheet new`: from the literature's page to a sheet that the bench takes, by questions alone."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from capture.cli.main import app
from capture.sheet.sheet import Selective, Shim, load_sheet
from capture.sheet.steps import Torque

TWO_PACKS = [
    "Skidder box", "", "service literature, section 7", "in", "20", "1",
    "low", ".040", "0.060", "0.045", "ring", "", "0.100 0.110 .120", ".11", "", "",
    "high", '0.030"', "1.2 mm", "", "shim", "thin shim", "10 thou", "2", "5", "opens", "",
    "",
    "soak", "plates", "30", "",
    "torque", "cover", "20 41", "4 %", "8", "high",
    "",
]  # fmt: skip


def answered(path: Path, answers: list[str]) -> Result:
    return CliRunner().invoke(app, ["sheet", "new", str(path)], input="\n".join(answers) + "\n")


def test_a_sheet_is_written_from_answers_in_the_units_of_the_shop(tmp_path: Path) -> None:
    done = answered(tmp_path / "box.toml", TWO_PACKS)
    assert done.exit_code == 0, done.output
    sheet = load_sheet(tmp_path / "box.toml")
    assert sheet.sheet.source == "service literature, section 7" and sheet.display_unit == "in"
    low, high = sheet.packs
    # 0.001 in = 25.4 um exactly (NIST SP 811).
    assert low.range == (1_016_000, 1_524_000) and low.preferred == 1_143_000
    assert high.range == (762_000, 1_200_000) and high.preferred is None
    (ring,), (shim,) = low.adjusters, high.adjusters
    assert isinstance(ring, Selective) and ring.fitted == 2_794_000 and len(ring.choices) == 3
    assert isinstance(shim, Shim) and (shim.thickness, shim.fitted, shim.max, shim.more) == (254_000, 2, 5, "opens")
    soak, first, final = sheet.steps
    assert soak.minimum_ns == 30 * 60 * 10**9
    # Plates are soaked before the first stroke: common practice.
    assert (soak.before, first.before, final.before) == (("packs",), ("high",), ())
    assert isinstance(first, Torque) and isinstance(final, Torque) and first.bolts_of == final.bolts_of
    # NIST SP 811 app. B: 1 lbf ft = 1.355 818 N m.
    assert final.value_unm == pytest.approx(41 * 1_355_818, rel=1e-6) and final.bolt_count == 8


def test_it_says_in_the_file_what_each_key_is_for_and_what_else_there_is(tmp_path: Path) -> None:
    answered(tmp_path / "box.toml", TWO_PACKS)
    text = (tmp_path / "box.toml").read_text()
    assert "least and greatest clearance" in text and "what a thicker one does to the pack" in text
    assert "strokelog guide build-sheet" in text


def test_a_wrong_answer_is_asked_again_and_says_what_was_expected(tmp_path: Path) -> None:
    answers = [
        "box", "", "", "literature", "furlong", "mm", "",
        "low", "wide", "1,2", "1.0", "1.4", "2", "1.3", "spring", "ring", "", "2.8 2.8", "2.8 3.0", "3.1", "3.0",
        "sideways", "closes", "", "low", "", "20 s",
        "torque", "cover", "tight", "20,41", "46", "60", "4 %", "", "lwo", "", "",
    ]  # fmt: skip
    done = answered(tmp_path / "box.toml", answers)
    assert done.exit_code == 0, done.output
    for said in (
        "it is needed", "expected mm or in", "cannot be read as a length", "'20 s' is no kind of step",
        "expected more than 1.200 mm", "may be one torque or two", "all, none, or names",
        "lies outside 1.2 mm to 1.4 mm",        "expected shim, ring, plate or spacer",
        "each once", "expected one of 2.8 mm, 3.0 mm", "expected open or close", "there is a pack 'low' already",
        "is no torque with a unit", "no less than the value",
    ):  # fmt: skip
        assert said in done.output, said
    assert load_sheet(tmp_path / "box.toml").packs[0].preferred == 1_300_000


def test_who_leaves_the_questions_has_written_no_sheet_and_goes_on_where_they_were_left(tmp_path: Path) -> None:
    done = answered(tmp_path / "box.toml", TWO_PACKS[:9])
    assert done.exit_code == 1 and "not written" in done.output and not (tmp_path / "box.toml").exists()
    done = answered(tmp_path / "box.toml", TWO_PACKS[9:])
    assert done.exit_code == 0 and "Goes on behind the 9 answers" in done.output
    answered(tmp_path / "other.toml", TWO_PACKS)
    assert (tmp_path / "box.toml").read_text() == (tmp_path / "other.toml").read_text()
    assert not list(tmp_path.glob("*.draft"))


def test_a_question_back_is_asked_again_with_what_was_answered(tmp_path: Path) -> None:
    answers = [*TWO_PACKS[:8], "<", "<", "hgih", "<", *TWO_PACKS[6:]]
    done = answered(tmp_path / "box.toml", answers)
    assert done.exit_code == 0 and "least clearance (was .040):" in done.output
    assert "its name (was hgih):" in done.output
    assert load_sheet(tmp_path / "box.toml").packs[0].name == "low"


@pytest.mark.parametrize("typed", ["2.80 3.00", "2,80 3,00", "2.80,3.00", "2.80, 3.00", "2,80; 3,00"])
def test_thicknesses_are_understood_however_a_hand_parts_them(tmp_path: Path, typed: str) -> None:
    answers = ["box", "", "literature", "", "", "low", "1,2", "1,4", "", "ring", "", typed, "3", "", "", "", ""]
    assert answered(tmp_path / "box.toml", answers).exit_code == 0
    (ring,) = load_sheet(tmp_path / "box.toml").packs[0].adjusters
    assert isinstance(ring, Selective) and (ring.choices, ring.fitted) == ((2_800_000, 3_000_000), 3_000_000)


def test_end_play_is_moved_by_hand_and_its_name_says_so(tmp_path: Path) -> None:
    answers = [
        "box",
        "",
        "literature",
        "",
        "",
        "low",
        "1",
        "2",
        "",
        "",
        "output shaft end play",
        "",
        "0.1",
        "0.3",
        "",
        "",
    ]
    done = answered(tmp_path / "box.toml", [*answers, "", ""])
    assert done.exit_code == 0 and "moved by air or hand [hand]:" in done.output and "least play:" in done.output
    assert [pack.moved_by for pack in load_sheet(tmp_path / "box.toml").packs] == ["air", "hand"]


def test_the_questions_say_in_which_unit_a_torque_is_and_take_no_thickness_for_a_name(tmp_path: Path) -> None:
    done = answered(tmp_path / "box.toml", TWO_PACKS)
    assert "  torque in ft lb; of several passes" in done.output and "  its first pass comes before" in done.output
    ring = ["ring", "2.8 3.0", "", "2.8 3.0", "3.0", "", "", "", ""]
    done = answered(tmp_path / "ring.toml", ["box", "", "literature", "", "", "low", "1", "2", "", *ring])
    assert "'2.8 3.0' is no name" in done.output and done.exit_code == 0
    assert load_sheet(tmp_path / "ring.toml").packs[0].adjusters[0].name == "ring"


def test_a_sheet_that_is_there_is_not_written_over(tmp_path: Path) -> None:
    (tmp_path / "box.toml").write_text("mine")
    done = answered(tmp_path / "box.toml", TWO_PACKS)
    assert done.exit_code == 1 and "is there already" in done.output
    assert (tmp_path / "box.toml").read_text() == "mine"


def test_a_name_with_quotes_and_letters_of_any_alphabet_comes_back_as_it_was_typed(tmp_path: Path) -> None:
    answers = ['Прицеп "3"', "", "a\\b", "", "", "low", "1", "2", "", "", "", ""]
    assert answered(tmp_path / "box.toml", answers).exit_code == 0
    about = load_sheet(tmp_path / "box.toml").sheet
    assert (about.name, about.source) == ('Прицеп "3"', "a\\b")


def test_what_the_check_shows_is_what_the_bench_will_ask(tmp_path: Path) -> None:
    answered(tmp_path / "box.toml", TWO_PACKS)
    said = CliRunner().invoke(app, ["sheet", "check", str(tmp_path / "box.toml")]).output
    assert "pack 1, low\n    first: step 1 (plates)\n    clearance 0.0400 in to 0.0600 in, preferred 0.0450 in" in said
    assert "strokes: 1 to seat, then 5 that count, measured at the peak" in said
    assert "ring: 0.110 in fitted, of 0.100 in, 0.110 in, 0.120 in; a thicker one closes it" in said
    assert "each of 8 bolts to 20 ft lb, 19.2 ft lb to 20.8 ft lb allowed" in said
    assert "pack 2, high\n    first: step 1 (plates), step 2 (cover, pass 1 of 2)\n" in said
    assert "step 1, soak: plates\n    before every pack is measured" in said
    assert "step 3, torque: cover, pass 2 of 2\n    after the packs" in said
    assert said.index("pack 2, high") < said.index("step 1, soak: plates") < said.index("then the sign-off")
