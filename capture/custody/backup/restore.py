"""Puts a backup back into a new data folder. Everything is copied beside it, held against the manifest, and the chain
walked, before the folder gets its name; a folder that holds anything is not touched.
"""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from capture.custody.backup.archive import members, reading_archive
from capture.custody.backup.manifest import MANIFEST, RECORD, STOCK, BackupError, Manifest, read_manifest
from capture.custody.backup.sources import in_words, private
from capture.plumbing.durable import copy_into, holding, put_in_place, sync_folder, unfinished, written
from capture.record import Mismatch, Store, audit
from capture.stock import StockError, StockRoom
from capture.stock.walk import walk_stock

#: A manifest of a hundred thousand recordings has some twenty megabytes.
_LARGEST_MANIFEST = 1 << 28


@dataclass(frozen=True, slots=True)
class Restored:
    """A data folder that was put back."""

    folder: Path
    made: datetime
    head: tuple[int, str]
    jobs: int
    recordings: int
    stock: bool
    missing: tuple[str, ...]
    altered: tuple[str, ...]


def restore(backup: Path, data_dir: Path) -> Restored:
    """Put the backup at `backup` (a folder or an archive) back as the folder `data_dir`, which must not be there yet,
    or be empty. Raises BackupError; then `data_dir` is as it was."""
    folder = data_dir.resolve()
    _check_places(backup, folder)
    stage = unfinished(folder)
    try:
        with holding(folder.parent, alone=True):
            _check_places(backup, folder)
            with _staged(stage):
                manifest = _from_folder(backup, stage) if backup.is_dir() else _from_archive(backup, stage)
                jobs = _prove(stage, manifest, backup)
                for one in (*stage.rglob("*/"), stage):
                    if one.is_dir():
                        sync_folder(one)
                if folder.exists():
                    stage.chmod(folder.stat().st_mode & 0o7777)
                put_in_place(stage, folder)
    except (OSError, sqlite3.Error, UnicodeDecodeError) as error:
        raise in_words(error, f"the backup {backup} was not put back as {data_dir}") from error
    paths = [one.path for one in manifest.files]
    return Restored(
        folder=data_dir,
        made=manifest.made,
        head=(manifest.head.number, manifest.head.sha256),
        jobs=jobs,
        recordings=sum(path.startswith("recordings/") for path in paths),
        stock=STOCK in paths,
        missing=manifest.missing,
        altered=manifest.altered,
    )


def _check_places(backup: Path, folder: Path) -> None:
    if not backup.exists():
        raise BackupError(f"there is no backup at {backup}")
    if (folder / RECORD).exists():
        raise BackupError(
            f"there is a record in {folder} already, and a record is never written over; give a folder that is not "
            "there yet as --data-dir, and move it into place yourself once `strokelog record verify` has proven it"
        )
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise BackupError(f"{folder} is not empty; give a folder that is not there yet, or an empty one, as --data-dir")
    if not folder.parent.is_dir():
        raise BackupError(f"there is no folder {folder.parent} to put {folder.name} into; make it first")


@contextmanager
def _staged(stage: Path) -> Iterator[None]:
    shutil.rmtree(stage, ignore_errors=True)  # of an attempt that was cut off
    stage.mkdir()
    try:
        yield
    finally:
        shutil.rmtree(stage, ignore_errors=True)


def _put(stage: Path, path: str) -> Path:
    target = stage / path
    target.parent.mkdir(parents=True, exist_ok=True)
    return target


def _from_folder(backup: Path, stage: Path) -> Manifest:
    if not (backup / MANIFEST).is_file():
        raise BackupError(f"{backup} is no backup: it has no {MANIFEST}; was it cut off while it was first made?")
    manifest = read_manifest((backup / MANIFEST).read_bytes(), backup)
    for one in manifest.files:
        try:
            with (backup / one.file).open("rb") as source, written(_put(stage, one.path)) as target:
                private(target, one.path)
                found = copy_into(source, target)
        except FileNotFoundError as error:
            raise _damaged(backup, one.file, "it is missing") from error
        _same(backup, one.file, (one.bytes, one.sha256), found)
    return manifest


def _from_archive(backup: Path, stage: Path) -> Manifest:
    found: dict[str, tuple[int, str]] = {}
    manifest: Manifest | None = None
    with reading_archive(backup) as archive:
        for name, contents in members(archive, backup):
            if manifest is not None or name in found:
                raise BackupError(f"{backup} is no backup: {name!r} in it is not where it belongs")
            if name == MANIFEST:
                manifest = read_manifest(contents.read(_LARGEST_MANIFEST), backup)
                continue
            with written(_put(stage, name)) as target:
                private(target, name)
                found[name] = copy_into(contents, target)
    if manifest is None:
        raise BackupError(f"{backup} is cut off: it ends before its {MANIFEST}; use another backup")
    for one in manifest.files:
        if one.file not in found:
            raise _damaged(backup, one.file, "it is missing")
        _same(backup, one.file, (one.bytes, one.sha256), found.pop(one.file))
        if one.path != one.file:
            raise _damaged(backup, one.file, f"it is listed as {one.path}")
    if found:
        raise _damaged(backup, min(found), "the manifest does not list it")
    return manifest


def _damaged(backup: Path, file: str, what: str) -> BackupError:
    return BackupError(f"the backup {backup} is damaged at {file}: {what}; nothing was put back; use another backup")


def _same(backup: Path, file: str, listed: tuple[int, str], found: tuple[int, str]) -> None:
    if found[0] != listed[0]:
        raise _damaged(backup, file, f"expected {listed[0]} bytes, found {found[0]}")
    if found[1] != listed[1]:
        raise _damaged(backup, file, f"expected the SHA-256 {listed[1]}, found {found[1]}")


def _prove(stage: Path, manifest: Manifest, backup: Path) -> int:
    """Bring the record that was copied up to date, as an earlier version may have made it, and walk its chain; return
    how many jobs it has."""
    Store.open(stage / RECORD).close()
    expected = manifest.head.number, manifest.head.sha256
    try:
        walked = audit(stage / RECORD, expect=expected if expected[0] else None)
    except Mismatch as mismatch:
        raise _damaged(backup, RECORD, f"its record does not prove: {mismatch}") from mismatch
    if walked.head != expected:
        raise _damaged(backup, RECORD, f"expected entry {expected[0]} as its last, found {walked.head[0]}")
    if (stock := manifest.stock_head) is not None:
        try:
            StockRoom.open(stage / STOCK).close()
            found = walk_stock(stage / STOCK).head
        except (Mismatch, StockError) as error:
            raise _damaged(backup, STOCK, f"its stock does not prove: {error}") from error
        if found != (stock.number, stock.sha256):
            raise _damaged(backup, STOCK, f"expected entry {stock.number} as its last, found {found[0]}")
    return walked.jobs
