"""How soon a large company's questions are answered: a month of 20 million rows in PostgreSQL, and every view and query
of the guide against it.

    nice -n 15 python -m tests.load.month_of_rows                     20 M rows: about 7 GB of /tmp while it runs
    python -m tests.load.month_of_rows --checks 20000 --explain       0.2 M rows, with the plans

2,000 benches in 40 shops, each check of six strokes: of 80 rows 42 are strokes, 30 statuses, 7 verdicts and 1 a unit's.
The rows are made by the server, put into this month, and indexed as the collector's own. Each question is asked three
times; the fastest counts, as the server times it. Exit code 1 if one takes over 100 ms.
"""

from __future__ import annotations

import argparse
import os
import re
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime

import psycopg

from capture.collect import DatabaseSettings
from capture.collect.database import engine_of
from capture.collect.partitions import keep_by_month, month_of, part_of
from capture.collect.sink import Sink
from capture.collect.statistics.views import view_statements
from tests.load.shop_load import say
from tests.support.guide_blocks import guide_blocks
from tests.support.postgres import Postgres

CHECKS = 1_750_000
BENCHES, SHOPS = 2000, 40
LONGEST_MS = 100.0
#: Views whose rows are single checks, units and mornings: asked of one bench. The others are asked whole.
OF_CHECKS = ("shop_checks", "shop_signed_units", "shop_pairs", "shop_gauge_mornings")
#: Faster to fill: nothing of it is to survive.
SETTINGS = ("fsync=off", "wal_level=minimal", "max_wal_senders=0", "max_wal_size=2GB", "maintenance_work_mem=256MB")
SETTINGS += ("shared_buffers=512MB", "autovacuum=off")

#: A check by its number: bench, which of its job's six checks it is, when, and what came of it.
_CHECKS = """
CREATE UNLOGGED TABLE made AS SELECT n, bench, 's' || bench % {shops} AS shop, 'bay-' || bench AS bay, seq % 6 AS k,
  md5('job ' || bench || ' ' || seq / 6)::uuid AS job, 'FW-' || bench || '-' || seq / 6 AS serial,
  timestamptz '{month}' + interval '6 h' + (seq + bench / {benches}.0) * interval '27 days' / {each} AS at,
  (ARRAY['low', 'high', 'high', 'rev', 'third', 'third'])[seq % 6 + 1] AS pack, seq % 6 IN (2, 5) AS again,
  CASE WHEN seq % 6 IN (1, 4) AND random() < 0.4 THEN 'loose' ELSE 'good' END AS verdict,
  1100000 + CAST(40000 * (random() + random() + random() - 1.5) AS bigint) AS mean_nm
FROM (SELECT n, n % {benches} AS bench, n / {benches} AS seq FROM generate_series(0, {checks} - 1) AS n) AS numbered
"""
_ROWS = {
    "collected_strokes": """
  (id, received_at, shop, at, bench, job, pack, unit_serial, "check", seat, n, start_ns, end_ns, released_nm,
   peak_travel_nm, held_travel_nm, rise_ns, creep_nm, return_error_nm, flags, accepted, outcome, attempt, technician,
   pressure_min_pa, pressure_max_pa)
SELECT gen_random_uuid(), at, shop, at - (7 - i) * interval '4 s', bay, job, pack, serial, k + 1, i = 1, i,
  i * 4000000000, i * 4000000000 + 2500000000, 12000, mean_nm + 900, mean_nm, 180000000, 400, 300, '[]', true,
  CASE WHEN i = 1 THEN 'seat' ELSE 'counted' END, 1, 'Tech ' || bench % 7, 138000, 141000
FROM made, generate_series(1, 6) AS i""",
    "collected_verdicts": """
  (id, received_at, shop, at, bench, head_number, head_sha256, job, pack, unit_serial, "check", verdict, mean_nm,
   expanded_uncertainty_nm, coverage, coverage_factor, standard_uncertainty_nm, strokes, low_nm, high_nm,
   conformance_probability, budget, next_step, advice, recording_sha256, remarks, attempt, not_measured, outcome,
   left_out, sheet_name, sheet_revision, technician, gauge_serial, gauge_standing, changed_part, parts, preferred_nm,
   parts_changed, predicted_nm, changed_from_nm, changed_to_nm, changed_closes, unit_parts_changed)
SELECT gen_random_uuid(), at, shop, at, bay, n, '', job, pack, serial, k + 1, verdict, mean_nm, 8000, 0.95, 2.0, 4000,
  5, 800000, 1400000, 0.999, '[]', '', '[]', '', '[]', CASE WHEN again THEN 2 ELSE 1 END, '', '', '', 'Forwarder', 'C',
  'Tech ' || bench % 7, 'DI-' || bench, 'in order', CASE WHEN again THEN 'snap ring' ELSE '' END, '[]', 1100000,
  again::int, CASE WHEN again THEN 1100000 END, CASE WHEN again THEN 2000000 END,
  CASE WHEN again THEN 2100000 + n % 5 * 50000 END, CASE WHEN again THEN true END, (k > 1)::int + (k > 4)::int
FROM made""",
    "collected_statuses": """
  (id, received_at, shop, at, bench, state, software_version, job, unit_serial, technician, pack, indicator,
   messages_waiting, display_unit, measure, air, air_fault, gauge_serial, gauge_standing, gauge_text, needs, silent)
SELECT gen_random_uuid(), at, shop, at - i * interval '6 s', bay, 'measuring', '0.2', job, serial, '', pack, 'up', 0,
  'mm', 'peak', '', '', '', '', '', '', false
FROM made, generate_series(1, 4 + (n % 7 < 2)::int) AS i""",
    "collected_units": """
  (id, received_at, shop, at, bench, head_number, head_sha256, job, unit_serial, packs, steps, steps_closed, next_step,
   against, to_acknowledge, signed_off_by, signed_off_at, demonstrated_by, sheet_name, sheet_revision)
SELECT gen_random_uuid(), at, shop, at + interval '1 min', bay, n, '', job, serial, '[]', 3, 3, '', '[]', '[]',
  'Tech ' || bench % 7, at, '', 'Forwarder', 'C'
FROM made WHERE k = 5""",
    "collected_gauge_checks": """
  (id, received_at, shop, at, bench, gauge_serial, technician, as_left, standing, result, alarm, master, master_nm,
   error_nm, standard_uncertainty_nm, max_error_nm, phase, recording_sha256, not_measured, head_sha256)
SELECT gen_random_uuid(), at, 's' || bench % {shops}, at, 'bay-' || bench, 'DI-' || bench, '', false, 'in order',
  'in order', false, 'B-1', 25000000, CAST(800 * random() AS bigint) + day * 10, 700, 4000, 1, '', '', ''
FROM generate_series(0, {benches} - 1) AS bench, generate_series(0, 26) AS day,
  LATERAL (SELECT timestamptz '{month}' + day * interval '1 day' + interval '6 h' AS at) AS morning""",
}


@contextmanager
def month_of_rows(checks: int) -> Iterator[psycopg.Connection]:
    """Make the month in a server of its own; give a connection to it. All of it is gone afterwards."""
    server = Postgres(*SETTINGS)
    try:
        server.start()
        os.environ["PGPASSFILE"] = str(server.passfile)
        engine = engine_of(DatabaseSettings(url=server.url))
        sink = Sink(engine)
        sink.open()
        now = datetime.now(UTC)
        keep_by_month(engine, now, None)
        sink.close()
        with psycopg.connect(server.url, autocommit=True) as database:
            month = month_of(now)
            told = {
                "shops": SHOPS,
                "benches": BENCHES,
                "checks": checks,
                "each": checks / BENCHES,
                "month": f"{month}Z",
            }
            database.execute(_CHECKS.format(**told))  # type: ignore[arg-type]
            for table, rows in _ROWS.items():
                begun = time.monotonic()
                part = part_of(table, month)
                for statement in (
                    f"ALTER TABLE {table} DETACH PARTITION {part}",
                    f"DROP TABLE {part}",
                    # Indexes are made by the attaching, after the rows: many times faster.
                    f"CREATE TABLE {part} (LIKE {table} INCLUDING DEFAULTS)",
                    f"INSERT INTO {part} {rows.format(**told)}",
                    f"ALTER TABLE {table} ATTACH PARTITION {part} FOR VALUES FROM ('{month}Z') TO "
                    f"(timestamptz '{month}Z' + interval '1 month')",
                    f"VACUUM ANALYZE {part}",
                ):
                    database.execute(statement)  # type: ignore[arg-type]
                ((size, count),) = database.execute(
                    f"SELECT pg_total_relation_size('{part}'), (SELECT count(*) FROM {part})"  # type: ignore[arg-type]
                ).fetchall()
                say(f"{count:>11,} rows in {part}: {size / 1e9:.2f} GB, {time.monotonic() - begun:.0f} s")
            database.execute("DROP TABLE made")
            database.execute("ANALYZE")
            yield database
    finally:
        server.close()


def questions() -> dict[str, str]:
    """Return what is asked: each query of the guide, each view whole where it is kept counted and else of one bench."""
    asked = {}
    for block in guide_blocks("collecting", "sql"):
        for part in block.split("-- ")[1:]:
            title, _, query = part.partition("\n")
            lately = re.sub(r"at >= '[\d-]+'", "at >= (SELECT max(at) - interval '1 day' FROM collected_units)", query)
            asked[f"guide: {title}"] = lately.strip().rstrip(";").replace("FW3-0118", "FW-7-3")
    for name in view_statements("postgresql"):
        asked[name] = f"SELECT * FROM {name}" + (" WHERE bench = 'bay-7'" if name in OF_CHECKS else "")
    return asked


def count(database: psycopg.Connection) -> None:
    """Count the statistics as a collector does, and say how long each takes."""
    for name in view_statements("postgresql"):
        if name not in OF_CHECKS:
            begun = time.monotonic()
            database.execute("SELECT shop_count_anew(%s)", (name,))
            say(f"{time.monotonic() - begun:9.1f} s to count {name} anew")


def main() -> int:
    """Make the rows, ask, and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--checks", type=int, default=CHECKS)
    parser.add_argument("--explain", action="store_true", help="print each plan")
    parser.add_argument("--wait", action="store_true", help="ask only once Enter is pressed")
    words = parser.parse_args()
    slow = []
    with month_of_rows(words.checks) as database:
        if words.wait:
            say(f"PGPASSFILE={os.environ['PGPASSFILE']} port {database.info.port}")
            sys.stdin.readline()
        count(database)
        database.execute("ANALYZE")
        for title, query in questions().items():
            took, rows, plan = asked(database, query)
            say(f"{took:9.1f} ms {rows:>9,} rows  {title}")
            if words.explain:
                say("\n".join(f"    {line}" for line in plan))
            if took > LONGEST_MS:
                slow.append(title)
    for title in slow:
        say(f"over {LONGEST_MS:.0f} ms: {title}")
    return 1 if slow else 0


def asked(database: psycopg.Connection, query: str) -> tuple[float, int, list[str]]:
    """Return the fastest of three times in ms, as the server tells it, how many rows there were, and the plan."""
    best, rows, plan = float("inf"), 0, [""]
    for _ in range(3):
        lines = [one[0] for one in database.execute(f"EXPLAIN (ANALYZE, TIMING OFF) {query}").fetchall()]  # type: ignore[arg-type]
        took = float(next(line for line in lines if line.startswith("Execution Time"))[16:-3])
        took += float(next(line for line in lines if line.startswith("Planning Time"))[15:-3])
        if took < best:
            best, plan = took, lines
            rows = int(lines[0].partition("(actual rows=")[2].split()[0])
        if best > 20 * LONGEST_MS:
            break
    return best, rows, plan


if __name__ == "__main__":
    sys.exit(main())
