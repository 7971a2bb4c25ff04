"""What benches of an older version left on this machine: copied first, brought up to date, and proven.

Recordings are not touched by any of it, so the copy is of the databases alone.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from capture.bench.lock import BenchLock
from capture.bench.service.installed import on
from capture.bench.service.shipped import ServiceError
from capture.custody.backup.sources import copy_database
from capture.plumbing.durable import put_in_place, unfinished
from capture.record import Mismatch, RecordError, Store, audit
from capture.record.database import is_newest
from capture.stock import StockRoom
from capture.stock.walk import is_chained


@dataclass(frozen=True, slots=True)
class BenchData:
    """The data folder of one bench, and whether what is in it is of an older schema."""

    bench: str
    folder: Path
    behind: bool

    @property
    def record(self) -> Path:
        """The record's file."""
        return self.folder / "record.sqlite"

    @property
    def stock(self) -> Path:
        """The file of the stock, where this bench keeps one."""
        return self.folder / "stock.sqlite"

    def databases(self) -> list[Path]:
        """Return those that are there."""
        return [path for path in (self.record, self.stock) if path.is_file()]


def data_of(root: Path, benches: Sequence[str]) -> list[BenchData]:
    """Return the data of those benches that have a record already; raises RecordError for one that cannot be read."""
    found = []
    for bench in benches:
        folder = on(root, f"/var/lib/strokelog/{bench}")
        here = BenchData(bench, folder, behind=False)
        if here.record.is_file():
            stock_behind = here.stock.is_file() and not is_chained(here.stock)
            found.append(BenchData(bench, folder, behind=stock_behind or not is_newest(here.record)))
            _give_back(folder)  # looking alone makes the files beside a database that its users share
    return found


@contextmanager
def at_rest(root: Path, benches: Sequence[BenchData]) -> Iterator[None]:
    """Hold these benches for the block, so that none begins to measure; raises ServiceError if one is running."""
    with ExitStack() as held:
        for one in benches:
            stop = f"stop it first: systemctl stop strokelog@{one.bench}"
            if on(root, f"/run/strokelog/{one.bench}").exists():
                raise ServiceError(f"the service of {one.bench} is running; {stop}")
            try:
                held.enter_context(BenchLock(one.folder, one.bench))
            except RecordError as error:
                raise ServiceError(f"{error}; {stop}") from error
        try:
            yield
        finally:
            for one in benches:
                _give_back(one.folder)


def copy_databases(root: Path, data: BenchData, version: str, at: datetime) -> Path:
    """Copy a bench's record and stock as they are; return the folder. `version` is the strokelog that wrote them.

    Raises RecordError (BackupError), OSError and sqlite3.Error; then the folder is not there.
    """
    place = on(root, f"/var/lib/strokelog-upgrade/{data.bench}/{at:%Y%m%dT%H%M%SZ}-before-{version}")
    place.parent.mkdir(parents=True, exist_ok=True, mode=0o750)
    beside = unfinished(place)
    shutil.rmtree(beside, ignore_errors=True)
    beside.mkdir(mode=0o750)
    for database in data.databases():
        copy_database(database, beside / database.name)
    put_in_place(beside, place)
    return place


def bring_up_to_date(data: BenchData, copy: Path) -> None:
    """Take the steps to the newest schema and walk the record's chain; raises RecordError, StockError, ServiceError."""
    Store.open(data.record).close()
    if data.stock.is_file():
        StockRoom.open(data.stock).close()
    try:
        audit(data.record)
    except Mismatch as mismatch:
        raise ServiceError(
            f"the record {data.record} was brought up to date and does not prove: {mismatch}; as it was it is in {copy}"
        ) from mismatch


def _give_back(folder: Path) -> None:
    """Make what root wrote into a bench's folder the bench's again."""
    if os.geteuid() != 0:
        return
    owner = folder.stat()
    for path in folder.iterdir():
        if path.lstat().st_uid != owner.st_uid:
            os.chown(path, owner.st_uid, owner.st_gid, follow_symlinks=False)
