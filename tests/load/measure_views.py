"""Measures whether strokes and verdicts as views over the ledger would do as well as the tables kept beside it:
keeping a stroke, reading a job, and the size of the file.

    python -m tests.load.measure_views [STROKES]
"""

from __future__ import annotations

import shutil
import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

from capture.clearance.kept_form import columns_of_stroke
from capture.record import Store, ledger, schema
from capture.recordings.replay import Replay
from tests.load.measure_keep import make
from tests.support.proven_record import AT, RECORDINGS

TIMES = 200


def to_views(path: Path, *, indexed: bool) -> None:
    """Put views over the ledger in place of the tables of strokes and verdicts."""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        for table in (schema.strokes, schema.verdicts):
            kind = table.name.removesuffix("s")
            columns = ", ".join(f"json_extract(body, '$.{one.name}') AS \"{one.name}\"" for one in table.columns)
            connection.execute(f"DROP TABLE {table.name}")
            connection.execute(f"CREATE VIEW {table.name} AS SELECT {columns} FROM ledger WHERE kind = '{kind}'")
            if indexed:
                connection.execute(
                    f"CREATE INDEX ledger_{kind} ON ledger (json_extract(body, '$.check')) WHERE kind = '{kind}'"
                )
        connection.execute("ANALYZE")
        connection.execute("VACUUM")


def keep_by_entry(store: Store, check: int, job: int, columns: dict[str, Any]) -> None:
    """Keep a stroke as its entry alone, with the same looks as `Store.add_stroke`."""
    with store._writing("keep a stroke") as connection:
        store._need_measuring(connection, check)
        number = ledger.head(connection)[0] + 1
        body = {**columns, "check": check, "seat": False, "id": number, "job": job}
        ledger.append(connection, "stroke", body, "2026-11-28T07:30:00.000000Z")


def took_ms(what: Callable[[int], object], times: int = TIMES) -> str:
    """Run it so often; return the median and the 95th percentile in milliseconds."""
    took = []
    for n in range(times):
        began = time.perf_counter()
        what(n)
        took.append(1000 * (time.perf_counter() - began))
    took.sort()
    return f"median {statistics.median(took):.2f} ms, 95 % {took[int(0.95 * len(took))]:.2f} ms"


def measure(path: Path, way: str) -> None:
    """Tell of one form of the record."""
    stroke = next(kept.stroke for kept in Replay(RECORDINGS / "line-10hz-mm-clean.jsonl").strokes())
    columns = columns_of_stroke(stroke)
    with Store.open(path) as store:
        count = len(store.jobs(100_000)) if way == "count" else 0
        job = store.job(1 + count)
        assert sum(len(check.strokes) for check in job.checks) == 24
        with store._engine.connect() as connection:
            newest = connection.exec_driver_sql("SELECT max(id) FROM jobs").scalar_one()
            connection.exec_driver_sql("COMMIT")
        print(f"{way}: {path.stat().st_size / 1e6:.1f} MB")  # noqa: T201
        print(f"  reading a job of 24 strokes: {took_ms(lambda n: store.job(1 + (n * 37) % newest))}")  # noqa: T201
        with store._writing("begin") as connection:
            connection.exec_driver_sql("UPDATE jobs SET closed_at = NULL WHERE id = 1")
        check = store.start_check(
            1, pack="low", indicator={"driver": "line"}, recording_path="x", low_nm=1, high_nm=2, strokes_wanted=5,
            seat_wanted=1, measure="held", at=AT,
        )  # fmt: skip
        if way == "tables":
            made = [type(stroke)(**{**columns, "flags": stroke.flags, "n": n + 1}) for n in range(TIMES)]
            keep = took_ms(lambda n: store.add_stroke(check, made[n], seat=False, at=AT))
        else:
            keep = took_ms(lambda n: keep_by_entry(store, check, 1, {**columns, "n": n + 1}))
        print(f"  keeping a stroke: {keep}")  # noqa: T201
        print(f"  the twenty newest jobs: {took_ms(lambda n: store.jobs(20), 10)}")  # noqa: T201


def main() -> None:
    """Measure all three forms on copies of one record."""
    strokes = int(sys.argv[1]) if len(sys.argv) > 1 else 50_000
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        path = make(home, strokes)
        for way in ("tables", "views with an index", "views"):
            copy = Path(shutil.copy(path, home / "copy.sqlite"))
            if way != "tables":
                to_views(copy, indexed=way != "views")
            measure(copy, way)
            for left in home.glob("copy.sqlite*"):
                left.unlink()


if __name__ == "__main__":
    main()
