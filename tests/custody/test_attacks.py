"""What somebody could do to a record who has its files and has read how it works, and what finds it. The guide's page
`record` has the same list as a table. `heads` stands for whatever was written down elsewhere: anchors or a
collector."""

from __future__ import annotations

import hashlib
import json
import re
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from capture.cli.main import app
from capture.custody.verify import recording_of, verify
from capture.record import Mismatch, Store, audit
from capture.record.settings_kept import WhoSet
from capture.recordings.file import read_recording
from tests.support import proven_record
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
from tests.support.proven_record import AT, forge, make_record, tamper


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_record(tmp_path_factory.mktemp("attacked"))


# -- what the chain finds --------------------------------------------------------------------------------


@pytest.mark.attack("a number, name or time edited")
def test_a_travel_edited_in_the_table(copy: Path) -> None:
    tamper(copy, ("UPDATE verdicts SET mean_nm = mean_nm - 1 WHERE id = 1", ()))
    assert "mean_nm of the verdict" in found(copy)


@pytest.mark.attack("an entry taken out or put in")
def test_a_sign_off_taken_out_of_the_middle(copy: Path) -> None:
    tamper(copy, ("DELETE FROM ledger WHERE number = ?", (number_of(copy, "signed_off"),)))
    assert "an entry of the ledger is missing" in found(copy)


@pytest.mark.attack("a trigger or table replaced")
@pytest.mark.parametrize(
    ("attack", "said"),
    [
        (
            "DROP TRIGGER strokes_no_update; CREATE TRIGGER strokes_no_update BEFORE UPDATE ON strokes "
            "WHEN 0 BEGIN SELECT 1; END",
            "the SQL of the trigger strokes_no_update",
        ),
        (
            "CREATE TRIGGER helpful AFTER INSERT ON verdicts BEGIN DELETE FROM outbox; END",
            "a part of the file that no record has: expected nothing, found trigger helpful",
        ),
        (
            "PRAGMA writable_schema = ON; UPDATE sqlite_master SET sql = replace(sql, 'CONSTRAINT checks_state CHECK', "
            "'CONSTRAINT checks_state CHECK (1) CHECK') WHERE name = 'checks'",
            "the SQL of the table checks",
        ),
    ],
)
def test_a_trigger_or_table_that_only_has_the_right_name(copy: Path, attack: str, said: str) -> None:
    with closing(sqlite3.connect(copy)) as connection:
        connection.executescript(attack)
    assert said in found(copy)


# -- what the recordings find, though the chain was worked out again ----------------------------------------


@pytest.mark.attack("a verdict, stroke or seat mark")
def test_a_verdict_made_good_and_the_chain_worked_out_again(copy: Path) -> None:
    forge(copy, number_of(copy, "verdict"), verdict="tight")
    tamper(copy, ("UPDATE verdicts SET verdict = 'tight' WHERE id = 1", ()))
    assert "verdict of the verdict, derived again" in found(copy)


def scaled(path: Path) -> None:
    text = path.read_text()
    shrunk = re.sub(r"[+-]\d+\.\d\d(?= mm)", lambda one: f"{float(one[0]) * 0.6:+.2f}", text)
    assert shrunk != text
    path.write_text(shrunk)


@pytest.mark.attack("a byte of a recording")
def test_a_scaled_recording_under_the_old_chain(copy: Path) -> None:
    scaled(judged(copy))
    assert "of its recording" in found(copy)


@pytest.mark.attack("a recording scaled and its hash")
def test_a_scaled_recording_whose_hash_was_put_right_everywhere(copy: Path) -> None:
    path = judged(copy)
    scaled(path)
    data = path.read_bytes()
    told = {"recording_sha256": hashlib.sha256(data).hexdigest(), "recording_bytes": len(data)}
    forge(copy, number_of(copy, "verdict"), **told)
    tamper(copy, ("UPDATE verdicts SET recording_sha256 = ?, recording_bytes = ? WHERE id = 1", tuple(told.values())))
    assert "derived again from" in found(copy)


@pytest.mark.attack("limits, the indicator's settings, bench")
def test_another_benchs_work_taken_for_ones_own(copy: Path) -> None:
    def other_bench(one: dict[str, Any]) -> None:
        if one["kind"] == "job_opened":
            one["body"]["bench"] = "bay-2"

    rebuild(copy, other_bench, ("UPDATE jobs SET bench = 'bay-2'", ()))
    assert "the bench in its recording" in found(copy)


@pytest.mark.attack("limits, the indicator's settings, bench")
def test_a_check_moved_to_another_day(copy: Path) -> None:
    at, later = "2026-03-02T07:31:00.000000Z", "2026-04-02T07:31:00.000000Z"

    def another_day(one: dict[str, Any]) -> None:
        if one["kind"] == "check_started" and one["body"]["id"] == 1:
            one["at"] = later

    assert entries(copy)[number_of(copy, "check_started") - 1]["at"] == at
    rebuild(copy, another_day, ("UPDATE checks SET started_at = ? WHERE id = 1", (later,)))
    assert "the start in its recording" in found(copy)


@pytest.mark.attack("a replay passed off as a port")
def test_a_replay_passed_off_as_a_port(copy: Path) -> None:
    line = {"kind": "line", "port": "/dev/ttyUSB0"}
    forge(copy, number_of(copy, "check_started"), origin=line)
    tamper(copy, ("UPDATE checks SET origin = ? WHERE id = 1", (json.dumps(line),)))
    assert "where the readings came from, in its recording" in found(copy)


@pytest.mark.attack("limits, the indicator's settings, bench")
def test_an_indicators_settings_changed_afterwards(copy: Path) -> None:
    with Store.open_to_read(copy) as store:
        indicator = {**store.job(1).checks[0].indicator, "max_error": "0.001 mm"}
    forge(copy, number_of(copy, "check_started"), indicator=indicator)
    tamper(copy, ("UPDATE checks SET indicator = ? WHERE id = 1", (json.dumps(indicator),)))
    assert "the indicator in its recording" in found(copy)


@pytest.mark.attack("limits, the indicator's settings, bench")
def test_limits_widened_afterwards(copy: Path) -> None:
    forge(copy, number_of(copy, "check_started"), high_nm=9_000_000)
    tamper(copy, ("UPDATE checks SET high_nm = 9000000 WHERE id = 1", ()))
    assert "what it asked for" in found(copy)


# -- what only a head that left the house finds ---------------------------------------------------------------


@pytest.mark.attack("recording scaled, and everything")
def test_a_scaled_recording_and_everything_rebuilt_from_it(
    tmp_path: Path, heads: list[tuple[int, str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The owner runs this very program on readings of his own making."""
    streams = tmp_path / "streams"
    streams.mkdir()
    for one in proven_record.RECORDINGS.glob("line-10hz-mm-*.jsonl"):
        (streams / one.name).write_text(one.read_text())
    scaled(streams / "line-10hz-mm-clean.jsonl")
    monkeypatch.setattr(proven_record, "RECORDINGS", streams)
    (tmp_path / "forged").mkdir()
    path = make_record(tmp_path / "forged")
    said = only_elsewhere(path, heads)
    assert "as it was written down" in said or "the end of the ledger is missing" in said


@pytest.mark.attack("the unit's serial, a sign-off's name")
def test_another_unit_under_the_same_measurement(copy: Path, heads: list[tuple[int, str]]) -> None:
    forge(copy, 1, unit_serial="FW3-9999")
    tamper(copy, ("UPDATE jobs SET unit_serial = 'FW3-9999' WHERE id = 1", ()))
    assert "as it was written down" in only_elsewhere(copy, heads)


@pytest.mark.attack("the unit's serial, a sign-off's name")
def test_a_sign_off_under_another_name(copy: Path, heads: list[tuple[int, str]]) -> None:
    forge(copy, number_of(copy, "signed_off"), by="somebody else")
    assert "as it was written down" in only_elsewhere(copy, heads)


@pytest.mark.attack("the end cut off")
def test_the_last_stroke_cut_off(copy: Path, heads: list[tuple[int, str]]) -> None:
    last = entries(copy)[-1]
    cut = ("DELETE FROM ledger WHERE number = ?", (last["number"],))
    tamper(copy, cut, ("DELETE FROM strokes WHERE id = ?", (json.loads(last["body"])["id"],)))
    assert "the end of the ledger is missing" in only_elsewhere(copy, heads)


# -- what is told, and is no fault of the chain --------------------------------------------------------------


@pytest.mark.attack("a recording removed as though")
def test_a_recording_removed_as_though_by_policy_is_counted_as_proven_no_more(copy: Path) -> None:
    whole = verify(copy)
    with Store.open(copy) as store:
        check = next(one for one in store.job(1).checks if one.verdict is not None)
        assert check.verdict is not None
        store.add_pruned(check.id, recording_sha256=check.verdict.recording_sha256, reason="tidying", at=AT)
    recording_of(check, copy).unlink()
    proof = verify(copy)
    assert (proof.mismatch, proof.pruned, proof.verdicts) == (None, 1, whole.verdicts - 1)


# -- two benches, or two units, exchanged ---------------------------------------------------------------------


@pytest.mark.attack("recordings of two units or benches")
def test_two_units_recordings_exchanged_and_their_hashes_put_right(copy: Path) -> None:
    with Store.open_to_read(copy) as store:
        ours, theirs = (
            recording_of(next(one for one in store.job(job).checks if one.verdict is not None), copy) for job in (1, 2)
        )
    one, other = ours.read_bytes(), theirs.read_bytes()
    ours.write_bytes(other)
    theirs.write_bytes(one)
    put_right(copy, 1, ours)
    put_right(copy, 2, theirs)
    assert "the job in its recording" in found(copy)
    assert len(verify(copy).further) == 1


@pytest.mark.attack("recordings of two units or benches")
def test_a_recording_of_another_bench_whose_hash_was_put_right(copy: Path) -> None:
    path = judged(copy)
    header_says(path, bench="bay-2")
    put_right(copy, 1, path)
    assert "the bench in its recording" in found(copy)


@pytest.mark.attack("the data folders of two benches")
def test_two_benches_data_folders_exchanged(copy: Path, tmp_path: Path) -> None:
    settings = tmp_path / "bay-2.toml"
    settings.write_text('bench = "bay-2"\n')
    words = ["record", "verify", "--config", str(settings), "--data-dir", str(copy.parent)]
    said = CliRunner().invoke(app, words, env={"COLUMNS": "300"}).output
    assert "ANOTHER BENCH'S RECORD: the settings are of bench bay-2, and all of this was written at bay-1" in said
    settings.write_text('bench = "bay-1"\n')
    assert "ANOTHER BENCH" not in CliRunner().invoke(app, words, env={"COLUMNS": "300"}).output


# -- what was set, and what only a head finds of an edited chain ------------------------------------------------


@pytest.mark.attack("what the settings were")
def test_settings_that_say_another_gauge_than_the_checks_begun_under_them(tmp_path: Path) -> None:
    path = tmp_path / "record.sqlite"
    with Store.open(path) as store:
        job = proven_record.open_job(store, 0, AT)
        header, lines = read_recording(proven_record.RECORDINGS / "line-10hz-mm-gap.jsonl")
        list(lines)  # to its end, which closes it
        indicator = header.indicator
        set_to = {"indicator": indicator, "gauge": proven_record.GAUGE}
        number = store.keep_settings("bay-1", "bench", set_to, WhoSet("first shift", "bench"), at=AT)
        proven_record.check_from(store, tmp_path, job, "low", "line-10hz-mm-gap", AT, "measuring")
    assert number is not None and audit(path).settings[0].settings == set_to
    forge(path, number, settings={**set_to, "gauge": {**proven_record.GAUGE, "serial": "DI-0999"}})
    with pytest.raises(Mismatch, match="the gauge that the settings say"):
        audit(path)
    forge(path, number, settings={**set_to, "indicator": {**indicator, "resolution": "0.001 mm"}})
    with pytest.raises(Mismatch, match="the indicator that the settings say"):
        audit(path)


@pytest.mark.attack("a replay passed off as a port")
def test_a_replay_passed_off_as_a_port_in_its_recording_too(copy: Path, heads: list[tuple[int, str]]) -> None:
    path, line = judged(copy), {"kind": "line", "port": "/dev/ttyUSB0"}
    header_says(path, origin=line)
    put_right(copy, 1, path)
    forge(copy, number_of(copy, "check_started"), origin=line)
    tamper(copy, ("UPDATE checks SET origin = ? WHERE id = 1", (json.dumps(line),)))
    assert "as it was written down" in only_elsewhere(copy, heads)


@pytest.mark.attack("a check left out with its verdict")
def test_a_bad_check_left_out_and_all_after_it_numbered_anew(copy: Path, heads: list[tuple[int, str]]) -> None:
    of_it = [
        one["number"] for one in entries(copy)
        if 4 in ((body := json.loads(one["body"])).get("check"), body["id"] if one["kind"] == "check_started" else None)
    ]  # fmt: skip
    rows = [(f'DELETE FROM {table} WHERE "check" = 4', ()) for table in ("strokes", "verdicts")]
    take_out(copy, *of_it, tables=(*rows, ("DELETE FROM checks WHERE id = 4", ())))
    assert "the end of the ledger is missing" in only_elsewhere(copy, heads)
