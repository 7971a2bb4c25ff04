"""`strokelog unit plan` on a real record: what happened to a unit, and what to do next, for people and for pipes."""

from __future__ import annotations

import io
import json
import subprocess
import sys
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from capture.clearance.advice import Change, advise
from capture.cli.main import app
from capture.record import Store
from capture.sheet.sheet import parse_sheet
from capture.unit.facts import PartsChanged, StepDone
from tests.support.samples import AT, finish_check, open_job, start_check
from tests.support.sheets import HEAD, measured, pack, ring, shim

ROOT = Path(__file__).resolve().parents[2]
RECORDING = ROOT / "fixtures" / "recordings" / "line-10hz-mm-clean.jsonl"
SHEET = HEAD + pack(
    "low", shim(keys='moves = { "high" = -0.5 }'), keys='friction_thickness = "2.20 mm"'
) + pack("high", ring(["2.80 mm", "3.00 mm", "3.20 mm"], "3.00 mm"), keys='depends_on = ["low"]')  # fmt: skip
BOX = parse_sheet(SHEET, "box.toml")


@dataclass
class Said:
    stdout: str
    stderr: str


def strokelog(*words: str, code: int = 0) -> Said:
    """Run the command in this process, which spares a start of Python each time."""
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err), pytest.raises(SystemExit) as ended:
        app(list(words))
    assert ended.value.code == code, (out.getvalue(), err.getvalue())
    return Said(out.getvalue(), err.getvalue())


def lines(done: Said) -> list[dict[str, Any]]:
    return [json.loads(line) for line in done.stdout.splitlines()]


@pytest.fixture
def job(tmp_path: Path) -> tuple[Store, int, list[str]]:
    """An open record with one job, and the words that make `plan` read it."""
    store = Store.open(tmp_path / "record.sqlite")
    number = open_job(store, sheet_toml=SHEET)
    return store, number, ["unit", "plan", str(number), "--data-dir", str(tmp_path)]


def check(store: Store, job: int, name: str, travel_nm: int) -> None:
    finish_check(store, start_check(store, job, pack=name), verdict=measured(BOX.pack(name), travel_nm))


def test_a_unit_is_planned_changed_checked_and_planned_again(job: tuple[Store, int, list[str]]) -> None:
    store, number, words = job
    assert lines(strokelog(*words, "--json")) == [{"type": "unchecked", "pack": one} for one in ("low", "high")]

    check(store, number, "low", 1_600_000)
    check(store, number, "high", 1_000_000)
    best = lines(strokelog(*words, "--json"))[0]
    assert (best["type"], best["parts_touched"], best["check_again"]) == ("plan", 3, ["low", "high"])
    low, high = best["packs"]
    assert low["changes"] == [{"adjuster": 0, "kind": "shim", "from": 2, "to": 4}]
    assert high["changes"] == [{"adjuster": 0, "kind": "selective", "from": "3.00 mm", "to": "3.20 mm"}]
    assert (low["predicted_nm"], high["predicted_nm"]) == (1_100_000, 1_050_000)

    predicted = low["predicted_nm"], low["expanded_uncertainty_nm"]
    store.add_fact(number, PartsChanged("low", (Change(0, "shim", 2, 4),), *predicted, "tech"), at=AT)
    store.add_fact(number, StepDone(0, "tech"), at=AT)
    said = lines(strokelog(*words, "--json"))
    assert [one["pack"] for one in said if one["type"] == "recheck"] == ["low", "high"]
    assert not [one for one in said if one["type"] == "plan"]
    assert "re-check needed: high: the shim of low, which moves high, was changed since" in strokelog(*words).stdout

    check(store, number, "low", 1_104_000)
    outcome, recheck = lines(strokelog(*words, "--json"))
    assert (outcome["type"], outcome["as_predicted"], outcome["predicted_nm"]) == ("outcome", True, 1_100_000)
    assert (recheck["type"], recheck["pack"]) == ("recheck", "high")

    check(store, number, "high", 1_120_000)
    shown = strokelog(*words).stdout
    assert "came out as predicted: 1.104 mm, predicted 1.100 mm" in shown and "every pack is good" in shown
    store.close()


def test_a_change_that_did_not_come_out_and_a_pack_out_of_reach_are_told(job: tuple[Store, int, list[str]]) -> None:
    store, number, words = job
    check(store, number, "low", 1_350_000)
    best = advise(BOX.pack("low"), measured(BOX.pack("low"), 1_350_000))[0]
    made = PartsChanged("low", best.changes, best.predicted_nm, best.expanded_uncertainty_nm, "tech")
    store.add_fact(number, made, at=AT)
    check(store, number, "low", 3_300_000)
    store.close()
    shown = strokelog(*words).stdout
    assert "The change in low did not come out as predicted: 3.300 mm is 2.200 mm more" in shown
    assert "as with one friction plate of 2.200 mm left out" in shown
    assert "plan 1: Change nothing" in shown and "no change helps low: No adjuster of the sheet reaches" in shown


def test_a_check_counts_from_its_beginning_so_parts_changed_during_it_make_it_stale(
    job: tuple[Store, int, list[str]],
) -> None:
    store, number, words = job
    begun = start_check(store, number, pack="low")
    store.add_fact(number, PartsChanged("low", (Change(0, "shim", 2, 3),), None, None, "tech"), at=AT)
    finish_check(store, begun, verdict=measured(BOX.pack("low"), 1_100_000))
    store.close()
    assert [one["pack"] for one in lines(strokelog(*words, "--json")) if one["type"] == "recheck"] == ["low"]


def test_what_cannot_have_been_and_what_is_not_there_are_errors_in_words(job: tuple[Store, int, list[str]]) -> None:
    store, number, words = job
    store.add_fact(number, PartsChanged("low", (Change(0, "shim", 2, 9),), None, None, "tech"), at=AT)
    store.close()
    process = subprocess.run(
        [sys.executable, "-m", "capture.cli", *words], capture_output=True, text=True, cwd=ROOT, timeout=60
    )
    assert process.returncode == 1
    said = process.stderr
    assert said == "strokelog: parts changed in pack 'low', adjuster 0: changed to 9 shims; the sheet allows 0 to 5\n"
    assert "there is no job 77" in strokelog("unit", "plan", "77", *words[3:], code=1).stderr


def test_a_replay_says_how_far_off_a_pack_is_that_nothing_reaches(tmp_path: Path) -> None:
    sheet = tmp_path / "narrow.toml"
    sheet.write_text(HEAD + pack("low", shim(fitted=5), limits='["0.10 mm", "0.20 mm"]'))
    words = ["replay", str(RECORDING), "--sheet", str(sheet), "--pack", "low"]
    verdict = lines(strokelog(*words, "--json"))[-1]
    assert verdict["verdict"] == "loose" and verdict["advice"] == []
    off = verdict["mean_nm"] - 200_000
    assert verdict["out_of_reach"] == (
        f"No adjuster of the sheet reaches the range: off by {off / 1e6:.3f} mm. "
        "What is fitted now is the closest there is."
    )
    assert f"out of reach: {verdict['out_of_reach']}" in strokelog(*words).stdout
    sheet.write_text(HEAD + pack("low", shim(), limits='["0.90 mm", "1.30 mm"]'))
    assert "out_of_reach" not in lines(strokelog(*words, "--json"))[-1]
