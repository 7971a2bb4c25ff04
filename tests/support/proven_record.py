"""Makes a small record that can be proven: real recordings, measured by the same code as a live check, and one of
everything that the ledger holds. And breaks it again, as somebody with the file in hand would."""

from __future__ import annotations

import json
import math
import shutil
import sqlite3
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from uuid import UUID

from capture import __version__
from capture.clearance.advice import Change
from capture.record import Store
from capture.record.ledger import BEFORE_THE_FIRST, canonical, digest
from capture.recordings.file import RecordingWriter, read_recording
from capture.recordings.replay import Replay
from capture.sheet.sheet import parse_sheet
from capture.unit.facts import Correction, Override, PartsChanged, SignedOff, StepDone
from tests.support.sheets import FORWARDER

ROOT = Path(__file__).resolve().parents[2]
RECORDINGS = ROOT / "fixtures" / "recordings"
SHEET = FORWARDER
AT = datetime(2026, 3, 2, 7, 30, tzinfo=UTC)
GAUGE = {"serial": "DI-0413", "calibration_due": "2026-09-30"}
UUIDS = (UUID("5d3f2c9e-7f0a-4b55-9a3e-2f6f0c1d8a44"), UUID("6e4a3dbf-8a1b-4c66-8b4f-30701d2e9b55"))


def check_from(
    store: Store,
    home: Path,
    job: int,
    pack_name: str,
    name: str,
    at: datetime,
    end: str = "verdict",
    gauge: dict[str, Any] | None = None,
) -> int:
    """Keep a check as the bench would have, from the stream in fixtures/recordings/NAME.jsonl."""
    sheet = parse_sheet(SHEET, "sheet")
    pack = sheet.pack(pack_name)
    header, lines = read_recording(RECORDINGS / f"{name}.jsonl")
    path = home / "recordings" / f"job-{job:05d}" / f"{at:%Y%m%dT%H%M%S}-{pack_name}-{name}.jsonl"
    told = {"recording": 2, "started": at.isoformat(), "bench": "bay-1", "indicator": header.indicator}
    told |= {} if gauge is None else {"gauge": gauge}
    check = store.start_check(
        job,
        pack=pack_name,
        indicator=header.indicator,
        # As benches keep it now, and as earlier versions did: the whole path where it was first written.
        recording_path=str(path) if job == 1 else path.relative_to(home).as_posix(),
        low_nm=pack.low_nm,
        high_nm=pack.high_nm,
        strokes_wanted=pack.strokes,
        seat_wanted=pack.seat_strokes,
        measure=pack.measure,
        gauge=gauge or GAUGE,
        at=at,
    )
    with RecordingWriter(path, told) as recording:
        recording.mark(0, {"job": str(UUIDS[job - 1]), "pack": pack_name, "tech": "first shift", "note": "check"})
        for line in lines:
            assert line.source == "indicator"
            recording.stream(line.t_ns, "indicator", line.data)
        sha256, size = recording.seal(), recording.size
    replay = Replay(path, pack, sheet.display_unit, sheet.air, stop_when_settled=True)
    for kept in replay.strokes():
        store.add_stroke(check, kept.stroke, seat=kept.seat, at=at + timedelta(microseconds=kept.stroke.end_ns // 1000))
    over = at + timedelta(seconds=40)
    if end == "verdict":
        assert replay.verdict is not None
        advice = [{"text": "Take one shim out.", "changes": []}]
        store.finish_check(
            check,
            replay.verdict,
            advice=advice,
            recording_sha256=sha256,
            recording_bytes=size,
            software_version=__version__,
            at=over,
        )
    elif end == "abandoned":
        store.abandon_check(check, at=over, recording_sha256=sha256, recording_bytes=size)
    elif end == "crash":
        store.abandon_open_checks("bay-1", at=over)
    return check


def open_job(store: Store, number: int, at: datetime) -> int:
    sheet = parse_sheet(SHEET, "sheet").sheet
    return store.open_job(
        uuid=UUIDS[number],
        bench="bay-1",
        unit_serial=f"FW3-00{number}",
        technician="first shift",
        sheet_name=sheet.name,
        sheet_revision=sheet.revision,
        sheet_toml=SHEET,
        at=at,
    )


def make_record(home: Path) -> Path:
    """Make home/record.sqlite: a closed and signed-off job with one of everything, and one still being measured."""
    path = home / "record.sqlite"
    with Store.open(path) as store:
        job = open_job(store, 0, AT)
        check_from(store, home, job, "low", "line-10hz-mm-clean", AT + timedelta(minutes=1))
        parts = PartsChanged("low", (Change(0, "shim", 2, 3),), 1_020_000, 24_000, "first shift")
        changed = store.add_fact(job, parts, at=AT + timedelta(minutes=2))
        check_from(store, home, job, "high", "line-10hz-mm-glitch", AT + timedelta(minutes=3), "abandoned")
        check_from(store, home, job, "high", "line-10hz-mm-short-hold", AT + timedelta(minutes=4), "crash")
        store.add_fact(job, StepDone(0, "first shift", lasted_ns=1_800_000_000_000), at=AT + timedelta(minutes=5))
        store.add_fact(job, Override("high", None, "foreman", "measured by hand"), at=AT + timedelta(minutes=6))
        store.close_job(job, at=AT + timedelta(minutes=7))
        store.add_fact(job, SignedOff("foreman", "ready to fit"), at=AT + timedelta(minutes=8))
        store.add_fact(
            job, Correction(changed, "foreman", "miscounted", "one shim fewer"), at=AT + timedelta(minutes=9)
        )
        second = open_job(store, 1, AT + timedelta(hours=1))
        check_from(store, home, second, "low", "line-10hz-mm-creep", AT + timedelta(hours=1, minutes=1))
        check_from(store, home, second, "reverse", "line-10hz-mm-gap", AT + timedelta(hours=1, minutes=2), "measuring")
    return path


def copy_record(path: Path, home: Path) -> Path:
    """Return a copy of the record file in `home`; its recordings are those of the first one, by a link."""
    home.mkdir(exist_ok=True)
    if not (home / "recordings").exists():
        (home / "recordings").symlink_to(path.parent / "recordings")
    with closing(sqlite3.connect(path)) as source, closing(sqlite3.connect(home / "record.sqlite")) as copy:
        copy.execute("PRAGMA synchronous = OFF")
        source.backup(copy)
    return home / "record.sqlite"


def copy_all(path: Path, home: Path) -> Path:
    """Return a copy with its recordings beside it."""
    shutil.copytree(path.parent / "recordings", home / "recordings")
    return copy_record(path, home)


def tamper(path: Path, *statements: tuple[str, tuple[Any, ...]]) -> None:
    """Change the file as somebody would who knows SQLite: no triggers, no keys checked; and cover the tracks."""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        triggers = connection.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        connection.execute("PRAGMA synchronous = OFF")
        connection.execute("PRAGMA foreign_keys = OFF")
        connection.execute("PRAGMA ignore_check_constraints = ON")
        for name, _ in triggers:
            connection.execute(f"DROP TRIGGER {name}")
        for sql, values in statements:
            connection.execute(sql, values)
        for _, sql in triggers:
            connection.execute(sql)


def forge(path: Path, entry: int, **changes: Any) -> None:
    """Change an entry's body, and work out every hash after it again: only the recordings and a head that was written
    down elsewhere can tell."""
    with closing(sqlite3.connect(path)) as connection:
        rows = connection.execute("SELECT number, kind, at, body FROM ledger ORDER BY number").fetchall()
    last = BEFORE_THE_FIRST[1]
    statements: list[tuple[str, tuple[Any, ...]]] = []
    for number, kind, at, body in rows:
        if number == entry:
            body = canonical({**json.loads(body), **changes})
        sha256 = digest(last, number, kind, at, body)
        sql = "UPDATE ledger SET body = ?, previous = ?, sha256 = ? WHERE number = ?"
        statements.append((sql, (body, last, sha256, number)))
        last = sha256
    tamper(path, *statements)


def other(value: Any) -> Any:
    """Return another value than `value`, as near to it as can be."""
    if value is None:
        return 1
    if isinstance(value, float):
        return math.nextafter(value, math.inf)
    return value + 1 if isinstance(value, int) else value + " "
