"""Which of several parts was fitted: its own limits hold, and a unit is never judged by another's."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from typer.testing import CliRunner

from capture.bench.setup import BenchSetup
from capture.cli.bench_run import BenchRun
from capture.cli.main import app
from capture.custody.verify import verify
from capture.dashboard.showing import draw
from capture.plumbing.terminal.scanner import Key, Scan
from capture.record import Store
from capture.recordings.stream import indicator_from
from capture.session.conduct import attended, by_hand, in_order
from capture.session.daemon import Conduct, Way, run_daemon
from capture.session.faces.hall import Hall
from capture.session.session import Session
from capture.session.units_keys import NextUnit
from capture.sheet.sheet import SheetError, parse_sheet
from capture.sheet.variants import chosen_text, unchosen_text
from tests.job.test_next_unit import ENTER, ESCAPE, typed
from tests.session.test_typed_dial import INDICATOR, measuring
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


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "say which is fitted, --variant NAME; there are: retainer 4A"),
        (["--variant", "retainer 4A"], "confirmed by name: say who, --tech NAME"),
        (["--variant", "retainer 4A", "--tech", "Ana"], "confirmed for one unit: say which, --unit SERIAL"),
        (["--variant", "retainer 9", "--tech", "Ana", "--unit", "A1"], "no variant of"),
    ],
)
def test_nothing_is_measured_until_somebody_says_what_is_fitted(tmp_path: Path, words: list[str], said: str) -> None:
    (tmp_path / "unit.toml").write_text(TOML)
    given = ["--sheet", str(tmp_path / "unit.toml"), "--port", "recording:none", "--data-dir", str(tmp_path), *words]
    ended = CliRunner().invoke(app, ["run", *given])
    assert ended.exit_code == 2 and said in ended.output
    assert not (tmp_path / "record.sqlite").exists()


def test_a_replay_asks_for_the_variant_too(tmp_path: Path) -> None:
    (tmp_path / "unit.toml").write_text(TOML)
    words = ["replay", "fixtures/recordings/typed-in.jsonl", "--pack", "low", "--sheet", str(tmp_path / "unit.toml")]
    asked = CliRunner().invoke(app, words)
    assert asked.exit_code == 2 and "say which --variant" in asked.output
    told = CliRunner().invoke(app, [*words, "--variant", "retainer 4A"])
    assert told.exit_code == 0 and "TIGHT" in told.output


@asynccontextmanager
async def sessions(
    tmp_path: Path, conduct: Conduct, sheet: str = TOML, said: Callable[[str], None] = lambda text: None, **way: bool
) -> AsyncIterator[list[Session]]:
    """A bench with a dial that is typed, and its sessions one after the other."""
    driver, settings, _ = indicator_from(INDICATOR)
    data = tmp_path / "data"
    run = BenchRun(
        BenchSetup(
            bench="bay-2", port="keyboard:", driver=driver, settings=settings, indicator=INDICATOR,
            sheet=parse_sheet(sheet, "unit.toml"), sheet_toml=sheet, unit_serial="", technician="",
            data_dir=data, record_path=data / "record.sqlite",
        ), packs=None,
    )  # fmt: skip
    made: list[Session] = []

    def session(_: Hall, following: NextUnit | None) -> Session:
        made.append(Session(run._setup_for(following) if made else run.setup, said, understood=True))
        return made[-1]

    daemon = asyncio.create_task(run_daemon(session, Way(conduct, **way)))
    await until(lambda: bool(made) and made[0].bench.ready.is_set())
    yield made
    daemon.cancel()
    await asyncio.wait({daemon})


def screen(session: Session) -> str:
    drawn = draw(session.showing(), 80, 24, False)
    return " ".join(" ".join("".join(text for text, _ in row) for row in drawn.rows).split())


async def test_a_service_asks_each_unit_by_name_before_its_first_check_and_goes_on_with_each_ones_own(
    tmp_path: Path,
) -> None:
    async with sessions(tmp_path, attended, stays=True) as made:
        first = made[0]
        assert "retainer 4A or retainer" in screen(first) and "Enter asks what is fitted" in screen(first)
        await first.take(Scan("unit:HX-2207"))
        await typed(first.take, ENTER)
        asked = screen(first)
        assert "low 2.00 mm to 2.40 mm" in asked and "fitted" in asked and first.bench.state.running is None
        await typed(first.take, "7", ENTER, "Ana", ENTER)
        assert "'7' is none of them; type a number from 1 to 2" in screen(first)
        await typed(first.take, "tab", "tab", "backspace", "2", ENTER)
        await until(lambda: len(made) == 2 and made[1].bench.ready.is_set())
        second = made[1]
        about = second.bench.setup.sheet.sheet
        assert (about.variant, about.variant_by, about.variant_unit) == ('retainer "4B"', "Ana", "HX-2207")
        assert second.bench.state.technician == "Ana"
        await typed(second.take, ENTER)
        assert (second.bench.view.low_nm, second.bench.view.high_nm) == (1_000_000, 1_200_000)
        await second.bench.end_check()
        await typed(second.take, "n", ENTER, "HX-2208", ENTER)
        await until(lambda: len(made) == 3 and made[2].bench.ready.is_set())
        assert "Enter asks what is fitted" in screen(made[2])  # what the unit before had says nothing of this one
        await typed(made[2].take, ENTER, "RETAINER 4a", ENTER)
        await until(lambda: len(made) == 4 and made[3].bench.ready.is_set())
        await typed(made[3].take, ENTER)
        assert made[3].bench.view.low_nm == 2_000_000
        await made[3].bench.end_check()
        await typed(made[3].take, "n", "1")
        await until(lambda: len(made) == 5 and made[4].bench.ready.is_set())
        await typed(made[4].take, ENTER)  # the unfinished one goes on by what was seen on it
        assert (made[4].bench.state.unit_serial, made[4].bench.view.low_nm) == ("HX-2207", 1_000_000)


async def test_a_technician_is_asked_at_once_and_nothing_of_the_unit_is_kept_before(tmp_path: Path) -> None:
    steps = '\n[[steps]]\nkind = "soak"\ntext = "plates in oil"\nbefore = "packs"\n'
    async with sessions(tmp_path, by_hand, sheet=TOML + steps) as made:
        await until(lambda: "Which is fitted?" in screen(made[0]))
        await typed(made[0].take, ESCAPE, ESCAPE, "s")
        assert "Which is fitted?" in screen(made[0]) and made[0].bench.unit is None
        await typed(made[0].take, ESCAPE, "s")
        assert "Say first what is fitted" in screen(made[0]) and made[0].bench.unit is None
        await typed(made[0].take, ESCAPE, ENTER)
        await made[0].take(Scan("unit:HX-2209"))
        await typed(made[0].take, "tab", "1", ENTER, "Ana", ENTER)
        await until(lambda: len(made) == 2 and made[1].bench.ready.is_set())
        assert made[1].bench.state.unit_serial == "HX-2209" and "Before low comes step 1" in screen(made[1])


async def test_pack_after_pack_waits_until_a_screen_says_what_is_fitted(tmp_path: Path) -> None:
    said: list[str] = []
    async with sessions(tmp_path, in_order([0]), said=said.append) as made:
        await until(lambda: "Which is fitted?" in screen(made[0]))
        assert any("what is fitted must be said first, on a screen" in line for line in said)
        await typed(made[0].take, "HX-2207", ENTER, "1", ENTER, "Ana", ENTER)
        await until(lambda: len(made) == 2 and made[1].bench.state.running is not None)
        assert made[1].bench.view.low_nm == 2_000_000


def test_what_one_unit_had_leaves_no_trace_in_the_text_that_asks_for_the_next() -> None:
    assert unchosen_text(chosen_text(TOML, 'retainer "4B"', 'Ana "A"', "HX-2207")) == TOML
    assert unchosen_text(TOML) == TOML
    by_the_shop = TOML.replace("[sheet]\n", '[sheet]\nvariant = "retainer 4A"\n', 1)
    assert by_the_shop != TOML and unchosen_text(by_the_shop) == by_the_shop


async def test_a_unit_is_judged_by_the_limits_of_what_is_fitted_and_proven_by_them(tmp_path: Path) -> None:
    async with measuring(tmp_path, sheet=chosen_text(TOML, 'retainer "4B"', "Ana")) as hand:
        assert 'fitted retainer "4B"' in hand.screen()
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
        assert hand.bench.state.running is None and "Which is fitted?" in hand.screen()
        await hand.controls.take(Key("escape"))
        await hand.controls.take(Key("escape"))
        hand.bench.name_unit("FW3-0117")
        await hand.controls.take(Key("\r"))
        assert hand.bench.state.running is not None
