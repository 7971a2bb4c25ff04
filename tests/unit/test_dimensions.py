"""Dimensions of parts: judged under their uncertainty, kept whatever they say, and in the way of packs and sign-off."""

from __future__ import annotations

import csv
import math
from datetime import UTC, datetime
from pathlib import Path
from statistics import mean, stdev

import pytest
from typer.testing import CliRunner

from capture.cli.main import app
from capture.output.json_forms import standing_json
from capture.record import Store
from capture.sheet.dimensions import Dimension
from capture.sheet.sheet import SheetError, parse_sheet
from capture.unit.dimension_readings import far_off, measured, measured_words, typed_readings
from capture.unit.facts import Fact, Override, StepDone
from capture.unit.pack_states import PackState
from capture.unit.signoff_rules import against, standing
from capture.unit.signoff_standing import Standing
from capture.unit.words import fact_words, step_state
from tests.support.samples import open_job
from tests.support.sheets import HEAD, pack
from tests.unit.test_signoff import AT, kept

UM = 1_000
TOML = (
    HEAD + pack("low") + pack("high")
    + """
[[steps]]
kind = "clean"

[[dimensions]]
name = "stack height"
range = ["41.80 mm", "42.20 mm"]
resolution = "0.01 mm"
max_error = "0.01 mm"
readings = 2

[[dimensions]]
name = "hub groove depth"
range = ["0 mm", "0.15 mm"]
resolution = "0.01 mm"
instrument = "depth gauge DG-03"
before = "low"
"""
)  # fmt: skip
SHEET = parse_sheet(TOML, "unit.toml")
GROOVE, CLEAN, HEIGHT = range(3)
GOOD = [PackState("low", "good", 500), PackState("high", "good", 500)]


def depth() -> Dimension:
    step = SHEET.steps[GROOVE]
    assert isinstance(step, Dimension)
    return step


def groove(*readings_um: int) -> StepDone:
    return StepDone(GROOVE, "Ana", readings_nm=tuple(um * UM for um in readings_um), instrument="DG-04")


def look(*facts: Fact) -> Standing:
    return standing(SHEET, kept(*facts), GOOD)


def why_not(fact: Fact, *facts: Fact) -> str:
    found = against(SHEET, kept(*facts), GOOD, fact, AT)
    return "" if found is None else found.text


def test_dimensions_before_packs_stand_before_the_steps_and_the_others_after() -> None:
    assert [step.title for step in SHEET.steps] == ["hub groove depth", "clean", "stack height"]
    assert SHEET.steps_before("low") == [GROOVE] and SHEET.steps_before("high") == []
    assert depth().details() == "at most 0.150 mm, 3 readings, depth gauge DG-03, before low"


def test_a_dimension_is_judged_under_its_uncertainty() -> None:
    """Against the same budget by hand: JCGM 100, 4.2.3 and F.2.2.1 (of the zero and of the value)."""
    readings = (80 * UM, 90 * UM, 80 * UM)
    verdict = measured(depth(), readings)
    assert verdict is not None and verdict.verdict == "good"
    assert verdict.mean_nm == round(mean(readings))
    wanted = math.hypot(stdev(readings) / math.sqrt(3), math.sqrt(2) * 10 * UM / math.sqrt(12))
    assert verdict.standard_uncertainty_nm == pytest.approx(wanted, rel=1e-9)
    assert measured_words(depth(), readings).endswith(", in its range")
    assert measured_words(depth(), (300 * UM,) * 3).endswith(", above its range")
    assert "too close to its limit" in measured_words(depth(), (150 * UM, 140 * UM, 150 * UM))


def test_a_good_dimension_is_done_and_lets_its_pack_be_measured() -> None:
    assert look().first == {"low": (GROOVE,)}
    found = look(groove(80, 90, 80))
    assert found.steps[GROOVE].state == "done" and found.first == {}
    assert step_state(SHEET.steps[GROOVE], found.steps[GROOVE]) == "done, 0.083 mm ± 0.016 mm, in its range, DG-04"


def test_a_worn_hub_is_kept_and_stops_its_pack_and_the_sign_off_until_it_is_replaced_or_let_pass() -> None:
    worn = groove(210, 220, 210)
    assert why_not(worn) == ""  # it is kept, whatever it says
    found = look(worn)
    assert found.steps[GROOVE].state == "not good" and found.first == {"low": (GROOVE,)} and found.next_step == GROOVE
    (item,) = (one for one in found.open if one.step == GROOVE)
    assert item.code == "not_good" and "above its range" in item.text and "replace the part" in item.do
    assert look(worn, groove(80, 90, 80)).steps[GROOVE].state == "done"
    let = look(worn, Override(None, GROOVE, "Foreman", "used for a trial run"))
    assert let.steps[GROOVE].state == "overridden" and let.first == {}


@pytest.mark.parametrize(
    ("fact", "said"),
    [
        (groove(80, 90), "2 of at least 3 readings"),
        (StepDone(GROOVE, "Ana"), "0 of at least 3 readings"),
        (StepDone(CLEAN, "Ana", readings_nm=(1, 2, 3)), "is no dimension"),
    ],
)
def test_a_dimension_has_as_many_readings_as_the_sheet_asks_for_and_nothing_else_has_any(fact: Fact, said: str) -> None:
    assert said in why_not(fact)


@pytest.mark.parametrize(
    ("text", "readings_um"),
    [
        ("0.08 0.09 0.08", (80, 90, 80)),
        ("0,08; 0,09", (80, 90)),
        ("0.08 mm 0.09 mm", (80, 90)),
        ("80 um, .09", (80, 90)),
        ('0.1 in 0.1" 0.1 inch', (2_540, 2_540, 2_540)),
    ],
)
def test_readings_are_typed_with_blanks_between_and_any_unit(text: str, readings_um: tuple[int, ...]) -> None:
    assert typed_readings(text, depth()) == tuple(um * UM for um in readings_um)


@pytest.mark.parametrize("text", ["0.08 kPa", "a", "0.08 - 0.09"])
def test_what_is_no_reading_is_named(text: str) -> None:
    with pytest.raises(ValueError, match="is no reading; expected such as"):
        typed_readings(text, depth())


def test_a_reading_far_from_the_others_is_asked_about() -> None:
    assert far_off(depth(), (80 * UM, 800 * UM, 80 * UM)) == "0.800 mm is far from 0.080 mm"
    assert far_off(depth(), (80 * UM, 120 * UM, 90 * UM)) == ""


def test_words_and_objects_tell_what_was_measured_and_with_what() -> None:
    told = fact_words(SHEET, groove(80, 90, 80))
    assert told == "step 1 (hub groove depth) done by Ana, 0.083 mm ± 0.016 mm, in its range, with DG-04"
    objects = standing_json(SHEET, look(groove(80, 90, 80)), datetime.now(UTC))
    found = next(one for one in objects if one["type"] == "step")
    assert found["verdict"] == "good" and found["readings_nm"] == [80_000, 90_000, 80_000] and found["low_nm"] == 0


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ('range = ["0.15 mm", "0 mm"]', "a lower and a higher length"),
        ("readings = 1", "readings"),
        ('instrumnt = "x"', "instrumnt"),
        ('before = "hi"', "'hi' is no pack of this sheet"),
    ],
)
def test_what_is_wrong_with_a_dimension_is_named_by_its_line(wrong: str, said: str) -> None:
    key = wrong.partition(" ")[0]
    lines = [line for line in TOML.splitlines() if not (line.startswith(key) and "0.15" in line)]
    lines = [line for line in lines if not line.startswith(key) or key == "range"]
    with pytest.raises(SheetError, match=r'dimension "hub groove depth", ') as error:
        parse_sheet("\n".join([*lines, wrong]), "unit.toml")
    assert said in str(error.value)


def test_a_dimension_is_measured_from_the_command_line_and_stays_in_the_record(tmp_path: Path) -> None:
    with Store.open(tmp_path / "record.sqlite") as store:
        open_job(store, sheet_toml=TOML)
    run = CliRunner()
    words = ["unit", "step", "1", "1", "--by", "Ana", "--data-dir", str(tmp_path)]
    few = run.invoke(app, [*words, "--value", "0.08 mm"])
    assert few.exit_code != 0 and "1 of at least 3 readings" in few.output
    done = run.invoke(app, [*words, "--value", "0.08", "--value", "0.09 mm", "--value", "0.08"])
    assert done.exit_code == 0 and "in its range" in done.output
    with Store.open(tmp_path / "record.sqlite") as store:
        (entry,) = store.job(1).facts
    assert isinstance(entry.fact, StepDone) and entry.fact.readings_nm == (80_000, 90_000, 80_000)
    assert entry.fact.instrument == "depth gauge DG-03"
    tables = tmp_path / "tables"
    assert run.invoke(app, ["record", "export", "--out", str(tables), "--data-dir", str(tmp_path)]).exit_code == 0
    with (tables / "readings.csv").open(newline="") as file:
        told = [
            (row["n"], row["reading_nm"], float(row["reading_mm"]), row["instrument"]) for row in csv.DictReader(file)
        ]
    assert told == [(str(n), str(nm), nm / 1e6, "depth gauge DG-03") for n, nm in enumerate(entry.fact.readings_nm, 1)]
