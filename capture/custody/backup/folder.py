"""A backup as a folder, brought up to date by copying what is new.

Theory. A backup is what its manifest says, and the manifest is written last, by a rename. Until then nothing that the
manifest in place lists is touched: the databases get a new name with every generation, and so does a recording whose
bytes changed (one that was still being written). So a backup that is brought up to date is at every moment either the
earlier one or the new one, whole. A first one is made under another name and renamed when it is whole.

A recording once backed up stays, also when the bench removes it by policy later.
"""

from __future__ import annotations

import os
import re
import shutil
import sqlite3
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from capture import __version__
from capture.custody.backup.manifest import (
    MANIFEST,
    RECORD,
    STOCK,
    BackedUp,
    BackupError,
    Head,
    Manifest,
    read_manifest,
)
from capture.custody.backup.sources import (
    Made,
    Recording,
    Source,
    copy_database,
    in_words,
    named,
    private,
    proven,
    stock_proven,
    unpacked_sha256,
)
from capture.job.people import PEOPLE_FILE
from capture.plumbing.durable import copy_into, holding, put_in_place, sync_folder, unfinished, written
from capture.record import RecordError
from capture.recordings.file import COMPRESSED

_GENERATION = re.compile(r"\.g[0-9]+$")
_DATABASE = re.compile(r"(record|stock)-[0-9]+\.sqlite(-journal)?$")


def back_up_to_folder(source: Source, place: Path, *, at: datetime, waiting: Callable[[], None] = lambda: None) -> Made:
    """Make the folder `place` a backup of `source`, or bring it up to date. `waiting` is called where another process
    must end first.

    Raises BackupError; then `place` is as it was.
    """
    source.check_place(place)
    try:
        with holding(place.parent, alone=True, waiting=waiting), source.held(waiting):
            earlier = _earlier(place)
            work = place if earlier is not None else unfinished(place)
            work.mkdir(exist_ok=True)
            try:
                made = _Folder(source, work, earlier).bring_up_to_date(place, at)
                if work != place:
                    put_in_place(work, place)
            except (RecordError, OSError, sqlite3.Error, UnicodeDecodeError):
                if work != place:  # one that was only interrupted goes on from there the next time
                    shutil.rmtree(work, ignore_errors=True)
                raise
            return made
    except (OSError, sqlite3.Error, UnicodeDecodeError) as error:
        raise in_words(error, f"the backup {place} was not made") from error


def _earlier(place: Path) -> Manifest | None:
    """The manifest of the backup that is there; None if there is none yet."""
    manifest = place / MANIFEST
    if manifest.is_file():
        return read_manifest(manifest.read_bytes(), place)
    if place.exists() and (not place.is_dir() or any(place.iterdir())):
        raise BackupError(
            f"{place} is no backup (it has no {MANIFEST}) and not empty; give a folder that is not there yet, or that "
            "of an earlier backup"
        )
    return None


class _Folder:
    """One folder being filled."""

    def __init__(self, source: Source, folder: Path, earlier: Manifest | None) -> None:
        self._source = source
        self._folder = folder
        self._earlier = earlier
        self._generation = 1 if earlier is None else earlier.generation + 1
        files = () if earlier is None else earlier.files
        self._listed = {one.file for one in files}
        self._of_path = {one.path: one for one in files}
        self._kept = 0
        self._copied: list[BackedUp] = []
        self._missing: list[str] = []
        self._altered: list[str] = []

    def bring_up_to_date(self, place: Path, at: datetime) -> Made:
        after = None
        if self._earlier is not None and self._earlier.head.number:
            after = self._earlier.head.number, self._earlier.head.sha256
        files = [self._database(self._source.record, RECORD)]
        head, jobs, recordings = proven(self._folder / files[0].file, self._source.record, after)
        stock_head: tuple[int, str] | None = None
        if self._source.stock is not None:
            files.append(self._database(self._source.stock, STOCK))
            held = None if self._earlier is None else self._earlier.stock_head
            copy = self._folder / files[1].file
            stock_head = stock_proven(copy, self._source.stock, (held.number, held.sha256) if held else None)
        for recording in recordings:
            files += self._recording(recording)
        manifest = Manifest(
            backup=1,
            made=at,
            software_version=__version__,
            generation=self._generation,
            head=Head(number=head[0], sha256=head[1]),
            stock_head=None if stock_head is None else Head(number=stock_head[0], sha256=stock_head[1]),
            files=tuple(files),
            missing=tuple(self._missing),
            altered=tuple(self._altered),
        )
        sync_folder(self._folder)
        with written(self._folder / MANIFEST) as file:
            file.write(manifest.to_bytes())
        self._tidy({one.file for one in files})
        return Made.of(place, manifest, jobs, self._copied, self._kept)

    def _database(self, live: Path, path: str) -> BackedUp:
        file = f"{Path(path).stem}-{self._generation}.sqlite"
        copy_database(live, self._folder / file)
        with (self._folder / file).open("rb") as copy:
            size, sha256 = copy_into(copy, None)
        return BackedUp(path=path, file=file, bytes=size, sha256=sha256)

    # -- recordings --------------------------------------------------------------------------------------

    def _recording(self, recording: Recording) -> list[BackedUp]:
        """Return the recording as it is in the backup now, copied if it had to be; nothing if there is none."""
        here = recording.here(self._source.record)
        there = self._there(recording, here)
        if there is not None:
            self._kept += 1
            return [there]
        if here is None:
            if not recording.pruned:
                self._missing.append(recording.path)
            return []
        copy = self._copy(here, named(recording, here))
        if recording.sealed not in (None, unpacked_sha256(self._folder / copy.file)):
            self._altered.append(recording.path)
        self._copied.append(copy)
        return [copy]

    def _there(self, recording: Recording, here: Path | None) -> BackedUp | None:
        """What the backup has of the recording already, if it need not be copied again."""
        for path in (recording.path, recording.path + COMPRESSED):
            listed = self._of_path.get(path)
            for file in dict.fromkeys((path if listed is None else listed.file, path)):
                found = self._folder / file
                if not found.is_file():
                    continue
                with found.open("rb") as opened:
                    size, sha256 = copy_into(opened, None)
                if recording.sealed is not None:
                    same = unpacked_sha256(found) == recording.sealed
                else:  # only the bytes themselves can tell
                    same = listed is not None and listed.sha256 == sha256
                    if here is not None:
                        same = unpacked_sha256(found) == unpacked_sha256(here)
                if same:
                    return BackedUp(path=path, file=file, bytes=size, sha256=sha256)
        return None

    def _copy(self, here: Path, path: str) -> BackedUp:
        file = f"{path}.g{self._generation}" if path in self._listed else path
        target = self._folder / file
        if not target.parent.is_dir():
            target.parent.mkdir(parents=True)
            sync_folder(target.parent.parent)
        with here.open("rb") as live, written(target) as copy:
            # One that is being measured goes on growing: what is there now is what is copied.
            private(copy, path)
            size, sha256 = copy_into(live, copy, os.fstat(live.fileno()).st_size)
        return BackedUp(path=path, file=file, bytes=size, sha256=sha256)

    def _tidy(self, files: set[str]) -> None:
        """Remove what only earlier generations, or attempts that were cut off, were made of."""
        for found in self._folder.iterdir():
            if _DATABASE.fullmatch(found.name) and found.name not in files:
                found.unlink()
        kept = ("recordings/*/*", "photos/*", f"{PEOPLE_FILE}*")
        for one in [found for pattern in kept for found in self._folder.glob(pattern)]:
            file = one.relative_to(self._folder).as_posix()
            if file not in files and (file in self._listed or _GENERATION.search(file)):
                one.unlink()
