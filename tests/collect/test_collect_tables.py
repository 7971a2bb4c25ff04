"""What the collector writes into SQLite and PostgreSQL, what it refuses, and how it is let in."""

from __future__ import annotations

import socket
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
import sqlalchemy as sa

from capture.collect import CollectSettings, Counts, DatabaseSettings, load_settings
from capture.collect.database import CollectError, DatabaseAway, engine_of
from capture.collect.rows import LONGEST_PAYLOAD, Arrived
from capture.collect.schema import VERSION_TABLE, gauge_checks, refused, strokes, units, verdicts
from capture.collect.signed_off import SignedElsewhere, signed_elsewhere
from capture.collect.sink import REFUSED_KEPT, Sink, insert_anywhere
from capture.config import ConfigError
from capture.mqtt.messages import (
    PackMessage,
    RemarkMessage,
    StrokeMessage,
    UnitMessage,
    VerdictMessage,
    outgoing,
)
from capture.mqtt.topics import unit_topic
from tests.support.guide_blocks import guide_blocks
from tests.support.postgres import Postgres
from tests.support.samples import JOB, gauge_message, stroke_message, verdict_message

NOW = datetime(2025, 11, 25, 9, 7, 31, 250_000, tzinfo=UTC)


def arrived(message: Any, **changes: Any) -> Arrived:
    words: dict[str, Any] = {"topic": message.topic, "payload": message.payload.encode(), "at": NOW}
    return Arrived(**(words | changes))


LEAKS = [{"code": "leak", "text": "The seal leaks."}]


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


def test_a_row_answers_for_which_sheet_who_with_what_and_at_which_attempt(database: str) -> None:
    sink = sink_on(database)
    about = {
        "sheet_name": "Forwarder 6-speed", "sheet_revision": "C", "technician": "Tech 12", "gauge_serial": "DI-0413",
        "gauge_standing": "in order", "attempt": 2,
    }  # fmt: skip
    stroke = StrokeMessage.from_wire(stroke_message(1).payload).model_copy(update={**about, "outcome": "counted"})
    change = {"changed_part": "snap ring", "changed_from_nm": 2_000_000, "changed_to_nm": 2_100_000}
    judged = VerdictMessage.from_wire(verdict_message().payload).model_copy(
        update={**about, "outcome": "As predicted.", "predicted_nm": 1_100_000, "as_predicted": True, **change}
    )
    word = UnitMessage(
        at=NOW, bench="bench 4", job=JOB, unit_serial="FW3-0118", packs=(), steps=0, steps_closed=0, against=("a", "b"),
        against_codes=("unchecked", "begun"), **{**about, "outcome": "open"},
    )  # fmt: skip
    sink.keep([arrived(outgoing(one)) for one in (stroke, judged, word)] + [arrived(gauge_message(alarm=True))])
    found = [rows(sink, table)[0] for table in (strokes, verdicts, units)]
    for row in found:
        assert {name: getattr(row, name) for name in about} == about and row.more is None
    assert [row.outcome for row in found] == ["counted", "As predicted.", "open"]
    assert found[2].against_codes == ["unchecked", "begun"]
    assert {name: getattr(found[1], name) for name in change} == change and found[1].predicted_nm == 1_100_000
    (checked,) = rows(sink, gauge_checks)
    assert (checked.gauge_serial, checked.error_nm, checked.alarm, checked.master) == ("DI-0413", 2_400, True, "B-1")
    sink.close()


def test_how_a_unit_stands_is_collected_up_to_its_sign_off(database: str) -> None:
    told: dict[str, Any] = {"at": NOW, "bench": "bench 4", "job": JOB, "unit_serial": "FW3-0118", "steps": 3}
    packs = (PackMessage(pack="low", state="good"), PackMessage(pack="high", state="not good", passed_by="Di"))
    open_ = UnitMessage(**told, packs=packs, steps_closed=2, next_step="soak", against=("step 1 (soak) is not done",))
    signed = UnitMessage(
        **told, packs=packs, steps_closed=3, against=(), to_acknowledge=("Gauge DI-1 was overdue.",),
        signed_off_by="Di", signed_off_at=NOW, signed_off_way="PIN",
    )  # fmt: skip
    sink = sink_on(database)
    batch = [arrived(outgoing(one)) for one in (open_, signed)]
    assert sink.keep([*batch, batch[0]]) == Counts(units=2, repeated=1)
    elsewhere = arrived(outgoing(open_), topic=unit_topic("bench 5"))
    assert sink.keep([elsewhere]) == Counts(refused=1)
    first, last = sorted(rows(sink, units), key=lambda row: row.steps_closed)
    assert (first.unit_serial, first.job, first.steps, first.next_step, first.more) == (
        "FW3-0118", str(JOB), 3, "soak", None,
    )  # fmt: skip
    assert (first.against, first.signed_off_by, first.signed_off_at) == (["step 1 (soak) is not done"], "", None)
    assert last.packs[1] == {"pack": "high", "state": "not good", "passed_by": "Di", "left_out": "", "attempts": None}
    assert (first.signed_off_way, last.signed_off_way) == ("", "PIN")
    assert (last.to_acknowledge, last.signed_off_by, last.signed_off_at) == (["Gauge DI-1 was overdue."], "Di", NOW)
    sink.close()
    asked = DatabaseSettings(url=database)
    assert signed_elsewhere(asked, "FW3-0118", "bay-2") == SignedElsewhere("bench 4", str(JOB), NOW, "Di")
    assert signed_elsewhere(asked, "FW3-0118", "bench 4") is None and signed_elsewhere(asked, "FW3-9", "bay-2") is None


def test_a_bench_that_asks_makes_no_database_where_there_is_none(tmp_path: Path) -> None:
    with pytest.raises(DatabaseAway, match="there is no database"):
        signed_elsewhere(DatabaseSettings(url=f"sqlite:///{tmp_path / 'collect.sqlite'}"), "FW3-0118", "bay-2")
    assert list(tmp_path.iterdir()) == []


def test_that_a_seal_leaks_is_a_column_to_ask_by(database: str) -> None:
    told = VerdictMessage.from_wire(verdict_message().payload)
    leaking = told.model_copy(update={"remarks": (RemarkMessage(code="leak", text="The seal leaks."),)})
    sink = sink_on(database)
    sink.open()
    sink.keep([arrived(outgoing(leaking))])
    (kept,) = rows(sink, verdicts)
    assert kept.remarks == LEAKS
    sink.close()


def test_the_questions_of_a_supervisor_are_one_statement_each(database: str) -> None:
    """As the guide asks them, in words that both databases know."""
    first_block = guide_blocks("collecting", "sql")[0]
    questions = [one.partition("\n")[2].strip().rstrip(";") for one in first_block.split("-- ")[1:]]
    assert len(questions) == 3
    judged = VerdictMessage.from_wire(verdict_message().payload)
    words: list[dict[str, Any]] = [{"verdict": "loose", "check": 1, "attempt": 1}]
    words.append({"verdict": "good", "check": 2, "attempt": 2})
    words.append({"verdict": "good", "check": 3, "pack": "high", "attempt": 1})
    told: dict[str, Any] = {"bench": "bay-1", "job": JOB, "unit_serial": "FW3-0118", "steps": 0, "steps_closed": 0}
    signed = UnitMessage(at=NOW, **told, packs=(), against=(), signed_off_by="Di", signed_off_at=NOW)
    verdicts_said = [
        judged.model_copy(update={"id": uuid4(), "bench": "bay-1", "unit_serial": "FW3-0118", "at": NOW, **one})
        for one in words
    ]
    sink = sink_on(database)
    assert sink.keep([arrived(outgoing(one)) for one in (*verdicts_said, signed)]) == Counts(verdicts=3, units=1)
    with sink._engine.begin() as connection:
        unit, released, first = (connection.execute(sa.text(one)).all() for one in questions)
    assert sorted((row.pack, row.verdict) for row in unit) == [
        (judged.pack, "good"), (judged.pack, "loose"), ("high", "good"),
    ]  # fmt: skip
    assert [row[:3] for row in released] == [("FW3-0118", "bay-1", "Di")]
    assert [(row.bench, row.packs, float(row.good)) for row in first] == [("bay-1", 2, 0.5)]
    sink.close()


def test_a_collector_s_name_is_known_once_it_wrote(database: str) -> None:
    sink = sink_on(database)
    assert not sink.knows("bay-host")
    for _ in range(2):
        sink.remember("bay-host")
    assert sink.knows("bay-host") and not sink.knows("other")
    sink.close()


def test_strokes_and_verdicts_say_the_unit(database: str) -> None:
    sink = sink_on(database)
    said = StrokeMessage.from_wire(stroke_message(1).payload).model_copy(update={"unit_serial": "FW3-0118"})
    sink.keep([arrived(outgoing(said)), arrived(stroke_message(2))])  # a bench of an earlier version does not say
    assert {row.n: row.unit_serial for row in rows(sink, strokes)} == {1: "FW3-0118", 2: ""}
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
        "is missing": arrived(good, payload=b"{}"),
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
    with pytest.raises(
        DatabaseAway, match=r"the password is a line of ~/\.pgpass, or of the file that PGPASSFILE names"
    ):
        Sink(engine_of(DatabaseSettings(url=postgres.url))).open()
    monkeypatch.setenv("PGPASSFILE", str(postgres.passfile))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('[database]\nurl = "postgresql://me:secret@db/x"', "holds no password"),
        ('[database]\nurl = "postgresql://me@db/x?password=secret"', "holds no password"),
        ('[database]\nurl = "nonsense secret"', "no database address"),
        ('[database]\nurl = "sqlite://"', "keeps nothing"),
        ('[database]\npassword = "secret"', "database.password: is no setting; did you mean 'password_file'"),
        ('[[brokers]]\nurl = "mqtt://h"\nprefixes = ["a/#"]', "no place before strokelog/v1"),
        ('[[brokers]]\nurl = "mqtt://h"\nprefixes = []', "nothing would be collected"),
        ('[[brokers]]\nurl = "mqtt://me:secret@h"', "username and password_file"),
        ('[[brokers]]\nurl = "mqtt://h"\n[[brokers]]\nurl = "mqtt://h:1883"', "there twice"),
        ('share = "a/b"', "no name of a group"),
        ("name = 3", "name: expected text"),
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


def test_a_bench_s_broker_serves_where_no_other_is_given(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    bench = tmp_path / "config.toml"
    text = 'bench = "bay-1"\n[indicator]\nport = "/dev/null"\n'
    text += '[broker]\nurl = "mqtt://b"\nusername = "u"\npassword_file = "p"\n'
    bench.write_text(text)
    settings = load_settings(bench)
    assert [(one.url, one.username) for one in settings.brokers] == [("mqtt://b", "u")]
    assert "name" not in settings.model_fields_set
    # The login stays with its broker, and with no other.
    assert load_settings(bench, brokers=["mqtt://b"]).brokers[0].username == "u"
    assert load_settings(bench, brokers=["mqtt://c"]).brokers[0].username is None
    bench.write_text(text + '[[brokers]]\nurl = "mqtt://shop"\n')
    assert [one.url for one in load_settings(bench).brokers] == ["mqtt://shop"]
    (tmp_path / "shop.toml").write_text('[broker]\nurl = "mqtt://of-all"\nusername = "{bench}"\n')
    bench.write_text('shared = "shop.toml"\nbench = "bay-7"\n')
    assert [(one.url, one.username) for one in load_settings(bench).brokers] == [("mqtt://of-all", "bay-7")]
    (tmp_path / "strokelog").mkdir()
    (tmp_path / "strokelog" / "config.toml").write_text(text)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    assert load_settings().brokers[0].url == "mqtt://b"
    assert load_settings(brokers=["mqtt://c"]).brokers[0].url == "mqtt://c"


def test_a_folder_that_is_not_there_is_not_made_for_a_mistyped_database(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"there is no folder .*nosuch for the database x\.sqlite; make it first"):
        load_settings(brokers=["mqtt://h"], database=f"sqlite:///{tmp_path}/nosuch/x.sqlite")
    assert not (tmp_path / "nosuch").exists()


def test_the_command_line_wins_and_keeps_the_logins_of_the_file(tmp_path: Path) -> None:
    config = tmp_path / "collect.toml"
    config.write_text(
        '[database]\npassword_file = "db"\n[[brokers]]\nurl = "mqtt://h"\nusername = "u"\npassword_file = "b"\n'
    )
    settings = load_settings(
        config, brokers=["mqtt://h"], prefixes=["north"], database="postgresql://me@db/x", share="all"
    )
    assert settings.brokers[0].password_file == Path("b")
    assert "north/strokelog/v1/+/status" in settings.brokers[0].filters
    assert settings.database.password_file == Path("db")
    assert settings.database.address.drivername == "postgresql+psycopg"
    assert settings.name == socket.gethostname()
    assert CollectSettings().database.url.startswith("sqlite:///")
