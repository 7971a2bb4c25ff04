"""Writes what a release leaves behind: `python -m tests.support.make_release` makes `fixtures/releases/VERSION/` of the
version that this tree is. Every later version must open, prove, bring up to date and go on writing to it.

A data folder as a bench has it (a record with a bit of everything, its recordings, a stock), a backup of it, a
collector's database of what the bench published, the settings, the sheet, the masters and the stock file; and in
`expected.json` what must come out of all that for good.
"""

from __future__ import annotations

import base64
import hashlib
import json
import shutil
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from uuid import UUID

from capture import __version__
from capture.clearance.advice import Change
from capture.clearance.gauge.facts import GaugeChecked
from capture.collect.database import engine_of
from capture.collect.rows import Arrived
from capture.collect.settings import DatabaseSettings
from capture.collect.sink import Sink
from capture.custody.backup import back_up_to_folder
from capture.custody.backup.sources import Source
from capture.custody.verify import verify
from capture.job.gauge_now import gauge_check_told
from capture.job.people import PeopleFile, keep_people
from capture.job.photo_files import keep_photo
from capture.job.unit_on_record import UnitOnRecord
from capture.record import Store
from capture.record.settings_kept import WhoSet
from capture.recordings.file import RecordingWriter, read_recording
from capture.recordings.replay import Replay
from capture.stock import PieceWanted, Place, StockRoom, load_stock
from capture.unit.facts import (
    Correction,
    Fact,
    NoteMade,
    Override,
    PartsChanged,
    PhotoKept,
    SignedOff,
    StepBegun,
    StepDone,
)
from tests.support.gauge_mornings import GAUGE, keep_morning, list_masters
from tests.support.sheets import FORWARDER

__all__ = ["RELEASES", "keep_check", "main", "make_release"]

ROOT = Path(__file__).parents[2]
RELEASES = ROOT / "fixtures" / "releases"
_STREAMS = ROOT / "fixtures" / "recordings"
_STOCK = ROOT / "fixtures" / "stock" / "forestry-workshop.toml"
_AT = datetime(2026, 11, 28, 7, 30, tzinfo=UTC)
_ORIGIN = {"kind": "line", "port": "/dev/ttyUSB0", "host": "bay-1", "boot": "6f0d0c52-3f0e-4d0f-9d4e-0d6f4a2b8c11"}
#: One grey pixel, as any program for pictures writes it (PNG, ISO/IEC 15948).
_PHOTO = base64.b64decode(
    "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAAAAAA6fptVAAAACklEQVR4nGNoAAAAggCBd81ytgAAAABJRU5ErkJggg=="
)
_SETTINGS = f"""bench = "bay-1"
sheet = "sheet.toml"

[indicator]
driver = "line"
port = "/dev/ttyUSB0"
unit = "mm"
resolution = "0.01 mm"

[gauge]
serial = "{GAUGE}"
calibration_due = 2027-09-30

[broker]
url = "mqtt://broker.shop.example"

[retention]
compress_after_days = 90
prune_after_days = 1825
"""


def keep_check(
    unit: UnitOnRecord, store: Store, home: Path, pack_name: str, *streams: str, at: datetime, end: str = "verdict"
) -> int:
    """Keep a check of `pack_name` as the bench would have, from streams of fixtures/recordings one after another;
    return its number. It ends with a verdict, abandoned, or not at all ("measuring")."""
    pack = unit.sheet.pack(pack_name)
    header, lines = read_recording(_STREAMS / f"{streams[0]}.jsonl")
    list(lines)  # to its end, which closes it
    path = home / "recordings" / f"job-{unit.job.id:05d}" / f"{at:%Y%m%dT%H%M%SZ}-{pack_name}.jsonl"
    gauge = {"serial": GAUGE, "calibration_due": "2027-09-30"}
    check = store.start_check(
        unit.job.id,
        pack=pack_name,
        indicator=header.indicator,
        recording_path=path.relative_to(home).as_posix(),
        low_nm=pack.low_nm,
        high_nm=pack.high_nm,
        strokes_wanted=pack.strokes,
        seat_wanted=pack.seat_strokes,
        measure=pack.measure,
        gauge=gauge,
        origin=_ORIGIN,
        at=at,
    )
    unit.look()
    told: dict[str, Any] = {"recording": 2, "started": at.isoformat(), "bench": "bay-1", "port": _ORIGIN["port"]}
    with RecordingWriter(path, {**told, "indicator": header.indicator, "gauge": gauge, "origin": _ORIGIN}) as recording:
        recording.mark(0, {"job": str(unit.job.uuid), "pack": pack_name, "tech": "first shift", "note": "check"})
        last = 0
        for name in streams:
            begin = last
            for line in read_recording(_STREAMS / f"{name}.jsonl")[1]:
                last = begin + line.t_ns
                if line.source == "indicator":
                    recording.stream(last, "indicator", line.data)
        sha256, size = recording.seal(), recording.size
    replay = Replay(path, pack, unit.sheet.display_unit, unit.sheet.air, stop_when_settled=True)
    for kept in replay.strokes():
        unit.keep_stroke(check, kept, at=at + timedelta(microseconds=kept.stroke.end_ns // 1000))
    over = at + timedelta(microseconds=last // 1000)
    if end == "verdict":
        assert replay.verdict is not None
        unit.keep_verdict(
            check, pack, replay.verdict, replay.advice, recording_sha256=sha256, recording_bytes=size, at=over
        )
    elif end == "abandoned":
        store.abandon_check(check, at=over, recording_sha256=sha256, recording_bytes=size)
    return check


def _unit(store: Store, uuid: int, serial: str, at: datetime) -> UnitOnRecord:
    job = store.open_job(
        uuid=UUID(int=uuid << 96 | 4 << 76 | 8 << 60),
        bench="bay-1",
        unit_serial=serial,
        technician="first shift",
        sheet_name="workshop forwarder",
        sheet_revision="4",
        sheet_toml=FORWARDER,
        at=at,
    )
    return UnitOnRecord(store, job, publishes=True)


def _later(minutes: float) -> datetime:
    return _AT + timedelta(minutes=minutes)


def _say(unit: UnitOnRecord, minutes: float, *facts: Fact) -> int:
    return unit.add(facts, at=_later(minutes))[-1].number


def _record(home: Path) -> list[Arrived]:
    """Make the record and its recordings; return what was published of it. Its newest messages still wait."""
    with Store.open(home / "record.sqlite") as store:
        list_masters(store, home, _later(-1500))
        number = keep_morning(store, home, _later(-20), max_error="0.010 mm")
        *before, morning = store.gauge_facts()
        assert isinstance(morning.fact, GaugeChecked) and morning.number == number
        told = gauge_check_told(before, morning.fact, morning.at, (number, morning.sha256))
        store.put_outbox([told], at=morning.at)
        PeopleFile(home).give_key("Carl", "PIN", "2718")
        keep_people(store, home, "bay-1", WhoSet("", "bench"), _later(-15))
        retention = {"compress_after_days": 90, "prune_after_days": 1825}
        store.keep_settings("bay-1", "retention", retention, WhoSet("", "bench"), at=_later(-14))
        store.add_clock_jump("bay-1", {"from": _later(-10).isoformat(), "to": _later(-5).isoformat()}, at=_later(-5))
        unit = _unit(store, 0x5D3F2C9E, "FW3-0117", _AT)
        keep_check(unit, store, home, "low", "line-10hz-mm-clean", "line-10hz-mm-clean", at=_later(1))
        _say(unit, 4, unit.left_out("low", 3, "first shift", "the hose slipped"))
        keep_check(unit, store, home, "high", "line-10hz-mm-glitch", at=_later(5), end="abandoned")
        keep_check(unit, store, home, "high", "line-10hz-in-clean", "line-50hz-in-leak", at=_later(8))
        _say(unit, 12, PartsChanged("high", (Change(0, "selective", 3_000_000, 3_200_000),), 1_084_000, 31_000, "Aino"))
        keep_check(unit, store, home, "high", "line-10hz-mm-clean", "line-10hz-mm-clean", at=_later(14))
        _say(unit, 17, NoteMade("the drum is scored, and was left in", "Aino", "high"))
        photo = PhotoKept(hashlib.sha256(_PHOTO).hexdigest(), len(_PHOTO), "png", "drum.png", "Aino", "high")
        keep_photo(home, photo, _PHOTO)
        _say(unit, 17.5, photo)
        _say(unit, 18, Override("reverse", None, "foreman", "measured by hand, 1.1 mm"))
        _say(unit, 19, StepBegun(0, "Aino"))
        _say(unit, 52, StepDone(0, "Aino"))
        _say(unit, 53, StepDone(1, "Aino"))
        _say(unit, 54, StepDone(2, "Berit", torque_unm=20_300_000))
        wrong = _say(unit, 55, StepDone(3, "Berit", torque_unm=47_000_000))
        _say(unit, 56, Correction(wrong, "Berit", "misread the scale", "the torque was 46 N m"))
        _say(unit, 57, StepDone(3, "Berit", torque_unm=46_200_000))
        store.close_job(unit.job.id, at=_later(58))
        _say(unit, 60, SignedOff("Carl", "to be fitted in machine 12", unit.look().standing.remarks, "seen", "PIN"))
        published = store.outbox_after(0, 1000)
        store.drop_outbox([one.row for one in published])
        second = _unit(store, 0x6E4A3DBF, "FW3-0118", _later(70))
        keep_check(second, store, home, "low", "line-10hz-mm-creep", "line-10hz-mm-clean", at=_later(71))
        keep_check(second, store, home, "reverse", "line-10hz-mm-gap", at=_later(75), end="measuring")
    return [Arrived(one.message.topic, one.message.payload.encode(), _later(61)) for one in published]


def _stock(home: Path) -> None:
    with StockRoom.open(home / "stock.sqlite") as room:
        room.import_file(load_stock(home.parent / "stock.toml"), by="parts desk", at=_AT)
        place = Place(str(UUID(int=1)), "FW3-0117", "high", 0)
        room.reserve([PieceWanted("snap ring", 3_200_000, "SR-31", place)], by="Aino", at=_later(12))
        room.consume("FW3-0117", by="Carl", at=_later(60))
        other = Place(str(UUID(int=2)), "FW3-0118", "low", 0)
        room.reserve([PieceWanted("snap ring", 2_800_000, None, other)], by="Aino", at=_later(76))


def _expected(data: Path, collected: int) -> dict[str, Any]:
    """Return what must come out of the folder for good: numbers as they are kept, and what is proven."""
    proof = verify(data / "record.sqlite")
    assert proof.mismatch is None, proof.mismatch
    with Store.open_to_read(data / "record.sqlite") as store:
        jobs = list(store.every_job())
        waiting = store.outbox_size()
    with StockRoom.open(data / "stock.sqlite") as room:
        bins = [[one.text, one.shelf, one.free] for one in room.holdings().bins]
    return {
        "software_version": __version__,
        "head": list(proof.head),
        "verdicts": [
            [job.unit_serial, check.pack, one.verdict.verdict, one.verdict.mean_nm, one.verdict.expanded_uncertainty_nm]
            for job in jobs
            for check in job.checks
            if (one := check.verdict) is not None
        ],
        "proven": [proof.jobs, proof.verdicts, proof.abandoned, proof.gauge_checks],
        "photos": proof.photos,
        "outbox": waiting,
        "stock": bins,
        "collected": collected,
    }


def make_release(folder: Path) -> None:
    """Make all of it in `folder`, which is made anew."""
    shutil.rmtree(folder, ignore_errors=True)
    data = folder / "data"
    data.mkdir(parents=True)
    (folder / "config.toml").write_text(_SETTINGS, encoding="utf-8")
    (folder / "sheet.toml").write_text(FORWARDER, encoding="utf-8")
    shutil.copy(_STOCK, folder / "stock.toml")
    published: Sequence[Arrived] = _record(data)
    (data / "masters.toml").rename(folder / "masters.toml")
    _stock(data)
    back_up_to_folder(Source(data / "record.sqlite", data / "stock.sqlite"), folder / "backup", at=_later(90))
    sink = Sink(engine_of(DatabaseSettings(url=f"sqlite:///{folder / 'collected.sqlite'}")))
    sink.open()
    sink.keep(published)
    sink.close()
    expected = json.dumps(_expected(data, len(published)), indent=1) + "\n"
    (folder / "expected.json").write_text(expected, encoding="utf-8")
    for beside in ("record.sqlite-wal", "record.sqlite-shm"):  # of the last who read it; all of it is in the file
        (data / beside).unlink(missing_ok=True)


def main() -> None:
    """Make the folder of this version."""
    make_release(RELEASES / __version__)


if __name__ == "__main__":
    main()
