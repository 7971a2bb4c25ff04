"""A dial with a needle: its readings typed at the bench, from the first key to verdict, record and board."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from capture.bench.bench import Bench
from capture.bench.setup import BenchSetup
from capture.bench.status import bench_status
from capture.board.bench_on_board import BenchOnBoard
from capture.board.words import plain_row, row_json
from capture.cli.main import app
from capture.custody.verify import verify
from capture.dashboard.showing import draw
from capture.plumbing.terminal.scanner import Key, Scan
from capture.record import Store
from capture.recordings.replay import Replay
from capture.recordings.stream import indicator_from, limits_of
from capture.session.bench_keys import Controls
from capture.sheet.sheet import parse_sheet
from capture.unit.origin import is_measured, origin_words
from drivers.indicators.registry import find_driver
from drivers.registry import make_settings
from tests.support.broker import until
from tests.support.sheets import HEAD, pack, shim

INDICATOR = {"driver": "typed", "resolution": "0.01 mm", "range": ["0 mm", "10 mm"], "max_error": "0.01 mm"}
SHEET = HEAD + pack("low", keys="strokes = 3\nseat_strokes = 0\n", limits='["0.80 mm", "1.40 mm"]')


class TypingHand:
    """A technician whose keyboard is a numeric keypad."""

    def __init__(self, bench: Bench) -> None:
        self.bench, self.controls = bench, Controls(bench)

    async def keys(self, text: str) -> str:
        """Press these and Enter; return what the screen then shows."""
        for key in text:
            await self.controls.take(Key(key))
        await self.controls.take(Key("\r"))
        return self.screen()

    async def reads(self, text: str) -> None:
        """Type a reading, and wait until the bench has it."""
        before = len(self.bench.state.dial.trace)
        await self.keys(text)
        await until(lambda: len(self.bench.state.dial.trace) > before or self.bench.finished.is_set())

    def screen(self, width: int = 80, height: int = 24) -> str:
        shown = draw(self.controls.showing(), width, height, False)
        return " ".join(" ".join("".join(text for text, _ in row) for row in shown.rows).split())


@asynccontextmanager
async def measuring(tmp_path: Path, sheet: str = SHEET, **more: Any) -> AsyncIterator[TypingHand]:
    indicator = {**INDICATOR, **more}
    driver, settings, _ = indicator_from(indicator)
    bench = Bench(
        BenchSetup(
            bench="bay-2", port="keyboard:", driver=driver, settings=settings, indicator=indicator,
            sheet=parse_sheet(sheet, "unit.toml"), sheet_toml=sheet, unit_serial="HX-2207", technician="Ana",
            data_dir=tmp_path / "data", record_path=tmp_path / "data" / "record.sqlite",
        )
    )  # fmt: skip
    running = asyncio.create_task(bench.run())
    await bench.ready.wait()
    hand = TypingHand(bench)
    await hand.controls.take(Key("\r"))
    await until(lambda: bench.view.indicator == "up")
    yield hand
    running.cancel()
    with pytest.raises(asyncio.CancelledError):
        await running


async def test_a_pack_is_measured_with_a_numeric_keypad_alone(tmp_path: Path) -> None:
    async with measuring(tmp_path) as hand:
        assert "with the air off and the needle at rest, type the reading" in hand.screen()
        for key in "2.0":
            await hand.controls.take(Key(key))
        assert "READING 2.0_ mm" in hand.screen()
        await hand.reads("0")
        assert "typed at rest" in hand.screen()
        for text in ("3.10", "2.00", "3,11", "2.01", "3.11", "2.00"):
            await hand.reads(text)
        await until(hand.bench.finished.is_set)
        view = hand.bench.view
        assert view.verdict is not None and view.verdict.verdict == "good" and view.silence == ""
        budget = {line.source: line for line in view.verdict.budget}
        board, now = BenchOnBoard("1", "bay-2"), datetime.now(UTC)
        board.take_status(bench_status(hand.bench.state, None, None), False, now)
        row = board.row(now, now)
        assert "typed by Ana" in plain_row(row, now) and row_json(row)["technician"] == "typed by Ana"
        live = [kept.stroke for kept in view.strokes]
    with Store.open(tmp_path / "data" / "record.sqlite") as store:
        (check,) = store.job(1).checks
    proof = verify(tmp_path / "data" / "record.sqlite")
    assert (proof.mismatch, proof.verdicts, proof.not_measured) == (None, 1, 0)
    path = tmp_path / "data" / check.recording_path
    lines = [json.loads(line) for line in path.read_text().splitlines()]
    assert [line["indicator"] for line in lines[1:] if "indicator" in line][3] == "3,11\r"
    assert [kept.stroke for kept in Replay(path, hand.bench.state.packs[0]).strokes()] == live
    assert is_measured(check.origin) and origin_words(check.origin).startswith("typed by Ana")
    # Two rectangles of half a division beside the display's own: JCGM 100, 4.3.7.
    assert budget["reading"].standard_nm == pytest.approx(budget["resolution"].standard_nm)
    assert "5 um either way" in budget["reading"].basis


async def test_what_is_odd_is_asked_about_once_and_then_taken(tmp_path: Path) -> None:
    async with measuring(tmp_path) as hand:
        assert "Nothing is typed." in await hand.keys("")
        assert "1.2.3 is no reading." in await hand.keys("1.2.3")
        for _ in range(5):
            await hand.controls.take(Key("backspace"))
        assert "no whole division of the scale (0.010 mm)" in await hand.keys("2.005")
        assert hand.bench.view.reading_nm is None
        await hand.reads("")  # Enter again takes it
        assert hand.bench.view.reading_nm == 2_005_000
        assert "outside the dial's range" in await hand.keys("31.0")
        await hand.controls.take(Key("escape"))
        for text in ("3.10", "2.00"):
            await hand.reads(text)
        await until(lambda: len(hand.bench.view.strokes) == 1)
        assert "the strokes before went 1.098 mm" in await hand.keys("5.10")
        await hand.reads("")
        assert hand.bench.view.moving == "applied" and hand.bench.view.reading_nm == 5_100_000


async def test_without_a_range_in_the_settings_what_no_dial_and_no_pack_shows_is_asked_about(tmp_path: Path) -> None:
    async with measuring(tmp_path, range=None) as hand:
        assert "400.000 mm is more than a dial shows." in await hand.keys("400")
        for _ in "400":
            await hand.controls.take(Key("backspace"))
        # A point that was left out: no second Enter takes that.
        assert "50000.000 mm is no dial's reading; Backspace changes it." in await hand.keys("50000")
        assert "no dial's reading" in await hand.keys("") and hand.bench.view.reading_nm is None
        for _ in "50000":
            await hand.controls.take(Key("backspace"))
        await hand.reads("2.00")
        # The sheet's range ends at 1.40 mm.
        assert "38.000 mm from rest, and the range ends at 1.400 mm" in await hand.keys("40.00")


async def test_figures_typed_after_a_verdict_begin_no_other_check(tmp_path: Path) -> None:
    async with measuring(tmp_path, SHEET + pack("high")) as hand:
        for text in ("2.00", "3.10", "2.00", "3.11", "2.01", "3.11", "2.00"):
            await hand.reads(text)
        await until(hand.bench.finished.is_set)
        assert "2.00 was not taken: no check is running" in await hand.keys("2.00")
        assert "Press Enter again to measure high" in await hand.keys("2")
        assert hand.bench.state.running is None
        await hand.keys("")
        assert hand.bench.state.running is not None and hand.bench.state.running.pack.name == "high"


async def test_what_came_out_otherwise_than_predicted_is_cleared_up_before_the_next_pack(tmp_path: Path) -> None:
    async with measuring(tmp_path, SHEET + shim(keys='tolerance = "0.005 mm"') + pack("high")) as hand:
        for text in ("2.00", "3.60", "2.00", "3.61", "2.00", "3.60", "2.00"):
            await hand.reads(text)
        await until(hand.bench.finished.is_set)
        assert "CHANGE" in hand.screen()
        for key in "c1\r\r":  # one shim of 0.25 mm more: 1.36 mm is predicted, and then 0.90 mm measured
            await hand.controls.take(Key(key))
        for text in ("2.00", "2.90", "2.00", "2.91", "2.00", "2.90", "2.00"):
            await hand.reads(text)
        await until(hand.bench.finished.is_set)
        said = hand.screen()
        assert "RESULT The change in low did not come out as predicted" in said and "Go on to pack" not in said
        assert "NEXT Not as predicted: see RESULT before anything else is changed. Then check low again (r)." in said


async def test_a_number_that_comes_all_at_once_is_a_reading_too(tmp_path: Path) -> None:
    async with measuring(tmp_path) as hand:
        await hand.controls.take(Scan("2.00"))
        await until(lambda: hand.bench.view.reading_nm == 2_000_000)
        await hand.controls.take(Scan("nonsense"))
        assert "nonsense" in hand.controls.said


async def test_letters_are_keys_as_ever_and_a_digit_chooses_no_pack(tmp_path: Path) -> None:
    async with measuring(tmp_path) as hand:
        check = hand.bench.state.running
        await hand.controls.take(Key("1"))
        assert hand.bench.state.running is check and "READING 1_ mm" in hand.screen()
        await hand.controls.take(Key("c"))
        assert "c is no figure: Enter takes 1, Escape leaves it." in hand.screen()
        await hand.controls.take(Key("escape"))
        await hand.controls.take(Key("x"))
        assert "x is no figure." in hand.screen()
        await hand.controls.take(Key("?"))
        assert hand.controls.showing().screen == "keys"
        for figure in "1.25":  # without the figure that leads back, it would be another reading
            await hand.controls.take(Key(figure))
        assert "READING 1.25_ mm" in hand.screen()
        await hand.controls.take(Key("escape"))
        await hand.controls.take(Key("q"))
        assert hand.controls.leave.is_set()


@pytest.mark.parametrize(
    ("text", "nm"),
    [
        ("1.25", 1_250_000),
        (".5", 500_000),
        ("5.", 5_000_000),
        ("-0,02", -20_000),
        ("0.045 in", 1_143_000),
        ('0.045"', 1_143_000),
    ],
)
def test_a_number_is_understood_as_a_hand_types_it(text: str, nm: int) -> None:
    driver = find_driver("typed")
    (reading,) = driver.decoder(make_settings(driver, {})).feed(f"{text}\r".encode())
    assert reading.value_nm == nm


@pytest.mark.parametrize("text", ["", ".", "-", "1.2.3", "1 2", "12 kPa"])
def test_what_is_no_number_is_no_reading(text: str) -> None:
    driver = find_driver("typed")
    assert driver.decoder(make_settings(driver, {})).feed(f"{text}\r".encode()) == []


def test_a_shop_may_say_what_the_eye_adds() -> None:
    driver = find_driver("typed")
    assert limits_of(make_settings(driver, {"resolution": "0.001 in"})).reading_error_nm == 12_700
    assert limits_of(make_settings(driver, {"reading_error": "0.002 mm"})).reading_error_nm == 2_000
    assert limits_of(make_settings(find_driver("line"), {})).reading_error_nm == 0


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--driver", "typed"], "readings are typed on a terminal, and there is none here"),
        (["--port", "keyboard:"], "readings are typed on a terminal, and there is none here"),
        (["--driver", "line", "--port", "keyboard:"], "a dial that is typed has --port keyboard: and --driver typed"),
    ],
)
def test_a_pipe_can_type_nothing_and_says_so(tmp_path: Path, words: list[str], said: str) -> None:
    sheet = tmp_path / "unit.toml"
    sheet.write_text(SHEET)
    ended = CliRunner().invoke(app, ["run", "--sheet", str(sheet), "--data-dir", str(tmp_path), *words])
    assert ended.exit_code == 2 and said in ended.stderr
