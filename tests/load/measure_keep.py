"""Measures, at a person's desk, what the suite only does in the small: the export of a record of 100 000 strokes with
its peak memory, and a backup of its folder with a thousand recordings, first and repeated.

    python -m tests.load.measure_keep [STROKES]
"""

from __future__ import annotations

import resource
import sqlite3
import subprocess
import sys
import tempfile
import time
from contextlib import closing
from datetime import timedelta
from pathlib import Path
from uuid import uuid4

from sqlalchemy import event

from capture.record import Store
from capture.recordings.replay import Replay
from tests.support.proven_record import AT, RECORDINGS, SHEET

ROOT = Path(__file__).resolve().parents[2]


def make(home: Path, count: int) -> Path:
    """A record of about `count` strokes: jobs of three checks of eight strokes each, every thousandth with files."""
    path = home / "record.sqlite"
    stroke = next(kept.stroke for kept in Replay(RECORDINGS / "line-10hz-mm-clean.jsonl").strokes())
    data = (RECORDINGS / "line-10hz-mm-clean.jsonl").read_bytes()
    with Store.open(path) as store:
        event.listen(store._engine, "begin", lambda c: None)
        with store._engine.connect() as connection:
            connection.exec_driver_sql("COMMIT")
            connection.exec_driver_sql("PRAGMA synchronous = OFF")
            connection.exec_driver_sql("BEGIN")
        for number in range(count // 24):
            at = AT + timedelta(hours=number)
            job = store.open_job(
                uuid=uuid4(), bench="bay-1", unit_serial=f"FW3-{number}", technician="first shift", sheet_name="box",
                sheet_revision="1", sheet_toml=SHEET, at=at,
            )  # fmt: skip
            for pack in ("low", "high", "reverse"):
                name = home / "recordings" / f"job-{job:05d}" / f"{pack}.jsonl"
                check = store.start_check(
                    job, pack=pack, indicator={"driver": "line"}, recording_path=str(name), low_nm=900_000,
                    high_nm=1_300_000, strokes_wanted=5, seat_wanted=1, measure="held", at=at,
                )  # fmt: skip
                for n in range(8):
                    store.add_stroke(check, type(stroke)(**{**_fields(stroke), "n": n + 1}), seat=n == 0, at=at)
                store.abandon_check(check, at=at)
                if number < 334:
                    name.parent.mkdir(parents=True, exist_ok=True)
                    name.write_bytes(data)
            store.close_job(job, at=at)
    return path


def _fields(stroke: object) -> dict[str, object]:
    return {name: getattr(stroke, name) for name in type(stroke).__slots__}  # type: ignore[attr-defined]


def timed(*words: object) -> str:
    began = time.monotonic()
    before = resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime
    code = (
        "import resource, sys; from capture.cli.main import app\n"
        "try: app(sys.argv[1:])\n"
        "except SystemExit: pass\n"
        "print('peak', resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024, 'MiB')"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, *map(str, words)], cwd=ROOT, capture_output=True, text=True, check=False
    )
    used = resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime - before
    peak = done.stdout.strip().rpartition("\n")[2]
    return f"{time.monotonic() - began:.1f} s, {used:.1f} s of CPU, {peak}{done.stderr[:200]}"


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder) / "data"
        home.mkdir()
        record = make(home, count)
        with closing(sqlite3.connect(record)) as connection:
            strokes = connection.execute("SELECT count(*) FROM strokes").fetchone()[0]
        lines = [f"record: {strokes} strokes, {record.stat().st_size / 1e6:.0f} MB"]
        for form in ("csv", "parquet"):
            words = ("record", "export", "--format", form, "--out", Path(folder) / form, "--data-dir", home)
            lines.append(f"export {form}, one job: {timed(*words, '--job', 1)}")
            lines.append(f"export {form}, all: {timed(*words)}")
        for time_ in ("first", "repeated"):
            lines.append(f"backup, {time_}: {timed('backup', Path(folder) / 'copy', '--data-dir', home)}")
        lines.append(f"restore: {timed('restore', Path(folder) / 'copy', '--data-dir', Path(folder) / 'back')}")
        config = home / "config.toml"
        config.write_text("[retention]\ncompress_after_days = 0\nkeep_newest_jobs = 0\n")
        lines.append(f"prune (compress): {timed('prune', '--config', config, '--data-dir', home)}")
        sys.stdout.write("\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
