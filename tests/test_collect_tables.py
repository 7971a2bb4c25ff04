"""What the collector writes into SQLite and PostgreSQL, what it refuses, and how it is let in."""

from __future__ import annotations

import socket
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from postgres import Postgres
from samples import stroke_message, verdict_message

from capture.collect import CollectSettings, Counts, DatabaseSettings, load_settings
from capture.collect.database import CollectError, DatabaseAway, engine_of
from capture.collect.rows import LONGEST_PAYLOAD, Arrived
from capture.collect.schema import REVISIONS, VERSION_TABLE, metadata, refused, strokes, verdicts
from capture.collect.sink import REFUSED_KEPT, Sink, insert_anywhere
from capture.config import ConfigError
from capture.messages import StrokeMessage, VerdictMessage

NOW = datetime(2025, 11, 25, 9, 7, 31, 250_000, tzinfo=UTC)


def arrived(message: Any, **changes: Any) -> Arrived:
    words: dict[str, Any] = {"topic": message.topic, "payload": message.payload.encode(), "at": NOW}
    return Arrived(**(words | changes))


def rows(sink: Sink, table: sa.Table) -> list[sa.Row[Any]]:
    with sink._engine.begin() as connection:
        return list(connection.execute(sa.select(table)))


def sink_on(url: str, **words: Any) -> Sink:
    return Sink(engine_of(DatabaseSettings(url=url)), **words)


def test_strokes_and_verdicts_come_back_exactly(database: str) -> None:
    sink = sink_on(database)
    stroke, verdict = stroke_message(1), verdict_message()
    assert sink.keep([arrived(stroke, shop="north"), arrived(verdict)]) == Counts(strokes=1, verdicts=1)
    (kept,) = rows(sink, strokes)
    said = StrokeMessage.from_wire(stroke.payload)
    assert (kept.shop, kept.received_at, kept.more) == ("north", NOW, None)
    for name in set(StrokeMessage.model_fields) - {"schema_version", "id", "job", "flags"}:
        assert getattr(kept, name) == getattr(said, name), name
    assert (kept.id, kept.job, kept.flags) == (str(said.id), str(said.job), list(said.flags))
    (kept,) = rows(sink, verdicts)
    judged = VerdictMessage.from_wire(verdict.payload)
    assert (kept.verdict, kept.dof, kept.mean_nm) == (judged.verdict, judged.dof, judged.mean_nm)
    assert kept.budget == [line.model_dump() for line in judged.budget]
    sink.close()


def test_the_schema_is_what_the_migrations_make(database: str) -> None:
    from alembic.autogenerate import compare_metadata
    from alembic.migration import MigrationContext

    sink = sink_on(database)
    sink.open()
    with sink._engine.begin() as connection:
        context = MigrationContext.configure(connection, opts={"version_table": VERSION_TABLE})
        assert compare_metadata(context, metadata) == []
        assert connection.execute(sa.text(f"SELECT version_num FROM {VERSION_TABLE}")).scalar() == REVISIONS[-1]
    sink.close()


@pytest.mark.parametrize("way", [None, insert_anywhere], ids=["its own way", "plain SQL"])
def test_a_message_that_comes_again_is_there_once(database: str, way: Any) -> None:
    sink = sink_on(database, insert_new=way)
    first = [arrived(stroke_message(n)) for n in range(1, 4)]
    assert sink.keep([*first, first[0]]) == Counts(strokes=3, repeated=1)
    another = arrived(stroke_message(4))
    assert sink.keep([*first, another]) == Counts(strokes=1, repeated=3)
    assert sorted(row.n for row in rows(sink, strokes)) == [1, 2, 3, 4]
    sink.close()


def test_what_a_newer_bench_adds_is_kept(database: str) -> None:
    sink = sink_on(database)
    message = stroke_message(1)
    payload = message.payload.removesuffix("}") + ',"oil_temperature_mk":318150}'
    sink.keep([arrived(message, payload=payload.encode())])
    assert rows(sink, strokes)[0].more == {"oil_temperature_mk": 318150}
    sink.close()


def test_what_is_no_message_is_put_aside_with_the_reason(database: str) -> None:
    good, other = stroke_message(1), stroke_message(2)
    wrong = {
        "Invalid JSON": arrived(good, payload=b"\xff\x00{"),
        "Field required": arrived(good, payload=b"{}"),
        "it is empty": arrived(good, payload=b""),
        f"expected at most {LONGEST_PAYLOAD}": arrived(good, payload=b" " * (LONGEST_PAYLOAD + 1)),
        "the topic ends with 'weather'": arrived(good, topic="strokelog/v1/bench 4/weather"),
        "its topic has no strokelog/v1": arrived(good, topic="elsewhere/stroke"),
        # A broker's access list binds the topic to the bench, so the payload must not name another.
        "it belongs to 'strokelog/v1/bench 4/": arrived(good, topic="strokelog/v1/bench 5/C1%2FC2 forward/stroke"),
        "schema_version": arrived(
            good, payload=good.payload.replace('"schema_version":1', '"schema_version":2').encode()
        ),
        "n is 9223372036854775808, which has more than 64 bits": arrived(
            good, payload=good.payload.replace('"n":1,', f'"n":{2**63},').encode()
        ),
        "it holds NaN": arrived(good, payload=(good.payload.removesuffix("}") + ',"x":NaN}').encode()),
        "it holds a NUL character": arrived(
            good, payload=(good.payload.removesuffix("}") + ',"x":"a\\u0000"}').encode()
        ),
        # The earliest time of all, further east: in UTC it is before the year 1.
        "date value out of range": arrived(
            good, payload=good.payload.replace("2025-11-25T09:07:30.120000Z", "0001-01-01T00:00:00+14:00").encode()
        ),
    }
    sink = sink_on(database)
    counts = sink.keep([arrived(good), *wrong.values(), arrived(other)])
    assert counts == Counts(strokes=2, refused=len(wrong))
    kept = rows(sink, refused)
    assert len(kept) == len(wrong)
    for reason, row in zip(wrong, kept, strict=True):
        assert reason in row.reason
    assert sink.keep(list(wrong.values())) == Counts(repeated=len(wrong))
    assert max(len(row.payload) for row in kept) == 4096
    sink.close()


def test_a_row_only_the_database_refuses_does_not_hold_up_the_others(database: str) -> None:
    sink = sink_on(database)
    sink.open()
    with sink._engine.begin() as connection:
        # A shop's own rule on its own table, which no check of ours can know.
        table = strokes.name
        if connection.dialect.name == "postgresql":
            connection.execute(sa.text(f"ALTER TABLE {table} ADD CHECK (n <> 3)"))
        else:
            rule = f"CREATE TRIGGER rule BEFORE INSERT ON {table} WHEN NEW.n = 3 BEGIN SELECT RAISE(ABORT, 'rule'); END"
            connection.execute(sa.text(rule))
    batch = [arrived(stroke_message(n)) for n in range(1, 8)]
    assert sink.keep(batch) == Counts(strokes=6, refused=1)
    assert "the database refused it" in rows(sink, refused)[0].reason
    assert sink.keep(batch) == Counts(repeated=7)
    sink.close()


def test_rubbish_does_not_fill_the_disk(tmp_path: Path) -> None:
    sink = sink_on(f"sqlite:///{tmp_path}/collect.sqlite")
    rubbish = [Arrived(f"strokelog/v1/b/p/{n}", b"?", NOW) for n in range(REFUSED_KEPT + 500)]
    sink.keep(rubbish[:9000])
    sink.keep(rubbish[9000:])
    kept = [row.topic for row in rows(sink, refused)]
    assert kept == [one.topic for one in rubbish[500:]]
    sink.close()


def test_a_newer_schema_is_left_alone(database: str) -> None:
    sink = sink_on(database)
    sink.open()
    with sink._engine.begin() as connection:
        connection.execute(sa.text(f"UPDATE {VERSION_TABLE} SET version_num = '9999'"))
    newer = sink_on(database)
    with pytest.raises(CollectError, match="newer collector"):
        newer.keep([arrived(stroke_message(1))])
    newer.close()
    sink.close()


def test_a_table_partitioned_by_time_takes_strokes_just_the_same(postgres: Postgres) -> None:
    sink = sink_on(postgres.url)
    sink.open()
    with sink._engine.begin() as connection:  # as the developers' page says
        for statement in (
            "ALTER TABLE collected_strokes RENAME TO collected_strokes_before",
            "CREATE TABLE collected_strokes (LIKE collected_strokes_before INCLUDING DEFAULTS, PRIMARY KEY (id, at)) "
            "PARTITION BY RANGE (at)",
            "CREATE TABLE collected_strokes_2025_11 PARTITION OF collected_strokes "
            "FOR VALUES FROM ('2025-11-01Z') TO ('2025-12-01Z')",
            "CREATE TABLE collected_strokes_rest PARTITION OF collected_strokes DEFAULT",
        ):
            connection.execute(sa.text(statement))
    batch = [arrived(stroke_message(n)) for n in range(1, 4)]
    assert sink.keep(batch) == Counts(strokes=3)
    assert sink.keep(batch) == Counts(repeated=3)
    with sink._engine.begin() as connection:
        assert connection.execute(sa.text("SELECT count(*) FROM collected_strokes_2025_11")).scalar() == 3
        connection.execute(sa.text("DROP TABLE collected_strokes_before"))
    sink.close()


def test_collectors_that_start_together_agree_on_one_schema(postgres: Postgres) -> None:
    from concurrent.futures import ThreadPoolExecutor

    sinks = [sink_on(postgres.url) for _ in range(4)]
    with ThreadPoolExecutor(4) as threads:
        list(threads.map(Sink.open, sinks))
    for sink in sinks:
        sink.close()


def test_the_password_of_the_database_comes_from_a_file(
    postgres: Postgres, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    secret = tmp_path / "password"
    secret.write_text("wrong\n")
    monkeypatch.delenv("PGPASSFILE")
    sink = Sink(engine_of(DatabaseSettings(url=postgres.url, password_file=secret)))
    with pytest.raises(DatabaseAway, match="password authentication failed") as refusal:
        sink.open()
    assert "wrong" not in str(refusal.value)
    secret.write_text(postgres.password + "\n")
    sink.open()
    sink.close()
    secret.unlink()
    with pytest.raises(DatabaseAway, match="cannot read the database's password_file"):
        Sink(engine_of(DatabaseSettings(url=postgres.url, password_file=secret))).open()
    monkeypatch.setenv("PGPASSFILE", str(postgres.passfile))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('[database]\nurl = "postgresql://me:secret@db/x"', "holds no password"),
        ('[database]\nurl = "postgresql://me@db/x?password=secret"', "holds no password"),
        ('[database]\nurl = "nonsense secret"', "no database address"),
        ('[database]\nurl = "sqlite://"', "keeps nothing"),
        ('[database]\npassword = "secret"', "database.password: is no setting; there are: url, password_file"),
        ('[[brokers]]\nurl = "mqtt://h"\nprefixes = ["a/#"]', "no place before strokelog/v1"),
        ('[[brokers]]\nurl = "mqtt://h"\nprefixes = []', "nothing would be collected"),
        ('[[brokers]]\nurl = "mqtt://me:secret@h"', "username and password_file"),
        ('[[brokers]]\nurl = "mqtt://h"\n[[brokers]]\nurl = "mqtt://h:1883"', "there twice"),
        ('share = "a/b"', "no name of a group"),
        ("name = 3", "name: Input should be a valid string"),
        ("name =", "no TOML"),
        ("", "no broker; give --broker"),
    ],
)
def test_settings_say_what_is_wrong(tmp_path: Path, text: str, words: str) -> None:
    config = tmp_path / "collect.toml"
    config.write_text(text)
    with pytest.raises(ConfigError, match=words) as error:
        load_settings(config)
    assert "secret" not in str(error.value)


def test_the_command_line_wins_and_keeps_the_logins_of_the_file(tmp_path: Path) -> None:
    config = tmp_path / "collect.toml"
    config.write_text(
        '[database]\npassword_file = "db"\n[[brokers]]\nurl = "mqtt://h"\nusername = "u"\npassword_file = "b"\n'
    )
    settings = load_settings(
        config, brokers=["mqtt://h"], prefixes=["north"], database="postgresql://me@db/x", share="all"
    )
    assert settings.brokers[0].password_file == Path("b")
    assert settings.brokers[0].filters[0] == "north/strokelog/v1/+/status"
    assert settings.database.password_file == Path("db")
    assert settings.database.address.drivername == "postgresql+psycopg"
    assert settings.name == socket.gethostname()
    assert CollectSettings().database.url.startswith("sqlite:///")
