"""Which of several parts was fitted: its own limits hold, and a unit is never judged by another's."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from capture.cli.main import app
from capture.custody.verify import verify
from capture.plumbing.terminal.scanner import Key
from capture.record import Store
from capture.sheet.sheet import SheetError, parse_sheet
from capture.sheet.variants import chosen_text
from tests.session.test_typed_dial import measuring
from tests.support.broker import until
from tests.support.sheets import HEAD, pack, shim

TOML = (
    HEAD + pack("low", shim(), keys="strokes = 3\nseat_strokes = 0\n") + pack("high")
    + """
[[variants]]
name = "retainer 4A"
packs = { low = { range = ["2.00 mm", "2.40 mm"] } }

[[variants]]
name = 'retainer "4B"'

[variants.packs.low]
range = ["1.00 mm", "1.20 mm"]

[[variants.packs.low.adjusters]]
kind = "shim"
thickness = "0.10 mm"
fitted = 1
max = 3
more = "opens"
"""
)  # fmt: skip


def test_what_follows_from_the_variant_that_is_fitted_holds_and_all_else_stays() -> None:
    open_sheet = parse_sheet(TOML, "unit.toml")
    assert open_sheet.undecided and open_sheet.pack("low").low_nm == 900_000
    sheet = parse_sheet(chosen_text(TOML, 'retainer "4B"', "Ana"), "unit.toml")
    low, high = sheet.packs
    assert (low.low_nm, low.high_nm, low.strokes) == (1_000_000, 1_200_000, 3)
    assert low.adjusters[0].sign == 1 and high == open_sheet.pack("high")
    assert (sheet.sheet.variant, sheet.sheet.variant_by, sheet.undecided) == ('retainer "4B"', "Ana", False)
    assert len(sheet.variants) == 2  # the record keeps what else there was


def test_the_kept_text_is_the_sheets_own_with_two_lines_more() -> None:
    kept = chosen_text(TOML, "retainer 4A", "Ana")
    more = set(kept.splitlines()) - set(TOML.splitlines())
    assert more == {'variant = "retainer 4A"', 'variant_by = "Ana"'}


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('["2.00 mm", "2.40 mm"]', '["2.40 mm", "2.00 mm"]', "variant 'retainer 4A'"),
        ("low = { range", "lo = { range", "'lo' is no pack of this sheet"),
        ("name = 'retainer \"4B\"'", 'name = "retainer 4A"', "two variants are called so"),
        ("low = { range", 'low = { name = "x", range', "never its name"),
        ("low = { range", "low = { rnge", "rnge"),
    ],
)
def test_what_is_wrong_with_a_variant_is_said_before_anybody_chooses_it(old: str, new: str, said: str) -> None:
    assert old in TOML
    with pytest.raises(SheetError) as error:
        parse_sheet(TOML.replace(old, new), "unit.toml")
    assert said in str(error.value) and "line " in str(error.value)


def test_a_variant_that_the_sheet_has_not_is_named_with_those_there_are() -> None:
    with pytest.raises(SheetError, match=r"'retainer 9' is no variant; there are: retainer 4A, retainer"):
        parse_sheet(chosen_text(TOML, "retainer 9", "Ana"), "unit.toml")


def run(tmp_path: Path, *words: str) -> subprocess.CompletedProcess[str]:
    sheet = tmp_path / "unit.toml"
    sheet.write_text(TOML)
    command = [sys.executable, "-m", "capture.cli", *words, "--sheet", str(sheet)]
    return subprocess.run(command, capture_output=True, text=True, stdin=subprocess.DEVNULL, timeout=60)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "say which is fitted, --variant NAME; there are: retainer 4A"),
        (["--variant", "retainer 4A"], "confirmed by name: say who, --tech NAME"),
        (["--variant", "retainer 4A", "--tech", "Ana"], "confirmed for one unit: say which, --unit SERIAL"),
        (["--variant", "retainer 9", "--tech", "Ana", "--unit", "A1"], "no variant of"),
        (["--variant", "retainer 4A", "--tech", "Ana", "--unit", "A1", "--repeat"], "confirmed for each unit"),
    ],
)
def test_nothing_is_measured_until_somebody_says_what_is_fitted(tmp_path: Path, words: list[str], said: str) -> None:
    ended = run(tmp_path, "run", "--port", "recording:none", "--data-dir", str(tmp_path), *words)
    assert ended.returncode == 2 and said in ended.stderr
    assert not (tmp_path / "record.sqlite").exists()


def test_a_replay_asks_for_the_variant_too(tmp_path: Path) -> None:
    (tmp_path / "unit.toml").write_text(TOML)
    words = ["replay", "fixtures/recordings/typed-in.jsonl", "--pack", "low", "--sheet", str(tmp_path / "unit.toml")]
    asked = CliRunner().invoke(app, words)
    assert asked.exit_code == 2 and "say which --variant" in asked.output
    told = CliRunner().invoke(app, [*words, "--variant", "retainer 4A"])
    assert told.exit_code == 0 and "TIGHT" in told.output


def test_at_a_terminal_it_is_asked_which_is_fitted_and_who_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import typer

    from capture.cli import choose_variant

    (tmp_path / "unit.toml").write_text(TOML)
    answers = iter(["HX-2207", "7", "2", "Ana"])
    monkeypatch.setattr(choose_variant.sys, "stdin", type("Terminal", (), {"isatty": lambda self: True})())
    monkeypatch.setattr(
        choose_variant.sys,
        "stderr",
        type(
            "Terminal", (), {"isatty": lambda self: True, "write": lambda self, text: None, "flush": lambda self: None}
        )(),
    )
    monkeypatch.setattr(typer, "prompt", lambda *words, **more: next(answers))
    sheet, text, unit = choose_variant.sheet_for_unit(tmp_path / "unit.toml", None, "", "")
    about = sheet.sheet
    assert (about.variant, about.variant_by, about.variant_unit, unit) == ('retainer "4B"', "Ana", "HX-2207", "HX-2207")
    assert parse_sheet(text, "unit.toml").pack("low").high_nm == 1_200_000


async def test_a_unit_is_judged_by_the_limits_of_what_is_fitted_and_proven_by_them(tmp_path: Path) -> None:
    async with measuring(tmp_path, sheet=chosen_text(TOML, 'retainer "4B"', "Ana")) as hand:
        assert 'retainer "4B"' in hand.bench.view.sheet_name
        for reading in ("2.00", "3.10", "2.00", "3.10", "2.00", "3.10", "2.00"):
            await hand.reads(reading)
        await until(hand.bench.finished.is_set)
        verdict = hand.bench.view.verdict
        assert verdict is not None and (verdict.low_nm, verdict.verdict) == (1_000_000, "good")
    record = tmp_path / "data" / "record.sqlite"
    assert verify(record).mismatch is None
    with Store.open(record) as store:
        assert 'variant_by = "Ana"' in store.job(1).sheet_toml


async def test_no_other_unit_is_judged_by_what_is_fitted_to_one(tmp_path: Path) -> None:
    async with measuring(tmp_path, sheet=chosen_text(TOML, "retainer 4A", "Ana", "FW3-0117")) as hand:
        assert hand.bench.state.running is None and hand.bench.unit is None
        assert "was confirmed for unit FW3-0117, and this is unit HX-2207" in hand.screen()
        await hand.controls.take(Key("\r"))
        assert hand.bench.state.running is None and "run it anew" in hand.controls.said
        hand.bench.name_unit("FW3-0117")
        await hand.controls.take(Key("\r"))
        assert hand.bench.state.running is not None
