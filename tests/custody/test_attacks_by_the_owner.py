"""What the bench's owner could do who runs this very program on what suits him, or rewrites recordings and chain
together: by itself his record proves. Each of these is found by a head that left the house, or is told, or is found by
nothing here, as the guide's page `record` says."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from capture.cli.main import app
from capture.custody.anchors import Anchor, append_anchor
from capture.custody.derivation import Derivation
from capture.custody.over_cores import Derived
from capture.custody.verify import verify
from capture.record import Store, audit
from capture.record.settings_kept import WhoSet
from capture.report.page import page
from capture.report.writing import gather
from capture.strokes.methods import METHOD
from capture.unit.facts import CameBack, NoteMade, StepDone
from tests.custody.test_methods import read_more
from tests.load import year_proven
from tests.support.attacked_record import (
    entries,
    found,
    header_says,
    judged,
    number_of,
    only_elsewhere,
    put_right,
    rebuild,
    take_out,
)
from tests.support.proven_record import AT, SHEET, check_from, forge, make_record, open_job, tamper

ELSEWHERE = ("as it was written down", "the end of the ledger is missing")
WHO = WhoSet("first shift", "bench")
_LATER = AT + timedelta(days=1)


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = make_record(tmp_path_factory.mktemp("owned"))
    with Store.open(path) as store:
        signed = number_of(path, "signed_off")
        store.add_fact(2, CameBack(1, signed, "second shift", "it leaks"), at=_LATER)
        store.add_fact(2, NoteMade("the seal is new", "second shift"), at=_LATER)
        store.add_fact(2, StepDone(1, "second shift", readings_nm=(40_000_000,), instrument="M-7"), at=_LATER)
        store.add_fact(2, StepDone(2, "second shift", torque_unm=46_000_000), at=_LATER)
    return path


def command(home: Path, *words: str) -> str:
    said = CliRunner().invoke(app, ["record", "verify", "--data-dir", str(home), *words], env={"COLUMNS": "300"})
    return said.output


# -- what no recording says ------------------------------------------------------------------------------------


@pytest.mark.attack("a note, a correction or an override reworded")
@pytest.mark.parametrize(
    ("kind", "change"),
    [
        ("note_made", {"text": "the seal is old"}),
        ("correction", {"text": "two shims fewer"}),
        ("override", {"by": "somebody else"}),
    ],
)
def test_words_put_into_somebodys_mouth(
    copy: Path, heads: list[tuple[int, str]], kind: str, change: dict[str, Any]
) -> None:
    forge(copy, number_of(copy, kind), **change)
    assert ELSEWHERE[0] in only_elsewhere(copy, heads)


@pytest.mark.attack("a torque, a dimension or a change of parts")
@pytest.mark.parametrize(
    ("kind", "nth", "change"),
    [
        ("step_done", 2, {"torque_unm": 50_000_000}),
        ("step_done", 1, {"readings_nm": [40_100_000]}),
        ("parts_changed", 0, {"predicted_nm": 1_100_000}),
        ("came_back", 0, {"reason": "to be painted"}),
    ],
)
def test_what_was_measured_by_hand_or_only_said(
    copy: Path, heads: list[tuple[int, str]], kind: str, nth: int, change: dict[str, Any]
) -> None:
    forge(copy, number_of(copy, kind, nth), **change)
    assert ELSEWHERE[0] in only_elsewhere(copy, heads)


@pytest.mark.attack("the unit's serial, a sign-off's name")
@pytest.mark.parametrize("change", [{"by": "somebody else"}, {"signed": "PIN"}, {"note": "not ready"}])
def test_a_sign_off_by_another_or_by_a_key_that_was_never_asked_for(
    copy: Path, heads: list[tuple[int, str]], change: dict[str, Any]
) -> None:
    forge(copy, number_of(copy, "signed_off"), **change)
    assert ELSEWHERE[0] in only_elsewhere(copy, heads)


@pytest.mark.attack("the unit's serial, a sign-off's name")
def test_a_sign_off_dated_back(copy: Path, heads: list[tuple[int, str]]) -> None:
    def earlier(one: dict[str, Any]) -> None:
        if one["kind"] == "signed_off":
            one["at"] = one["at"].replace("2026-03-02", "2026-03-01")

    rebuild(copy, earlier)
    assert ELSEWHERE[0] in only_elsewhere(copy, heads)


@pytest.mark.attack("what a verdict advised")
def test_a_part_that_nobody_was_advised_to_change(copy: Path, heads: list[tuple[int, str]]) -> None:
    advice = [{"text": "Take two shims out.", "changes": []}]
    forge(copy, number_of(copy, "verdict"), advice=advice)
    tamper(copy, ("UPDATE verdicts SET advice = ? WHERE id = 1", (json.dumps(advice),)))
    assert ELSEWHERE[0] in only_elsewhere(copy, heads)


@pytest.mark.attack("what a verdict advised")
@pytest.mark.parametrize(
    ("kind", "sql"),
    [
        ("stroke", "SELECT 1"),  # its time is in the entry alone
        ("job_closed", "UPDATE jobs SET closed_at = replace(closed_at, 'T07:', 'T06:') WHERE id = 1"),
    ],
)
def test_an_hour_that_suits_better(copy: Path, heads: list[tuple[int, str]], kind: str, sql: str) -> None:
    def an_hour_before(one: dict[str, Any]) -> None:
        if one["kind"] == kind and one["number"] == number:
            one["at"] = one["at"].replace("T07:", "T06:")

    number = number_of(copy, kind)
    rebuild(copy, an_hour_before, (sql, ()))
    assert ELSEWHERE[0] in only_elsewhere(copy, heads)


@pytest.mark.attack("what the settings were")
def test_all_that_was_ever_said_of_the_settings_taken_out(copy: Path) -> None:
    with Store.open(copy) as store:
        for bench, serial in (("bay-1", "DI-0413"), ("bay-1", "DI-0999")):
            store.keep_settings(bench, "bench", {"indicator": {}, "gauge": {"serial": serial}}, WHO, at=_LATER)
    heads = [audit(copy).head]
    assert "DI-0999" in command(copy.parent)
    take_out(copy, *(one["number"] for one in entries(copy) if one["kind"] == "settings_changed"))
    assert "DI-0999" not in command(copy.parent)
    assert ELSEWHERE[1] in only_elsewhere(copy, heads)


# -- recordings and chain rewritten together -------------------------------------------------------------------


@pytest.mark.attack("the same, and the recording")
def test_a_check_moved_to_another_day_in_its_recording_too(copy: Path, heads: list[tuple[int, str]]) -> None:
    path, later = judged(copy), "2026-04-02T07:31:00.000000Z"
    header_says(path, started=later)
    put_right(copy, 1, path)

    def another_day(one: dict[str, Any]) -> None:
        if one["kind"] == "check_started" and one["body"]["id"] == 1:
            one["at"] = later

    rebuild(copy, another_day, ("UPDATE checks SET started_at = ? WHERE id = 1", (later,)))
    assert ELSEWHERE[0] in only_elsewhere(copy, heads)


def made_again(path: Path, sheet: str) -> dict[str, Any]:
    """What this program makes of the first verdict's recording with another sheet, as its row keeps it."""
    asked = {"what": "check", "recording": str(judged(path)), "sheet": sheet, "pack": "low", "left_out": []}
    columns: dict[str, Any] = Derivation().answer(asked)["verdict"]
    return columns


@pytest.mark.attack("the limits in the sheet itself")
def test_limits_moved_in_the_sheet_and_the_verdict_made_to_suit(copy: Path, heads: list[tuple[int, str]]) -> None:
    with Store.open_to_read(copy) as store:
        check = store.job(1).checks[0]
    assert check.verdict is not None and check.high_nm == 1_300_000
    narrow = 'range = ["0.90 mm", "1.00 mm"]\npreferred = "0.95 mm"'
    sheet = SHEET.replace('range = ["0.90 mm", "1.30 mm"]\npreferred = "1.10 mm"', narrow, 1)
    made = made_again(copy, sheet)
    assert (check.verdict.verdict.verdict, made["verdict"]) == ("good", "loose")
    forge(copy, number_of(copy, "job_opened"), sheet_toml=sheet)
    forge(copy, number_of(copy, "check_started"), high_nm=1_000_000)
    forge(copy, number_of(copy, "verdict"), **made)
    told = {name: json.dumps(value) if isinstance(value, list | dict) else value for name, value in made.items()}
    tamper(
        copy,
        ("UPDATE jobs SET sheet_toml = ? WHERE id = 1", (sheet,)),
        ("UPDATE checks SET high_nm = 1000000 WHERE id = 1", ()),
        (f"UPDATE verdicts SET {', '.join(f'{name} = ?' for name in told)} WHERE id = 1", tuple(told.values())),
    )
    assert ELSEWHERE[0] in only_elsewhere(copy, heads)


def without_its_verdict(path: Path, **sealed: Any) -> None:
    """Make the first verdict the end of a check that was given up, and cover the tracks."""

    def given_up(one: dict[str, Any]) -> None:
        if one["kind"] == "verdict" and one["body"]["id"] == 1:
            one["kind"] = "check_abandoned"
            kept = ("job", "check", "recording_sha256", "recording_bytes", "method")
            one["body"] = {**{name: one["body"].get(name) for name in kept}, **sealed}

    rebuild(
        path, given_up, ("DELETE FROM verdicts WHERE id = 1", ()),
        ("UPDATE checks SET state = 'abandoned' WHERE id = 1", ()),
    )  # fmt: skip


@pytest.mark.attack("a bad verdict made a check that was given up")
def test_a_bad_verdict_made_a_check_that_was_given_up_is_told(
    copy: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert "WITHOUT A VERDICT" not in command(copy.parent)
    monkeypatch.setattr(year_proven, "DIFFERENT", 1)
    path = year_proven.write_record(tmp_path, 1)
    without_its_verdict(path)
    number = number_of(path, "check_abandoned")
    for _ in range(2):  # whatever was kept of an earlier proof
        said = command(tmp_path, "--derived", str(tmp_path / "derived"))
        assert f"WITHOUT A VERDICT: 1 check given up, the first by entry {number}" in said and "PROVEN" in said
    line = json.loads(command(tmp_path, "--json").splitlines()[-1])
    assert line["given_up_though_decided"] == [number]
    assert "Given up though the recording comes to a verdict: 1" in page(gather(path, 1)[0])


@pytest.mark.attack("a bad verdict made a check that was given up")
def test_a_bad_verdict_made_a_crash_is_counted(copy: Path, heads: list[tuple[int, str]]) -> None:
    whole = verify(copy)
    without_its_verdict(copy, recording_sha256=None, recording_bytes=None)
    assert verify(copy).unsealed == whole.unsealed + 1
    assert ELSEWHERE[0] in only_elsewhere(copy, heads)


@pytest.mark.attack("a bad verdict made a check that was given up")
def test_a_check_cut_short_before_it_was_decided(copy: Path, heads: list[tuple[int, str]]) -> None:
    path = judged(copy)
    with Store.open_to_read(copy) as store:
        last = store.job(1).checks[0].strokes[-1]
    header, *lines = path.read_text().splitlines(keepends=True)
    path.write_text(header + "".join(line for line in lines if json.loads(line)["ns"] < last.stroke.start_ns))
    put_right(copy, 1, path)
    without_its_verdict(copy)
    of_it = next(
        one["number"] for one in entries(copy)
        if one["kind"] == "stroke" and json.loads(one["body"])["n"] == last.stroke.n
    )  # fmt: skip
    take_out(copy, of_it, tables=(('DELETE FROM strokes WHERE "check" = 1 AND n = ?', (last.stroke.n,)),))
    assert not verify(copy).decided
    assert only_elsewhere(copy, heads)


@pytest.mark.attack("a recording removed as though by policy")
def test_a_verdict_changed_once_its_recording_was_pruned(copy: Path) -> None:
    with Store.open(copy) as store:
        check = store.job(1).checks[0]
        assert check.verdict is not None
        store.add_pruned(check.id, recording_sha256=check.verdict.recording_sha256, reason="tidying", at=_LATER)
    judged(copy).unlink()
    heads = [audit(copy).head]
    forge(copy, number_of(copy, "verdict"), verdict="tight")
    tamper(copy, ("UPDATE verdicts SET verdict = 'tight' WHERE id = 1", ()))
    assert verify(copy).pruned == 1
    assert ELSEWHERE[0] in only_elsewhere(copy, heads)


# -- the way of measuring, and the program ---------------------------------------------------------------------


@pytest.mark.attack("the number of the way of measuring")
@pytest.mark.parametrize("number", range(1, METHOD))
def test_an_earlier_method_is_believed_only_where_it_says_the_same(
    copy: Path, heads: list[tuple[int, str]], number: int
) -> None:
    tamper(copy, ("UPDATE verdicts SET method = ? WHERE id = 2", (number,)))
    forge(copy, number_of(copy, "verdict", 1), method=number)
    proof = verify(copy)
    if proof.mismatch is not None:
        assert f"(method {number})" in str(proof.mismatch)
    else:
        assert not proof.otherwise and ELSEWHERE[0] in found(copy, heads=heads)


@pytest.mark.attack("this program itself changed, or the file")
def test_a_program_that_reads_more_proves_what_it_wrote(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with monkeypatch.context() as changed:
        read_more(changed)
        path = make_record(tmp_path)
        assert verify(path).mismatch is None
    assert "derived again from" in found(path)  # by the program as it is


@pytest.mark.attack("this program itself changed, or the file")
def test_a_file_of_what_was_derived_that_was_made_up(copy: Path, tmp_path: Path) -> None:
    forge(copy, number_of(copy, "verdict"), verdict="tight")
    tamper(copy, ("UPDATE verdicts SET verdict = 'tight' WHERE id = 1", ()))
    kept = tmp_path / "derived"
    assert "verdict of the verdict" in found(copy)
    with Store.open_to_read(copy) as store:
        job = store.job(1)
    check = job.checks[0]
    assert check.verdict is not None
    kept.write_text(json.dumps({"derived": Derived.name_of(job, check, check.verdict.recording_sha256)}) + "\n")
    assert verify(copy, derived=kept).mismatch is None  # believe such a file of your own
    assert "verdict of the verdict" in found(copy)


# -- what left the house, rewritten as well --------------------------------------------------------------------


@pytest.mark.attack("an anchor rewritten with the record")
def test_anchors_in_the_owners_reach_say_what_he_likes(copy: Path, tmp_path: Path) -> None:
    forge(copy, 1, unit_serial="FW3-9999")
    tamper(copy, ("UPDATE jobs SET unit_serial = 'FW3-9999' WHERE id = 1", ()))
    number, sha256 = audit(copy).head
    file = tmp_path / "heads.jsonl"
    append_anchor(file, Anchor(bench="bay-1", at=_LATER, number=number, sha256=sha256))
    assert "Proven against 1 anchor" in command(copy.parent, "--anchors", str(file))


@pytest.mark.attack("anchors taken out")
def test_the_newest_anchors_taken_out_show_by_the_time_of_those_that_are_left(copy: Path, tmp_path: Path) -> None:
    file, kept = tmp_path / "heads.jsonl", [(one["number"], one["sha256"]) for one in entries(copy)]
    append_anchor(file, Anchor(bench="bay-1", at=_LATER, number=8, sha256=kept[7][1]))
    forge(copy, number_of(copy, "signed_off"), by="somebody else")
    said = command(copy.parent, "--anchors", str(file))
    assert f"the newest of entry 8, written down at {_LATER:%Y-%m-%d %H:%M} UTC" in said
    assert f"Since then, on the chain alone: {len(kept) - 8} entries." in said
    assert json.loads(command(copy.parent, "--json", "--anchors", str(file)).splitlines()[-1])["anchored_up_to"] == 8


@pytest.mark.attack("a report or an export edited")
def test_a_report_that_was_edited_is_not_what_the_record_gives(copy: Path, tmp_path: Path) -> None:
    whole = page(gather(copy, 1)[0])
    number, sha256 = audit(copy).head
    assert f"{number}:{sha256}" in whole
    (tmp_path / "edited.html").write_text(whole.replace("FW3-000", "FW3-9999"))
    assert verify(copy).mismatch is None and "FW3-9999" not in whole


# -- who signs -------------------------------------------------------------------------------------------------


@pytest.mark.attack("a name typed at a sign-off that is another's")
def test_a_name_typed_is_a_name_typed(copy: Path) -> None:
    body = json.loads(entries(copy)[number_of(copy, "signed_off") - 1]["body"])
    assert (body["by"], body["signed"]) == ("foreman", "typed")  # which is all that is said of it
    assert verify(copy).mismatch is None


@pytest.mark.attack("another unit or pack on the bench")
@pytest.mark.attack("readings made up on the wire")
def test_readings_that_no_plunger_made_prove_as_well_as_any(tmp_path: Path) -> None:
    path = tmp_path / "record.sqlite"
    with Store.open(path) as store:
        job = open_job(store, 0, AT)
        check_from(store, tmp_path, job, "low", "line-10hz-mm-clean", AT)  # a program wrote it, for no unit at all
    proof = verify(path)
    assert (proof.mismatch, proof.verdicts, proof.not_measured) == (None, 1, 0)
