"""A database comes to the tables in use from nothing and from every schema it ever had, and keeps what is in it."""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
import sqlalchemy as sa
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory

from capture.collect import schema as collected
from capture.collect.database import bring_up_to_date, engine_of
from capture.collect.settings import DatabaseSettings
from capture.plumbing.migrations import make_first, to_newest
from capture.record import RecordError, Store, audit
from capture.record import schema as recorded
from tests.support.samples import open_job

ROOT = Path(__file__).parents[2]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "record.sqlite"


def make_as_first(connection: sa.Connection, room: str, version_table: str) -> None:
    make_first(ROOT / "capture" / room / "migrations", connection)
    connection.exec_driver_sql(f"CREATE TABLE {version_table} (version_num VARCHAR(32) NOT NULL PRIMARY KEY)")
    connection.exec_driver_sql(f"INSERT INTO {version_table} VALUES ('0001')")


def differences(connection: sa.Connection, tables: sa.MetaData, version_table: str) -> list[object]:
    opts = {"version_table": version_table, "include_name": lambda name, kind, _: not str(name).endswith("_rest")}
    return compare_metadata(MigrationContext.configure(connection, opts=opts), tables)  # a part is no table of its own


def triggers(path: Path) -> dict[str, str]:
    with closing(sqlite3.connect(path)) as connection:
        return dict(connection.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'"))


@pytest.mark.parametrize("first", [False, True], ids=["from nothing", "from the first schema"])
def test_a_record_comes_to_exactly_the_tables_in_use(path: Path, first: bool) -> None:
    engine = sa.create_engine(f"sqlite:///{path}")
    if first:
        with engine.begin() as connection:
            make_as_first(connection, "record", "alembic_version")
    Store.open(path).close()
    with engine.begin() as connection:
        assert differences(connection, recorded.metadata, "alembic_version") == []
        assert connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalar() == recorded.REVISIONS[-1]
    engine.dispose()
    assert sorted(triggers(path)) == [
        "ledger_in_order", "ledger_no_delete", "ledger_no_update", "strokes_no_delete", "strokes_no_update",
        "verdicts_no_delete", "verdicts_no_update",
    ]  # fmt: skip


@pytest.mark.parametrize("first", [False, True], ids=["from nothing", "from the first schema"])
def test_a_collector_s_database_comes_to_exactly_the_tables_in_use(empty_database: str, first: bool) -> None:
    table, engine = collected.VERSION_TABLE, engine_of(DatabaseSettings(url=empty_database))
    if first:
        with engine.begin() as connection:
            make_as_first(connection, "collect", table)
    bring_up_to_date(engine)
    with engine.begin() as connection:
        assert differences(connection, collected.metadata, table) == []
        version = connection.exec_driver_sql(f"SELECT version_num FROM {table}").scalar()
    assert version == collected.REVISIONS[-1]
    engine.dispose()


@pytest.mark.parametrize(
    ("room", "known"), [("record", recorded.REVISIONS), ("collect", collected.REVISIONS)], ids=["record", "collect"]
)
def test_the_versions_that_are_known_are_the_steps_there_are(room: str, known: tuple[str, ...]) -> None:
    config = Config()
    config.set_main_option("script_location", str(ROOT / "capture" / "plumbing" / "migrations"))
    config.set_main_option("version_locations", str(ROOT / "capture" / room / "migrations"))
    config.set_main_option("path_separator", "newline")
    steps = [script.revision for script in ScriptDirectory.from_config(config).walk_revisions()]
    assert tuple(reversed(steps)) == known


#: A later step as one is written: a column, and what it says of rows from before.
LATER = """
import sqlalchemy as sa
from alembic import op
revision = "9999"
down_revision = "NEWEST"
def upgrade() -> None:
    op.add_column("jobs", sa.Column("fleet_number", sa.Text, nullable=False, server_default=""))
    op.execute("UPDATE jobs SET fleet_number = 'F-' || unit_serial")
"""


def later_steps(room: str, folder: Path, newest: str, step: str = LATER) -> Path:
    """The steps of a version that has one more."""
    shutil.copytree(ROOT / "capture" / room / "migrations", folder)
    (folder / "r9999.py").write_text(step.replace("NEWEST", newest))
    return folder


@pytest.fixture
def later(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A strokelog that knows one schema more: the folder of its steps."""
    known = recorded.REVISIONS
    steps = later_steps("record", tmp_path / "steps of a later version%", known[-1])
    monkeypatch.setattr("capture.record.database.REVISIONS", (*known, "9999"))
    for room in ("database", "definitions"):
        monkeypatch.setattr(f"capture.record.{room}.STEPS", steps)
    return steps


def serials(path: Path) -> list[tuple[str, str]]:
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute("SELECT unit_serial, fleet_number FROM jobs").fetchall()


def test_a_record_of_an_earlier_version_goes_on_with_all_it_holds(path: Path, request: pytest.FixtureRequest) -> None:
    with Store.open(path) as store:
        job = open_job(store)
        kept = store.job(job)
    before = audit(path).head
    request.getfixturevalue("later")
    with pytest.raises(RecordError, match=r"has schema .* and must be brought up to 9999 first; `strokelog jobs`"):
        Store.open_to_read(path)
    with Store.open(path) as store:
        assert store.job(job) == kept
    assert serials(path) == [(kept.unit_serial, f"F-{kept.unit_serial}")]
    with Store.open_to_read(path) as store:
        assert store.job(job) == kept
    with closing(sqlite3.connect(path)) as connection:
        newest = connection.execute("SELECT number, sha256 FROM ledger ORDER BY number DESC LIMIT 1").fetchone()
    assert newest == before


def test_a_step_that_fails_leaves_the_record_as_it_was(path: Path, request: pytest.FixtureRequest) -> None:
    with Store.open(path) as store:
        open_job(store)
    whole = path.read_bytes()
    steps = request.getfixturevalue("later")
    (steps / "r9999.py").write_text(
        f"{LATER.replace('NEWEST', recorded.REVISIONS[-1])}    op.execute('no such words')\n"
    )
    with pytest.raises(RecordError, match="syntax error"):
        Store.open(path)
    assert path.read_bytes() == whole


def test_a_collector_s_database_takes_a_later_step(database: str, tmp_path: Path) -> None:
    engine = engine_of(DatabaseSettings(url=database))
    bring_up_to_date(engine)
    step = LATER.replace('"jobs"', '"collected_units"').replace("UPDATE jobs", "UPDATE collected_units")
    steps = later_steps("collect", tmp_path / "steps", collected.REVISIONS[-1], step)
    with engine.begin() as connection:
        to_newest(connection, collected.metadata, steps, collected.VERSION_TABLE)
    with engine.begin() as connection:
        assert "fleet_number" in [one["name"] for one in sa.inspect(connection).get_columns("collected_units")]
        assert connection.exec_driver_sql(f"SELECT version_num FROM {collected.VERSION_TABLE}").scalar() == "9999"
    engine.dispose()


@pytest.mark.parametrize("room", ["record", "collect"])
def test_no_step_has_a_name_that_a_trial_used(room: str) -> None:
    kept = recorded if room == "record" else collected
    assert not set(kept.REVISIONS) & set(kept.TRIALS)
    names = {one.name[:5] for one in (ROOT / "capture" / room / "migrations").glob("r*.py")}
    assert names == {f"r{revision}" for revision in kept.REVISIONS}


def set_version(path: Path, version: str) -> None:
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE alembic_version SET version_num = ?", (version,))


@pytest.mark.parametrize(
    ("version", "words"),
    [("9999", r"was written by a newer strokelog .* install that version"), ("0004", r"by a trial of strokelog")],
    ids=["a newer version's", "a trial's"],
)
def test_a_record_that_this_version_does_not_know_is_refused_in_words_and_left_alone(
    path: Path, version: str, words: str
) -> None:
    Store.open(path).close()
    set_version(path, version)
    whole = path.read_bytes()
    for refused in (Store.open, Store.open_to_read):
        with pytest.raises(RecordError, match=words):
            refused(path)
    with pytest.raises(RecordError, match="a newer one needs a newer strokelog"):
        audit(path)
    assert path.read_bytes() == whole


def test_no_step_is_taken_on_tables_it_was_not_written_for(path: Path, request: pytest.FixtureRequest) -> None:
    Store.open(path).close()
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("ALTER TABLE checks DROP COLUMN origin")
    whole = path.read_bytes()
    request.getfixturevalue("later")
    with pytest.raises(RecordError, match="and has not: the SQL of the table checks"):
        Store.open(path)
    assert path.read_bytes() == whole
