"""A record proves itself, and whatever in it is changed is found and named: any field of any table, any byte of a
recording, by somebody who may write the files and knows how they work."""

from __future__ import annotations

import json
import random
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from capture import __version__
from capture.cli.main import app
from capture.custody.verify import recording_of, verify
from capture.record import Mismatch, RecordError, Store, audit
from tests.support.proven_record import (
    AT,
    copy_all,
    copy_record,
    forge,
    make_record,
    other,
    tamper,
)


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A record that proves; tests change copies of it."""
    return make_record(tmp_path_factory.mktemp("proven"))


@pytest.fixture
def copy(record: Path, tmp_path: Path) -> Path:
    return copy_record(record, tmp_path / "copy")


def found(path: Path, **options: Any) -> Mismatch:
    mismatch = verify(path, **options).mismatch
    assert mismatch is not None
    return mismatch


def rows(path: Path, sql: str) -> list[sqlite3.Row]:
    with closing(sqlite3.connect(path)) as connection:
        connection.row_factory = sqlite3.Row
        return connection.execute(sql).fetchall()


def entry_of(path: Path, kind: str, row_id: int) -> int:
    return next(
        row["number"]
        for row in rows(path, f"SELECT * FROM ledger WHERE kind = '{kind}'")
        if json.loads(row["body"])["id"] == row_id
    )


def test_a_whole_record_is_proven_and_stays_as_it_was(record: Path) -> None:
    before = record.read_bytes()
    proof = verify(record)
    assert proof.mismatch is None
    assert (proof.verdicts, proof.abandoned, proof.unsealed, proof.pruned) == (2, 1, 1, 0)
    with Store.open_to_read(record) as store:
        assert proof.head == store.head()
        with pytest.raises(RecordError, match="readonly"):
            store.abandon_open_checks("bay-1", at=AT)
    assert record.read_bytes() == before


# -- any field of any table ------------------------------------------------------------------------------

KINDS = {"jobs": "job_opened", "checks": "check_started", "strokes": "stroke", "verdicts": "verdict"}


def cells(path: Path, table: str) -> Iterator[tuple[int, str, Any]]:
    for row in rows(path, f"SELECT rowid AS r, * FROM {table}"):
        for name in row.keys()[1:]:
            yield row["r"], name, row[name]


@pytest.mark.attack("a number, name or time edited")
@pytest.mark.parametrize("table", [*KINDS, "ledger"])
def test_any_changed_field_is_found_and_named(record: Path, tmp_path: Path, table: str) -> None:
    """Every field of every row of every table, by the smallest change there is."""
    path, tried = copy_record(record, tmp_path), 0
    key = "number" if table == "ledger" else "id"
    with closing(changing(path)) as connection:
        for row_id, name, value in cells(record, table):
            sql = f'UPDATE {table} SET "{name}" = ? WHERE {key} = ?'
            now = other(value)
            try:
                connection.execute(sql, (now, row_id))
            except sqlite3.IntegrityError:  # a key that another row has: take one further off
                now = value + 1000
                connection.execute(sql, (now, row_id))
            with pytest.raises(Mismatch) as caught:
                audit(path)
            connection.execute(sql, (value, now if name == key else row_id))
            named(record, table, row_id, name, caught.value)
            tried += 1
    assert tried >= 20


def changing(path: Path) -> sqlite3.Connection:
    """Open the file as somebody would who knows SQLite: without the triggers, whose lack is found after all else."""
    connection = sqlite3.connect(path, isolation_level=None)
    for pragma in ("synchronous = OFF", "foreign_keys = OFF", "ignore_check_constraints = ON"):
        connection.execute(f"PRAGMA {pragma}")
    for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        connection.execute(f"DROP TRIGGER {name}")
    return connection


def named(record: Path, table: str, row_id: int, name: str, mismatch: Mismatch) -> None:
    """What does not match is named by its place."""
    text = str(mismatch)
    if table == "ledger":
        # A number changed shows as the number that is missing now.
        assert mismatch.entry in (row_id, row_id + 1), text
    elif name in ("state", "ended_at", "closed_at"):
        assert f"{name} of the" in text
    elif name == "id":
        assert mismatch.entry == entry_of(record, KINDS[table], row_id), text
    else:
        assert f"{name} of " in text and mismatch.entry == entry_of(record, KINDS[table], row_id), text


@pytest.mark.parametrize(
    ("sql", "said"),
    [
        # The same number as another type, another spelling of the same JSON, and a value SQLite reads as the same.
        ("UPDATE strokes SET n = x'32' WHERE id = 2", "n of stroke 2: expected 2, found b'2'"),
        ("UPDATE strokes SET flags = '[ ]' WHERE id = 2", "flags of stroke 2"),
        ("UPDATE strokes SET accepted = 2 WHERE id = 2", "accepted of stroke 2: expected 1, found 2"),
        ("UPDATE verdicts SET dof = 1e999 WHERE id = 1", "dof of the verdict"),
        ("UPDATE jobs SET technician = cast(x'66fe' AS TEXT) WHERE id = 1", r"technician of the job: expected first"),
        ("UPDATE ledger SET body = cast(x'fe' AS TEXT) WHERE number = 3", "Entry 3: its contents do not have its hash"),
        ("DELETE FROM strokes WHERE id = 2", "stroke 2: expected its row, found nothing"),
        ("DELETE FROM verdicts WHERE id = 2", "the verdict: expected its row, found nothing"),
        ("DELETE FROM ledger WHERE number = 5", "Entry 5: an entry of the ledger is missing: expected 5, found 6"),
        ("UPDATE strokes SET id = id + 100 WHERE id = 3", "stroke 3: expected its row, found nothing"),
        (
            "CREATE TEMP TABLE copied AS SELECT * FROM strokes WHERE id = 1; UPDATE copied SET id = 99, n = 77; "
            "INSERT INTO strokes SELECT * FROM copied",
            "Row 99 of strokes: expected an entry for it",
        ),
        ("UPDATE checks SET state = 'done' WHERE state = 'measuring'", "state of the check: expected measuring"),
        ("UPDATE jobs SET closed_at = opened_at WHERE id = 2", "closed_at of the job: expected nothing"),
    ],
)  # fmt: skip
def test_what_a_lazy_comparison_would_miss_is_found(copy: Path, sql: str, said: str) -> None:
    tamper(copy, *((one, ()) for one in sql.split("; ")))
    assert said.lower() in str(found(copy)).lower()


def test_the_place_is_named_in_words(copy: Path) -> None:
    tamper(copy, ("UPDATE strokes SET peak_travel_nm = peak_travel_nm - 1 WHERE id = 3", ()))
    mismatch = found(copy)
    assert (mismatch.job, mismatch.pack, mismatch.check) == (1, "low", 1)
    value = rows(copy, "SELECT peak_travel_nm FROM strokes WHERE id = 3")[0][0]
    assert str(mismatch) == (
        f"Job 1, pack low, check 1, entry {mismatch.entry}: peak_travel_nm of stroke 3: "
        f"expected {value + 1}, found {value}"
    )


def test_a_removed_trigger_and_a_damaged_file_are_found(copy: Path) -> None:
    with closing(sqlite3.connect(copy)) as connection:
        connection.execute("DROP TRIGGER strokes_no_update")
    assert "a trigger that refuses changes was removed: expected strokes_no_update" in str(found(copy))
    size = rows(copy, "PRAGMA page_size")[0][0]
    root = rows(copy, "SELECT rootpage FROM sqlite_master WHERE name = 'strokes'")[0][0]
    with copy.open("r+b") as file:
        file.seek((root - 1) * size)
        file.write(b"\xff" * 100)
    assert "the file is damaged" in str(found(copy))


# -- any byte of a recording -----------------------------------------------------------------------------


def recordings(path: Path) -> list[tuple[str, Path]]:
    with Store.open_to_read(path) as store:
        return [(check.state, recording_of(check, path)) for job in store.jobs(9) for check in job.checks]


@pytest.mark.attack("a byte of a recording")
def test_any_changed_byte_of_a_recording_is_found_and_named(record: Path, tmp_path: Path) -> None:
    path, derived = copy_all(record, tmp_path), tmp_path / "derived"
    assert verify(path, derived=derived).mismatch is None  # what is changed is not derived, nor the others once more
    dice = random.Random(5)
    # Not sealed, so not to be proven: the check cut off by a crash and the one that is still being measured.
    sealed = [one for _, one in recordings(path) if "short-hold" not in one.name and "gap" not in one.name]
    assert len(sealed) == 3
    for recording in sealed:
        whole = recording.read_bytes()
        places = {0, len(whole) - 1, *dice.sample(range(len(whole)), 12)}
        for place in places:
            changed = bytearray(whole)
            changed[place] ^= 1 << dice.randrange(8)
            recording.write_bytes(changed)
            assert f"the SHA-256 of its recording {recording}" in str(found(path, derived=derived)), place
        for cut in (whole[:-1], whole + b"\n", b""):
            recording.write_bytes(cut)
            assert f"the size in bytes of its recording {recording}" in str(found(path, derived=derived))
        recording.unlink()
        # A copy of the folder is not proven by the recordings that it was copied from, which are still there.
        said = str(found(path, derived=derived))
        assert f"its recording {recording}: " in said and "No such file" in said
        recording.write_bytes(whole)
    assert verify(path).mismatch is None


def test_a_recording_that_is_gone_is_missing_unless_the_ledger_knows_it_was_pruned(
    record: Path, tmp_path: Path
) -> None:
    path = copy_all(record, tmp_path)
    with Store.open(path) as store:
        check = store.job(1).checks[0]
    recording = recording_of(check, path)
    assert recording.is_relative_to(tmp_path)
    data = recording.read_bytes()
    recording.unlink()
    assert "its recording" in str(found(path)) and "No such file" in str(found(path))
    assert check.verdict is not None
    sha256 = check.verdict.recording_sha256
    with Store.open(path) as store:
        store.add_pruned(check.id, recording_sha256=sha256, reason="older than 400 days", at=AT)
    proof = verify(path)
    assert proof.mismatch is None
    assert (proof.pruned, proof.verdicts) == (1, 1)
    recording.write_bytes(data)  # its entry was made, and then its removal was cut off: it can still be proven
    assert (verify(path).pruned, verify(path).verdicts) == (0, 2)


def test_recordings_that_changed_places_are_found(record: Path, tmp_path: Path) -> None:
    path = copy_all(record, tmp_path)
    (_, first), (_, second), *_ = [one for one in recordings(path) if "clean" in one[1].name or "creep" in one[1].name]
    one, two = first.read_bytes(), second.read_bytes()
    first.write_bytes(two)
    second.write_bytes(one)
    assert "of its recording" in str(found(path))


# -- somebody who works the chain out again --------------------------------------------------------------


@pytest.mark.attack("a verdict, stroke or seat mark")
def test_a_forged_stroke_is_found_from_the_recording(copy: Path) -> None:
    entry = entry_of(copy, "stroke", 3)
    forge(copy, entry, peak_travel_nm=1_000_000)
    tamper(copy, ("UPDATE strokes SET peak_travel_nm = 1000000 WHERE id = 3", ()))
    audit(copy)  # the chain and the tables are of one mind
    mismatch = found(copy)
    assert "peak_travel_nm of stroke 3, derived again from" in str(mismatch)
    assert mismatch.expected == "1000000" and f"by strokelog {__version__}" in mismatch.what


@pytest.mark.parametrize(
    ("column", "value", "said"),
    [
        ("verdict", "tight", "verdict of the verdict"),
        ("mean_nm", 1_000_000, "mean_nm of the verdict"),
        ("expanded_uncertainty_nm", 1, "expanded_uncertainty_nm of the verdict"),
        ("coverage_factor", 2.5, "coverage_factor of the verdict"),
        ("dof", 4.5, "dof of the verdict"),
        ("standard_uncertainty_nm", 1.5, "standard_uncertainty_nm of the verdict"),
        ("conformance_probability", 0.5, "conformance_probability of the verdict"),
        ("strokes", 9, "strokes of the verdict"),
        ("low_nm", 1, "low_nm of the verdict"),
        ("budget", [], "how many lines the budget has"),
        ("remarks", [{"code": "leak", "text": "The seal leaks."}], "the remarks of the verdict"),
    ],
)
def test_a_forged_verdict_is_found_from_the_recording(copy: Path, column: str, value: Any, said: str) -> None:
    forge(copy, entry_of(copy, "verdict", 1), **{column: value})
    stored = json.dumps(value) if isinstance(value, list) else value
    tamper(copy, (f"UPDATE verdicts SET {column} = ? WHERE id = 1", (stored,)))
    audit(copy)
    assert said in str(found(copy))


@pytest.mark.attack("a verdict, stroke or seat mark")
def test_a_forged_seat_mark_and_a_forged_range_are_found(copy: Path, record: Path, tmp_path: Path) -> None:
    forge(copy, entry_of(copy, "stroke", 1), seat=False)
    tamper(copy, ("UPDATE strokes SET seat = 0 WHERE id = 1", ()))
    assert "the seat mark of stroke 1" in str(found(copy))
    again = copy_record(record, tmp_path / "again")
    forge(again, entry_of(again, "check_started", 1), low_nm=1)
    tamper(again, ("UPDATE checks SET low_nm = 1 WHERE id = 1", ()))
    assert "what it asked for (range in nm" in str(found(again))


def test_a_verdict_of_another_version_that_derives_differently_names_both(copy: Path) -> None:
    forge(copy, entry_of(copy, "verdict", 1), mean_nm=1_000_000, software_version="0.0.7")
    tamper(copy, ("UPDATE verdicts SET mean_nm = 1000000, software_version = '0.0.7' WHERE id = 1", ()))
    text = str(found(copy))
    assert f"by strokelog {__version__}, while the verdict was written by strokelog 0.0.7" in text


def test_only_a_head_written_down_elsewhere_shows_a_cut_tail_or_a_chain_worked_out_again(copy: Path) -> None:
    head = audit(copy).head
    assert verify(copy, expect=head).mismatch is None
    assert verify(copy, expect=(3, rows(copy, "SELECT sha256 FROM ledger WHERE number = 3")[0][0])).mismatch is None
    last = rows(copy, "SELECT * FROM ledger ORDER BY number DESC LIMIT 1")[0]
    assert last["kind"] == "stroke"
    tail = ("DELETE FROM ledger WHERE number = ?", (last["number"],))
    tamper(copy, tail, ("DELETE FROM strokes WHERE id = ?", (json.loads(last["body"])["id"],)))
    assert verify(copy).mismatch is None  # it looks whole
    text = str(found(copy, expect=head))
    assert f"the end of the ledger is missing: expected entry {head[0]}, found {head[0] - 1} as the last" in text
    short = audit(copy).head
    forge(copy, 1, unit_serial="FW3-9999")
    tamper(copy, ("UPDATE jobs SET unit_serial = 'FW3-9999' WHERE id = 1", ()))
    assert verify(copy).mismatch is None  # a chain worked out again looks whole as well
    assert "the hash of this entry as it was written down" in str(found(copy, expect=short))


# -- one job, an older record, and the commands ----------------------------------------------------------


def test_one_job_is_proven_by_itself_though_another_is_broken(copy: Path) -> None:
    tamper(copy, ("UPDATE strokes SET n = 50 WHERE id = 1", ()))
    assert found(copy, job=1).job == 1
    proof = verify(copy, job=2)
    assert (proof.mismatch, proof.verdicts, proof.jobs) == (None, 1, 1)
    with pytest.raises(RecordError, match="knows no job 3"):
        verify(copy, job=3)


def test_a_recording_that_cannot_be_measured_is_a_finding_and_the_others_are_proven_all_the_same(
    copy: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = verify(copy)
    with Store.open_to_read(copy) as store:
        spoiled = next(check for check in store.job(1).checks if check.verdict is not None)
    from capture.recordings.stream import IndicatorStream
    from capture.report.traces import trace_of

    sound, until = IndicatorStream.feed, [1]

    def fails_once(stream: IndicatorStream, t_ns: int, data: bytes) -> Any:
        until[0] -= 1
        if until[0] == 0:
            raise StopIteration
        return sound(stream, t_ns, data)

    monkeypatch.setattr(IndicatorStream, "feed", fails_once)
    proof = verify(copy)
    assert proof.mismatch is not None and "strokes cannot be found" in str(proof.mismatch)
    assert proof.mismatch.job == 1 and proof.further == []
    assert proof.verdicts + proof.abandoned == whole.verdicts + whole.abandoned - 1
    until[0] = 1
    assert "strokes cannot be found" in trace_of(spoiled, copy, None, pruned=False).missing


def test_of_every_check_that_does_not_match_something_is_named(record: Path, tmp_path: Path) -> None:
    copy = copy_all(record, tmp_path / "both")
    with Store.open_to_read(copy) as store:
        judged = [next(check for check in store.job(job).checks if check.verdict is not None) for job in (1, 2)]
    for check in judged:
        path = recording_of(check, copy)
        path.write_bytes(path.read_bytes().replace(b"+", b"-", 1))
    proof = verify(copy)
    assert proof.mismatch is not None
    assert [one.job for one in (proof.mismatch, *proof.further)] == [1, 2]


def strokelog(*words: str, code: int = 0) -> Result:
    """Run a command in this process: `tests/cli/test_cli.py` starts the real one often enough."""
    done = CliRunner().invoke(app, words)
    assert done.exit_code == code, (done.exit_code, done.stdout, done.stderr)
    return done


def test_verify_says_what_it_proved_and_what_it_did_not(copy: Path) -> None:
    home = ["--data-dir", str(copy.parent)]
    head = audit(copy).head
    out = strokelog("record", "verify", *home).stdout
    assert out.startswith(f"PROVEN: {head[0]} entries in the chain, 2 jobs: 2 verdicts derived again")
    assert f"Head: {head[0]}:{head[1]}\n" in out and "note this number and hash" in out
    assert "1 check without a verdict whose recording was never sealed" in out
    assert (
        "nothing up to it is missing" in strokelog("record", "verify", "--expect", f"{head[0]}:{head[1]}", *home).stdout
    )
    assert "expected NUMBER:HASH" in strokelog("record", "verify", "--expect", "12", *home, code=2).stderr
    tamper(copy, ("UPDATE verdicts SET mean_nm = 1 WHERE id = 1", ()))
    bad = strokelog("record", "verify", *home, code=1).stdout
    assert "NOT PROVEN" in bad and "Job 1, pack low, check 1, entry" in bad and "mean_nm of the verdict" in bad
    first, last = [
        json.loads(line) for line in strokelog("record", "verify", "--json", *home, code=1).stdout.splitlines()
    ]
    assert (first["type"], first["job"], first["pack"], first["found"]) == ("mismatch", 1, "low", "1")
    assert (last["type"], last["proven"]) == ("proof", False)


def test_a_correction_is_added_shown_and_proven(copy: Path) -> None:
    home = ["--data-dir", str(copy.parent)]
    entry = str(entry_of(copy, "verdict", 2))
    words = ["record", "correct", "2", entry, "--by", "foreman", "--reason", "wrong unit on the bench"]
    assert "--text: is empty" in strokelog(*words, "--text", " ", *home, code=2).stderr
    out = strokelog(*words, "--text", "belongs to FW3-0117", *home).stdout
    number = audit(copy).head[0]
    assert out.startswith(f"Entry {number} corrects entry {entry} of job 2.")
    assert "belongs to job 1" in strokelog(*words[:3], "1", *words[4:], "--text", "x", *home, code=1).stderr
    shown = strokelog("show", "2", *home).stdout
    assert (
        f"  entry {number}: entry {entry} corrected by foreman: belongs to FW3-0117 "
        "(reason: wrong unit on the bench)" in shown
    )
    assert "gauge DI-0413, calibration due 2026-09-30\n" in shown
    first = strokelog("show", "1", *home).stdout
    assert "parts of low changed by first shift: backing shim 2 to 3; predicted 1.020 mm ± 0.024 mm; " in first
    assert "pack high let pass as it is, by foreman: measured by hand; " in first
    assert "signed off by foreman: ready to fit; " in first
    facts = json.loads(strokelog("show", "2", "--json", *home).stdout)["facts"]
    assert [(fact["type"], fact["corrects"], fact["by"]) for fact in facts] == [("correction", int(entry), "foreman")]
    strokelog("record", "verify", *home)
