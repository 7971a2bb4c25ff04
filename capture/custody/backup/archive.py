"""A backup as one file: a tar archive (POSIX.1-2001), compressed with gzip where its name says so. It is written beside
its name, read back against its manifest, and renamed when that is whole. Its manifest comes last.
"""

from __future__ import annotations

import errno
import io
import os
import shutil
import sqlite3
import tarfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path
from typing import IO, BinaryIO, cast

from capture import __version__
from capture.custody.backup.manifest import MANIFEST, RECORD, STOCK, BackedUp, BackupError, Head, Manifest, inside
from capture.custody.backup.sources import (
    Made,
    Recording,
    Source,
    copy_database,
    in_words,
    named,
    proven,
    stock_proven,
    unpacked_sha256,
)
from capture.job.people import PEOPLE_FILE
from capture.plumbing.durable import copy_into, holding, put_in_place, unfinished
from capture.recordings.file import unpacked

_ENDINGS = (".tar", ".tar.gz")


def is_archive(place: Path) -> bool:
    """Say whether a backup of this name is one file."""
    return place.name.endswith(_ENDINGS)


@contextmanager
def reading_archive(place: Path) -> Iterator[tarfile.TarFile]:
    """Open an archive to read it from its beginning to its end; whatever is wrong with it is a BackupError."""
    try:
        with unpacked(place.open("rb")) as file:
            with tarfile.open(fileobj=file, mode="r|") as archive:
                yield archive
            while file.read(1 << 16):  # a compressed one proves itself whole at its very end
                pass
    except (tarfile.TarError, OSError) as error:
        if isinstance(error, OSError) and error.errno != errno.EIO:
            raise
        said = error.strerror if isinstance(error, OSError) else error
        raise BackupError(f"{place} is damaged, cut off, or no backup at all: {said}; use another backup") from error


def members(archive: tarfile.TarFile, place: Path) -> Iterator[tuple[str, BinaryIO]]:
    """Yield the name and contents of every file of a backup; raises BackupError for whatever has no place in one."""
    for member in archive:
        try:
            name = member.name if member.name == MANIFEST else inside(member.name)
        except ValueError as error:
            raise BackupError(f"{place} is no backup: {error}") from error
        contents = archive.extractfile(member) if member.isreg() else None
        if contents is None:
            raise BackupError(f"{place} is no backup: {name!r} in it is no plain file")
        yield name, cast("BinaryIO", contents)


def back_up_to_archive(
    source: Source, place: Path, *, at: datetime, waiting: Callable[[], None] = lambda: None
) -> Made:
    """Make the file `place` a backup of `source`. `waiting` is called where another process must end first.

    Raises BackupError; then `place` is not there. A file that is there already is not written over.
    """
    source.check_place(place)
    copies = place.with_name(f".{place.name}.databases")
    try:
        with holding(place.parent, alone=True, waiting=waiting), source.held(waiting):
            if place.exists():
                raise BackupError(f"{place} is there already; give another name, such as one with the date in it")
            shutil.rmtree(copies, ignore_errors=True)
            copies.mkdir()
            beside = unfinished(place)
            try:
                made = _write(source, place, beside, copies, at)
                put_in_place(beside, place)
            finally:
                shutil.rmtree(copies, ignore_errors=True)
                with suppress(OSError):
                    beside.unlink()
            return made
    except (OSError, sqlite3.Error, UnicodeDecodeError, tarfile.TarError) as error:
        raise in_words(_as_oserror(error), f"the backup {place} was not made") from error


def _as_oserror(
    error: OSError | sqlite3.Error | UnicodeDecodeError | tarfile.TarError,
) -> OSError | sqlite3.Error | UnicodeDecodeError:
    return OSError(str(error)) if isinstance(error, tarfile.TarError) else error


def _write(source: Source, place: Path, beside: Path, copies: Path, at: datetime) -> Made:
    copy_database(source.record, copies / RECORD)
    head, jobs, recordings = proven(copies / RECORD, source.record)
    files: list[BackedUp] = []
    missing: list[str] = []
    altered: list[str] = []
    stock_head: tuple[int, str] | None = None
    with beside.open("wb") as file:
        with tarfile.open(
            fileobj=file, mode="w:gz" if place.name.endswith(".gz") else "w", format=tarfile.PAX_FORMAT
        ) as tar:
            files.append(_add_file(tar, copies / RECORD, RECORD, at))
            if source.stock is not None:
                copy_database(source.stock, copies / STOCK)
                stock_head = stock_proven(copies / STOCK, source.stock)
                files.append(_add_file(tar, copies / STOCK, STOCK, at))
            for recording in recordings:
                files += _recording(tar, source, recording, at, missing, altered)
            manifest = Manifest(
                backup=1,
                made=at,
                software_version=__version__,
                generation=1,
                head=Head(number=head[0], sha256=head[1]),
                stock_head=None if stock_head is None else Head(number=stock_head[0], sha256=stock_head[1]),
                files=tuple(files),
                missing=tuple(missing),
                altered=tuple(altered),
            )
            data = manifest.to_bytes()
            _add(tar, io.BytesIO(data), MANIFEST, len(data), at)
        file.flush()
        os.fsync(file.fileno())
    _read_back(beside, manifest)
    return Made.of(place, manifest, jobs, [one for one in files if one.path not in (RECORD, STOCK)])


def _recording(
    tar: tarfile.TarFile, source: Source, recording: Recording, at: datetime, missing: list[str], altered: list[str]
) -> list[BackedUp]:
    here = recording.here(source.record)
    if here is None:
        if not recording.pruned:
            missing.append(recording.path)
        return []
    if recording.sealed not in (None, unpacked_sha256(here)):
        altered.append(recording.path)
    return [_add_file(tar, here, named(recording, here), at)]


def _add_file(tar: tarfile.TarFile, file: Path, path: str, at: datetime) -> BackedUp:
    with file.open("rb") as opened:
        # One that is being measured goes on growing: what is there now is what is copied.
        size, sha256 = copy_into(opened, None, os.fstat(opened.fileno()).st_size)
        opened.seek(0)
        _add(tar, opened, path, size, at)
    return BackedUp(path=path, file=path, bytes=size, sha256=sha256)


def _add(tar: tarfile.TarFile, file: IO[bytes], path: str, size: int, at: datetime) -> None:
    member = tarfile.TarInfo(path)
    mode = 0o600 if path == PEOPLE_FILE else 0o640
    member.size, member.mode, member.mtime = size, mode, int(at.timestamp())
    tar.addfile(member, file)


def _read_back(beside: Path, manifest: Manifest) -> None:
    """What was written is what the manifest says."""
    with reading_archive(beside) as archive:
        found = {name: copy_into(contents, None) for name, contents in members(archive, beside)}
    for one in manifest.files:
        if found.get(one.file) != (one.bytes, one.sha256):
            raise BackupError(f"{beside} does not read back as it was written, at {one.file}; is the disk sound?")
