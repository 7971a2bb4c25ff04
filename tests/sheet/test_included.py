"""A list of parts that several sheets share: what an include comes to, what wins, and where a mistake in it is said."""

from __future__ import annotations

from pathlib import Path

import pytest

from capture.sheet.sheet import Selective, SheetError, load_sheet, parse_sheet, sheet_and_text

RINGS = """# The rings of the workshop's shelf.
kind = "selective"
part = "ring"
choices = [
    "2.80 mm",
    "3.00 mm",  # the usual one
    "3.20 mm",
]
thicker = "closes"
tolerance = "0.01 mm"
"""
SHEET = """[sheet]
name = "box"
revision = "1"
source = "invented for tests"

[[packs]]
name = "low"
range = ["0.90 mm", "1.30 mm"]

[[packs.adjusters]]
name = "apply ring"
include = "rings.toml"
fitted = "3.00 mm"

[[packs]]
name = "high"
range = ["0.90 mm", "1.30 mm"]

[[packs.adjusters]]
include = "rings.toml"
fitted = "2.80 mm"
tolerance = "0.02 mm"
"""


def write(folder: Path, rings: str = RINGS, sheet: str = SHEET) -> Path:
    (folder / "rings.toml").write_text(rings)
    (folder / "box.toml").write_text(sheet)
    return folder / "box.toml"


def test_two_packs_share_one_list_and_what_the_sheet_says_itself_wins(tmp_path: Path) -> None:
    low, high = (pack.adjusters[0] for pack in load_sheet(write(tmp_path)).packs)
    assert isinstance(low, Selective) and isinstance(high, Selective)
    assert low.choices == high.choices == (2_800_000, 3_000_000, 3_200_000)
    assert (low.name, low.fitted, low.tolerance) == ("apply ring", 3_000_000, 10_000)
    assert (high.fitted, high.tolerance) == (2_800_000, 20_000)


def test_the_text_that_is_kept_holds_the_parts_of_that_day(tmp_path: Path) -> None:
    """The file may change tomorrow; what judged today's unit must not."""
    sheet, text = sheet_and_text(write(tmp_path))
    (tmp_path / "rings.toml").unlink()
    assert parse_sheet(text, "the record") == sheet
    assert "# from rings.toml:" in text and "include =" not in text


def test_a_mistake_in_the_list_is_said_of_its_own_file_and_line(tmp_path: Path) -> None:
    with pytest.raises(SheetError) as caught:
        load_sheet(write(tmp_path, RINGS.replace('"3.20 mm"', '"3.20 kPa"'), SHEET.split('[[packs]]\nname = "high')[0]))
    assert str(caught.value).startswith(
        f'{tmp_path}/rings.toml, line 7: pack "low", ring "apply ring", choices, value 3'
    )


def test_a_mistake_behind_an_include_is_said_of_the_line_that_it_stands_on(tmp_path: Path) -> None:
    path = write(tmp_path, sheet=SHEET.replace('"0.02 mm"', '"0.02"'))
    line = path.read_text().split("\n").index('tolerance = "0.02"') + 1
    with pytest.raises(SheetError, match=rf"box\.toml, line {line}: pack \"high\", ring 1, tolerance: '0.02'"):
        load_sheet(path)


@pytest.mark.parametrize(
    ("rings", "sheet", "said"),
    [
        (
            RINGS,
            SHEET.replace("rings.toml", "ring.toml", 1),
            "ring.toml: No such file or directory; expected",
        ),
        (RINGS, SHEET.replace('"rings.toml"', "3", 1), "3: expected the name of a file beside the sheet"),
        (f"[part]\n{RINGS}", SHEET, "rings.toml, line 1: part: expected the keys of one adjuster alone"),
        (f'include = "b.toml"\n{RINGS}', SHEET, "rings.toml, line 1: include: a list of parts includes no other"),
        ("kind = [", SHEET, "rings.toml: no TOML"),
        (
            RINGS,
            SHEET.split("[[packs.adjusters]]")[0] + 'adjusters = [{ include = "rings.toml", fitted = "3.00 mm" }]\n',
            "stands among other keys; expected a line of its own",
        ),
    ],
)
def test_an_include_that_cannot_be_followed_says_why(tmp_path: Path, rings: str, sheet: str, said: str) -> None:
    with pytest.raises(SheetError) as caught:
        load_sheet(write(tmp_path, rings, sheet))
    assert said in str(caught.value) and len(str(caught.value).splitlines()) == 1
