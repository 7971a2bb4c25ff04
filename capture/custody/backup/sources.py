"""What there is to back up: consistent copies of the databases, made while others write them, and the recordings that
the record refers to. Where they are put is not known here.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from capture.custody.backup.manifest import STOCK, BackedUp, BackupError, Manifest
from capture.job.people import PEOPLE_FILE
from capture.plumbing.durable import copy_into, holding, sync_file
from capture.plumbing.sqlite_file import open_read_only
from capture.record import Mismatch, Store, audit
from capture.recordings.file import COMPRESSED, filed_as, kept_at, unpacked
from capture.stock import StockError
from capture.stock.walk import is_chained, walk_stock


@dataclass(frozen=True, slots=True)
class Source:
    """A data folder to back up: its record, and its stock if there is one."""

    record: Path
    stock: Path | None

    @property
    def recordings(self) -> Path:
        """The folder of recordings beside the record."""
        return self.record.parent / "recordings"

    def check_place(self, place: Path) -> None:
        """Refuse a place where a backup would do harm or cannot be; raises BackupError."""
        if not place.parent.is_dir():
            raise BackupError(f"there is no folder {place.parent} to put the backup {place.name} into; make it first")
        if place.resolve().is_relative_to(self.recordings.resolve()):
            raise BackupError(f"{place} is among the recordings themselves; give a place outside {self.recordings}")
        if place.resolve().is_relative_to(self.record.parent.resolve()):
            raise BackupError(
                f"{place} is in the data folder that is backed up, and would be lost together with it; give a place "
                f"outside {self.record.parent}, best on another disk"
            )

    @contextmanager
    def held(self, waiting: Callable[[], None]) -> Iterator[None]:
        """Keep recordings from being compressed or removed meanwhile; `waiting` is called if that is going on."""
        if not self.recordings.is_dir():
            yield
            return
        with holding(self.recordings, alone=False, waiting=waiting):
            yield


@dataclass(frozen=True, slots=True)
class Recording:
    """One recording, photo or other file that belongs to the record. `path` is where it belongs in a data folder."""

    path: str
    sealed: str | None
    """The SHA-256 that the ledger holds, of the bytes as received; None while it is written, or after a crash."""
    pruned: bool

    def here(self, record: Path) -> Path | None:
        """Return the file of the record's own data folder that holds it now, None if there is none."""
        return kept_at(record.parent / self.path)


@dataclass(frozen=True, slots=True)
class Made:
    """A backup that is in place."""

    place: Path
    head: tuple[int, str]
    jobs: int
    copied: int
    copied_bytes: int
    kept: int
    """Recordings that were there already, with the right hash."""
    stock: bool
    missing: tuple[str, ...]
    altered: tuple[str, ...]

    @classmethod
    def of(cls, place: Path, manifest: Manifest, jobs: int, copied: Sequence[BackedUp], kept: int = 0) -> Made:
        """Return what to say of a backup whose manifest is written: what was `copied`, and how many files `kept`."""
        return cls(
            place,
            (manifest.head.number, manifest.head.sha256),
            jobs,
            copied=sum(one.path != PEOPLE_FILE for one in copied),
            copied_bytes=sum(one.bytes for one in copied),
            kept=kept,
            stock=any(one.path == STOCK for one in manifest.files),
            missing=manifest.missing,
            altered=manifest.altered,
        )


def in_words(error: OSError | sqlite3.Error | UnicodeDecodeError, doing: str) -> BackupError:
    """Return what stopped a backup or a restore, in words."""
    if isinstance(error, UnicodeDecodeError):  # Python cannot say what SQLite told of a table that is no text
        return BackupError(f"{doing}: the definition of one of its tables is damaged")
    said = error.strerror or str(error) if isinstance(error, OSError) else str(error)
    return BackupError(f"{doing}: {said}; is there room, and may this user read and write there?")


def copy_database(source: Path, target: Path) -> None:
    """Copy the SQLite file `source` as it is at one moment, whatever others write meanwhile (SQLite's online backup),
    as a file that needs none beside it. Raises sqlite3.Error and OSError."""
    for left in (target, target.with_name(f"{target.name}-journal")):
        left.unlink(missing_ok=True)  # of an attempt that was cut off
    with closing(open_read_only(source)) as live, closing(sqlite3.connect(target)) as copy:
        live.backup(copy)
        # A write-ahead log would make even reading the copy need a folder that can be written.
        copy.execute("PRAGMA journal_mode = DELETE").close()
        said = copy.execute("PRAGMA integrity_check(1)").fetchone()[0]
        if said != "ok":
            raise BackupError(f"{source} is damaged, so it was not backed up: {said}; run `strokelog record verify`")
    sync_file(target)


def proven(
    copy: Path, record: Path, after: tuple[int, str] | None = None
) -> tuple[tuple[int, str], int, list[Recording]]:
    """Walk the chain of the copied record; return its head, how many jobs it has, and what else is to be copied: the
    recordings, the photos, and the file of people. `after` is a head
    that it must hold. Raises BackupError."""
    try:
        walked = audit(copy, expect=after)
    except Mismatch as mismatch:
        earlier = "" if after is None else f" It must continue entry {after[0]} of the backup that is there: if it is "
        earlier += "" if after is None else "another record, or one put back from before, give another place."
        raise BackupError(
            f"the record {record} was not backed up, since it does not prove: {mismatch}.{earlier}"
        ) from (mismatch)
    of_gauges = [
        Recording(path, one.fact.recording_sha256, pruned=False)
        for one in walked.gauges
        if (path := filed_as(one.fact.recording_path)) is not None
    ]
    of_checks = _recordings_in(copy, {one.check: one.recording_sha256 for one in walked.ended}, set(walked.pruned))
    # One that was kept twice is one file; it is named by its hash, which seals it as an entry does a recording.
    photos = {one.fact.path: Recording(one.fact.path, one.fact.sha256, pruned=False) for one in walked.photos}
    people = [Recording(PEOPLE_FILE, None, pruned=False)] if (record.parent / PEOPLE_FILE).is_file() else []
    return walked.head, walked.jobs, [*of_checks, *of_gauges, *photos.values(), *people]


def stock_proven(copy: Path, stock: Path, after: tuple[int, str] | None = None) -> tuple[int, str] | None:
    """Walk the ledger of the copied stock; return its head, None of a stock that has none yet. `after` is a head that
    it must hold. Raises BackupError."""
    try:
        return walk_stock(copy, [] if after is None else [after]).head if is_chained(copy) else None
    except (Mismatch, StockError) as error:
        raise BackupError(f"the stock {stock} was not backed up, since it does not prove: {error}") from error


def _recordings_in(record: Path, sealed: dict[int, str | None], pruned: set[int]) -> list[Recording]:
    """Return the recordings of all checks of a record; `sealed` and `pruned` are what its ledger says of them."""
    with Store.open_to_read(record) as store:
        found = store.recordings()
    result: dict[str, Recording] = {}
    for one in found:
        # No bench writes it elsewhere, so nothing is read from there either: what is in the data folder may be it.
        path = filed_as(one.path) or f"recordings/job-{one.job:05d}/check-{one.check}.jsonl"
        result[path] = Recording(path, sealed.get(one.check), one.check in pruned)
    return list(result.values())


def unpacked_sha256(path: Path) -> str:
    """Return the hash of a recording's bytes as received; empty for a compressed file that is damaged."""
    try:
        with unpacked(path.open("rb")) as file:
            return copy_into(file, None)[1]
    except OSError:
        return ""


def named(recording: Recording, here: Path) -> str:
    """Return where in a data folder the file `here` belongs: under the recording's name, with its form's ending."""
    return recording.path + (COMPRESSED if here.name.endswith(COMPRESSED) else "")


def private(file: BinaryIO, path: str) -> None:
    """Let nobody but its owner read a copy of the file of people, as nobody else may read that."""
    if path == PEOPLE_FILE:
        os.fchmod(file.fileno(), 0o600)
