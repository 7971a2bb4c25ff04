"""Measures whether strokes and verdicts as views over the ledger would do as well as the tables kept beside it:
keeping a stroke, reading a job, and the size of the file.

    python -m tests.load.measure_views [STROKES]
"""

from __future__ import annotations

import json
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


def filled(home: Path, strokes: int) -> Path:
    """A record of so many strokes: one job as a bench keeps it, and the others copied from it by SQL. Their chain
    is not worked out, which neither keeping nor reading looks at."""
    path = make(home, 24)
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.create_function("again", 2, again, deterministic=True)
        triggers = connection.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for name, _ in triggers:
            connection.execute(f"DROP TRIGGER {name}")
        size = connection.execute("SELECT max(number) FROM ledger").fetchone()[0]
        connection.execute(
            "CREATE TEMP TABLE copies AS WITH RECURSIVE c(nth) AS "
            f"(SELECT 1 UNION ALL SELECT nth + 1 FROM c WHERE nth < {strokes // 24 - 1}) SELECT nth FROM c"
        )
        for table, shifts in (
            ("jobs", {"id": 1, "uuid": None}),
            ("checks", {"id": 3, "job": 1}),
            ("strokes", {"id": 24, "check": 3}),
            ("ledger", {"number": size, "job": 1, "body": None}),
        ):
            names = [row[1] for row in connection.execute(f"PRAGMA table_info({table})")]
            made = {name: f'"{name}" + {by} * nth' for name, by in shifts.items() if by is not None}
            made |= {"uuid": "printf('%08x', nth) || substr(uuid, 9)"} if table == "jobs" else {}
            made |= {"body": "again(body, nth)"} if table == "ledger" else {}
            values = ", ".join(made.get(name, f'"{name}"') for name in names)
            connection.execute(f"INSERT INTO {table} SELECT {values} FROM {table}, copies ORDER BY nth, {table}.rowid")
        for _, sql in triggers:
            connection.execute(sql)
    return path


def again(text: str, n: int) -> str:
    """Return an entry's body as that of the nth copy of the job."""
    body = json.loads(text)
    kind = "stroke" if "peak_travel_nm" in body else "check" if "pack" in body else "job"
    for name, by in {"job": 1, "check": 3, "id": {"stroke": 24, "check": 3, "job": 1}[kind]}.items():
        if name in body:
            body[name] += by * n
    return ledger.canonical(body)


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
    """Run it so often; return the median in milliseconds, by the clock and of the processor alone."""
    clock, processor = [], []
    for n in range(times):
        began, busy = time.perf_counter(), time.process_time()
        what(n)
        clock.append(1000 * (time.perf_counter() - began))
        processor.append(1000 * (time.process_time() - busy))
    return f"median {statistics.median(clock):.2f} ms, of the processor {statistics.median(processor):.2f} ms"


def measure(path: Path, way: str) -> None:
    """Tell of one form of the record."""
    stroke = next(kept.stroke for kept in Replay(RECORDINGS / "line-10hz-mm-clean.jsonl").strokes())
    columns = columns_of_stroke(stroke)
    with Store.open(path) as store:
        assert sum(len(check.strokes) for check in store.job(7).checks) == 24
        with store._engine.connect() as connection:
            newest = connection.exec_driver_sql("SELECT max(id) FROM jobs").scalar_one()
            connection.exec_driver_sql("COMMIT")
        print(f"{way}: {path.stat().st_size / 1e6:.1f} MB", flush=True)  # noqa: T201
        print(f"  reading a job of 24 strokes: {took_ms(lambda n: store.job(1 + (n * 37) % newest))}", flush=True)  # noqa: T201
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
        print(f"  keeping a stroke: {keep}", flush=True)  # noqa: T201
        print(f"  the twenty newest jobs: {took_ms(lambda n: store.jobs(20), 10)}", flush=True)  # noqa: T201


def main() -> None:
    """Measure all three forms on copies of one record."""
    strokes = int(sys.argv[1]) if len(sys.argv) > 1 else 50_000
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        path = filled(home, strokes)
        for way in ("tables", "views with an index", "views"):
            copy = Path(shutil.copy(path, home / "copy.sqlite"))
            if way != "tables":
                to_views(copy, indexed=way != "views")
            measure(copy, way)
            for left in home.glob("copy.sqlite*"):
                left.unlink()


if __name__ == "__main__":
    main()
