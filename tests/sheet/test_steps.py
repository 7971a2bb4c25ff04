"""The steps of a build sheet as shops write them, and the commands that sign them, on a real record."""

from __future__ import annotations

import json
import os
import re
import threading
import tty
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
from typer.testing import CliRunner

from capture.cli.main import app
from capture.record import Store
from capture.sheet.sheet import Sheet, SheetError, load_sheet, parse_sheet
from capture.sheet.steps import Step, Timed, Torque
from tests.support.samples import finish_check, open_job, start_check, verdict

FIXTURES = Path(__file__).parents[2] / "fixtures"

HEAD = """
[sheet]
name = "Power-shift box"
revision = "C"
source = "invented for tests"

[[packs]]
name = "low"
range = ["0.80 mm", "1.40 mm"]
"""


def sheet(*steps: str) -> Sheet:
    return parse_sheet(HEAD + "".join(f"\n[[steps]]\n{step}\n" for step in steps), "box.toml")


# -- what a sheet may say ----------------------------------------------------------------------------------------


def test_the_kinds_of_step_are_read() -> None:
    soak, cure, clean, torque, glue = sheet(
        'kind = "soak"\nminimum = "30 min"',
        'kind = "cure"\nname = "threadlocker"\nminimum = "24 h"',
        'kind = "clean"',
        'kind = "torque"\norder = 1\nvalue = "46 N m"\ntolerance = "2 N m"\npattern = "crosswise"',
        'kind = "glue"\nvalue = "two drops"\ncolour = "blue"\nminimum = "a while"',
    ).steps
    assert isinstance(soak, Timed) and soak.minimum_ns == 1_800 * 10**9
    assert isinstance(cure, Timed) and cure.minimum_ns == 86_400 * 10**9 and cure.details() == "at least 24 h"
    assert type(clean) is Step and clean.title == "clean" and clean.minimum_ns is None
    assert isinstance(torque, Torque) and (torque.value_unm, torque.tolerance_unm) == (46_000_000, 2_000_000)
    assert torque.details() == "46 N m ± 2 N m, crosswise" and torque.window() == "44 N m to 48 N m"
    # A kind that nobody knows is confirmed like any other, and all that the shop wrote stays.
    assert type(glue) is Step and glue.value == "two drops"
    assert glue.__pydantic_extra__ == {"colour": "blue", "minimum": "a while"}


def test_a_list_of_passes_is_a_step_each() -> None:
    # Plate bolts take a first pass at 35 and a final at 52 inch-pounds crosswise: common practice.
    first, final = sheet(
        'kind = "torque"\nname = "plate bolts"\nbolts = 8\npattern = "crosswise"\ntolerance = "5 %"\n'
        'passes = ["35 in lb", { value = "52 in lb", tolerance = "4 %" }]'
    ).steps
    assert isinstance(first, Torque) and isinstance(final, Torque)
    assert (first.name, final.name) == ("plate bolts, pass 1 of 2", "plate bolts, pass 2 of 2")
    assert (first.order, final.order) == (1, 2) and first.bolts_of == final.bolts_of == "plate bolts"
    assert (first.value_unm, first.unit) == (3_954_469, "lbf in")  # NIST SP 811 app. B: 1 lbf in = 0.112 984 8 N m
    assert first.details() == "35 in lb ± 5 %, 8 bolts, crosswise" and first.bolt_count == 8
    assert final.tolerance_unm == round(0.04 * 5_875_211)
    (one, two) = sheet('kind = "torque"\nvalue = ["35 in_lb", "52 in_lb"]').steps
    assert (one.order, two.order, two.value) == (1, 2, "52 in_lb")


@pytest.mark.parametrize(
    ("names", "same"),
    [
        (("housing bolts, first pass", "housing bolts, final pass"), True),
        (("Cover bolts (pass 1)", "cover bolts: pass 2 of 2"), True),
        (("cover 2nd pass", "cover 1st pass"), True),
        (("", ""), True),
        (("cover bolts", "housing bolts"), False),
        (("M8 bolts", "M10 bolts"), False),
    ],
)
def test_passes_of_the_same_bolts_are_told_by_their_name(names: tuple[str, str], same: bool) -> None:
    one, two = sheet(*(f'kind = "torque"\nname = "{name}"\nvalue = "46 N m"' for name in names)).steps
    assert isinstance(one, Torque) and isinstance(two, Torque)
    assert (one.bolts_of == two.bolts_of) is same


def test_a_joint_says_which_bolts_where_the_names_do_not() -> None:
    one, two = sheet(*(f'kind = "torque"\nname = "{name}"\njoint = "cover"' for name in ("snug", "tight"))).steps
    assert isinstance(one, Torque) and isinstance(two, Torque) and one.bolts_of == two.bolts_of == "cover"


@pytest.mark.parametrize(
    ("step", "key", "value", "expected"),
    [
        ('kind = "torque"\nvalue = "tight"', "value", "'tight'", "such as '46 N m'"),
        ('kind = "torque"\nvalue = "46"', "value", "'46'", "such as '46 N m'"),
        ('kind = "torque"\nvalue = 46', "value", "46", "such as '46 N m'"),
        ('kind = "Torque"\nvalue = "0 N m"', "value", "'0 N m'", "not above zero"),
        ('kind = "torque"\nvalue = "46 N m"\ntolerance = "some"', "tolerance", "'some'", "such as '2 N m' or '4 %'"),
        ('kind = "torque"\nvalue = "46 N m"\ntolerance = 2', "tolerance", "2", "such as '2 N m' or '4 %'"),
        ('kind = "torque"\nvalue = "46 N m"\ntolerance = "50 N m"', "tolerance", "'50 N m'", "no less than the value"),
        ('kind = "torque"\ntolerance = "4 %"', "tolerance", "'4 %'", "give the step one"),
        ('kind = "torque"\npasses = ["35 in lb", "52"]', "passes, value 2", "'52'", "such as '46 N m'"),
        ('kind = "torque"\npasses = [{ value = "52" }]', "pass 1, value", "'52'", "such as '46 N m'"),
        ('kind = "torque"\npasses = [{ order = 1 }]', "pass 1, value", "", "is missing"),
        ('kind = "torque"\npasses = []', "passes", "[]", "at least 1"),
        ('kind = "soak"\nminimum = "overnight"', "minimum", "'overnight'", "such as '30 min'"),
        ('kind = "cure"\nminimum = 30', "minimum", "30", "such as '30 min'"),
        ('value = "46 N m"', "kind", "", "is missing"),
        ('kind = "clean"\norder = 0', "order", "0", "expected at least 1"),
    ],
)
def test_a_mistake_in_a_step_is_named_by_key_value_and_what_was_expected(
    step: str, key: str, value: str, expected: str
) -> None:
    with pytest.raises(SheetError) as caught:
        sheet('kind = "clean"', step)
    (line,) = str(caught.value).splitlines()
    assert re.match(rf"box\.toml, line \d+: step 2, {key}: ", line)
    assert value in line and expected in line


def test_the_shipped_sheets_have_their_steps_read() -> None:
    soak, clean, first, final = load_sheet(FIXTURES / "demo" / "workshop-forwarder.toml").steps
    assert soak.minimum_ns == 1_800 * 10**9 and clean.kind == "clean"
    assert isinstance(first, Torque) and isinstance(final, Torque) and first.bolts_of == final.bolts_of
    (_, cover) = load_sheet(FIXTURES / "sheets" / "skidder-inch.toml").steps
    # NIST SP 811 app. B: 1 lbf ft = 1.355 818 N m.
    assert isinstance(cover, Torque) and cover.value_unm == pytest.approx(41 * 1_355_818, rel=1e-6)


# -- the commands ------------------------------------------------------------------------------------------------

# 35 and 52 lb in for the bolts of a small part: common practice.
STEPS = HEAD + (
    '\n[[steps]]\nkind = "soak"\nname = "friction plates"\nminimum = "30 min"\n'
    '\n[[steps]]\nkind = "torque"\nname = "plate bolts"\nbolts = 2\ntolerance = "5 %"\npattern = "crosswise"\n'
    'passes = ["35 in lb", "52 in lb"]\n'
    '\n[[steps]]\nkind = "confirm"\nname = "plugs fitted"\n'
)


@dataclass
class Bench:
    """A record with one job, and the commands as a person types them."""

    folder: Path
    job: int

    def run(self, *words: str, code: int = 0) -> Any:
        result = CliRunner().invoke(app, [*words, "--data-dir", str(self.folder)])
        assert result.exit_code == code, result.output
        return result

    def told(self, *words: str) -> list[dict[str, Any]]:
        return [json.loads(line) for line in self.run(*words, "--json").stdout.splitlines()]

    def step(self, n: int, *words: str, code: int = 0) -> str:
        return self.run("unit", "step", str(self.job), str(n), "--by", "Ana", *words, code=code).output

    def sign_off(self, code: int = 0) -> str:
        return self.run("unit", "sign-off", str(self.job), "--by", "Ana", code=code).output


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    with Store.open(tmp_path / "record.sqlite") as store:
        job = open_job(store, uuid=uuid4(), sheet_toml=STEPS)
        finish_check(store, start_check(store, job, pack="low"))
    return Bench(tmp_path, job)


def test_a_unit_goes_from_open_steps_to_signed_off(bench: Bench) -> None:
    refused = bench.sign_off(code=1)
    assert "not signed off, 4 open" in refused and "step 1 (friction plates) is not done" in refused
    assert "of at least 30 min; wait another " in bench.step(1, "--begin") + bench.step(1, code=1)
    assert "lasted 35 min as typed" in bench.step(1, "--lasted", "35 min", "--confirm-typed")
    assert "comes after step 2" in bench.step(3, "--value", "52 in lb", code=1)
    assert "outside 33.25 in lb to 36.75 in lb" in bench.step(2, "--value", "40 in lb", code=1)
    assert "35 in lb (+0.0 %)" in bench.step(2, "--value", "35 in lb")
    shown = bench.run("show", str(bench.job)).output
    assert "done by Ana, 35 in lb (+0.0 %)" in shown and "N m" not in shown and "lbf" not in shown
    assert "53 in lb (+1.9 %)" in bench.step(3, "--value", "52 in lb", "--value", "53 in lb")
    assert "Nothing is open" in bench.step(4, "--note", "all three")
    assert "signed off by Ana" in bench.sign_off()
    assert "signed off already" in bench.sign_off(code=1)
    *_, last = bench.told("unit", "steps", str(bench.job))
    assert last["type"] == "sign_off" and last["ready"] and last["signed"]["by"] == "Ana"
    with Store.open(bench.folder / "record.sqlite") as store:
        facts = [type(entry.fact).__name__ for entry in store.job(bench.job).facts]
    assert facts == ["StepBegun", "StepDone", "StepDone", "StepDone", "StepDone", "SignedOff"]


def test_the_steps_are_shown_for_people_and_for_pipes(bench: Bench) -> None:
    bench.step(1, "--begin")
    shown = bench.run("unit", "steps", str(bench.job)).output
    assert "pack low: good" in shown and "left" in shown and "> 2" in shown
    pack, soak, first, *_, last = bench.told("unit", "steps", str(bench.job))
    assert (pack["type"], pack["state"], pack["override"]) == ("pack", "good", None)
    assert (soak["step"], soak["state"], soak["by"]) == (1, "begun", "Ana")
    assert 0 < soak["left_ns"] <= 1_800 * 10**9
    assert (first["asks"], first["value_unm"]) == ("35 in lb ± 5 %, 2 bolts, crosswise", 3_954_469)
    assert last["next_step"] == 2 and len(last["open"]) == 4 and not last["ready"]


def test_a_pack_that_is_not_good_is_overridden_by_name_and_reason(bench: Bench) -> None:
    with Store.open(bench.folder / "record.sqlite") as store:
        finish_check(store, start_check(store, bench.job, pack="low"), verdict=verdict(verdict="loose"))
    assert "pack 'low' is not good (loose)" in bench.sign_off(code=1)
    words = ("unit", "override", str(bench.job), "--pack", "pack:LOW", "--by", "tech:Berit")
    assert "needs a reason" in bench.run(*words, "--reason", " ", code=1).output
    (told,) = bench.told(*words, "--reason", "same machine, owner told")
    assert (told["type"], told["pack"], told["by"], told["reason"]) == (
        "override",
        "low",
        "Berit",
        "same machine, owner told",
    )
    assert "may pass, says Berit: same machine, owner told" in bench.run("unit", "steps", str(bench.job)).output
    assert "pack 'low'" not in bench.sign_off(code=1)


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["9"], 2, "the sheet has steps 1 to 4"),
        (["four"], 2, "there is no step 'four'"),
        (["4", "--value", "35 in lb"], 1, "is no torque pass"),
        (["2", "--value", "35 ps"], 2, "--value: '35 ps' is no torque with a unit"),
        (["2"], 1, "asks for 35 in lb; say what torque was reached"),
        (["2", *["--value", "35 in lb"] * 3], 2, "3 torques for 2 bolts"),
        (["1", "--lasted", "long"], 2, "--lasted: 'long' is no time"),
        (["1", "--begin", "--value", "35 in lb"], 2, "exclude each other"),
        (["4", "--begin"], 1, "has no minimum time"),
        (["2", "--set", "unit=N m"], 2, "give its port with --wrench"),
        (["2", "--wrench", "/dev/nowhere"], 1, "no such device"),
        (["2", "--wrench", "x", "--set", "colour=red"], 2, "--set colour: is no setting; there are: unit"),
    ],
)
def test_what_cannot_be_is_refused_in_words(bench: Bench, words: list[str], code: int, said: str) -> None:
    assert said in bench.run("unit", "step", str(bench.job), *words, "--by", "Ana", code=code).output


def test_a_name_is_needed_and_a_job_must_be_there(bench: Bench) -> None:
    assert "--by" in bench.run("unit", "step", str(bench.job), "4", code=2).output
    assert "nobody's name" in bench.run("unit", "step", str(bench.job), "4", "--by", " ", code=1).output
    assert "there is no job 99" in bench.run("unit", "steps", "99", code=1).output
    assert "give --pack or --step" in bench.run("unit", "override", "1", "--by", "A", "--reason", "so", code=2).output


def test_a_pass_is_read_from_a_wrench_bolt_by_bolt(bench: Bench) -> None:
    end, slave = os.openpty()
    tty.setraw(slave)
    stop = threading.Event()

    def pull() -> None:  # a ratchet: one pull falls short, the next reaches the value
        while not stop.is_set():
            os.write(end, b"TQ +12.0 in-lb\r\nTQ +0.0 in-lb\r\nTQ +35.2 in-lb\r\nTQ +0.0 in-lb\r\n")
            stop.wait(0.05)

    hand = threading.Thread(target=pull)
    hand.start()
    try:
        said = bench.step(2, "--wrench", os.ttyname(slave), "--wait", "20")
    finally:
        stop.set()
        hand.join()
        os.close(end)
        os.close(slave)
    assert "12 in lb (-65.7 %): short of 33.25 in lb to 36.75 in lb, go on" in said
    assert "2 of 2: 35.2 in lb (+0.6 %)" in said and "done by Ana" in said
    with Store.open(bench.folder / "record.sqlite") as store:
        (entry,) = store.job(bench.job).facts
    assert entry.fact.torque_unm == 3_977_066  # type: ignore[union-attr]
    assert "35.2 in lb (+0.6 %), 35.2 in lb (+0.6 %)" in entry.fact.note  # type: ignore[union-attr]


BEFORE = """
[sheet]
name = "box"
revision = "1"
source = "invented for tests"

[[packs]]
name = "low"
range = ["0.80 mm", "1.40 mm"]

[[steps]]
kind = "soak"
minimum = "30 min"
before = "packs"

[[steps]]
kind = "torque"
name = "cover bolts"
value = ["20 N m", "46 N m"]
before = ["low"]

[[steps]]
kind = "clean"
"""


def test_a_step_says_which_packs_it_comes_before() -> None:
    sheet = parse_sheet(BEFORE, "box.toml")
    assert sheet.steps_before("low") == [0, 1, 2]
    assert sheet.steps[0].details() == "at least 30 min, before every pack"
    assert sheet.steps[1].details() == "20 N m, before low" and sheet.steps[3].details() == ""


def test_a_step_before_a_pack_that_is_none_is_named_with_those_there_are() -> None:
    said = (
        r"line 20: step \"cover bolts\", before: .*'high' is no pack of this sheet; there are: low, or 'packs' for all"
    )
    with pytest.raises(SheetError, match=said):
        parse_sheet(BEFORE.replace('["low"]', '["high"]'), "box.toml")


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ('kind = "torque"\ntorque = "30 N m"', r"line 13: step 1, torque: .*'value' is meant"),
        ('kind = "torque"\nvalue = "30 N m"\ntolerence = "4 %"', r"step 1, tolerence: .*'tolerance' is meant"),
        ('kind = "soak"\nduration = "30 min"', r"step 1, duration: .*'minimum' is meant"),
    ],
)
def test_a_key_that_stands_where_another_is_meant_is_named_and_one_of_the_shops_own_is_kept(
    tmp_path: Path, keys: str, said: str
) -> None:
    sheet = tmp_path / "sheet.toml"
    head = f"{HEAD.strip()}\n[[steps]]\nname = 'plug'\n"
    sheet.write_text(f'{head}tool = "wrench 3"\n{keys}\n')
    with pytest.raises(SheetError, match=said):
        load_sheet(sheet)
    # A unit of the record was worked by its sheet as it is, and stays open to be read.
    assert parse_sheet(sheet.read_text(), "record").steps[0].title == "plug"
    sheet.write_text(f'{head}kind = "clean"\ntool = "wrench 3"\ntorque = "by hand"\n')
    assert load_sheet(sheet).steps[0].title == "plug"
