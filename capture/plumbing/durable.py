"""Files that are either not there or whole, whatever moment the power goes: written beside, forced to the disk, renamed
into place. And a lock on a folder, that dies with its process. What is in the files is not known here.
"""

from __future__ import annotations

import fcntl
import hashlib
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO, Final

#: Ends the name of whatever is not whole yet. Its name begins with a dot, so that no listing takes it for the thing.
UNFINISHED: Final = ".unfinished"
_BLOCK: Final = 1 << 20
#: What a full disk means to whoever is measuring: bytes come before the stroke they make, a stroke is one transaction.
DISK_FULL: Final = "the disk is full: nothing of this stroke was kept, everything before it was"


def unfinished(path: Path) -> Path:
    """Return where `path` is made until it is whole: beside it, so that a rename can put it in place."""
    return path.with_name(f".{path.name}{UNFINISHED}")


def sync_folder(folder: Path) -> None:
    """Force the names in `folder` to the disk: until then a rename or a removal may be undone by a power cut."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def sync_file(path: Path) -> None:
    """Force a file that another part has written to the disk."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def put_in_place(made: Path, path: Path) -> None:
    """Rename `made`, which is whole and on the disk, to `path`, and force that to the disk as well."""
    made.replace(path)
    sync_folder(path.parent)


@contextmanager
def written(path: Path) -> Iterator[BinaryIO]:
    """Give a file to write; when the block ends well its contents are at `path`, whole and on the disk. When it does
    not, whatever was at `path` stays, and nothing is left beside it. Raises OSError."""
    beside = unfinished(path)
    try:
        with beside.open("wb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        put_in_place(beside, path)
    except BaseException:
        with suppress(OSError):
            beside.unlink()
        raise


def copy_into(source: BinaryIO, target: BinaryIO | None, limit: int | None = None) -> tuple[int, str]:
    """Copy `source`, or its first `limit` bytes, to `target` (None: only read it); return the size and SHA-256."""
    hashed, size = hashlib.sha256(), 0
    while block := source.read(_BLOCK if limit is None else min(_BLOCK, limit - size)):
        hashed.update(block)
        size += len(block)
        if target is not None:
            target.write(block)
    return size, hashed.hexdigest()


@contextmanager
def holding(folder: Path, *, alone: bool, waiting: Callable[[], None] = lambda: None) -> Iterator[None]:
    """Hold `folder` for the block: `alone`, or together with others that do not ask to be. Waits for whoever has it,
    after calling `waiting`. The lock is the kernel's: it leaves no file, and a killed process leaves none held."""
    kind = fcntl.LOCK_EX if alone else fcntl.LOCK_SH
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        try:
            fcntl.flock(descriptor, kind | fcntl.LOCK_NB)
        except BlockingIOError:
            waiting()
            fcntl.flock(descriptor, kind)
        yield
    finally:
        os.close(descriptor)
