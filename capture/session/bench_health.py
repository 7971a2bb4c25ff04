"""How one bench is, from outside its process: by its record, by what the process shows to whoever looks, and by the
machine. Nothing of the bench is changed, and no key of it is taken."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime
from pathlib import Path
from socket import socket
from typing import Final

from capture.config import Config
from capture.dashboard.view import BenchView
from capture.job.gauge_now import gauge_now
from capture.output.health_points import Health, HealthPoint, clock_point, disk_point
from capture.plumbing.machine import clock_synchronised, disk_room
from capture.record import RecordError, Store
from capture.record.plant_mark import RecordForPlant
from capture.session.faces.messages import LONGEST_FROM_BENCH, Hello, from_bench
from capture.session.faces.start import found

#: A bench's process says something every second.
_ANSWER_S: Final = 3.0
#: A broker that was away for a shift's break is no news; what waits longer is.
_LONGEST_WAIT_S: Final = 900.0


def bench_health(
    settled: Config, bench: str, folder: Path, now: datetime, *, service: bool, must_run: bool = False
) -> Health:
    """Return how `bench` is, whose data folder that is.

    `service`: its process may be a service of another user. `must_run`: a bench that nothing measures at is not well.
    """
    link = found(bench, folder / "record.sqlite", service=service)
    points, waiting = _live(link, must_run)
    points += _kept(settled, bench, folder / "record.sqlite", now, waiting)
    try:
        points.append(disk_point(disk_room(folder)))
    except OSError as error:
        points.append(HealthPoint("disk", f"cannot be looked at: {error.strerror or error}", False))
    return Health("bench", bench, now, points)


def _live(link: socket | None, must_run: bool) -> tuple[list[HealthPoint], int | None]:
    """Return what the process shows, and how many messages its broker has not taken where that link is up."""
    if link is None:
        return [_process("nothing measures at this bench now", False if must_run else None)], None
    try:
        with link:
            view = _shown(link)
    except (OSError, ValueError) as error:
        words = f"something has the bench, and does not say how it is: {error or type(error).__name__}; restart it"
        return [_process(words, False)], None
    if view is None:
        return [_process("it has just ended", False if must_run else None)], None
    readings = view.silence or view.indicator_text
    broker = (f"{view.broker_waiting} messages wait", view.broker_reason)
    points = [
        _process("it answers", True),
        _link("indicator", view.indicator, readings, well=view.indicator != "down" and not view.silence),
        _link("broker", view.broker, "; ".join(filter(None, broker)), well=view.broker != "down"),
        _link("plant", view.plant, view.plant_reason, well=view.plant != "down"),
        _link("fixture", view.fixture, view.air_text, well=view.fixture != "down"),
    ]
    return points, view.broker_waiting if view.broker == "up" else None


def _process(says: str, well: bool | None) -> HealthPoint:
    return HealthPoint("process", says, well, {"up": int(well is True)})


def _link(name: str, state: str, more: str, *, well: bool) -> HealthPoint:
    says = f"{state}: {more}" if more and state != "off" else state
    return HealthPoint("link", says, None if state == "off" else well, {"up": int(state == "up")}, {"link": name})


def _shown(link: socket) -> BenchView | None:
    """Return what the bench shows, None where it ended. Raises OSError, or ValueError for what no bench says."""
    link.settimeout(_ANSWER_S)
    link.sendall(Hello(who="health", wants_keys=False, may_arm=False).model_dump_json().encode() + b"\n")
    with link.makefile("rb") as lines:
        line = lines.readline(LONGEST_FROM_BENCH)
    if not line:
        raise ConnectionError("it hung up")
    said = from_bench().validate_json(line)
    return said.showing.view if said.showing is not None else None


def _kept(settled: Config, bench: str, record: Path, now: datetime, waiting: int | None) -> Iterator[HealthPoint]:
    synchronised = clock_synchronised()
    if not record.is_file():
        yield HealthPoint("record", f"there is none at {record} yet")
        yield clock_point(now, None, synchronised)
        return
    try:
        with Store.open_to_read(record) as store:
            points = [
                *_of_record(store),
                *_of_outbox(store, settled, now, waiting),
                _of_gauge(store, settled, bench, now),
            ]
            if settled.plant is not None:
                points.append(_of_plant(store, now))
            points.append(clock_point(now, store.newest_at(), synchronised))
    except RecordError as error:
        yield HealthPoint("record", str(error), False)
        return
    yield from points


def _of_record(store: Store) -> Iterator[HealthPoint]:
    number, sha256 = store.head()
    newest, stroke = store.newest_at(), store.last_stroke_at()
    figures: dict[str, int | float] = {"number": number}
    if newest is not None:
        figures["timestamp_seconds"] = newest.timestamp()
    yield HealthPoint("head", f"entry {number}: {sha256}", None, figures, {"sha256": sha256})
    if stroke is None:
        yield HealthPoint("last_stroke", "none yet")
    else:
        said = f"{stroke.astimezone():%Y-%m-%d %H:%M:%S}"
        yield HealthPoint("last_stroke", said, None, {"timestamp_seconds": stroke.timestamp()})


def _of_outbox(store: Store, settled: Config, now: datetime, waiting: int | None) -> Iterator[HealthPoint]:
    """Say what waits: `waiting` messages where the bench told it, else all; the others the broker took just now."""
    kept, aside = store.outbox_size(), store.aside()
    waits = kept if waiting is None else min(kept, waiting)
    since = store.waiting_since(waits)
    age_s = max(0.0, (now - since).total_seconds()) if since is not None else 0.0
    figures = {
        "messages": waits,
        "age_seconds": age_s,
        "taken_messages": kept - waits,
        "refused_messages": aside.count if aside else 0,
    }
    says = f"{waits} messages wait, the oldest for {age_s:.0f} s" if waits else "nothing waits"
    if kept > waits:
        says += f"; {kept - waits} that the broker took are kept for a while all the same"
    well = age_s <= _LONGEST_WAIT_S if settled.broker is not None else None
    if well is None:
        says += "; the settings name no broker"
    if aside is not None:
        says += f"; the broker refused {aside.count}, the newest: {aside.why} (strokelog record send-again)"
        well = False
    yield HealthPoint("outbox", says, well, figures)


def _of_plant(store: Store, now: datetime) -> HealthPoint:
    waiting, since = RecordForPlant(store).waiting()
    age_s = max(0.0, (now - since).total_seconds()) if since is not None else 0.0
    says = (
        f"{waiting} entries wait for the plant or were just told it, the oldest for {age_s:.0f} s"
        if waiting
        else "nothing waits"
    )
    return HealthPoint("plant", says, age_s <= _LONGEST_WAIT_S, {"messages": waiting, "age_seconds": age_s})


def _of_gauge(store: Store, settled: Config, bench: str, now: datetime) -> HealthPoint:
    if settled.gauge is None:
        return HealthPoint("gauge", "no gauge is named in the settings")
    gauge = settled.gauge.identity()
    standing = gauge_now(store.gauge_facts(), gauge, bench, now, None)
    figures: dict[str, int | float] = {"in_order": int(standing.word == "in order")}
    says, well = f"{standing.word}: {standing.text}", False if standing.bad else True if figures["in_order"] else None
    if gauge.calibration_due is not None:
        figures["calibration_due_timestamp_seconds"] = _midnight(gauge.calibration_due).timestamp()
        if gauge.calibration_due < now.astimezone().date():
            says, well = f"its calibration was due {gauge.calibration_due}; {says}", False
    return HealthPoint("gauge", says, well, figures, {"serial": gauge.serial})


def _midnight(day: date) -> datetime:
    return datetime(day.year, day.month, day.day, tzinfo=UTC)
