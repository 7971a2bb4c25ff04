"""The build sheet: every key parses to exact numbers, and every mistake is named so that it can be mended."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.sheet.sheet import Selective, Sheet, SheetError, Shim, load_sheet, parse_sheet

FIXTURES = Path(__file__).parents[2] / "fixtures"

WHOLE = """
[sheet]
name = "Power-shift box"
revision = "C"
source = "invented for tests"

[air]
pressure = "140 kPa"
tolerance = "10 kPa"

[[packs]]
name = "low"
range = ["0.80 mm", "1.40 mm"]
preferred = "1.10 mm"
strokes = 5
seat_strokes = 1
measure = "peak"
friction_surfaces = 12
depends_on = ["high"]

[[packs.adjusters]]
kind = "shim"
thickness = "0.25 mm"
fitted = 2
min = 0
max = 4
more = "opens"

[[packs.adjusters]]
kind = "selective"
part = "ring"
choices = ["2.80 mm", "3.0 mm", "0.125 in"]
fitted = "3.00 mm"
thicker = "closes"

[[packs]]
name = "high"
range = ["0.040 in", "0.060 in"]

[[steps]]
kind = "soak"

[[steps]]
kind = "torque"
order = 1
value = "46 N m"
pattern = "crosswise"
"""


def test_a_sheet_as_the_contract_writes_it_is_read_exactly() -> None:
    sheet = parse_sheet(WHOLE, "box.toml")
    assert (sheet.sheet.name, sheet.sheet.revision, sheet.sheet.source) == (
        "Power-shift box",
        "C",
        "invented for tests",
    )
    assert sheet.air is not None and (sheet.air.pressure, sheet.air.tolerance) == (140_000, 10_000)
    low = sheet.pack("low")
    assert (low.low_nm, low.high_nm, low.preferred_nm) == (800_000, 1_400_000, 1_100_000)
    assert (low.strokes, low.seat_strokes, low.measure, low.friction_surfaces) == (5, 1, "peak", 12)
    assert low.depends_on == ("high",)
    shim, ring = low.adjusters
    assert isinstance(shim, Shim) and isinstance(ring, Selective)
    assert (shim.thickness, shim.fitted, shim.min, shim.max, shim.more) == (250_000, 2, 0, 4, "opens")
    # NIST SP 811, appendix B.8: 1 in = 25.4 mm exactly, so an eighth is 3.175 mm.
    assert (ring.choices, ring.fitted, ring.thicker) == ((2_800_000, 3_000_000, 3_175_000), 3_000_000, "closes")
    assert [ring.text(choice) for choice in ring.choices] == ["2.80 mm", "3.0 mm", "0.125 in"]
    soak, torque = sheet.steps
    assert soak.kind == "soak"
    assert (torque.kind, torque.order, torque.value, torque.pattern) == ("torque", 1, "46 N m", "crosswise")


def test_what_a_pack_leaves_out_has_a_shops_usual_value() -> None:
    high = parse_sheet(WHOLE, "box.toml").pack("high")
    # Five strokes after one that settles the pack, and the middle of the range to aim for (common practice).
    assert (high.strokes, high.seat_strokes, high.measure, high.adjusters) == (5, 1, "peak", ())
    assert high.preferred_nm == 50 * 25_400


def test_lengths_are_shown_in_the_unit_the_first_pack_is_written_in() -> None:
    assert parse_sheet(WHOLE, "box.toml").display_unit == "mm"
    inches = WHOLE.replace('["0.80 mm", "1.40 mm"]', '["0.040 in", "1.40 mm"]')
    assert parse_sheet(inches, "box.toml").display_unit == "in"
    assert parse_sheet(inches.replace("0.040 in", "40 thou"), "box.toml").display_unit == "in"


def test_packs_are_checked_after_those_they_depend_on() -> None:
    assert [pack.name for pack in parse_sheet(WHOLE, "box.toml").order()] == ["high", "low"]
    independent = WHOLE.replace('depends_on = ["high"]', "")
    assert [pack.name for pack in parse_sheet(independent, "box.toml").order()] == ["low", "high"]


def test_an_unknown_pack_is_refused_with_the_names_there_are() -> None:
    with pytest.raises(SheetError, match=r"no pack 'third'.*low, high"):
        parse_sheet(WHOLE, "box.toml").pack("third")


LOW = 'pack "low", '


@pytest.mark.parametrize(
    ("old", "new", "key", "value", "expected"),
    [
        ('"0.80 mm", "1.40 mm"', '"0.80", "1.40 mm"', "LOW range, value 1", "'0.80'", "such as '1.10 mm'"),
        ('"0.80 mm", "1.40 mm"', '0.8, "1.40 mm"', "LOW range, value 1", "0.8", "such as '1.10 mm'"),
        (
            '"0.80 mm", "1.40 mm"',
            '"0.80 kPa", "1.40 mm"',
            "LOW range, value 1",
            "'0.80 kPa'",
            "such as '1.10 mm'",
        ),
        (
            '"0.80 mm", "1.40 mm"',
            '"1.50 mm", "1.40 mm"',
            "LOW range",
            "'1.50 mm'",
            "a lower and a higher length",
        ),
        ('"0.80 mm", "1.40 mm"', '"0.80 mm"', "LOW range", "", "is missing"),
        ('"1.10 mm"', '"1.50 mm"', "LOW preferred", "'1.50 mm'", "outside the range"),
        ("strokes = 5", "strokes = 1", "LOW strokes", "1", "expected at least 2"),
        ("strokes = 5", 'strokes = "many"', "LOW strokes", "'many'", "expected a whole number"),
        ('measure = "peak"', 'measure = "mean"', "LOW measure", "'mean'", "'peak' or 'held'"),
        ("friction_surfaces = 12", "colour = 12", "LOW colour", "12", "is no key of a pack"),
        ("friction_surfaces = 12", "shim = 12", "LOW shim", "12", "is no key of a pack"),
        ('["high"]', '["third"]', "LOW depends_on", "'third'", "no pack of this sheet"),
        ('name = "high"', 'name = "low"', "LOW name", "'low'", "two packs"),
        ("fitted = 2", "fitted = 5", "LOW shim 1, fitted", "5", "min 0 to max 4"),
        ('more = "opens"', 'more = "wider"', "LOW shim 1, more", "'wider'", "'opens' or 'closes'"),
        ('more = "opens"', "", "LOW shim 1, more", "", "is missing"),
        (
            'more = "opens"',
            'more = "opens"\nmoves = { third = 0.5 }',
            "LOW shim 1, moves",
            "",
            "'third' is no pack",
        ),
        (
            'more = "opens"',
            'more = "opens"\nmoves = { low = 0.5 }',
            "LOW shim 1, moves",
            "",
            "its own pack 'low'",
        ),
        (
            'more = "opens"',
            'more = "opens"\nmoves = { high = 0 }',
            "LOW shim 1, moves.high",
            "0",
            "between -100 and 100 other than 0",
        ),
        (
            'more = "opens"',
            'more = "opens"\nmoves = { high = inf }',
            "LOW shim 1, moves.high",
            "inf",
            "between -100 and 100",
        ),
        (
            'more = "opens"',
            'more = "opens"\nmoves = { high = nan }',
            "LOW shim 1, moves.high",
            "nan",
            "between -100 and 100",
        ),
        (
            'more = "opens"',
            'more = "opens"\nmoves = { high = true }',
            "LOW shim 1, moves.high",
            "True",
            "valid number",
        ),
        (
            'more = "opens"',
            'more = "opens"\nmoves = { high = "0.5" }',
            "LOW shim 1, moves.high",
            "'0.5'",
            "valid number",
        ),
        (
            'measure = "peak"',
            'friction_thickness = "0 mm"',
            "LOW friction_thickness",
            "'0 mm'",
            "expected more than 0",
        ),
        ('measure = "peak"', 'plate_tolerance = "0.1 mm"', "LOW plate_tolerance", "'0.1 mm'", "of which plate"),
        ('kind = "shim"', 'kind = "glue"', "LOW glue 1, kind", "'glue'", "'shim' or 'selective'"),
        (
            'thickness = "0.25 mm"',
            'thickness = "0 mm"',
            "LOW shim 1, thickness",
            "0 mm",
            "expected more than 0",
        ),
        ('fitted = "3.00 mm"', 'fitted = "3.10 mm"', "LOW ring 2, fitted", "'3.10 mm'", "one of the choices"),
        ('"3.0 mm"', '"2.8 mm"', "LOW ring 2, choices", "'2.8 mm'", "listed twice"),
        ('"2.80 mm"', '"wide"', "LOW ring 2, choices, value 1", "'wide'", "such as '1.10 mm'"),
        ('pressure = "140 kPa"', 'pressure = "140 mm"', "air.pressure", "'140 mm'", "such as '140 kPa'"),
        ('source = "invented for tests"', "", "sheet.source", "", "is missing"),
        ('revision = "C"', 'revision = ""', "sheet.revision", "''", "it is empty"),
        ("order = 1", "order = 0", "step 2, order", "0", "expected at least 1"),
    ],
)
def test_a_mistake_is_named_by_file_key_value_and_what_was_expected(
    old: str, new: str, key: str, value: str, expected: str
) -> None:
    assert old in WHOLE
    with pytest.raises(SheetError) as caught:
        parse_sheet(WHOLE.replace(old, new, 1), "box.toml")
    (line,) = str(caught.value).splitlines()
    place, said = line.split(": ", 1)
    text = WHOLE.replace(old, new, 1)
    # The line of the key, or for one that is missing that of the table which lacks it.
    first = text[: WHOLE.index(old)].count("\n") + 1
    assert re.fullmatch(r"box\.toml, line \d+", place) and said.startswith(key.replace("LOW ", LOW) + ": ")
    at = int(place.rsplit(" ", 1)[1])
    assert first <= at <= first + new.count("\n") if new and "missing" not in expected else at <= first
    assert value in line and expected in line


def test_two_mistakes_are_named_at_once() -> None:
    text = WHOLE.replace("strokes = 5", "strokes = 1").replace('"140 kPa"', '"140"')
    with pytest.raises(SheetError) as caught:
        parse_sheet(text, "box.toml")
    assert sorted(line.split(": ")[1] for line in str(caught.value).splitlines()) == [
        "air.pressure",
        'pack "low", strokes',
    ]


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("range =", "rang =", "'rang'... did you mean 'range'?"),
        ("fitted = 2", "fited = 2", "did you mean 'fitted'?"),
        ("preferred =", "prefered =", "did you mean 'preferred'?"),
        ('"0.80 mm", "1.40 mm"', '"0.80", "1.40"', "1 more of the list is wrong alike"),
        ('"0.80 mm", "1.40 mm"', "0.8, 1.4", "1 more of the list is wrong alike"),
        ('range = ["0.80 mm", "1.40 mm"]', 'range = "0.80 mm"', "expected a list in brackets"),
        ('more = "opens"', "moves = 3", "is missing"),
    ],
)
def test_one_mistake_is_told_once_and_in_no_word_of_the_program(old: str, new: str, said: str) -> None:
    assert old in WHOLE
    with pytest.raises(SheetError) as caught:
        parse_sheet(WHOLE.replace(old, new, 1), "box.toml")
    told = str(caught.value)
    assert said.split("... ")[-1] in told
    assert len(told.splitlines()) == (2 if "moves" in new else 1)  # a key taken out and another spoilt are two
    assert not re.search(r"tuple|tag|\[\d+\]|Input|dict|string", told)


@pytest.mark.parametrize("needed", ['["low"]', '["high"]'])
def test_packs_that_wait_for_each_other_in_a_circle_are_refused(needed: str) -> None:
    text = WHOLE.replace('range = ["0.040 in", "0.060 in"]', f'range = ["0.040 in", "0.060 in"]\ndepends_on = {needed}')
    with pytest.raises(SheetError, match=r"box\.toml, line \d+: .*high.*in a circle"):
        parse_sheet(text, "box.toml")


@pytest.mark.parametrize(
    "text",
    ["range = [", "a = " + "[" * 20_000, "a = " + "9" * 5_000, "[[packs]]\nstrokes = 0x" + "f" * 5_000, "\0"],
)
def test_what_is_no_sheet_at_all_is_refused_with_its_file(text: str) -> None:
    with pytest.raises(SheetError, match=r"^box\.toml: "):
        parse_sheet(text, "box.toml")


def test_a_sheet_that_cannot_be_read_is_named(tmp_path: Path) -> None:
    with pytest.raises(SheetError, match=r"none\.toml: .*expected a build sheet"):
        load_sheet(tmp_path / "none.toml")
    latin = tmp_path / "latin.toml"
    latin.write_bytes(b'[sheet]\nname = "\xb5"\n')
    with pytest.raises(SheetError, match=r"latin\.toml: is not UTF-8"):
        load_sheet(latin)


def test_the_shipped_sheets_load() -> None:
    forwarder = load_sheet(FIXTURES / "demo" / "workshop-forwarder.toml")
    assert forwarder.display_unit == "mm" and forwarder.pack("low").range == (900_000, 1_300_000)
    assert [pack.name for pack in forwarder.order()] == ["low", "high", "reverse"]
    skidder = load_sheet(FIXTURES / "sheets" / "skidder-inch.toml")
    # NIST SP 811, appendix B.8: 0.001 in = 25.4 um exactly.
    assert skidder.display_unit == "in" and skidder.pack("forward").range == (46 * 25_400, 70 * 25_400)


LINES = WHOLE.splitlines()
VALUES = st.sampled_from(
    ["1", "-1", "0.5", "true", '""', '"1 mm"', '"1"', '"(1 mm"', "[]", '["1 mm"]', "{}", "[{}]", "2026-01-31", "nan"]
)
KEYS = st.sampled_from(sorted({line.split(" =")[0] for line in LINES if " =" in line}))


def gives_a_sheet_or_its_error(text: str) -> None:
    try:
        sheet: Any = parse_sheet(text, "fuzz.toml")
    except SheetError as error:
        assert str(error).startswith("fuzz.toml")
    else:
        assert isinstance(sheet, Sheet) and sheet.order()


@given(st.text(max_size=80))
def test_any_text_gives_a_sheet_or_its_error(text: str) -> None:
    gives_a_sheet_or_its_error(text)


@settings(deadline=None)  # the first of them waits for the units to be read
@given(st.lists(st.tuples(st.integers(0, len(LINES) - 1), KEYS, VALUES, st.booleans()), min_size=1, max_size=3))
def test_any_wrong_or_missing_line_gives_a_sheet_or_its_error(edits: list[tuple[int, str, str, bool]]) -> None:
    lines = list(LINES)
    for at, key, value, same_key in edits:
        name = lines[at].split(" =")[0] if same_key and " =" in lines[at] else key
        lines[at] = f"{name} = {value}"
    gives_a_sheet_or_its_error("\n".join(lines))


def test_an_adjuster_may_move_other_packs_and_plates_may_be_measured() -> None:
    text = WHOLE.replace('more = "opens"', 'more = "opens"\nmoves = { high = -0.5 }', 1)
    text = text.replace('measure = "peak"', 'friction_thickness = "2.2 mm"\nplate_tolerance = "0.05 mm"', 1)
    low = parse_sheet(text, "box.toml").pack("low")
    assert low.adjusters[0].moves == {"high": -0.5} and low.adjusters[1].moves == {}
    assert (low.friction_thickness, low.steel_thickness, low.plate_tolerance) == (2_200_000, None, 50_000)


def test_a_pack_that_could_be_built_in_more_ways_than_can_be_searched_is_refused() -> None:
    shims = '[[packs.adjusters]]\nkind = "shim"\nthickness = "1 mm"\nfitted = 0\nmax = 99\nmore = "opens"\n'
    text = WHOLE.replace("[[packs.adjusters]]", shims * 3 + "[[packs.adjusters]]", 1)
    with pytest.raises(SheetError, match="combined in 15,000,000 ways; expected at most 1,000,000"):
        parse_sheet(text, "box.toml")


def test_what_is_wrong_between_keys_is_told_with_what_is_wrong_in_them() -> None:
    wrong = WHOLE.replace('name = "high"', 'name = "high"\nstrokes = "five"\ndepends_on = ["lwo"]', 1)
    wrong = wrong.replace('preferred = "', 'preferred = "9', 1).replace("order = 1", "order = 0", 1)
    with pytest.raises(SheetError) as caught:
        parse_sheet(wrong, "box.toml")
    said = str(caught.value).splitlines()
    assert len(said) == 4 and sum("'lwo' is no pack of this sheet" in one for one in said) == 1
    for one in ("strokes: 'five'", "lies outside the range", "order: 0"):
        assert one in str(caught.value)
