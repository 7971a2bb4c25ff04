"""The collector against a real broker and real databases: every stroke there once, whatever happens to any of them."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from broker import Mosquitto, free_port
from collector_storm import DURABLE, compare, storm
from fleet import CollectorProcess, Shop, count_strokes, wait_until
from postgres import Postgres
from samples import stroke_message, verdict_message

from capture.collect import CollectSettings, Counts, DatabaseSettings, load_settings
from capture.collect.database import CollectError, DatabaseAway, engine_of
from capture.collect.rows import LONGEST_PAYLOAD, Arrived
from capture.collect.schema import REVISIONS, VERSION_TABLE, metadata, refused, strokes, verdicts
from capture.collect.sink import REFUSED_KEPT, Sink, insert_anywhere
from capture.config import ConfigError
from capture.messages import StrokeMessage, VerdictMessage

ROOT = Path(__file__).resolve().parent.parent
NOW = datetime(2025, 11, 25, 9, 7, 31, 250_000, tzinfo=UTC)
Start = Callable[..., CollectorProcess]


@pytest.fixture(scope="module")
def server() -> Iterator[Postgres]:
    server = Postgres()
    server.start()
    yield server
    server.close()


@pytest.fixture
def postgres(server: Postgres, monkeypatch: pytest.MonkeyPatch) -> Iterator[Postgres]:
    """The server, with an empty database."""
    server.start()
    monkeypatch.setenv("PGPASSFILE", str(server.passfile))
    yield server
    server.start()
    engine = engine_of(DatabaseSettings(url=server.url))
    with engine.begin() as connection:
        metadata.drop_all(connection)
        connection.execute(sa.text(f"DROP TABLE IF EXISTS {VERSION_TABLE}"))
    engine.dispose()


@pytest.fixture(params=["sqlite", "postgresql"])
def database(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The address of an empty database, of each kind."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path}/collect.sqlite"
    return str(request.getfixturevalue("postgres").url)


@pytest.fixture
def start() -> Iterator[Start]:
    """Starts collectors, and ends those that still run."""
    running: list[CollectorProcess] = []

    def begin(*words: Any, **options: Any) -> CollectorProcess:
        running.append(CollectorProcess(*words, **options))
        return running[-1]

    yield begin
    for one in running:
        if one.process.poll() is None:
            one.kill()


@pytest.fixture
def durable(mosquitto: Mosquitto) -> Mosquitto:
    """A broker that saves every second, which is sooner than benches forget what it acknowledged."""
    mosquitto.stop()
    mosquitto.lines += DURABLE
    mosquitto.start()
    return mosquitto


@pytest.fixture
def make_shop() -> Iterator[Callable[..., Shop]]:
    shops: list[Shop] = []

    def make(*words: Any, **options: Any) -> Shop:
        shops.append(Shop(*words, **options))
        return shops[-1]

    yield make
    for shop in shops:
        shop.close()


def arrived(message: Any, **changes: Any) -> Arrived:
    words: dict[str, Any] = {"topic": message.topic, "payload": message.payload.encode(), "at": NOW}
    return Arrived(**(words | changes))


def rows(sink: Sink, table: sa.Table) -> list[sa.Row[Any]]:
    with sink._engine.begin() as connection:
        return list(connection.execute(sa.select(table)))


def sink_on(url: str, **words: Any) -> Sink:
    return Sink(engine_of(DatabaseSettings(url=url)), **words)


# --- What the tables hold


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


# --- Broker, collector and database, each killed


def test_everything_a_shop_publishes_arrives(
    durable: Mosquitto, database: str, start: Start, make_shop: Callable[..., Shop]
) -> None:
    shop = make_shop(durable.port, benches=10)
    collector = start(durable.port, database)
    collector.wait_up()
    for bench in range(10):
        shop.report(bench)
        shop.apply(bench)
        shop.judge(bench)
    wait_until(lambda: count_strokes(database) == 10)
    # A clean stop: what was committed was acknowledged, so the next one is given nothing twice.
    counts = collector.stop()
    assert collector.process.returncode == 0
    shop.wait_acknowledged()
    for bench in range(10):
        shop.apply(bench)  # while it is away
    shop.wait_acknowledged()
    again = start(durable.port, database)
    wait_until(lambda: count_strokes(database) == 20)
    more = again.stop()
    assert counts["strokes"] + more["strokes"] == 20
    assert counts["verdicts"] + more["verdicts"] == 10
    assert counts["statuses"] + more["statuses"] == 10
    # Retained verdicts and statuses come again at every subscription; strokes do not.
    assert more["repeated"] <= counts["verdicts"] + counts["statuses"]
    assert compare(shop.sent, database).well


@pytest.mark.parametrize("seed", [3])
def test_a_collector_killed_at_random_moments_loses_nothing(durable: Mosquitto, database: str, seed: int) -> None:
    outcome = storm("collector", 3, durable, database, None, seed=seed, within_s=0.9)
    assert outcome.well, outcome


def test_a_broker_killed_at_random_moments_loses_nothing(durable: Mosquitto, tmp_path: Path) -> None:
    outcome = storm("broker", 3, durable, f"sqlite:///{tmp_path}/collect.sqlite", None, seed=5, within_s=0.9)
    assert outcome.well, outcome


def test_nothing_is_acknowledged_before_it_is_committed(
    durable: Mosquitto, postgres: Postgres, start: Start, make_shop: Callable[..., Shop]
) -> None:
    shop = make_shop(durable.port, benches=5)
    first = start(durable.port, postgres.url)
    first.wait_up()
    postgres.stop()
    for n in range(40):
        shop.apply(n % 5)
    shop.wait_acknowledged()
    wait_until(lambda: first.link("database")["state"] == "down")
    words = first.link("database")["reason"]
    assert "the brokers keep what arrives" in words
    first.kill()  # it had taken them all, and could write none
    postgres.start()
    start(durable.port, postgres.url)
    wait_until(lambda: count_strokes(postgres.url) == 40)
    assert compare(shop.sent, postgres.url).well


def test_a_database_that_comes_back_is_caught_up(
    durable: Mosquitto, postgres: Postgres, start: Start, make_shop: Callable[..., Shop]
) -> None:
    shop = make_shop(durable.port, benches=5)
    postgres.stop()
    collector = start(durable.port, postgres.url)  # also while starting
    wait_until(lambda: collector.link("database")["state"] == "down")
    for again in (False, True):
        if again:
            postgres.stop()
        for n in range(20):
            shop.apply(n % 5)
        postgres.start()
        wait_until(lambda: count_strokes(postgres.url) == len(shop.sent))
    assert compare(shop.sent, postgres.url).well
    assert postgres.password not in collector.errors + str(collector.lines)


def test_two_collectors_share_the_load(
    durable: Mosquitto, postgres: Postgres, start: Start, make_shop: Callable[..., Shop]
) -> None:
    shop = make_shop(durable.port, benches=10)
    pair = [start(durable.port, postgres.url, "--share", "shop", name=f"c{n}") for n in (1, 2)]
    for one in pair:
        one.wait_up()
    with shop.applying(400):
        wait_until(lambda: count_strokes(postgres.url) > 100)
        pair[0].kill()
        before = len(shop.sent)
        wait_until(lambda: len(shop.sent) > before + 100)
        pair[0] = start(durable.port, postgres.url, "--share", "shop", name="c1")
        pair[0].wait_up()
    shop.wait_acknowledged()
    wait_until(lambda: count_strokes(postgres.url) == len(shop.sent))
    assert compare(shop.sent, postgres.url).well
    for one in pair:
        counts = one.stop()
        assert counts["strokes"] > 20  # each had its part


def test_a_member_that_leaves_takes_its_part_and_is_forgotten(
    mosquitto: Mosquitto, tmp_path: Path, start: Start, make_shop: Callable[..., Shop]
) -> None:
    database = f"sqlite:///{tmp_path}/collect.sqlite"
    pair = [start(mosquitto.port, database, "--share", "shop", name=f"c{n}") for n in (1, 2)]
    for one in pair:
        one.wait_up()
    pair[1].stop()
    shop = make_shop(mosquitto.port, benches=10)
    for n in range(20):
        shop.apply(n % 10)
    shop.wait_acknowledged()
    leaving = start(mosquitto.port, database, "--share", "shop", "--leave", name="c2")
    assert leaving.process.wait(20) == 0
    for n in range(20):
        shop.apply(n % 10)
    wait_until(lambda: count_strokes(database) == 40)  # none of the second twenty waits for one that is gone
    leaving.stop()
    assert leaving.lines[-1]["strokes"] > 0
    assert compare(shop.sent, database).well


def test_shops_behind_several_brokers_and_prefixes_are_told_apart(
    mosquitto: Mosquitto, tmp_path: Path, start: Start, make_shop: Callable[..., Shop]
) -> None:
    folder = tmp_path / "other"
    folder.mkdir()
    other = Mosquitto(folder)
    other.start()
    database = f"sqlite:///{tmp_path}/new folder/collect.sqlite"
    config = tmp_path / "collect.toml"
    config.write_text(
        f'name = "office"\n[database]\nurl = "{database}"\n'
        f'[[brokers]]\nurl = "mqtt://127.0.0.1:{mosquitto.port}"\nprefixes = ["+"]\n'
        f'[[brokers]]\nurl = "mqtt://127.0.0.1:{other.port}"\nshop = "west"\n'
    )
    collector = CollectorProcess(0, database, "--config", str(config))
    try:
        wait_until(lambda: sum(line.get("state") == "up" for line in collector.lines) == 3)  # brokers and database
        for port, prefix in ((mosquitto.port, "north"), (mosquitto.port, "south"), (other.port, "")):
            make_shop(port, benches=1, prefix=prefix).apply(0)
        wait_until(lambda: count_strokes(database) == 3)
    finally:
        collector.stop()
        other.stop()
    sink = sink_on(database)
    assert sorted(row.shop for row in rows(sink, strokes)) == ["north", "south", "west"]
    sink.close()


def test_a_message_the_broker_should_not_have_let_through_stops_nothing(
    mosquitto: Mosquitto, tmp_path: Path, start: Start, make_shop: Callable[..., Shop]
) -> None:
    database = f"sqlite:///{tmp_path}/collect.sqlite"
    collector = start(mosquitto.port, database)
    collector.wait_up()
    shop = make_shop(mosquitto.port, benches=1)
    publish = ["mosquitto_pub", "-h", "127.0.0.1", "-p", str(mosquitto.port), "-q", "1", "-t"]
    subprocess.run([*publish, "strokelog/v1/bay-1/low/stroke", "-m", "no JSON"], check=True)
    # Longer than the collector lets the broker send: the broker drops it, and goes on.
    subprocess.run([*publish, "strokelog/v1/bay-1/low/stroke", "-s"], input=b"x" * 200_000, check=True)
    shop.apply(0)
    wait_until(lambda: count_strokes(database) == 1)
    counts = collector.stop()
    assert (counts["strokes"], counts["refused"]) == (1, 1)


# --- As a service


def test_the_unit_is_right_and_hardened(tmp_path: Path) -> None:
    unit = ROOT / "systemd" / "strokelog-collect.service"
    copy = tmp_path / unit.name  # systemd-analyze asks that the program exists, which it does not here
    copy.write_text(unit.read_text().replace("/usr/bin/strokelog", shutil.which("true") or "/bin/true"))
    done = subprocess.run(["systemd-analyze", "verify", str(copy)], capture_output=True, text=True)
    assert [line for line in (done.stdout + done.stderr).splitlines() if "strokelog" in line] == []
    command = ["systemd-analyze", "security", "--offline=true", str(unit)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    level = next(line for line in done.stdout.splitlines() if "Overall exposure level" in line)
    assert float(level.split(":")[1].split()[0]) < 2


def test_a_service_manager_is_told(mosquitto: Mosquitto, tmp_path: Path, start: Start) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(10)
        collector = start(mosquitto.port, f"sqlite:///{tmp_path}/c.sqlite", NOTIFY_SOCKET=str(tmp_path / "notify"))
        assert manager.recv(1000) == b"READY=1"
        collector.wait_up()
        collector.stop()
        told = []
        while not told or told[-1] != b"STOPPING=1":
            told.append(manager.recv(1000))
        assert any(one.startswith(b"STATUS=broker") and one.endswith(b" up") for one in told)


# --- Settings, words and secrets


def test_the_password_of_the_database_comes_from_a_file(server: Postgres, postgres: Postgres, tmp_path: Path) -> None:
    secret = tmp_path / "password"
    secret.write_text("wrong\n")
    os.environ.pop("PGPASSFILE")
    sink = Sink(engine_of(DatabaseSettings(url=server.url, password_file=secret)))
    with pytest.raises(DatabaseAway, match="password authentication failed") as refusal:
        sink.open()
    assert "wrong" not in str(refusal.value)
    secret.write_text(server.password + "\n")
    sink.open()
    sink.close()
    secret.unlink()
    with pytest.raises(DatabaseAway, match="cannot read the database's password_file"):
        Sink(engine_of(DatabaseSettings(url=server.url, password_file=secret))).open()
    os.environ["PGPASSFILE"] = str(server.passfile)


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


def test_a_broker_that_is_away_is_told_in_words(tmp_path: Path, start: Start) -> None:
    collector = start(free_port(), f"sqlite:///{tmp_path}/collect.sqlite")
    wait_until(lambda: collector.link("broker")["state"] == "down")
    assert "Connection refused; check that it runs" in collector.link("broker")["reason"]
    assert collector.stop() == {"type": "counts", **dict.fromkeys(Counts.__dataclass_fields__, 0)}


def test_a_second_collector_of_the_same_name_is_told(mosquitto: Mosquitto, tmp_path: Path, start: Start) -> None:
    database = f"sqlite:///{tmp_path}/collect.sqlite"
    first = start(mosquitto.port, database)
    first.wait_up()
    start(mosquitto.port, database)
    wait_until(lambda: any("no other collector has this one's name" in line.get("reason", "") for line in first.lines))


def test_a_wrong_word_ends_the_command_at_once() -> None:
    command = [
        sys.executable,
        "-m",
        "capture.cli",
        "collect",
        "--broker",
        "mqtt://h",
        "--database",
        "postgresql://a:b@h/d",
    ]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 2
    assert "holds no password" in done.stderr
    assert "a:b" not in done.stderr
