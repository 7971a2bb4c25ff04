"""The record keeps what it acknowledged, exactly, and says in words when it cannot."""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import subprocess
import sys
import threading
from datetime import timedelta
from pathlib import Path
from uuid import uuid4

import pytest

from capture.record import RecordError, Store
from tests.support.samples import (
    AT,
    JOB,
    SHA256,
    finish_check,
    open_job,
    start_check,
    stroke,
    stroke_message,
    verdict,
    verdict_message,
)

ROOT = Path(__file__).parents[2]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "record.sqlite"


def test_a_job_comes_back_exactly(path: Path) -> None:
    with Store.open(path) as store:
        job_id = open_job(store)
        check = start_check(store, job_id)
        for n in (1, 2, 3):
            store.add_stroke(check, stroke(n, flags=() if n == 2 else ("gap",)), seat=n == 1, at=AT)
        finish_check(store, check, verdict=verdict(dof=float("inf"), more_strokes=4))
        again = start_check(store, job_id)
        store.add_stroke(again, stroke(1, end_ns=2**62), seat=True, at=AT)
        store.abandon_check(again, at=AT + timedelta(seconds=5))
        store.close_job(job_id, at=AT + timedelta(hours=1))
    with Store.open(path) as store:
        job = store.job(job_id)
        assert store.jobs(10) == [job]
    first, second = job.checks
    assert (job.uuid, job.bench, job.unit_serial, job.technician) == (JOB, "bench 4", "HX-2207", "Tech 12")
    assert job.sheet_toml == '[sheet]\nname = "Forwarder 6-speed"\n# ünit\n'
    assert (job.opened_at, job.closed_at) == (AT, AT + timedelta(hours=1))
    assert [entry.seat for entry in first.strokes] == [True, False, False]
    assert [entry.stroke for entry in first.strokes] == [
        stroke(1, flags=("gap",)),
        stroke(2, flags=()),
        stroke(3, flags=("gap",)),
    ]
    assert first.verdict is not None
    assert first.verdict.verdict == verdict(dof=float("inf"), more_strokes=4)
    assert first.verdict.advice[0]["changes"] == [{"adjuster": 0}]
    assert (first.verdict.recording_sha256, first.verdict.recording_bytes) == (SHA256, 88_123)
    assert (first.number, first.state, first.measure) == (1, "done", "held")
    assert first.indicator["range"] == ["0 in", "0.5 in"]
    assert (second.number, second.state, second.verdict) == (2, "abandoned", None)
    assert second.strokes[0].stroke.end_ns == 2**62
    assert second.ended_at == AT + timedelta(seconds=5)


def test_jobs_are_listed_newest_first(path: Path) -> None:
    with Store.open(path) as store:
        ids = [open_job(store, uuid=uuid4()) for _ in range(4)]
        start_check(store, ids[3])
        assert [job.id for job in store.jobs(3)] == [ids[3], ids[2], ids[1]]
        assert [len(job.checks) for job in store.jobs(2)] == [1, 0]


def test_a_stroke_and_its_message_are_kept_together_or_not_at_all(path: Path) -> None:
    with Store.open(path) as store:
        check = start_check(store, open_job(store))
        message = stroke_message(1)
        store.add_stroke(check, stroke(1), seat=False, at=AT, messages=[message])
        with pytest.raises(RecordError, match=r"keep stroke 1 of check 1 .*UNIQUE.*nothing of it was kept"):
            store.add_stroke(check, stroke(1), seat=False, at=AT, messages=[stroke_message(1)])
        with pytest.raises(RecordError, match="UNIQUE"):
            store.add_stroke(check, stroke(2), seat=False, at=AT, messages=[message])
        with pytest.raises(RecordError, match="time zone"):
            store.add_stroke(check, stroke(2), seat=False, at=AT.replace(tzinfo=None), messages=[message])
        assert [entry.stroke.n for entry in store.job(1).checks[0].strokes] == [1]
        assert [row.message for row in store.outbox_after(0, 9)] == [message]


def test_a_verdict_that_is_not_a_number_is_refused(path: Path) -> None:
    with Store.open(path) as store:
        check = start_check(store, open_job(store))
        with pytest.raises(RecordError, match="coverage_factor is not a number"):
            finish_check(store, check, verdict=verdict(coverage_factor=float("nan")))
        assert store.job(1).checks[0].state == "measuring"


def test_a_finished_check_takes_no_more(path: Path) -> None:
    with Store.open(path) as store:
        job = open_job(store)
        check = start_check(store, job)
        with pytest.raises(RecordError, match="pack 'C1/C2 forward' is still being measured"):
            store.close_job(job, at=AT)
        finish_check(store, check)
        with pytest.raises(RecordError, match="it is done"):
            store.add_stroke(check, stroke(1), seat=False, at=AT)
        with pytest.raises(RecordError, match="it is done"):
            finish_check(store, check)
        with pytest.raises(RecordError, match="no such check"):
            store.abandon_check(99, at=AT)
        store.close_job(job, at=AT)
        with pytest.raises(RecordError, match=r"was closed at 2025-11-25T09:07:30\.120000Z"):
            start_check(store, job)
        with pytest.raises(RecordError, match="no job 7"):
            start_check(store, 7)
        with pytest.raises(RecordError, match="no job 7"):
            store.job(7)


def test_checks_left_open_by_a_crash_are_abandoned_with_their_strokes(path: Path) -> None:
    with Store.open(path) as store:
        ours = start_check(store, open_job(store))
        start_check(store, open_job(store, uuid=uuid4(), bench="bench 5"))
        store.add_stroke(ours, stroke(1), seat=False, at=AT)
    with Store.open(path) as store:
        assert store.abandon_open_checks("bench 4", at=AT) == 1
        assert store.abandon_open_checks("bench 4", at=AT) == 0
        other, mine = store.jobs(2)
        assert (mine.checks[0].state, len(mine.checks[0].strokes)) == ("abandoned", 1)
        assert other.checks[0].state == "measuring"


def test_the_outbox_keeps_order_and_never_reuses_a_place(path: Path) -> None:
    with Store.open(path) as store:
        messages = [stroke_message(1), stroke_message(2), verdict_message()]
        store.put_outbox(messages, at=AT)
        rows = store.outbox_after(0, 9)
        assert [row.message for row in rows] == messages
        assert [row.message for row in store.outbox_after(rows[0].row, 1)] == messages[1:2]
        store.drop_outbox([row.row for row in rows])
        assert store.outbox_size() == 0
        store.drop_outbox([])
        store.put_outbox([stroke_message(3)], at=AT)
        assert store.outbox_after(0, 9)[0].row > rows[-1].row


def test_another_thread_may_use_the_store(path: Path) -> None:
    with Store.open(path) as store:
        thread = threading.Thread(target=open_job, args=(store,))
        thread.start()
        thread.join()
        assert len(store.jobs(5)) == 1


def test_every_commit_is_on_disk_before_it_is_acknowledged(path: Path) -> None:
    with Store.open(path) as store, store._engine.connect() as connection:
        pragmas = {
            name: connection.exec_driver_sql(f"PRAGMA {name}").scalar()
            for name in ("journal_mode", "synchronous", "foreign_keys", "busy_timeout")
        }
    assert pragmas == {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1, "busy_timeout": 5000}


def test_a_current_record_opens_without_alembic(path: Path) -> None:
    Store.open(path).close()
    program = (
        "import sys; from capture.record import Store; Store.open(sys.argv[1]).close();"
        "raise SystemExit('alembic' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", program, str(path)], cwd=ROOT, check=False).returncode == 0


def execute(path: Path, sql: str) -> None:
    connection = sqlite3.connect(path)
    connection.executescript(sql)
    connection.close()


def test_a_record_of_a_newer_version_is_left_alone(path: Path) -> None:
    Store.open(path).close()
    execute(path, "UPDATE alembic_version SET version_num = '9999'")
    with pytest.raises(RecordError, match="written by a newer strokelog"):
        Store.open(path)


def test_a_file_that_is_no_record_is_left_alone(path: Path, tmp_path: Path) -> None:
    path.write_text("travel,mm\n1.10\n" * 100)
    with pytest.raises(RecordError, match="is no SQLite database"):
        Store.open(path)
    assert path.read_text().startswith("travel,mm\n")
    other = tmp_path / "other.sqlite"
    execute(other, "CREATE TABLE stock (part TEXT)")
    with pytest.raises(RecordError, match=r"no strokelog record .*'stock'"):
        Store.open(other)
    spoilt = tmp_path / "spoilt.sqlite"
    spoilt.write_bytes(b"SQLite format 3\x00" + b"\xff" * 5000)
    with pytest.raises(RecordError, match="cannot open the record"):
        Store.open(spoilt)


def test_a_place_that_cannot_hold_a_record_is_named(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match=r"there is no directory .*missing; make it"):
        Store.open(tmp_path / "missing" / "record.sqlite")
    with pytest.raises(RecordError, match="is a directory"):
        Store.open(tmp_path)


def test_a_directory_nobody_can_write_in_is_named() -> None:
    with pytest.raises(RecordError, match=r"cannot open the record /proc/record\.sqlite: unable to open"):
        Store.open("/proc/record.sqlite")


def test_a_write_that_fails_later_is_told(path: Path) -> None:
    with Store.open(path) as store:
        job = open_job(store)
        with store._engine.connect() as connection:
            connection.exec_driver_sql("PRAGMA query_only = ON")
        with pytest.raises(RecordError, match=r"start a check of pack 'C1/C2 forward' in .*readonly"):
            start_check(store, job)


#: For every check that is named to it, a process that says its number, writes strokes and says of each that it is kept.
#: It is forked, which spares bringing all in again twenty times; its end stands in a line after all that it said.
WRITERS = """
import os, sys
from tests.support.samples import AT, stroke, stroke_message
from capture.record import Store
for check in sys.stdin:
    if (pid := os.fork()) == 0:
        print(os.getpid(), flush=True)
        store = Store.open(sys.argv[1])
        for n in range(1, 100_000):
            store.add_stroke(int(check), stroke(n), seat=False, at=AT, messages=[stroke_message(n)])
            print(n, flush=True)
    print(f"\\nended {os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])}", flush=True)
"""


def test_a_killed_process_loses_no_acknowledged_stroke(path: Path) -> None:
    chance = random.Random(20)
    with Store.open(path) as store:
        job = open_job(store)
    with subprocess.Popen(
        [sys.executable, "-c", WRITERS, str(path)],
        cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1,
    ) as writers:  # fmt: skip
        assert writers.stdin is not None and writers.stdout is not None
        for _ in range(20):
            with Store.open(path) as store:
                check = start_check(store, job)
                before = store.outbox_size()
            writers.stdin.write(f"{check}\n")
            writer = int(writers.stdout.readline())
            said = [int(writers.stdout.readline()) for _ in range(chance.randint(1, 40))]
            for _ in range(chance.randrange(20_000)):  # so the kill falls at another moment of a commit each time
                pass
            os.kill(writer, signal.SIGKILL)
            while not (line := writers.stdout.readline()).startswith("ended "):
                assert writers.poll() is None
                said += [int(line)] if line.strip() else []
            assert int(line.split()[1]) == -signal.SIGKILL
            acknowledged = max(said)  # its last number may be cut off, and is a smaller one then
            with Store.open(path) as store:
                kept = [entry.stroke for entry in store.job(job).checks[-1].strokes]
                assert len(kept) >= acknowledged
                assert kept == [stroke(n) for n in range(1, len(kept) + 1)]
                assert store.outbox_size() - before == len(kept)
                store.abandon_open_checks("bench 4", at=AT)
