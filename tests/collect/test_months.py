"""A collected database by month: parts made ahead and dropped, no date refused, and who may do which of it."""

from __future__ import annotations

import contextlib
import os
import shlex
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any
from uuid import uuid4

import duckdb
import pytest
import sqlalchemy as sa
from typer.testing import CliRunner

from capture.cli.main import app
from capture.collect import Counts, DatabaseSettings
from capture.collect.collector_health import collector_health
from capture.collect.database import CollectError, DatabaseAway, bring_up_to_date, engine_of
from capture.collect.events import Upkeep
from capture.collect.partitions import keep_by_month, months_due
from capture.collect.rows import Arrived
from capture.collect.schema import VERSION_TABLE, by_id, strokes
from capture.collect.sink import Sink
from capture.collect.statistics.recount import Recount
from capture.collect.statistics.views import view_statements
from capture.mqtt.messages import StrokeMessage, outgoing
from capture.plumbing.migrations import to_newest
from tests.support.fleet import wait_until
from tests.support.guide_blocks import guide_blocks
from tests.support.postgres import Postgres
from tests.support.samples import stroke_message

#: The month that the guide hands out.
_LONG_AGO = "collected_strokes_2023_10"
NOW = datetime(2026, 11, 28, 13, 0, tzinfo=UTC)
_STROKE = StrokeMessage.from_wire(stroke_message(1).payload)
STEPS = Path(sys.modules["capture.collect"].__file__ or "").parent / "migrations"


def stroke_at(at: datetime, received: datetime = NOW) -> Arrived:
    sent = outgoing(_STROKE.model_copy(update={"id": uuid4(), "at": at}))
    return Arrived(sent.topic, sent.payload.encode(), received)


@pytest.fixture
def engine(postgres: Postgres) -> Iterator[sa.Engine]:
    made = engine_of(DatabaseSettings(url=postgres.url))
    yield made
    made.dispose()


def said(engine: sa.Engine, statement: str) -> list[Any]:
    with engine.begin() as connection:
        return list(connection.exec_driver_sql(statement).scalars())


def do(engine: sa.Engine, *statements: str) -> None:
    with engine.begin() as connection:
        for one in statements:
            connection.exec_driver_sql(one)


def by_part(engine: sa.Engine) -> dict[str, int]:
    """How many strokes lie in which part."""
    rows = said(engine, "SELECT tableoid::regclass::text FROM collected_strokes")
    return {name.removeprefix("collected_strokes_"): rows.count(name) for name in sorted(set(rows))}


# -- which months are due: no database ------------------------------------------------------------------------------


def test_this_month_and_the_next_two_are_made_ahead_across_the_turn_of_the_year() -> None:
    due = months_due("t", [date(2026, 11, 1)], [], NOW, None)
    assert (due.make, due.drop) == ((date(2026, 12, 1), date(2027, 1, 1)), ())


def test_a_month_is_dropped_when_so_many_whole_months_have_passed_since() -> None:
    there = [date(2026, month, 1) for month in (7, 8, 9, 10, 11)]
    assert months_due("t", there, [], NOW, 2).drop == (date(2026, 7, 1), date(2026, 8, 1))
    assert months_due("t", there, [], NOW, 12).drop == ()


def test_a_month_that_is_due_to_be_dropped_is_not_made_for_what_lies_in_the_rest() -> None:
    late = [date(2026, 10, 1), date(2026, 3, 1), date(1970, 1, 1), date(2099, 1, 1)]
    there = [date(2026, 11, 1), date(2026, 12, 1), date(2027, 1, 1)]
    assert months_due("t", there, late, NOW, 2).make == (date(2026, 10, 1),)
    assert months_due("t", there, late, NOW, None).make == (date(2026, 3, 1), date(2026, 10, 1))


# -- PostgreSQL -----------------------------------------------------------------------------------------------------


def test_no_date_is_refused_and_what_is_early_goes_to_its_month_once_that_is_there(engine: sa.Engine) -> None:
    sink = Sink(engine)
    dates = [NOW - timedelta(days=40), NOW, datetime(1970, 1, 1, tzinfo=UTC), datetime(2099, 7, 1, tzinfo=UTC)]
    batch = [stroke_at(at) for at in dates]
    assert sink.keep(batch) == Counts(strokes=4) and by_part(engine) == {"rest": 4}
    assert keep_by_month(engine, NOW, None) == Upkeep(made=3 * len(by_id) + 1)
    assert by_part(engine) == {"2026_10": 1, "2026_11": 1, "rest": 2}
    assert sink.keep([*batch, stroke_at(NOW)]) == Counts(strokes=1, repeated=4), "each is there once, wherever it lies"
    assert keep_by_month(engine, NOW, None) == Upkeep()
    # The next months come by themselves; a month too old goes, and with it the row of 1970 that came long ago.
    later = NOW + timedelta(days=95)
    assert keep_by_month(engine, later, 2) == Upkeep(3 * len(by_id), 2 * len(by_id) + 1, 1)
    assert by_part(engine) == {"rest": 1}


def test_who_reads_while_a_month_is_made_misses_no_row(engine: sa.Engine, postgres: Postgres) -> None:
    Sink(engine).keep([stroke_at(NOW), stroke_at(NOW + timedelta(seconds=1))])
    office, onlooker = (engine_of(DatabaseSettings(url=postgres.url)) for _ in range(2))
    found: list[int] = []
    reader = threading.Thread(target=lambda: found.extend(said(office, "SELECT count(*) FROM collected_strokes")))

    def before_commit(connection: sa.Connection) -> None:
        made = connection.exec_driver_sql("SELECT to_regclass('collected_strokes_2026_11')").scalar()
        if made and reader.ident is None:  # the rows are in the month's part, which nobody else knows of yet
            reader.start()
            waiting = "SELECT count(*) FROM pg_stat_activity WHERE wait_event_type = 'Lock'"
            wait_until(lambda: said(onlooker, waiting) == [1] or not reader.is_alive())

    sa.event.listen(engine, "commit", before_commit)
    keep_by_month(engine, NOW, None)
    reader.join(60)
    office.dispose()
    onlooker.dispose()
    assert found == [2] and by_part(engine) == {"2026_11": 2}


def test_a_bench_whose_clock_is_wrong_keeps_what_it_sent_lately(database: str) -> None:
    engine = engine_of(DatabaseSettings(url=database))
    sink = Sink(engine)
    of_1970 = datetime(1970, 1, 1, tzinfo=UTC)
    long_ago = NOW - timedelta(days=100)
    sink.keep([stroke_at(of_1970), stroke_at(of_1970, received=long_ago), stroke_at(long_ago, received=long_ago)])
    assert keep_by_month(engine, NOW, None).deleted == 0
    keep_by_month(engine, NOW, 2)
    with engine.begin() as connection:
        assert connection.execute(sa.select(strokes.c.received_at)).scalars().all() == [NOW]
    engine.dispose()


@pytest.fixture
def before(empty_postgres: Postgres) -> Iterator[sa.Engine]:
    """The tables as they were before they were divided."""
    made = engine_of(DatabaseSettings(url=empty_postgres.url))
    with made.begin() as connection:
        to_newest(connection, sa.MetaData(), STEPS, VERSION_TABLE, "0009")
    yield made
    made.dispose()


def test_tables_from_before_are_divided_without_copying_and_who_may_read_them_still_may(before: sa.Engine) -> None:
    status = (
        "id, received_at, shop, at, bench, state, software_version, unit_serial, technician, indicator, "
        "messages_waiting, display_unit, measure, air, air_fault, gauge_serial, gauge_standing, gauge_text, needs, "
        "silent"
    )
    do(
        before,
        "CREATE ROLE office_before",
        "GRANT SELECT ON collected_strokes, shop_checks, shop_as_built TO office_before",
        f"INSERT INTO collected_statuses ({status}) VALUES (gen_random_uuid(), now(), '', '2026-10-02Z', 'bay-1', "
        "'online', '', '', '', '', 0, 'mm', 'peak', '', '', '', '', '', '', false)",
    )
    file = said(before, "SELECT pg_relation_filenode('collected_statuses')")
    bring_up_to_date(before)
    assert said(before, "SELECT pg_relation_filenode('collected_statuses_rest')") == file, "it is the same file"
    assert keep_by_month(before, NOW, None).made == 3 * len(by_id) + 1
    assert said(before, "SELECT bench FROM collected_statuses_2026_10") == ["bay-1"]
    for table in ("collected_strokes", "shop_checks", "shop_as_built"):
        assert said(before, f"SELECT has_table_privilege('office_before', '{table}', 'SELECT')") == [True]
    do(before, "DROP OWNED BY office_before; DROP ROLE office_before")


def test_a_view_of_the_shop_s_own_is_not_left_looking_at_the_rest_alone(before: sa.Engine) -> None:
    do(before, "CREATE VIEW own_list AS SELECT id FROM collected_units")
    with pytest.raises(CollectError, match=r"collected_units is to be divided .* own_list of your own read it"):
        bring_up_to_date(before)
    assert said(before, f"SELECT version_num FROM {VERSION_TABLE}") == ["0009"], "nothing was done"
    do(before, "DROP VIEW own_list")


def test_tables_that_a_shop_divided_itself_are_left_as_they_are(before: sa.Engine) -> None:
    views = {
        name: made
        for name, made in view_statements("postgresql", "statistics_0009.sql").items()
        if "collected_strokes" in made
    }
    do(
        before,
        *(f"DROP VIEW {name}" for name in views),
        "ALTER TABLE collected_strokes RENAME TO collected_strokes_before",
        "CREATE TABLE collected_strokes (LIKE collected_strokes_before INCLUDING DEFAULTS, PRIMARY KEY (id, at)) "
        "PARTITION BY RANGE (at)",
        "CREATE TABLE own_november PARTITION OF collected_strokes FOR VALUES FROM ('2026-11-01Z') TO ('2026-12-01Z')",
        "DROP TABLE collected_strokes_before",
        *(f"CREATE VIEW {name} AS {made}" for name, made in views.items()),
    )
    sink = Sink(before)
    assert sink.keep([stroke_at(NOW), stroke_at(NOW - timedelta(days=90))]) == Counts(strokes=2)
    assert set(said(before, "SELECT tableoid::regclass::text FROM collected_strokes")) == {
        "own_november",
        "collected_strokes_rest",
    }


@pytest.fixture
def roles(before: sa.Engine, empty_postgres: Postgres, tmp_path: Path) -> Iterator[Callable[[str], sa.Engine]]:
    """Gives the guide's roles in the database of before; then an before as one of them."""
    (given,) = [one for one in guide_blocks("many-shops", "sql") if "GRANT" in one]
    do(before, "CREATE ROLE strokelog_runs LOGIN", "CREATE ROLE office LOGIN", given)
    do(before, "ALTER ROLE office SET default_transaction_read_only = on")
    secret = tmp_path / "password"
    secret.write_text(empty_postgres.password)
    made: list[sa.Engine] = []

    def as_role(name: str) -> sa.Engine:
        do(before, f"ALTER ROLE {name} PASSWORD '{empty_postgres.password}'")
        url = empty_postgres.url.replace(f"{empty_postgres.user}@", f"{name}@")
        made.append(engine_of(DatabaseSettings(url=url, password_file=secret)))
        return made[-1]

    yield as_role
    for one in made:
        one.dispose()
    do(before, "DROP OWNED BY office, strokelog_runs; DROP ROLE office, strokelog_runs")


def migrate(url: str, *options: str, code: int = 0) -> str:
    done = CliRunner().invoke(app, ["collect", "migrate", "--database", url, *options])
    assert done.exit_code == code, done.output
    return done.output


def hand_out_as_the_guide_says(server: Postgres, part: str, folder: Path) -> None:
    """Run the guide's lines for a month that is about to be dropped: psql's as it stands, DuckDB's by its library."""
    (lines,) = [one for one in guide_blocks("many-shops", "sh") if "\\copy" in one]
    copy, make = (shlex.split(line) for line in lines.splitlines())
    there = {"db.shop.example": "127.0.0.1", "strokelog": server.database, copy[-1]: copy[-1].replace(_LONG_AGO, part)}
    password = {**os.environ, "PGPASSWORD": server.password, "PGPORT": str(server.port)}
    subprocess.run([there.get(word, word) for word in copy], check=True, env=password, cwd=folder, capture_output=True)
    assert make[:2] == ["duckdb", "-c"]
    with contextlib.chdir(folder), duckdb.connect() as asked:
        asked.execute(make[2])
        (kept,) = asked.sql("""SELECT count(*), count("at") FROM 'strokes-2023-10.parquet'""").fetchall()
    assert kept == (2, 2)


def test_by_the_guide_s_roles_the_owner_changes_tables_the_collector_rows_and_the_office_nothing(
    empty_postgres: Postgres,
    before: sa.Engine,
    roles: Callable[[str], sa.Engine],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
) -> None:
    runs, office, now = roles("strokelog_runs"), roles("office"), datetime.now(UTC)
    with pytest.raises(DatabaseAway, match=r"must be owner .* run `strokelog collect migrate` as their owner"):
        bring_up_to_date(runs)
    with pytest.raises(DatabaseAway, match=r"read-only transaction.* run `strokelog collect migrate` as their owner"):
        bring_up_to_date(office)
    tried = migrate(empty_postgres.url, "--dry-run")
    assert "CONCURRENTLY %I'" in tried and "%%" not in tried, "what is told is what the database is given"
    assert "ALTER TABLE collected_strokes RENAME TO collected_strokes_rest;" in tried
    assert said(before, f"SELECT version_num FROM {VERSION_TABLE}") == ["0009"], "nothing stays"
    bring_up_to_date(before)
    assert Sink(runs).keep([stroke_at(now)]) == Counts(strokes=1)
    assert "run `strokelog collect migrate` as the owner" in keep_by_month(runs, now, None).needs
    asked = DatabaseSettings(url=empty_postgres.url)
    (months,) = [one for one in collector_health(asked, now, lambda _: None).points if one.point == "months"]
    assert months.well is False and months.figures == {"due": 3 * len(by_id)} and "as the tables' owner" in months.says
    month = f"collected_strokes_{now:%Y_%m}"
    assert f"-- make {month}" in migrate(empty_postgres.url, "--dry-run")
    with monkeypatch.context() as environment:
        environment.setenv("PGPASSWORD", empty_postgres.password)
        as_runs = empty_postgres.url.replace(f"{empty_postgres.user}@", "strokelog_runs@")
        assert "as the owner" in migrate(as_runs, code=3), "done, but not all of it"
    assert f"{3 * len(by_id)} made, 0 dropped" in migrate(empty_postgres.url)
    points = {one.point: one for one in collector_health(asked, now, lambda _: None).points}
    assert points["months"].well and points["kept"].figures["stroke_rows"] in (0, 1), "about, until it was looked at"
    assert Sink(runs).keep([stroke_at(now)]) == Counts(strokes=1)
    assert list(by_part(before)) == [month.removeprefix("collected_strokes_")]
    assert keep_by_month(runs, now, None) == Upkeep()
    Recount(runs).run()
    assert said(office, f"SELECT count(*) FROM {month}") == [2], "a month made since"
    assert said(office, "SELECT count(*) FROM shop_checks") == [0]
    hand_out_as_the_guide_says(empty_postgres, month, tmp_path)
    for statement in (
        "DELETE FROM collected_strokes",
        "CREATE TABLE t (n int)",
        "SELECT nextval('collected_refused_number_seq')",
        "SELECT shop_count_anew('shop_as_built')",
    ):
        with pytest.raises(sa.exc.DBAPIError, match=r"permission denied|read-only"):
            said(office, statement)
