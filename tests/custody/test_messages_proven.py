"""What a bench told, or is about to tell, says what its record says: messages that wait for the broker, that were set
aside, and that a collector keeps. Whoever edits one of them, or makes one up, is found."""

from __future__ import annotations

import json
import shutil
import sqlite3
from collections.abc import Mapping, Sequence
from contextlib import closing
from datetime import timedelta
from pathlib import Path
from typing import Any
from uuid import UUID

import pytest
from typer.testing import CliRunner

from capture.cli.main import app
from capture.collect.database import engine_of
from capture.collect.heads import collected_heads
from capture.collect.rows import Arrived
from capture.collect.settings import DatabaseSettings
from capture.collect.sink import Sink
from capture.collect.told import collected_messages
from capture.custody.verify_messages import MessageProver
from capture.custody.verify_outbox import prove_outbox
from capture.job.gauge_now import gauge_check_told
from capture.job.unit_on_record import UnitOnRecord
from capture.mqtt.outgoing import Outgoing
from capture.record import Mismatch, Store, audit
from tests.support.attacked_record import entries, number_of
from tests.support.gauge_mornings import keep_morning
from tests.support.make_release import RELEASES
from tests.support.proven_record import AT, forge, tamper

_LATER = AT + timedelta(days=900)


@pytest.fixture(scope="module")
def waiting(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A record whose messages wait: strokes, verdicts, one of them told again, how its unit stands, a check of its
    gauge; and some that the broker refused."""
    home = tmp_path_factory.mktemp("waiting")
    path = Path(shutil.copy(RELEASES / "0.2.0" / "data" / "record.sqlite", home))
    with Store.open(path) as store:
        unit = UnitOnRecord(store, 2, publishes=True)
        unit.add([unit.left_out("low", 4, "Aino", "the hose slipped")], at=_LATER)
        number = keep_morning(store, home, _LATER)
        before, made = store.gauge_facts(number), store.gauge_facts()[-1]
        store.put_outbox([gauge_check_told(before, made.fact, _LATER, (number, made.sha256))], at=_LATER)
        store.set_aside({one.row: "quota exceeded" for one in store.outbox_after(0, 3)})
        assert _prove(store) == 3 + len(store.outbox_after(0, 100)) > 16
    return path


@pytest.fixture
def copy(waiting: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(waiting, tmp_path))


def _prove(store: Store) -> int:
    return prove_outbox(store, MessageProver(store))


def _found(path: Path) -> str:
    with Store.open_to_read(path) as store, pytest.raises(Mismatch) as caught:
        _prove(store)
    return str(caught.value)


def _newest(path: Path, kind: str, aside: bool = False) -> tuple[int, dict[str, Any]]:
    with Store.open_to_read(path) as store:
        rows = store.outbox_after(0, 100, aside=aside)
    row = next(one for one in reversed(rows) if one.message.topic.endswith(f"/{kind}"))
    return row.row, json.loads(row.message.payload)


@pytest.mark.attack("a message that waits for the broker")
@pytest.mark.parametrize(
    ("kind", "change", "said"),
    [
        ("stroke", {"peak_travel_nm": 1_000_000}, "peak_travel_nm of message"),
        ("stroke", {"seat": True}, "seat of message"),
        ("verdict", {"mean_nm": 1_000_000}, "mean_nm of message"),
        ("verdict", {"verdict": "tight"}, "verdict of message"),
        ("verdict", {"left_out": ""}, "left_out of message"),
        ("verdict", {"head_sha256": "0" * 64}, "the head in message"),
        ("verdict", {"head_number": 3}, "the head in message"),
        ("verdict", {"at": "2026-01-01T00:00:00Z"}, "the time of message"),
        ("stroke", {"unit_serial": "FW3-9999"}, "unit_serial of message"),
        ("stroke", {"job": str(UUID(int=7))}, "the job of message"),
        ("unit", {"signed_off_by": "Carl"}, "signed_off_by of message"),
        ("unit", {"steps_closed": 99}, "steps_closed of message"),
        ("unit", {"outcome": "signed off"}, "outcome of message"),
        ("unit", {"technician": "Carl"}, "technician of message"),
        ("gauge", {"error_nm": 0}, "error_nm of message"),
        ("gauge", {"technician": "Carl"}, "technician of message"),
        ("gauge", {"id": str(UUID(int=7))}, "the id in message"),
    ],
)
def test_a_message_that_waits_for_the_broker_edited(copy: Path, kind: str, change: dict[str, Any], said: str) -> None:
    row, told = _newest(copy, kind)
    tamper(copy, ("UPDATE outbox SET payload = ? WHERE id = ?", (json.dumps({**told, **change}), row)))
    assert said in _found(copy)


def test_a_message_that_no_longer_says_what_was_left_out(copy: Path) -> None:
    row, told = _newest(copy, "verdict")
    del told["left_out"]  # a reader takes a field that is missing for an earlier version's
    tamper(copy, ("UPDATE outbox SET payload = ? WHERE id = ?", (json.dumps(told), row)))
    assert "left_out of message" in _found(copy)


@pytest.mark.attack("a message that waits for the broker")
def test_a_message_that_the_broker_refused_edited_while_it_is_set_aside(copy: Path) -> None:
    row, told = _newest(copy, "stroke", aside=True)
    changed = json.dumps({**told, "held_travel_nm": 1})
    tamper(copy, ("UPDATE set_aside SET payload = ? WHERE id = ?", (changed, row)))
    assert "held_travel_nm of message" in _found(copy) and "that was set aside" in _found(copy)


@pytest.mark.attack("a message that waits for the broker")
@pytest.mark.parametrize(
    ("topic", "said"),
    [
        ("strokelog/v1/bay-2/unit", "the topic of message"),
        ("strokelog/v1/bay-1/status", "the topic of message"),
        ("somewhere/else", "the topic of message"),
    ],
)
def test_a_message_that_goes_elsewhere(copy: Path, topic: str, said: str) -> None:
    tamper(copy, ("UPDATE outbox SET topic = ? WHERE id = ?", (topic, _newest(copy, "unit")[0])))
    assert said in _found(copy)


@pytest.mark.attack("a message that waits for the broker")
def test_a_message_that_nobody_wrote(copy: Path) -> None:
    with Store.open(copy) as store:
        told = {**_newest(copy, "verdict")[1], "id": str(UUID(int=7)), "verdict": "good", "mean_nm": 1_100_000}
        store.put_outbox([Outgoing(told["id"], "strokelog/v1/bay-1/low/verdict", json.dumps(told), True)], at=AT)
    assert "of message" in _found(copy)


# -- what was collected ---------------------------------------------------------------------------------------------


def _collected(
    record: Path, home: Path, without: Sequence[str] = (), now: Mapping[int, str] | None = None
) -> DatabaseSettings:
    """Send what waits to a collector's database, but for the kinds `without`; under the hashes `now`, if given."""
    settings = DatabaseSettings(url=f"sqlite:///{home / 'shop.sqlite'}")
    with Store.open(record) as store:
        store.send_again()
        rows = store.outbox_after(0, 100)
        store.drop_outbox([one.row for one in rows])
    sent = [one.message for one in rows if not one.message.topic.endswith(tuple(without))]
    told = {one: json.loads(one.payload) for one in sent}
    for payload in told.values():
        if now is not None and "head_number" in payload:
            payload["head_sha256"] = now[payload["head_number"]]
    _keep(settings, [Arrived(one.topic, json.dumps(payload).encode(), _LATER) for one, payload in told.items()])
    return settings


def _keep(settings: DatabaseSettings, arrived: Sequence[Arrived]) -> None:
    sink = Sink(engine_of(settings))
    sink.open()
    sink.keep(arrived)
    sink.close()


def _against(record: Path, settings: DatabaseSettings) -> int:
    with Store.open_to_read(record) as store:
        return MessageProver(store).collected(collected_messages(settings, store.benches()))


def test_what_was_collected_says_what_the_record_says(copy: Path, tmp_path: Path) -> None:
    assert _against(copy, _collected(copy, tmp_path)) > 16


@pytest.mark.attack("a row in the collector's database")
@pytest.mark.parametrize(
    ("sql", "said"),
    [
        ("UPDATE collected_verdicts SET mean_nm = mean_nm - 1", "mean_nm of message"),
        ("UPDATE collected_strokes SET flags = '[\"glitch\"]' WHERE n = 2", "flags of message"),
        ("UPDATE collected_units SET signed_off_by = 'Carl'", "signed_off_by of message"),
        ("UPDATE collected_gauge_checks SET result = 'out'", "result of message"),
    ],
)
def test_a_collected_row_edited(copy: Path, tmp_path: Path, sql: str, said: str) -> None:
    settings = _collected(copy, tmp_path)
    with closing(sqlite3.connect(tmp_path / "shop.sqlite", isolation_level=None)) as connection:
        connection.execute(sql)
    with pytest.raises(Mismatch, match=said):
        _against(copy, settings)


@pytest.mark.attack("an old verdict sent to the collector")
def test_an_old_verdict_sent_once_more_with_other_numbers(copy: Path, tmp_path: Path) -> None:
    told = {**_newest(copy, "verdict")[1], "id": str(UUID(int=7)), "verdict": "good", "mean_nm": 1_100_000}
    settings = _collected(copy, tmp_path)
    topic = f"strokelog/v1/bay-1/{told['pack']}/verdict"
    assert _against(copy, settings)
    _keep(settings, [Arrived(topic, json.dumps(told).encode(), _LATER)])  # its head is the record's own
    with pytest.raises(Mismatch, match="of message"):
        _against(copy, settings)


@pytest.mark.attack("a message taken out before it was sent")
def test_a_verdict_taken_out_before_it_was_sent_is_told(waiting: Path, copy: Path, tmp_path: Path) -> None:
    settings = _collected(copy, tmp_path, without=["/verdict"])
    with Store.open_to_read(copy) as store:
        (check,) = (one for one in store.job(2).checks if one.verdict is not None)
    for home in (RELEASES / "0.2.0" / "data", waiting.parent):
        shutil.copytree(home / "recordings", copy.parent / "recordings", dirs_exist_ok=True)
    assert check.verdict is not None  # a verdict's message came before, and what the unit told then
    words = ["record", "verify", "--data-dir", str(copy.parent), "--against", settings.url, "--processes", "1"]
    said = CliRunner().invoke(app, words, env={"COLUMNS": "300"}).output
    assert f"NEVER COLLECTED: 1 verdict, the first of entry {check.verdict.number}: lost on the way" in said


@pytest.mark.attack("record and collector's database both")
def test_a_record_and_what_was_collected_of_it_both_made_to_say_the_same(copy: Path, tmp_path: Path) -> None:
    anchored = audit(copy).head
    forge(copy, number_of(copy, "job_opened"), unit_serial="FW3-9999")
    tamper(copy, ("UPDATE jobs SET unit_serial = 'FW3-9999' WHERE id = 1", ()))
    now = {one["number"]: one["sha256"] for one in entries(copy)}
    settings = _collected(copy, tmp_path, now=now)
    heads = collected_heads(settings, ["bay-1"])
    assert heads and _against(copy, settings) and audit(copy, heads=heads)
    with pytest.raises(Mismatch, match="as it was written down"):
        audit(copy, heads=[anchored])
