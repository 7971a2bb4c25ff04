"""How a bench is: what its process shows, its record, the disk, the clock and the gauge."""

from __future__ import annotations

import asyncio
import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from uuid import uuid4

import pytest

from capture.config import Config, GaugeIdentity
from capture.dashboard.showing import Showing
from capture.mqtt.outgoing import Outgoing
from capture.mqtt.plant.plant_settings import PlantSettings
from capture.mqtt.settings import BrokerSettings
from capture.output.health_points import Health, HealthPoint, disk_point
from capture.plumbing.local_socket import listen_at
from capture.plumbing.machine import DiskRoom
from capture.record import Store
from capture.record.plant_mark import RecordForPlant
from capture.session.bench_health import bench_health
from capture.session.faces.start import place
from tests.session.test_hall import House, open_hall
from tests.support.preview import sample_view
from tests.support.proven_record import copy_all, make_record

NOW = datetime(2026, 11, 28, 12, tzinfo=UTC)
BROKER = BrokerSettings(url="mqtt://broker.shop.example")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_record(tmp_path_factory.mktemp("health"))


@pytest.fixture
def record(made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    monkeypatch.delenv("RUNTIME_DIRECTORY", raising=False)
    (tmp_path / "strokelog").mkdir()
    path = copy_all(made, tmp_path / "data")
    with Store.open(path) as store:  # what waits from making it is not what is looked at here
        store.drop_outbox([one.row for one in store.outbox_after(0, 1000)])
    return path


def look(record: Path, *, now: datetime = NOW, must_run: bool = False, **settings: object) -> Health:
    settled = Config(data_dir=record.parent, **settings)  # type: ignore[arg-type]
    return bench_health(settled, "bay-1", record.parent, now, service=False, must_run=must_run)


def point(health: Health, name: str, link: str = "") -> HealthPoint:
    (found,) = [one for one in health.points if one.point == name and one.labels.get("link", "") == link]
    return found


def test_a_bench_at_rest_is_well_unless_it_must_run(record: Path) -> None:
    assert point(look(record), "process").well is None and look(record).well
    assert not look(record, must_run=True).well


async def test_what_the_process_shows_is_told_and_no_key_is_taken(record: Path) -> None:
    house = House(state="good")
    async with open_hall(house, place("bay-1", record)) as (hall, _):
        health = await asyncio.to_thread(look, record, must_run=True)
        assert point(health, "process").well and point(health, "link", "indicator").figures == {"up": 1}
        assert point(health, "link", "plant").well is None  # the settings name none
        assert house.named == [] and house.pressed == [] and house.moved == []
        assert len(hall.looked_at) <= 1  # itself, until the hall has seen that it left


class _Silent(House):
    """Its port is open, and nothing comes; the broker is away."""

    def showing(self) -> Showing:
        view = replace(
            sample_view("good"), silence="nothing comes", broker="down", broker_waiting=41, broker_reason="refused",
            plant="down", plant_reason="no such host",
        )  # fmt: skip
        return Showing(view)


async def test_a_silent_indicator_and_a_lost_broker_or_plant_need_a_person(record: Path) -> None:
    async with open_hall(_Silent(), place("bay-1", record)):
        health = await asyncio.to_thread(look, record)
    plant = point(health, "link", "plant")
    assert plant.well is False and "no such host" in plant.says
    indicator, broker = point(health, "link", "indicator"), point(health, "link", "broker")
    assert indicator.well is False and "nothing comes" in indicator.says
    assert broker.well is False and "41 messages wait; refused" in broker.says and not health.well


def test_a_process_that_says_nothing_is_not_well(record: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("capture.session.bench_health._ANSWER_S", 0.05)
    with listen_at(place("bay-1", record)):
        process = point(look(record), "process")
    assert process.well is False and "does not say how it is" in process.says


def test_the_newest_head_and_stroke_are_those_of_the_record(record: Path) -> None:
    with Store.open_to_read(record) as store:
        number, sha256 = store.head()
        newest = store.newest_at()
    with closing(sqlite3.connect(record)) as connection:
        (text,) = connection.execute("SELECT max(at) FROM ledger WHERE kind = 'stroke'").fetchone()
    kept = datetime.fromisoformat(text)
    health = look(record)
    head = point(health, "head")
    assert newest is not None
    assert head.figures == {"number": number, "timestamp_seconds": newest.timestamp()}
    assert head.labels == {"sha256": sha256}
    assert point(health, "last_stroke").figures == {"timestamp_seconds": kept.timestamp()}


def test_messages_that_wait_too_long_or_are_refused_need_a_person(record: Path) -> None:
    with Store.open(record) as store:
        made_at = NOW - timedelta(minutes=14)
        message = [Outgoing(str(uuid4()), "strokelog/v1/bay-1/status", "{}", True)]
        store.put_outbox(message, at=made_at)
    assert point(look(record, now=NOW + timedelta(days=9)), "outbox").well is None  # a bench that publishes nothing
    waits = point(look(record, broker=BROKER), "outbox")
    assert waits.well is True
    assert waits.figures == {"messages": 1, "age_seconds": 840.0, "taken_messages": 0, "refused_messages": 0}
    assert point(look(record, now=NOW + timedelta(minutes=2), broker=BROKER), "outbox").well is False
    with Store.open(record) as store:
        store.set_aside({one.row: "quota exceeded" for one in store.outbox_after(0, 10)})
    aside = point(look(record), "outbox")
    assert aside.well is False and "quota exceeded" in aside.says and aside.figures["refused_messages"] == 1


class _CaughtUp(House):
    """The way to the broker is back: all but the two newest messages were taken."""

    def showing(self) -> Showing:
        return Showing(replace(sample_view("good"), broker="up", broker_waiting=2))


async def test_what_the_broker_has_taken_waits_no_more_though_it_is_still_kept(record: Path) -> None:
    with Store.open(record) as store:
        for minutes in (40, 30, 2, 1):
            message = Outgoing(str(uuid4()), "strokelog/v1/bay-1/low/stroke", "{}", False)
            store.put_outbox([message], at=NOW - timedelta(minutes=minutes))
    async with open_hall(_CaughtUp(), place("bay-1", record)):
        outbox = point(await asyncio.to_thread(look, record, broker=BROKER), "outbox")
    assert outbox.well is True and "2 messages wait, the oldest for 120 s; 2 that the broker took" in outbox.says
    assert outbox.figures == {"messages": 2, "age_seconds": 120.0, "taken_messages": 2, "refused_messages": 0}


def test_what_waits_too_long_for_a_plant_needs_a_person(record: Path) -> None:
    plant = PlantSettings(url="mqtt://plant.example", group="forestry")
    assert point(look(record, plant=plant), "plant").figures == {"messages": 0, "age_seconds": 0.0}  # told nothing yet
    with Store.open(record) as store:
        RecordForPlant(store).mark(0, 3)
        last = store.last_stroke_at()
    assert last is not None
    waits = point(look(record, plant=plant, now=last), "plant")
    assert waits.figures["messages"] > 10 and "entries wait" in waits.says
    assert point(look(record, plant=plant, now=last + timedelta(days=1)), "plant").well is False
    (record.parent / "plant.json").write_text('{"number": 1, "sha256": "of another record", "session": 3}')
    assert point(look(record, plant=plant), "plant").figures["messages"] == 0


def test_a_gauge_whose_calibration_is_past_is_not_well(record: Path) -> None:
    due = GaugeIdentity(serial="DI-0413", calibration_due=date(2026, 11, 20))
    gauge = point(look(record, gauge=due), "gauge")
    assert gauge.well is False and "2026-11-20" in gauge.says
    held = point(look(record, gauge=due.model_copy(update={"calibration_due": date(2027, 1, 1)})), "gauge")
    assert held.well is not False and held.figures["in_order"] == 0  # nobody checked it today


def test_a_clock_behind_the_record_is_not_well(record: Path) -> None:
    clock = point(look(record, now=datetime(2020, 1, 1, tzinfo=UTC)), "clock")
    assert clock.well is False and clock.figures["behind_seconds"] > 86_400


def test_a_record_that_cannot_be_read_is_told_and_the_rest_is_still_looked_at(record: Path) -> None:
    record.write_bytes(b"no record at all" * 100)
    health = look(record)
    assert point(health, "record").well is False and point(health, "disk").figures["size_bytes"] > 0


@pytest.mark.parametrize(
    ("free", "size", "well"),
    [(2 * 10**9, 30 * 10**9, True), (9 * 10**8, 30 * 10**9, False), (2 * 10**9, 10**12, False)],
)
def test_a_disk_is_nearly_full_by_what_is_left_or_by_its_share(free: int, size: int, well: bool) -> None:
    assert disk_point(DiskRoom(Path("/"), free, size)).well is well
